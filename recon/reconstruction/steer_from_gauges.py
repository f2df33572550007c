"""Speed and steer of a car whose gauges show how it is accelerated and turned.

A car without sideslip is accelerated sideways by its speed times its yaw rate.  Where the speed v
is not logged, the acceleration ahead gives its changes and equation (1) the rest, by least squares
over some seconds:

    a_y / v = r,    v = integral of a_x + offset,    r = integral of r',  slow parts left out.  (1)

It is linearised in the offset, about the speed of the round before.  An error of r, which is
integrated, is that of the left-hand side; it does not make the car slower, as it would among what
is multiplied by v.  The yaw rate then is a_y / v, and the steer follows as in `inputs.steering`.
On a straight neither speed nor steer shows, and both hardly matter: the wheels point ahead.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import Variable, stamp
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.reconstruction.inputs.steering import (
    INFERRED,
    SLOWEST,
    U_INFERRED,
    U_SLIP_SHARE,
    U_STEER,
    U_UNDERSTEER,
    slip_of_yaw,
)
from recon.records.logs import LOG

# Common practice, no source.
USUAL_SPEED, U_USUAL_SPEED = 20.0, 10.0  # m/s, of a drive that does not show it
U_SPEED_SHARE = 0.1  # relative: yaw inertia by rule, sideslip, acceleration of a body that rolls
RATE, SLOW, SPAN = 20.0, 1.0, 5.0  # Hz; s, slower parts of r are left out; s, of the least squares
INDEPENDENT = 1.0  # s after which an error of (1) is another one
U_TURNED, U_ASIDE = 0.02, 0.3  # rad/s, m/s2: r and a_y of (1) are at least as unsure
ROUNDS = 6
FASTEST = 80.0  # m/s
TINY = 1e-9  # of what (1) says of the offset, where it says nothing

_U = Variable((), "standard uncertainty of the steer, inferred", "rad")


class Speed(NamedTuple):
    """Speed (sample,) and its standard uncertainty (sample,), both in m/s."""

    value: Floats
    u: Floats


def with_steer(log: xr.Dataset, car: Vehicle, change: Floats) -> xr.Dataset:
    """The log with the steer that acceleration and the `change` of yaw rate show.

    `log` has the acceleration of the body, `change` is (sample,) [rad/s2].
    """
    samples, rate = log.sizes["elapsed_time"], float(log.attrs["rate"])
    step = max(1, round(rate / RATE))
    force = log["acceleration"].to_numpy().T
    ahead, aside, change = (_means(values, step) for values in (force[0], force[1], change))
    if "speed" in log:
        speed = Speed(_means(log["speed"].to_numpy(), step), np.zeros(len(aside)))
    else:
        speed = speed_of(ahead, aside, change, step / rate)
    steer, u = _steer_at(speed, log, car, aside, change)
    middle = (np.arange(len(steer)) + 0.5) * step - 0.5
    inferred = np.interp(np.arange(samples), middle, steer)
    return log.assign({INFERRED: stamp(LOG["steer"], inferred), U_INFERRED: stamp(_U, u)})


def _steer_at(
    speed: Speed, log: xr.Dataset, car: Vehicle, aside: Floats, change: Floats
) -> tuple[Floats, float]:
    """Steer (sample,) of a car that turns by `aside` over its speed, and its uncertainty [rad]."""
    value = np.maximum(speed.value, SLOWEST)
    turning, slip = car.wheelbase * aside / value**2, slip_of_yaw(car, change)
    u_aside = float(log["u_acceleration"][1]) if "u_acceleration" in log else 0.0
    parts = (
        turning * np.minimum(2 * speed.u / value, 1.0),
        car.wheelbase * u_aside / value**2,
        U_SLIP_SHARE * slip,
        U_UNDERSTEER * aside,
    )
    # An error of the steer turns the lateral force: samples count by its square.
    weight = aside**2 + U_ASIDE**2
    square = np.average(np.sum(np.square(parts), axis=0), weights=weight)
    return turning + slip, float(np.sqrt(U_STEER**2 + square))


def speed_of(ahead: Floats, aside: Floats, change: Floats, step: float) -> Speed:
    """Speed by equation (1).

    `ahead` and `aside` (sample,) [m/s2] are the specific force of the body, `change` (sample,)
    [rad/s2] that of its yaw rate, at intervals of `step` [s].
    """
    gained, turned = (np.cumsum(values) * step for values in (ahead, change - change.mean()))
    value = np.maximum(USUAL_SPEED + gained - gained.mean(), SLOWEST)
    # A Gaussian kernel is as long as two root pi times its width.
    independent = 2 * np.sqrt(np.pi) * SPAN / INDEPENDENT
    for _ in range(ROUNDS):
        unsure = np.hypot(U_TURNED, U_ASIDE / value)
        left = (_quick(aside / value, step) - _quick(turned, step)) / unsure
        slope = _quick(aside / value**2, step) / unsure
        square, by_noise = (
            smooth(own**2, SPAN / step) for own in (slope, U_ASIDE / value**2 / unsure)
        )
        more = smooth(slope * left, SPAN / step) / (square + TINY)
        misfit = np.maximum(smooth((left - more * slope) ** 2, SPAN / step), 1.0)
        variance = misfit / independent / np.maximum(square - by_noise, TINY)
        weight = U_USUAL_SPEED**2 / (variance + U_USUAL_SPEED**2)
        value = weight * (value + more) + (1 - weight) * USUAL_SPEED
        value = np.clip(value, SLOWEST, FASTEST)
    return Speed(value, np.hypot(U_USUAL_SPEED * np.sqrt(1 - weight), U_SPEED_SHARE * value))


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
