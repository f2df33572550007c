"""Sums of the tyres' forces and moments against mass and acceleration of the whole car.

On a car with four corners these are laws of mechanics, with small effects that nobody measured:
the tilt of an accelerometer, drag, the weight of driver and fuel.  Sizes of these are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.kept_results import kept_in
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.car.vehicle import SIDES
from recon.examination.comparison import LIMIT, Comparison
from recon.examination.motion import Motion, motion_of, scatter
from recon.examination.term import Term
from recon.examination.view import View
from recon.reconstruction.causes.usual_loads import TURNING
from recon.reconstruction.whole_car.car_stance import (
    AWAY,
    DRAG,
    FASTEST,
    U_DRAG,
    U_INERTIA,
    U_LIFT,
    U_OFFSET,
    U_TILT,
    Stance,
)

LOAD = 0.02  # of the mass: fuel, driver and luggage that the vehicle file does not have
ROUGH = 0.03  # of the usual size of a sum: what is quicker than the samples
ROUGH_FORCE = 0.012  # of the weight
ROUGH_MOMENT = 0.08  # of the usual size of a moment: roll and pitch inertia
TRAIL, U_TRAIL = 0.02, 0.03  # m
TURNS_IN = 0.15  # s, in which a yaw acceleration comes and goes in tight corners; no source
BRAKES = 0.12  # of the braking force, between left and right
HEIGHT = 0.08  # of the height of the centre of mass
LEANS, U_LEANS = 0.7, 0.4  # of its height: how far the centre of mass moves with roll and pitch
SETTLES = 0.2  # s, in which the body leans or dives after its acceleration has changed
HOPPING = 4.0  # limit of upright sums: wheels that hop carry more than short means show
HEAVES, UPHILL = 0.1, 0.02  # of the weight: what nobody logged from sample to sample, and in all
GAIN = 0.03  # of a force: load cells and accelerometer


@dataclass(frozen=True)
class Whole:
    """A view of a car whose wheelbase is known, with what all its sums need."""

    view: View
    motion: Motion
    stance: Stance

    @property
    def weight(self) -> float:
        """Weight of the car [N]."""
        return self.stance.mass * STANDARD_GRAVITY

    @cached_property
    def ones(self) -> Floats:
        """A one for each sample, (n,) [1]."""
        return np.ones(self.motion.count)

    @cached_property
    def square(self) -> Floats:
        """Square of the speed (n,) [m2/s2]; zero where it is not logged."""
        return np.nan_to_num(self.motion.speed) ** 2

    @cached_property
    def upward(self) -> Floats:
        """Load (n,) [N] of all wheels: the weight, and what heaving adds to it.

        Nothing rises for long, so the mean of an upward acceleration is gravity, whatever the gain
        of the accelerometer.
        """
        up = self.motion.inertial[2]
        there = up[np.isfinite(up)]
        return np.asarray(up + self.weight - (np.mean(there) if len(there) else 0.0))

    @cached_property
    def turned(self) -> Floats:
        """Moment (n,) [N m] that the yaw acceleration needs; zero if it is not logged at all."""
        change = self.motion.yaw_change
        return self.stance.yaw_inertia * (change if np.isfinite(change).any() else 0.0 * self.ones)

    def sum_of(self, weights: Floats) -> Floats:
        """Sum (n,) [N] of all forces with `weights` (4, 3), also if only sums are known."""
        total = np.zeros(self.motion.count)
        for part in self.view.parts.values():
            own = weights[[CORNERS.index(c) for c in part.corners]]
            if own.any():
                total = total + part.sum_of(own)
        return total

    def u_of(self, weights: Floats) -> Floats:
        """Standard uncertainty (n,) [N] of the same sum by all stated causes, at usual loads."""
        # Covariances at usual loads depend on the prepared car alone.
        return kept_in(self.view.kept, ("u of", weights.tobytes()), lambda: self._u_of(weights))

    def _u_of(self, weights: Floats) -> Floats:
        variance = 0.0
        for part in self.view.parts.values():
            own = weights[[CORNERS.index(c) for c in part.corners]].ravel()
            variance += float(own @ part.usual_covariance @ own)
        return np.sqrt(variance) * self.ones

    @cached_property
    def pushed(self) -> tuple[Floats, Floats]:
        """Force ahead and aside (n,) [1] of all tyres over that of a usual stop and corner."""
        ahead, aside = np.nan_to_num(self.motion.inertial[:2] / (TURNING[1] * self.weight))
        return ahead, aside

    def against(
        self,
        name: str,
        weights: Floats,
        expected: Floats,
        spread: Floats | float,
        effects: Sequence[Floats | float],
        place: str = "car",
        **more: Any,
    ) -> Comparison:
        """The sum (n,) of all forces with `weights` (4, 3) against what is `expected` [N].

        Its own uncertainty is three more effects: as zeros do, errors of a calibration last, and
        they grow with the forces ahead and aside.  Wheels that hop without a sensor spread it.  The
        rest is as `Comparison` has it.
        """
        u, hopping = self.u_of(weights), weights[:, 2] @ self.motion.hopping
        return Comparison(
            name=name,
            place=place,
            corners=CORNERS if place == "car" else SIDES.get(place, (place,)),
            seen=self.sum_of(weights),
            weights=weights,
            expected=expected,
            spread=np.hypot(spread, hopping),
            effects=[*effects, u, *(u * share for share in self.pushed)],
            **({"unit": "N"} | more),
        )

    def compared(
        self, name: str, make: Callable[[], Iterable[Comparison]]
    ) -> tuple[Comparison, ...]:
        """Comparisons of sums of forces, made once for each log, and once with a view's forces.

        `name` says which comparisons these are.
        """
        view, key = self.view, f"comparisons {name}"
        if key not in view.worked_out:
            made: Iterable[Any] = kept_in(view.kept, key, lambda: tuple(make()))
            view.worked_out[key] = tuple(one.of(self.sum_of(one.weights)) for one in made)
        found: tuple[Comparison, ...] = view.worked_out[key]
        return found

    @cached_property
    def sums(self) -> tuple[Comparison, ...]:
        """Sums of Fx, Fy and Fz against mass times specific force."""
        return self.compared("sums", partial(_sums, self))

    @cached_property
    def loads(self) -> tuple[Comparison, ...]:
        """Moments of the loads, and their sum where no acceleration is logged."""
        return self.compared("loads", partial(_loads, self))

    @cached_property
    def yaw(self) -> tuple[Comparison, ...]:
        """Yaw moment against yaw acceleration."""
        return self.compared("yaw", partial(_yaw, self))


def whole_of(view: View) -> Whole | None:
    """The sums of a view, worked out once; None if the wheelbase of the car is not known."""
    motion = motion_of(view)
    if motion.stance is None:
        return None
    return kept_in(view.worked_out, "whole car", partial(Whole, view, motion, motion.stance))


def sums_agree(view: View) -> Iterator[Term]:
    """Sums of the forces of all tyres against the body's motion."""
    whole = whole_of(view)
    if whole is None or not set(CORNERS) <= set(view.corners):
        return
    for comparison in (*whole.sums, *whole.loads, *whole.yaw):
        yield comparison.term


