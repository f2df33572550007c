"""Forces of one axle or one wheel against their part in the motion of the car.

How a turn loads the wheels of an axle depends on springs and bars that nobody stated, and tyres
share sideways forces as they like.  What is left is the sign of every force, its size within a
third, and the load at rest.  Sizes of what may differ are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.examination.comparison import Comparison
from recon.examination.motion import scatter
from recon.examination.term import Term, by_part
from recon.examination.view import Part, View
from recon.examination.whole_car import (
    BRAKES,
    HEIGHT,
    LOAD,
    ROUGH,
    ROUGH_MOMENT,
    SETTLES,
    Whole,
    weights_of,
    whole_of,
)
from recon.reconstruction.whole_car.car_stance import U_INERTIA, U_LIFT, U_OFFSET, U_TILT

SHARE = 0.25  # of the load transfer on one axle
CROSS = 0.08  # of the weight on a wheel: uneven corner weights
SPLIT = 0.35  # of a wheel's part in the sideways force of its axle
SLOW = 8.0  # m/s, of a drive whose speed is not known
TOE = 0.08  # of the weight on a wheel: opposite sideways forces from toe and camber


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


def wheels_agree(view: View) -> Iterator[Term]:
    """Forces of each axle and each wheel that is there against the body's motion."""
    whole = whole_of(view)
    if whole is None:
        return
    for axle in axles_of(whole):
        for one in of_axle(axle):
            yield one.term
    yield from by_part(view, "wheels", partial(_wheels, whole))


def axles_of(whole: Whole) -> Iterator[Axle]:
    """The axles of which both wheels are in the view."""
    for axle in (Axle(whole, 0), Axle(whole, 1)):
        if set(axle.names) <= set(whole.view.corners):
            yield axle


def _wheels(whole: Whole, _view: View, part: Part) -> Iterator[Term]:
    for corner in part.corners:
        for one in of_wheel(whole, corner):
            yield one.term


def of_axle(axle: Axle) -> tuple[Comparison, ...]:
    """Sums of both wheels of an axle, and the load between them, against the body's motion."""
    return axle.whole.compared(axle.title, partial(_pair, axle))


def of_wheel(whole: Whole, corner: str) -> tuple[Comparison, ...]:
    """Load and sideways force of one wheel against the body's motion."""
    index, side = divmod(CORNERS.index(corner), 2)
    return whole.compared(corner, partial(_wheel, Axle(whole, index), side))


def _pair(axle: Axle) -> Iterator[Comparison]:
    yield _pair_sideways(axle)
    yield _pair_weight(axle)
    yield _transfer(axle)


def _wheel(axle: Axle, side: int) -> Iterator[Comparison]:
    yield _wheel_weight(axle, side)
    yield _wheel_sideways(axle, side)


def _pair_sideways(axle: Axle) -> Comparison:
    whole, aside = axle.whole, axle.whole.motion.inertial[1]
    pair = weights_of(1, slice(2 * axle.index, 2 * axle.index + 2))
    rough = ROUGH * scatter(aside) + 0.15 * scatter(axle.turned) + axle.unknown_turn
    return Comparison(
        name=f"sum of Fy of the {axle.title} tyres against their part of mass times acceleration",
        place=axle.title,
        corners=axle.names,
        unit="N",
        seen=whole.sum_of(pair),
        weights=pair,
        expected=axle.sideways,
        spread=float(np.hypot(0.02 * axle.own, rough)),
        effects=[
            U_INERTIA * axle.turned,
            0.03 * aside,
            axle.share * whole.stance.mass * U_OFFSET * whole.ones,
            axle.uneven,
            U_TILT * axle.own * whole.ones,
            0.01 * axle.own * whole.ones,
            whole.u_of(pair),
        ],
    )


def _pair_weight(axle: Axle) -> Comparison:
    whole, up = axle.whole, axle.whole.upward
    pair = weights_of(2, slice(2 * axle.index, 2 * axle.index + 2))
    rough = ROUGH_MOMENT * scatter(axle.dived)
    return Comparison(
        name=f"sum of Fz of the {axle.title} tyres against the weight on them",
        place=axle.title,
        corners=axle.names,
        unit="N",
        seen=whole.sum_of(pair),
        weights=pair,
        expected=axle.share * up + axle.dived,
        spread=np.hypot(0.03 * axle.own, rough + 2 * axle.settling),
        effects=[
            np.hypot(LOAD, 0.02) * axle.own * whole.ones,
            U_LIFT * whole.square,
            np.hypot(HEIGHT, 0.05) * axle.dived,
            0.02 * axle.share * (up - whole.weight),
            whole.u_of(pair),
        ],
    )


def _transfer(axle: Axle) -> Comparison:
    """Half the difference between left and right, of which the axle's share is not known."""
    across = 0.5 * (_own(axle, 0, 2) - _own(axle, 1, 2))
    return Comparison(
        name=f"load from left to right on the {axle.title} tyres against sideways acceleration",
        place=axle.title,
        corners=axle.names,
        unit="N",
        seen=axle.whole.sum_of(across),
        weights=across,
        expected=axle.leaned,
        spread=np.hypot(0.03 * axle.own, 0.16 * scatter(axle.leaned) + axle.settling),
        effects=[2 * SHARE * axle.leaned, CROSS * 0.5 * axle.own * axle.whole.ones],
    )


def _own(axle: Axle, side: int, component: int) -> Floats:
    """Weights (4, 3) [1] of one force of its left (0) or right (1) tyre."""
    at = 2 * axle.index + side
    return weights_of(component, slice(at, at + 1))


def _wheel_load(axle: Axle, side: int) -> Floats:
    """Load (n,) [N] that one wheel should carry."""
    half = 0.5 * (axle.share * axle.whole.upward + axle.dived)
    return half + (1.0, -1.0)[side] * axle.leaned


def _wheel_weight(axle: Axle, side: int) -> Comparison:
    name, whole = axle.names[side], axle.whole
    half, own = 0.5 * axle.own, _own(axle, side, 2)
    return Comparison(
        name=f"Fz of the {name} tyre against the weight on it",
        place=name,
        corners=(name,),
        unit="N",
        seen=whole.sum_of(own),
        weights=own,
        expected=_wheel_load(axle, side),
        spread=np.hypot(0.05 * half, 0.16 * scatter(axle.leaned) + axle.settling),
        effects=[
            np.hypot(CROSS, LOAD) * half * whole.ones,
            2 * SHARE * axle.leaned,
            0.15 * axle.dived,
            0.5 * U_LIFT * whole.square,
            whole.u_of(own),
        ],
    )


def _wheel_sideways(axle: Axle, side: int) -> Comparison:
    name, whole = axle.names[side], axle.whole
    half = 0.5 * axle.own
    loaded = np.clip(_wheel_load(axle, side) / axle.own, 0.0, 1.0)
    part, own = loaded * axle.sideways, _own(axle, side, 1)
    rough = 0.15 * scatter(part) + 0.5 * axle.unknown_turn
    return Comparison(
        name=f"Fy of the {name} tyre against the body's sideways acceleration",
        place=name,
        corners=(name,),
        unit="N",
        seen=whole.sum_of(own),
        weights=own,
        expected=part,
        spread=float(np.hypot(0.06 * half, rough)),
        effects=[
            SPLIT * part,
            SPLIT * 0.5 * axle.sideways,
            0.15 * np.abs(axle.sideways),
            TOE * half * whole.ones,
            whole.u_of(own),
        ],
    )
