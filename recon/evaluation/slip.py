"""Slip of the wheels from their speeds, and where they slip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.conditioning.filters import low_pass

if TYPE_CHECKING:
    import xarray as xr

SLOWEST = 1.0  # m/s; below it slip is the difference of speeds over this speed
ROLLING_SPEED = 5.0  # m/s; a radius is read above it
ROLLING_FORCE = 300.0  # N; a wheel that carries less rolls freely
FEWEST_ROLLING = 0.2  # s
LARGER = 1.03  # of the loaded radius: usual rolling radius (common practice, no source)
U_STATED, U_FREE = 0.02, 0.003  # of the rolling radius, where it is taken from the one or the other


@dataclass(frozen=True, slots=True)
class Slip:
    """Slip of each wheel and its standard uncertainty, (sample, corner) [1], driving positive.

    `assumed` says in words, by corner, which rolling radius was not measured.
    """

    value: Floats
    u: Floats
    assumed: dict[int, str]


def slip_of(forces: xr.Dataset, speed: Floats, bandwidth: float) -> Slip:
    """Slip of every wheel of the forces against the speed of the car.

    (omega R - v) / v with the rolling radius R of each wheel: where it carries little longitudinal
    force, v / omega; otherwise from the stated loaded radius.

    Parameters
    ----------
    forces : Dataset
        With `wheel_speed` and `loaded_radius`, see `has_wheel_speed`.
    speed : (sample,)
        Speed of the car over ground. [m/s]
    bandwidth : float
        To which both speeds are low-passed. [Hz]
    """
    rate = float(forces.attrs["rate_Hz"])
    turning = low_pass(forces["wheel_speed"].to_numpy().astype(float), bandwidth, rate)
    speed = low_pass(speed[:, None], bandwidth, rate)[:, 0]
    radius, u_radius, words = _rolling_radii(forces, turning, speed)
    base = np.maximum(np.abs(speed), SLOWEST)[:, None]
    value = (turning * radius - speed[:, None]) / base
    # The noise of both speeds shows where nothing changes quickly: in their second differences.
    noise = np.hypot(_noise(turning) * radius, _noise(speed[:, None]))
    return Slip(value, np.hypot((1 + value) * u_radius / radius, noise / base), words)


def _rolling_radii(
    forces: xr.Dataset, turning: Floats, speed: Floats
) -> tuple[Floats, Floats, dict[int, str]]:
    """Rolling radius of each wheel with its u, (corner,) [m], and what was assumed."""
    rate = float(forces.attrs["rate_Hz"])
    force = forces["tyre_force"].to_numpy()[..., 0]
    radius = LARGER * forces["loaded_radius"].to_numpy().astype(float)
    share = np.full(len(radius), U_STATED)
    words: dict[int, str] = {}
    for k, corner in enumerate(map(str, forces["corner"].to_numpy())):
        free = (np.abs(force[:, k]) < ROLLING_FORCE) & (speed > ROLLING_SPEED)
        free &= np.isfinite(turning[:, k]) & (np.abs(turning[:, k]) > 1.0)
        if free.sum() >= FEWEST_ROLLING * rate:
            radius[k] = float(np.median(speed[free] / turning[free, k]))
            share[k] = U_FREE
        else:
            words[k] = (
                f"rolling radius of {corner} taken as {LARGER:g} times the loaded radius, "
                f"{1000 * radius[k]:.0f} mm +-{100 * U_STATED:g} %: it never rolled freely above "
                f"{ROLLING_SPEED:g} m/s"
            )
    return radius, share * radius, words


def _noise(values: Floats) -> Floats:
    """Standard deviation of the noise of each column, (corner,), from second differences."""
    second = np.abs(np.diff(values, n=2, axis=0))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.nanmedian(second, axis=0) / 0.6745 / np.sqrt(6.0))


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
    step = float(np.median(np.diff(time)))
    excess = slip - threshold
    a, b = excess[:-1], excess[1:]
    both, cross = (a > 0) & (b > 0), (a > 0) != (b > 0)
    part = np.where(cross, np.maximum(a, b) / np.where(cross, np.abs(a - b), 1.0), 0.0)
    return float(step * (both.sum() + part.sum()))
