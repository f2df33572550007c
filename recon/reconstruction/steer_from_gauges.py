"""Speed and steer of a car whose gauges show how it is accelerated and turned.

A car without sideslip is accelerated sideways by its speed times its yaw rate.  Where the speed v
is not logged, the acceleration ahead gives its changes and equation (1) the rest, by least squares
over the whole drive:

    a_y / v = r,    v = integral of a_x + offset,    r = integral of r',  slow parts left out.  (1)

The offset drifts as errors of a_x add up, so that a long steady turn has the speed of its entry
and its exit.  (1) is linearised in it, about the speed of the round before.  An error of r, which
is integrated, is that of the left-hand side; it does not make the car slower, as it would among
what is multiplied by v.  The yaw rate then is a_y / v, and the steer follows as in
`inputs.steering`.  On a straight neither speed nor steer shows, and both hardly matter: the wheels
point ahead.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats, rms
from recon.base.labelled import Variable, stamp
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.reconstruction.inputs.attitude import Lean, on_springs, on_tyres
from recon.reconstruction.inputs.steering import (
    INFERRED,
    SHARE_INFERRED,
    SLOWEST,
    U_ASIDE,
    U_INFERRED,
    U_SLIP_SHARE,
    Spread,
    slip_of_yaw,
    u_understeer,
)
from recon.records.logs import LOG

# Common practice, no source.
USUAL_SPEED, U_USUAL_SPEED = 20.0, 10.0  # m/s, of a drive that does not show it
U_SPEED_SHARE = 0.12  # relative: sideslip, acceleration of a body that rolls
RATE, SLOW, SPAN = 20.0, 1.0, 5.0  # Hz; s, slower parts of r are left out; s, of the misfit
INDEPENDENT = 1.0  # s after which an error of (1) is another one
U_TURNED = 0.02  # rad/s: r of (1) is at least as unsure
ROUNDS = 8
U_GAINED = 0.7  # m/s after a second, of the integral of a_x: 3 m/s after twenty
FASTEST = 80.0  # m/s
TINY = 1e-9  # of what (1) says of the offset, where it says nothing

_U = Variable((), "fixed standard uncertainty of the steer, inferred", "rad")
_SHARE = Variable((), "standard uncertainty of the steer relative to it, inferred", "1")


class Speed(NamedTuple):
    """Speed (sample,) and its standard uncertainty (sample,), both in m/s."""

    value: Floats
    u: Floats


@dataclass(frozen=True, slots=True)
class Means:
    """Means (mean,) over `size` samples, `step` [s] apart, of how the body is accelerated.

    `ahead` and `aside` [m/s2] are the acceleration of the car in the plane of the road, `change`
    is its yaw acceleration [rad/s2] or what is in proportion to it, `speed` [m/s] that of the log
    and `u_aside` [m/s2] what is unsure of `aside`.
    """

    size: int
    step: float
    ahead: Floats
    aside: Floats
    change: Floats
    speed: Floats | None
    u_aside: float

    @classmethod
    def of(cls, log: xr.Dataset, car: Vehicle, change: Floats) -> Means:
        """Means of a log with the acceleration of the body, and of `change` (sample,) [rad/s2]."""
        rate = float(log.attrs["rate"])
        size = max(1, round(rate / RATE))
        force = np.array([_means(values, size) for values in log["acceleration"].to_numpy().T])
        lean = _lean(log, car, force, size)
        ahead = force[0] + STANDARD_GRAVITY * lean.pitch
        aside = force[1] - STANDARD_GRAVITY * lean.roll
        speed = _means(log["speed"].to_numpy(), size) if "speed" in log else None
        u_aside = float(log["u_acceleration"][1]) if "u_acceleration" in log else 0.0
        return cls(size, size / rate, ahead, aside, _means(change, size), speed, u_aside)

    def average(self, values: Floats) -> Floats:
        """Means (mean,) of other `values` (sample,), in their unit."""
        return _means(values, self.size)

    def between(self, values: Floats, count: int) -> Floats:
        """Values (sample,) at all `count` samples from those at means (mean,), in their unit."""
        middle = (np.arange(len(values)) + 0.5) * self.size - 0.5
        return np.interp(np.arange(count), middle, values)


def yaw_by_gauges(
    log: xr.Dataset, car: Vehicle, change: Floats, u_inertia: float = 0.0
) -> tuple[Floats, float]:
    """Yaw rate (sample,) [rad/s] of a car without sideslip, and the relative u [1] of its square.

    Arguments are those of `with_steer`.
    """
    means = Means.of(log, car, change)
    speed = _speed(means, means.change, u_inertia)
    value = np.maximum(speed.value, SLOWEST)
    yaw = means.aside / value
    unsure = np.minimum(2 * speed.u / value, 1.0)
    share = rms(yaw**2 * unsure) / max(rms(yaw**2), TINY)
    return means.between(yaw, len(change)), share


def with_steer(log: xr.Dataset, car: Vehicle, change: Floats, u_inertia: float = 0.0) -> xr.Dataset:
    """The log with the steer that acceleration and the `change` of yaw rate show.

    `log` has the acceleration of the body, `change` is (sample,) [rad/s2], `u_inertia` the relative
    uncertainty of the yaw inertia by which it was found.
    """
    means = Means.of(log, car, change)
    speed = _speed(means, means.change, u_inertia)
    parts = _parts_of_steer(speed.value, car, means.aside, means.change)
    steer, known = parts[0] + parts[1], _unsure(speed, car, means, parts)
    inferred = means.between(steer, log.sizes["elapsed_time"])
    return log.assign(
        {
            INFERRED: stamp(LOG["steer"], inferred),
            U_INFERRED: stamp(_U, known.u),
            SHARE_INFERRED: stamp(_SHARE, known.share),
        }
    )


def steer_by(means: Means, car: Vehicle, change: Floats) -> Floats:
    """Steer (mean,) [rad] of a car whose yaw rate changes by `change` (mean,) [rad/s2]."""
    turning, slip = _parts_of_steer(_speed(means, change).value, car, means.aside, change)
    return turning + slip


def _lean(log: xr.Dataset, car: Vehicle, force: Floats, step: int) -> Lean:
    """How the body leans, as logged or by its specific force (3, sample) [m/s2]."""
    if {"roll", "pitch"} <= set(log):
        return Lean(*(_means(log[name].to_numpy(), step) for name in ("roll", "pitch")))
    return on_springs(force) + on_tyres(car, force)


def _speed(means: Means, change: Floats, u_inertia: float = 0.0) -> Speed:
    """Speed as logged, or by equation (1) from a `change` of yaw rate (mean,) that is unsure."""
    if means.speed is not None:
        return Speed(means.speed, np.zeros(len(change)))
    value, u = speed_of(means.ahead, means.aside, change, means.step)
    return Speed(value, np.hypot(u, u_inertia * value))


def _parts_of_steer(
    speed: Floats, car: Vehicle, aside: Floats, change: Floats
) -> tuple[Floats, Floats]:
    """Steer (mean,) [rad] of a car that turns by `aside` over its speed, and that of its slip."""
    return car.wheelbase * aside / np.maximum(speed, SLOWEST) ** 2, slip_of_yaw(car, change)


def _unsure(speed: Speed, car: Vehicle, means: Means, parts: tuple[Floats, Floats]) -> Spread:
    """Uncertainty of the steer, which is the sum of its `parts`."""
    value, (turning, slip) = np.maximum(speed.value, SLOWEST), parts
    errors = (
        turning * np.minimum(2 * speed.u / value, 1.0),
        car.wheelbase * means.u_aside / value**2,
        U_SLIP_SHARE * slip,
        u_understeer(means.aside),
    )
    return Spread.of(errors, turning + slip, means.aside)


def speed_of(ahead: Floats, aside: Floats, change: Floats, step: float) -> Speed:
    """Speed by equation (1).

    `ahead` and `aside` (sample,) [m/s2] are the specific force of the body, `change` (sample,)
    [rad/s2] that of its yaw rate, at intervals of `step` [s].
    """
    gained, turned = (np.cumsum(values) * step for values in (ahead, change - change.mean()))
    middle = gained.mean()
    block = max(1, round(INDEPENDENT / step))
    means = partial(_means, step=block)
    at = (np.arange(len(means(gained))) + 0.5) * block - 0.5
    walk = _Walk(len(at), U_USUAL_SPEED, U_GAINED)
    offset, misfit = np.zeros(len(at)), np.ones(len(gained))
    each = np.arange(len(gained))
    for _ in range(ROUNDS):
        value = USUAL_SPEED + gained - middle + np.interp(each, at, offset)
        value = np.clip(value, SLOWEST, FASTEST)
        unsure = np.hypot(U_TURNED, U_ASIDE / value)
        left = (_quick(aside / value, step) - _quick(turned, step)) / unsure
        slope = _quick(aside / value**2, step) / unsure
        square, by_noise = means(slope**2), means((U_ASIDE / value**2 / unsure) ** 2)
        weight = np.maximum(square - by_noise, TINY) / means(misfit)
        before = offset
        offset, u = walk.fitted(before + means(slope * left) / (square + TINY), weight)
        left -= np.interp(each, at, offset - before) * slope
        misfit = np.maximum(smooth(left**2, SPAN / step), 1.0)
    u = np.interp(each, at, u)
    return Speed(value, np.hypot(u, U_SPEED_SHARE * value))


class _Walk:
    """An unknown that drifts from one second to the next, about zero over the whole drive."""

    def __init__(self, count: int, size: float, drift: float) -> None:
        """`count` values of standard deviation `size`, `drift` apart from one to the next."""
        stays = np.sqrt(1.0 - (drift / size) ** 2)
        self.bands = np.zeros((2, count))  # of the inverse covariance: diagonal, and beside it
        self.bands[0] = (1.0 + stays**2) / drift**2
        self.bands[0, [0, -1]] = (1.0 if count > 1 else 1.0 - stays**2) / drift**2
        self.bands[1, :-1] = -stays / drift**2

    def fitted(self, seen: Floats, weight: Floats) -> tuple[Floats, Floats]:
        """Values with their standard uncertainties, where `weight` is 1 / u2 of what is `seen`."""
        from scipy.linalg import cho_solve_banded, cholesky_banded

        bands = self.bands.copy()
        bands[0] += weight
        factor = cholesky_banded(bands, lower=True)
        # The diagonal of the inverse, from its last element upwards.
        variance, next_to = 1.0 / factor[0] ** 2, (factor[1] / factor[0]) ** 2
        for k in range(len(variance) - 2, -1, -1):
            variance[k] += next_to[k] * variance[k + 1]
        return cho_solve_banded((factor, True), weight * seen), np.sqrt(variance)


def _quick(values: Floats, step: float) -> Floats:
    """Values (sample,) at intervals of `step` [s] without their slow part."""
    return values - smooth(values, SLOW / step)


def _means(values: Floats, step: int) -> Floats:
    """Means of `values` (sample,) over blocks of `step` samples, gaps as 0; the last is short."""
    starts = np.arange(0, len(values), step)
    sums = np.add.reduceat(np.nan_to_num(values), starts)
    return np.asarray(sums / np.diff([*starts, len(values)]))


def smooth(values: Floats, width: float) -> Floats:
    """Mean of `values` (sample,) weighted by a Gaussian kernel of `width` [samples]."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, width, mode="nearest"))
