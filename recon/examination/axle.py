"""One axle of a car: the forces that it should give, and what is not known of them.

Which axle drives and how the brakes are balanced decides its force ahead; its part in sideways
forces and loads follows from the body's motion.  Sizes are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.car.vehicle import SIDES
from recon.examination.loads import ENGINE
from recon.examination.motion import scatter
from recon.examination.whole_car import BRAKES, SETTLES, Whole
from recon.reconstruction.whole_car.car_stance import DRAG, U_DRAG

SLOW = 8.0  # m/s, of a drive whose speed is not known
BRAKED = 0.5  # of a force that holds the car, from where brakes give it; and m/s2
BRAKE_SPLIT = 0.2  # of the braking force: how much of it one axle gives
# Of its sideways force: drag of steered wheels; where it is driven also what a differential shifts
# or two motors that turn the car.
IN_TURNS, IN_DRIVEN_TURNS = 0.1, 0.2
UNEVEN_AHEAD = 0.15  # of its force ahead, between left and right


@dataclass(frozen=True)
class Axle:
    """One axle of a car: 0 the front one, 1 the rear one, and what it should carry."""

    whole: Whole
    index: int

    @property
    def title(self) -> str:
        """Its name."""
        return ("front", "rear")[self.index]

    @property
    def names(self) -> tuple[str, ...]:
        """Its corners, left one first."""
        return CORNERS[2 * self.index : 2 * self.index + 2]

    @property
    def share(self) -> float:
        """Its share in the weight."""
        return float(self.whole.stance.share[self.index])

    @property
    def own(self) -> float:
        """Weight on it [N]."""
        return self.share * self.whole.weight

    @cached_property
    def turned(self) -> Floats:
        """Sideways force (n,) [N] that the yaw acceleration needs from it."""
        return (1.0, -1.0)[self.index] * self.whole.turned / self.whole.stance.base

    @cached_property
    def unknown_turn(self) -> float:
        """Sideways force [N] of a yaw acceleration that is not logged: turns at some speed."""
        stance, motion = self.whole.stance, self.whole.motion
        if self.whole.turned.any():
            return 0.0
        speed = motion.speed[np.isfinite(motion.speed)]
        fast = max(float(np.mean(speed)), SLOW) if len(speed) else SLOW
        return float(stance.yaw_inertia / stance.base * scatter(motion.jerk[1]) / fast)

    @cached_property
    def uneven(self) -> Floats:
        """Sideways force (n,) [N] against a drive or brake that pulls on one side."""
        stance = self.whole.stance
        lever = BRAKES * 0.5 * float(stance.track.mean()) / stance.base
        return lever * self.whole.motion.inertial[0]

    @cached_property
    def sideways(self) -> Floats:
        """Sideways force (n,) [N] that it should give."""
        return self.share * self.whole.motion.inertial[1] + self.turned

    @cached_property
    def ahead(self) -> Floats:
        """Force ahead (n,) [N] of all tyres, of which its wheels give a part."""
        return self.whole.motion.inertial[0] + DRAG * self.whole.square

    @cached_property
    def driven(self) -> float:
        """Its share in a force that drives the car: 1, 0, or half if all wheels are driven."""
        corners = self.whole.view.prepared.car.corners
        of_axles = [any(c in corners and corners[c].driven for c in SIDES[end]) for end in SIDES]
        if not any(of_axles):  # the other axle drives, which is not described
            return 0.0
        return of_axles[self.index] / sum(of_axles)

    @cached_property
    def lengthways(self) -> Floats:
        """Force ahead (n,) [N] that it should give: its share of the drive or of the brakes."""
        return np.where(self.ahead > 0, self.driven, self.braked) * self.ahead

    @cached_property
    def braked(self) -> Floats:
        """Its share (n,) [1] of a force that holds the car: by brake pressures, or by load."""
        by_load = self.share + self.dived / self.whole.weight
        if not set(CORNERS) <= set(self.whole.view.prepared.car.corners):
            return by_load
        force = np.zeros((2, self.whole.motion.count))
        for name, corner in self.whole.view.prepared.car.corners.items():
            torque = self.whole.motion.channel("brake_pressure", name)
            torque = torque * corner.brake.torque_per_pressure
            force[CORNERS.index(name) // 2] += torque / corner.wheel.loaded_radius
        total = force.sum(axis=0)
        gripping = total > BRAKED * np.maximum(-self.ahead, BRAKED * self.whole.stance.mass)
        return np.where(gripping, force[self.index] / np.where(gripping, total, 1.0), by_load)

    @cached_property
    def turns_and_engine(self) -> Floats:
        """Force (n,) [N] that front or rear wheels may give: drag in a turn, and the engine's."""
        engine = 0.5 * np.clip(-self.ahead, 0.0, 2.0 * ENGINE)
        return np.asarray(0.5 * IN_TURNS * np.abs(self.sideways) + engine)

    @cached_property
    def unknown_ahead(self) -> list[Floats]:
        """Effects (n,) [N] on its force ahead: split of drive and brakes, turns, drag."""
        return [
            (0.3 if 0.0 < self.driven < 1.0 else 0.1) * np.maximum(self.ahead, 0.0),
            BRAKE_SPLIT * np.minimum(self.ahead, 0.0),
            IN_TURNS * np.abs(self.sideways),
            U_DRAG * self.whole.square,
            0.015 * self.whole.weight * self.whole.ones,
        ]

    @cached_property
    def uneven_ahead(self) -> list[Floats]:
        """Effects (n,) [N] on half the difference of Fx between left and right."""
        return [
            UNEVEN_AHEAD * self.lengthways,
            UNEVEN_AHEAD * np.abs(self.lengthways),
            (IN_DRIVEN_TURNS if self.driven else IN_TURNS) * self.sideways,
            0.02 * self.own * self.whole.ones,
        ]

    @cached_property
    def dived(self) -> Floats:
        """Load (n,) [N] that acceleration ahead brings to it."""
        lever = -(1.0, -1.0)[self.index] * self.whole.stance.height / self.whole.stance.base
        return lever * self.whole.motion.inertial[0]

    @cached_property
    def leaned(self) -> Floats:
        """Load (n,) [N] that a turn brings to its left wheel, if shared by weight."""
        lever = -self.share * self.whole.stance.height / self.whole.stance.track[self.index]
        return lever * self.whole.motion.inertial[1]

    @cached_property
    def settling(self) -> Floats:
        """Load (n,) [N] that the body's roll and pitch may delay, on one wheel."""
        stance, jerk = self.whole.stance, np.abs(self.whole.motion.jerk)
        levers = stance.height * np.array([0.5 / stance.base, 0.5 / stance.track[self.index]])
        return np.asarray(stance.mass * SETTLES * (levers @ jerk[:2]))


def axles_of(whole: Whole) -> Iterator[Axle]:
    """The axles of which both wheels are in the view."""
    for axle in (Axle(whole, 0), Axle(whole, 1)):
        if set(axle.names) <= set(whole.view.corners):
            yield axle
