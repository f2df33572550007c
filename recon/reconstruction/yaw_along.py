"""How much of the body's yaw acceleration moves its wheels along, by an axle that rolls freely.

What pushes a wheel along that neither drives nor brakes is its drag, and what spins it up.  Its
links hold the rest: with mass m, spin inertia I, radius R and speed w they push the body by

    X = -m a - I w' / R - drag.                                                           (1)

A body that turns moves both wheels of an axle against each other, a = -s r' y, so that

    X_left - X_right + (I / R) (w'_left - w'_right) = s m r' (y_left - y_right) + b a_y + c.  (2)

Drag that goes with the load, toe, and a steer that is off go with the sideways acceleration a_y.
The share s is 1 where the body is rigid and its yaw rate right.  It is fitted to short means by
least squares.  Wheels whose speed is not logged spin up as they roll: I / R^2 then adds to m.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import PART, Floats, cuts, rms
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.conditioning.hub_motion import MOTION, YAW_CHANGE, YAW_SHARE, arm_of, steer_channel
from recon.reconstruction.inputs.brakes import BRAKE_ON
from recon.reconstruction.seen_by_gauges import Seen
from recon.records.scratch import copied

STEP, BLOCK, LEAST_BLOCKS = 0.1, 10, 6  # s, of the means; means whose misfits may be alike
AFTER = 3  # means before and after braking that do not count either
# Common practice, no source: half a per cent of a side force that seems to act along, a steer that
# is 20 ms late; a body that rolls late on its springs, where its roll shows the travel.
U_SHARE, U_SHARE_BY_ROLL = 0.1, 0.25
WELL_FITTED = 0.1  # a share that is fitted worse is left as it was assumed
LEFT_AND_RIGHT = np.array([1.0, -1.0])
MOVED, U_MOVED, _ = MOTION


@dataclass(frozen=True, slots=True)
class Share:
    """Share of the yaw acceleration in the motion of the wheels along, and its uncertainty [1]."""

    value: float
    u: float

    def with_prior(self, u: float) -> Share | None:
        """Together with the share 1 within `u`; None where it contradicts that.

        A yaw rate of the other sign is not one that is a little wrong.
        """
        if abs(self.value - 1) > 2 * np.hypot(u, self.u):
            return None
        weight = u**2 / (u**2 + self.u**2)
        return Share(1 + weight * (self.value - 1), float(np.sqrt(weight)) * self.u)


def with_yaw_along(log: xr.Dataset, car: Vehicle, seen: Iterable[Seen]) -> xr.Dataset:
    """The log with as much of the body's yaw acceleration as an axle shows along.

    Without the pressure of its brakes no axle is known to roll freely.
    """
    if not {YAW_CHANGE, "brake_pressure", "acceleration"} <= set(log):
        return log
    along = _free_pair(car, seen, steers=steer_channel(log, car) is not None)
    share = share_of_yaw(log, car, along) if along else None
    together = share.with_prior(YAW_SHARE[0]) if share else None
    if together is None:
        return log
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    change = log[YAW_CHANGE].to_numpy()
    for k, name in enumerate(corner_names(log)):
        at, y = {"corner": name, "component": "x"}, float(arm_of(car, name)[1])
        for part in cuts(len(change), PART):
            relative[part, k, 0] -= (together.value - 1) * y * np.nan_to_num(change[part])
        other = max(float(u.loc[at]) ** 2 - (YAW_SHARE[0] * rms(change) * y) ** 2, 0.0)
        u.loc[at] = np.sqrt(other + (together.u * rms(change) * y) ** 2)
    return log.assign({MOVED: log[MOVED].copy(data=relative), U_MOVED: u})


def share_of_yaw(log: xr.Dataset, car: Vehicle, along: dict[str, Floats]) -> Share | None:
    """The share by equation (2); None where too little of the drive turns without brakes.

    `along` (sample,) [N] are the forces of the links of the left wheel of an axle, then the right.
    """
    rate, names = float(log.attrs["rate"]), list(along)
    wheels = [car.corners[name].wheel for name in names]
    mass = np.array([car.corners[name].unsprung_mass for name in names])
    spun = np.array([wheel.spin_inertia / wheel.loaded_radius**2 for wheel in wheels])
    u_spun = wheels[0].u_spin_inertia / wheels[0].loaded_radius ** 2
    held = np.array([_means(along[name], rate) for name in names])
    if "wheel_speed" in log:
        speed = log["wheel_speed"].sel(corner=names).to_numpy().T
        rim = [w.loaded_radius * _means(own, rate) for w, own in zip(wheels, speed, strict=True)]
        held += spun[:, None] * np.gradient(rim, STEP, axis=1)
    else:
        mass = mass + spun
    y = np.array([arm_of(car, name)[1] for name in names])
    term = (mass * y) @ LEFT_AND_RIGHT * _means(log[YAW_CHANGE].to_numpy(), rate)
    aside = _means(log["acceleration"].to_numpy()[:, 1], rate)
    by = np.column_stack([term, aside, np.ones(len(term))])
    fitted = _fitted(by, LEFT_AND_RIGHT @ held, _unbraked(log, names, rate))
    if fitted is None or fitted.u > WELL_FITTED:
        return None
    unlike = U_SHARE if "travel" in log else U_SHARE_BY_ROLL
    return Share(fitted.value, float(np.linalg.norm([fitted.u, unlike, u_spun / mass.mean()])))


def _free_pair(car: Vehicle, seen: Iterable[Seen], *, steers: bool) -> dict[str, Floats] | None:
    """Forces along (sample,) [N] of the links of both wheels, left first, of an axle that is free.

    Where no wheel is stated to be driven, any may be; where the log does not show how the car
    `steers`, side forces of steered wheels may seem to act along.
    """
    if not any(corner.driven for corner in car.corners.values()):
        return None
    free = {
        corner.name: one.along[k]
        for one in seen
        for k, corner in enumerate(one.solver.assembly.corners)
        if not corner.driven
        and (steers or not corner.steered)
        and not one.solver.outputs.lost_of_wheels()[k, :2].any()
    }
    for names in (("FL", "FR"), ("RL", "RR")):
        if set(names) <= set(free):
            return {name: free[name] for name in names}
    return None


def _means(values: Floats, rate: float) -> Floats:
    """Means of `values` (sample,) over `STEP`; NaN where a sample is lacking."""
    step = max(1, round(STEP * rate))
    count = len(values) // step
    return np.asarray(values[: count * step].reshape(count, step).mean(axis=1))


def _unbraked(log: xr.Dataset, names: list[str], rate: float) -> NDArray[np.bool_]:
    """Means (mean,) in which wheels are not braked, nor were or will be soon."""
    pressure = log["brake_pressure"].sel(corner=names).to_numpy().max(axis=1)
    braked = ~(_means(pressure, rate) < BRAKE_ON)
    return np.convolve(braked, np.ones(2 * AFTER + 1), mode="same") == 0


def _fitted(by: Floats, held: Floats, counted: NDArray[np.bool_]) -> Share | None:
    """Factor of the first column of `by` (mean, column) in `held` (mean,), both in N.

    Misfits of neighbours are alike: their effects on the factor are added up in blocks.
    """
    counted = counted & np.isfinite(held + by.sum(axis=1))
    block = np.flatnonzero(counted) // BLOCK
    blocks = np.unique(block)
    if len(blocks) < LEAST_BLOCKS or not by[counted, 0].any():
        return None
    inverse = np.linalg.pinv(by[counted])
    factors = inverse @ held[counted]
    effect = inverse[0] * (held[counted] - by[counted] @ factors)
    sums = np.array([effect[block == one].sum() for one in blocks])
    spare = len(blocks) / (len(blocks) - by.shape[1])
    return Share(float(factors[0]), float(np.sqrt(spare * np.sum(sums**2))))
