"""Slip of the wheels from their speeds, and where they slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.base.late import xr
from recon.conditioning.filters import low_pass

SLOWEST = 1.0  # m/s; below it slip is the difference of speeds over this speed
ROLLING_SPEED = 5.0  # m/s; a radius is read above it
ROLLING_FORCE = 300.0  # N; a wheel that carries less rolls freely
FEWEST_ROLLING = 0.2  # s
LARGER = 1.03  # of the loaded radius: usual rolling radius (common practice, no source)
LEAST_ABOVE = 0.2  # of the bandwidth, above it, in which noise is judged
ENOUGH = 1 << 16  # samples of a median
MEDIAN_OF_NORMAL = 0.6745  # of the size of normal numbers, in standard deviations
U_STATED, U_FREE = 0.02, 0.003  # of the rolling radius, where it is taken from the one or the other


@dataclass(frozen=True, slots=True)
class Slip:
    """Slip of each wheel, worked out where it is asked for: launches are a small part of a drive.

    `turning` (sample,) [rad/s] of each wheel and `speed` (sample,) [m/s] of the car, low-passed;
    `noise` are the standard uncertainties of all of them, in this order.  Rolling radii `radius`
    and `u_radius` (corner,) [m]; `assumed` says in words, by corner, which was not measured.
    """

    turning: list[Floats]
    speed: Floats
    noise: Floats
    radius: Floats
    u_radius: Floats
    assumed: dict[int, str]

    def at(self, samples: slice) -> tuple[Floats, Floats, Floats]:
        """Slip, its standard uncertainty by the radius and by noise, (sample, corner) [1].

        Driving slip is positive.
        """
        speed = self.speed[samples]
        base = np.maximum(np.abs(speed), SLOWEST)
        value, by_radius, by_noise = np.empty((3, len(self.turning), len(speed)))
        for k, wheel in enumerate(self.turning):
            radius = self.radius[k]
            value[k] = (wheel[samples] * radius - speed) / base
            by_radius[k] = np.abs(1 + value[k]) * self.u_radius[k] / radius
            by_noise[k] = np.hypot(self.noise[k] * radius, self.noise[-1]) / base
        return value.T, by_radius.T, by_noise.T


def slip_of(forces: xr.Dataset, speed: Floats, bandwidth: float) -> Slip:
    """Slip of every wheel of the forces against the speed of the car.

    (omega R - v) / v with the rolling radius R of each wheel: where it carries little horizontal
    force, v / omega (in a corner its speed is not that of the car); otherwise from the stated
    loaded radius.  The forces have `wheel_speed` and `loaded_radius`, see `has_wheel_speed`;
    `speed` (sample,) [m/s] is that of the car over ground, and both speeds are low-passed to
    `bandwidth` [Hz].
    """
    rate = float(forces.attrs["rate_Hz"])
    # One at a time, samples side by side in memory.
    logged = [np.array(one, dtype=float) for one in (*forces["wheel_speed"].to_numpy().T, speed)]
    passed = [low_pass(one[:, None], bandwidth, rate)[:, 0] for one in logged]
    own = min(float(forces.attrs["bandwidth_Hz"]), rate / 2)
    noise = np.array([
        _noise(before, after, own, bandwidth) for before, after in zip(logged, passed, strict=True)
    ])  # fmt: skip
    *turning, speed = passed
    return Slip(turning, speed, noise, *_rolling_radii(forces, turning, speed))


def _rolling_radii(
    forces: xr.Dataset, turning: list[Floats], speed: Floats
) -> tuple[Floats, Floats, dict[int, str]]:
    """Rolling radius of each wheel with its u, (corner,) [m], and what was assumed."""
    some = _some(len(speed))
    rate = float(forces.attrs["rate_Hz"]) / some.step
    force, speed = forces["tyre_force"].to_numpy()[some], speed[some]
    radius = LARGER * forces["loaded_radius"].to_numpy().astype(float)
    share = np.full(len(radius), U_STATED)
    words: dict[int, str] = {}
    for k, corner in enumerate(map(str, forces["corner"].to_numpy())):
        flat, wheel = np.hypot(force[:, k, 0], np.nan_to_num(force[:, k, 1])), turning[k][some]
        free = (flat < ROLLING_FORCE) & (speed > ROLLING_SPEED)
        free &= np.isfinite(wheel) & (np.abs(wheel) > 1.0)
        if free.sum() >= FEWEST_ROLLING * rate:
            radius[k] = float(np.median(speed[free] / wheel[free]))
            share[k] = U_FREE
        else:
            words[k] = (
                f"rolling radius of {corner} taken as {LARGER:g} times the loaded radius, "
                f"{1000 * radius[k]:.0f} mm +-{100 * U_STATED:g} %: it never rolled freely above "
                f"{ROLLING_SPEED:g} m/s"
            )
    return radius, share * radius, words


def _noise(logged: Floats, passed: Floats, own: float, bandwidth: float) -> float:
    """Standard deviation of the noise that is left in `passed` (sample,), in its unit.

    White noise up to the bandwidth `own` of the log [Hz] is as strong below `bandwidth` as above
    it, where it is all that there is.
    """
    some = _some(len(logged))
    above = np.abs(logged[some] - passed[some])
    above = above[np.isfinite(above)]
    size = float(np.median(above)) / MEDIAN_OF_NORMAL if above.size else np.nan
    return size * float(np.sqrt(bandwidth / max(own - bandwidth, LEAST_ABOVE * bandwidth)))


def _some(count: int) -> slice:
    """Every so many-th of `count` samples, so that a median is still known to a third of 1 %."""
    return slice(None, None, max(count // ENOUGH, 1))


def has_wheel_speed(forces: xr.Dataset, k: int) -> bool:
    """Whether the speed of wheel `k` was logged."""
    return "wheel_speed" in forces and bool(
        np.isfinite(forces["wheel_speed"].to_numpy()[:, k]).any()
    )


def last_true(time: Floats, slip: Floats, threshold: float) -> float:
    """Time at which slip (sample,) [1] last falls through a threshold, NaN if never [s]."""
    above: NDArray[np.bool_] = slip > threshold
    falls = np.flatnonzero(above[:-1] & ~above[1:])
    if not falls.size:
        return float("nan")
    i = int(falls[-1])
    share = (slip[i] - threshold) / (slip[i] - slip[i + 1])
    return float(time[i] + share * (time[i + 1] - time[i]))


def time_above(time: Floats, slip: Floats, threshold: float) -> float:
    """Total time that slip (sample,) [1] is above a threshold [s]."""
    step = sampling_interval(time)
    excess = slip - threshold
    a, b = excess[:-1], excess[1:]
    both, cross = (a > 0) & (b > 0), (a > 0) != (b > 0)
    part = np.where(cross, np.maximum(a, b) / np.where(cross, np.abs(a - b), 1.0), 0.0)
    return float(step * (both.sum() + part.sum()))