def against_motion(view: View) -> tuple[Comparison, ...]:
    """Sums of Fx and Fy, and the yaw moment; none unless all four corners are there."""
    whole = whole_of(view)
    if whole is None or not set(CORNERS) <= set(view.corners):
        return ()
    return (*whole.sums[:2], *whole.yaw)


def weights_of(component: int, corners: slice = slice(None)) -> Floats:
    """Weights (4, 3) [1] that add up one component of the forces of some corners."""
    weights = np.zeros((4, 3))
    weights[corners, component] = 1.0
    return weights


def _sums(whole: Whole) -> Iterator[Comparison]:
    mass, ahead, aside = whole.stance.mass, *whole.motion.inertial[:2]
    moved = np.array([ahead, aside, whole.upward])
    yaw, change = whole.motion.turns
    # The accelerometer is somewhere around the centre of mass.
    turning = mass * AWAY * yaw**2
    rolling, pitching, yawing = (mass * AWAY * w for w in (*whole.motion.leaning, change))
    load = np.hypot(LOAD, whole.stance.u_mass / mass) * whole.weight * whole.ones
    drag = {"x": DRAG * whole.square}  # the tyres push against it too
    own = {
        "x": [U_DRAG * whole.square, turning, pitching, yawing],
        "y": [turning, rolling, yawing],
        "z": [U_LIFT * whole.square, load, rolling, pitching],
    }
    for k, (axis, effects) in enumerate(own.items()):
        expected = moved[k] + drag.get(axis, 0.0)
        tilted = [U_TILT * moved[j] for j in range(3) if j != k]
        felt = expected - (whole.weight if axis == "z" else 0.0)
        fixed = [mass * U_OFFSET * whole.ones, GAIN * felt]
        yield whole.against(
            name=f"sum of F{axis} of all tyres against mass times acceleration",
            weights=weights_of(k),
            expected=expected,
            spread=float(np.hypot(ROUGH_FORCE * whole.weight, ROUGH * scatter(moved[k]))),
            effects=[*effects, *tilted, *fixed],
            limit=HOPPING if axis == "z" else LIMIT,
        )


