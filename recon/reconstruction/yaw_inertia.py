"""Yaw acceleration of the body by its links, and the yaw inertia that a free steered axle shows.

The moment of the links over the yaw inertia is the yaw acceleration.  Nobody states that inertia:
by rule it is mass times the distances of both axles from the centre of mass, of which light cars
with the engine amidships have little more than half.  Speed and steer by `steer_from_gauges`
follow from it, and a steered axle that neither drives nor brakes contradicts a wrong one: its side
force is at right angles to where its wheels point.  With the forces X and Y of the axle along and
across the car, its mean steer d and a constant drag c,

    X + d Y + c = 0.                                                                        (1)

The share of the rule at which least is left of (1) is taken.  Its uncertainty is that of a least
squares fit whose misfits are others every `INDEPENDENT` seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, cuts
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.conditioning.hub_motion import arm_of
from recon.reconstruction.seen_by_gauges import Seen
from recon.reconstruction.solving.solve import BLOCK
from recon.reconstruction.steer_from_gauges import INDEPENDENT, RATE, Means, steer_by
from recon.records.scratch import room

# Common practice, no source.
YAW_INERTIA, U_YAW_INERTIA = 1.0, 0.25  # of mass times the distances of both axles from the centre
LEAST, MOST = 0.45, 1.4  # shares that a car can have
UNBRAKED = -0.5  # m/s2 along, above which nobody brakes
SIDEWAYS = 2.0  # m/s2, from which the axle shows where it points
ENOUGH = 3.0  # s of such motion
LONGEST = 600.0  # s of a drive that are fitted
WELL_FITTED = 0.15  # a share that is less sure is left as it was assumed
STEPS = 20  # shares that are tried


class Share(NamedTuple):
    """Yaw inertia over that by rule, and its standard uncertainty; both dimensionless."""

    value: float = YAW_INERTIA
    u: float = U_YAW_INERTIA


@dataclass(frozen=True, slots=True)
class YawMoment:
    """Moment of the links about the vertical axis `moment` (sample,) [N m].

    `by_rule` [kg m2] is the yaw inertia of the car, of which the `wheels` have theirs.
    """

    moment: Floats
    by_rule: float
    wheels: float

    @classmethod
    def of(cls, car: Vehicle, links: Mapping[str, Floats]) -> YawMoment:
        """The moment of the forces (3, sample) [N] of the links of all corners, vehicle axes.

        The wheels are accelerated with the body: its links do not pull at the centre of mass.
        """
        arms = {name: arm_of(car, name) for name in car.corners}
        unsprung = {name: corner.unsprung_mass for name, corner in car.corners.items()}
        ahead = np.mean([arms[name][0] for name in arms if name.startswith("F")])
        behind = -np.mean([arms[name][0] for name in arms if name.startswith("R")])
        wheels = sum(unsprung[c] * float(arms[c][:2] @ arms[c][:2]) for c in arms)
        moment = room((next(iter(links.values())).shape[1],))
        for part in cuts(len(moment), BLOCK):
            own = {name: link[:, part] for name, link in links.items()}
            body = sum(own.values()) / (car.mass - sum(unsprung.values()))
            tyre = {name: own[name] + unsprung[name] * body for name in own}
            moment[part] = sum(arms[c][0] * tyre[c][1] - arms[c][1] * tyre[c][0] for c in arms)
        return cls(moment, float(car.mass * ahead * behind), wheels)

    def change(self, share: float) -> Floats:
        """Yaw acceleration (sample,) [rad/s2] if the inertia is that share of the rule."""
        return np.asarray(self.moment / (share * self.by_rule - self.wheels))


def yaw_inertia(log: xr.Dataset, car: Vehicle, seen: Iterable[Seen], turning: YawMoment) -> Share:
    """The share of the rule by equation (1); as it is assumed where no free axle shows it.

    `log` has the acceleration of the body and no steer, `seen` are the forces of the links.
    """
    axle = _free_axle(car, seen)
    if axle is None or "speed" in log:
        return Share()
    means = Means.of(log, car, turning.moment)
    along = means.average(axle[0]) + axle[2] * means.ahead
    across = means.average(axle[1]) + axle[2] * means.aside
    counted = (means.ahead > UNBRAKED) & (np.abs(means.aside) > SIDEWAYS)
    counted &= np.arange(len(counted)) < LONGEST * RATE
    if counted.sum() < ENOUGH * RATE:
        return Share()
    shares = np.linspace(LEAST, MOST, STEPS)
    scales = 1.0 / (shares * turning.by_rule - turning.wheels)
    left = np.array([_left(car, means, scale, along, across, counted) for scale in scales])
    return _least(shares, left, means.step * counted.sum() / INDEPENDENT)


def _free_axle(car: Vehicle, seen: Iterable[Seen]) -> tuple[Floats, Floats, float] | None:
    """Forces of the links of a steered axle along and across (sample,) [N], and its mass [kg]."""
    if not any(corner.driven for corner in car.corners.values()):
        return None
    free = {
        corner.name: (one.along[k], one.link[k, 1], corner.unsprung_mass)
        for one in seen
        for k, corner in enumerate(one.solver.assembly.corners)
        if corner.steered
        and not corner.driven
        and not one.solver.outputs.lost_of_wheels()[k, :2].any()
    }
    if set(free) not in ({"FL", "FR"}, {"RL", "RR"}):
        return None
    along, across, mass = zip(*free.values(), strict=True)
    return along[0] + along[1], across[0] + across[1], float(sum(mass))


def _left(
    car: Vehicle,
    means: Means,
    scale: float,
    along: Floats,
    across: Floats,
    counted: NDArray[np.bool_],
) -> float:
    """Mean square [N2] of what is left of (1) where the moment times `scale` turns the car."""
    steer = steer_by(means, car, scale * means.change)
    left = (along + steer * across)[counted]
    return float(np.var(left))


def _least(shares: Floats, left: Floats, independent: float) -> Share:
    """The share with the least left, by a parabola through its neighbours."""
    k = int(np.argmin(left))
    if not 0 < k < len(shares) - 1:
        return Share()
    bent, slope, _ = np.polyfit(shares[k - 1 : k + 2] - shares[k], left[k - 1 : k + 2], 2)
    u = float(np.sqrt(left[k] / (bent * max(independent - 1, 1.0))))
    return Share(float(shares[k] - slope / (2 * bent)), u) if u < WELL_FITTED else Share()