def _loads(whole: Whole) -> Iterator[Comparison]:
    yield from _weight(whole)
    yield from _sideways(whole)
    yield from _lengthways(whole)


def _weight(whole: Whole) -> Iterator[Comparison]:
    """Sum of Fz against the weight alone, where no acceleration is logged."""
    if whole.view.channel("acceleration") is not None:
        return
    fast = np.where(np.isfinite(whole.motion.speed), whole.square, FASTEST**2)
    u_mass = np.hypot(LOAD, whole.stance.u_mass / whole.stance.mass)
    yield whole.against(
        name="sum of Fz of all tyres against the weight of the car",
        weights=weights_of(2),
        expected=whole.weight * whole.ones,
        spread=HEAVES * whole.weight,
        effects=[np.hypot(u_mass, UPHILL) * whole.weight * whole.ones, U_LIFT * fast],
    )


def _sideways(whole: Whole) -> Iterator[Comparison]:
    """Load that a turn moves from side to side."""
    stance, motion = whole.stance, whole.motion
    track, aside = float(stance.track.mean()), motion.inertial[1]
    leaned = stance.height * whole.weight * np.nan_to_num(motion.channel("roll"))
    arms = np.zeros((4, 3))
    arms[:, 2] = stance.aside
    expected = -stance.height * aside - LEANS * leaned
    settling = stance.height * stance.mass * SETTLES * np.abs(motion.jerk[1])
    yield whole.against(
        name="load from left to right against sideways acceleration",
        unit="N m",
        weights=arms,
        expected=expected,
        spread=np.hypot(0.006 * whole.weight * track, ROUGH_MOMENT * scatter(expected) + settling),
        effects=[
            np.hypot(HEIGHT * stance.height, stance.u_height) * aside,
            U_LEANS * leaned,
            0.015 * whole.weight * track * whole.ones,
            GAIN * expected,
        ],
    )


def _lengthways(whole: Whole) -> Iterator[Comparison]:
    """Load that braking moves from the rear to the front."""
    stance, motion = whole.stance, whole.motion
    ahead = motion.inertial[0]
    dived = stance.height * whole.weight * np.nan_to_num(motion.channel("pitch"))
    spun = sum(w.spin_inertia / w.loaded_radius for w in motion.wheels) / stance.mass
    arms = np.zeros((4, 3))
    arms[:, 2] = stance.ahead
    expected = -(stance.height + spun) * ahead + LEANS * dived
    settling = stance.height * stance.mass * SETTLES * np.abs(motion.jerk[0])
    yield whole.against(
        name="load from front to rear against acceleration ahead",
        unit="N m",
        weights=arms,
        expected=expected,
        spread=np.hypot(
            0.012 * whole.weight * stance.base, ROUGH_MOMENT * scatter(expected) + settling
        ),
        effects=[
            np.hypot(HEIGHT * stance.height, stance.u_height) * ahead,
            U_LEANS * dived,
            0.012 * whole.weight * stance.base * whole.ones,
            0.5 * U_LIFT * whole.square * stance.base,
            0.5 * U_DRAG * whole.square * stance.height,
            GAIN * expected,
        ],
        limit=HOPPING,
    )


def _yaw(whole: Whole) -> Iterator[Comparison]:
    """Yaw moment against yaw acceleration, if that is logged, otherwise its slow part."""
    stance, aside = whole.stance, whole.motion.inertial[1]
    arms = np.zeros((4, 3))
    arms[:, 0], arms[:, 1] = -stance.aside, stance.ahead
    sway = stance.base * scatter(aside)
    unsure = float(np.hypot(0.1, whole.view.u_clock("yaw_rate") / TURNS_IN))
    swing = unsure * scatter(whole.turned) if whole.turned.any() else 0.15 * sway
    yield whole.against(
        name="yaw moment of all tyres against yaw acceleration",
        unit="N m",
        weights=arms,
        expected=whole.turned + TRAIL * aside,
        spread=float(np.hypot(0.004 * whole.weight * stance.base, swing + 0.01 * sway)),
        effects=[
            U_INERTIA * whole.turned,
            U_TRAIL * aside,
            0.01 * stance.base * aside,
            0.015 * whole.weight * stance.base * whole.ones,
            BRAKES * 0.5 * stance.track.mean() * whole.motion.inertial[0],
        ],
    )
