"""Forces of one axle or one wheel against their part in the motion of the car.

How a turn loads the wheels of an axle depends on springs and bars that nobody stated, and tyres
share sideways forces as they like.  What is left is the sign of every force, its size within a
third, and the load at rest.  Sizes of what may differ are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.examination.axle import Axle, axles_of
from recon.examination.comparison import Comparison
from recon.examination.motion import scatter
from recon.examination.term import Term, by_part, not_compared
from recon.examination.view import Part, View
from recon.examination.whole_car import (
    HEIGHT,
    LOAD,
    ROUGH,
    ROUGH_MOMENT,
    Whole,
    weights_of,
    whole_of,
)
from recon.reconstruction.whole_car.car_stance import U_INERTIA, U_LIFT, U_OFFSET, U_TILT

SHARE = 0.25  # of the load transfer on one axle
CROSS = 0.08  # of the weight on a wheel: uneven corner weights
SPLIT = 0.35  # of a wheel's part in the sideways force of its axle
TOE = 0.08  # of the weight on a wheel: opposite sideways forces from toe and camber


def wheels_agree(view: View) -> Iterator[Term]:
    """Forces of each axle and each wheel that is there against the body's motion."""
    whole = whole_of(view)
    if whole is None:
        yield _without_wheelbase(view)
        return
    for axle in axles_of(whole):
        for one in of_axle(axle):
            yield one.term

    @by_part("wheels")
    def of_wheels(_view: View, part: Part) -> Iterator[Term]:
        for corner in part.corners:
            for one in of_wheel(whole, corner):
                yield one.term

    yield from of_wheels(view)


def _without_wheelbase(view: View) -> Term:
    """Comparisons with the weight that a car of unknown wheelbase lacks, as one term."""
    return not_compared(
        "car",
        view.corners,
        "forces against weight and acceleration",
        f"Whether the forces of {', '.join(view.corners)} fit weight and acceleration of the "
        "car cannot be known here: the vehicle file describes one axle and no wheelbase. State "
        "wheelbase_mm in its table [mass].",
    )


def of_axle(axle: Axle) -> tuple[Comparison, ...]:
    """Sums of both wheels of an axle, and the load between them, against the body's motion."""
    return (*axle.whole.compared(axle.title, partial(_pair, axle)), *across_axle(axle))


def across_axle(axle: Axle) -> tuple[Comparison, ...]:
    """Differences between both wheels of an axle, of Fx and of the load."""
    return axle.whole.compared(f"across {axle.title}", partial(_across, axle))


def of_wheel(whole: Whole, corner: str) -> tuple[Comparison, ...]:
    """Load and sideways force of one wheel against the body's motion."""
    index, side = divmod(CORNERS.index(corner), 2)
    return whole.compared(corner, partial(_wheel, Axle(whole, index), side))


def _pair(axle: Axle) -> Iterator[Comparison]:
    yield _pair_lengthways(axle)
    yield _pair_sideways(axle)
    yield _pair_weight(axle)


def _across(axle: Axle) -> Iterator[Comparison]:
    yield _left_and_right(axle)
    yield _transfer(axle)


def _wheel(axle: Axle, side: int) -> Iterator[Comparison]:
    yield _wheel_lengthways(axle, side)
    yield _wheel_weight(axle, side)
    yield _wheel_sideways(axle, side)


def _pair_lengthways(axle: Axle) -> Comparison:
    whole, pair = axle.whole, weights_of(0, slice(2 * axle.index, 2 * axle.index + 2))
    return whole.against(
        name=f"sum of Fx of the {axle.title} tyres against acceleration ahead",
        weights=pair,
        expected=axle.lengthways,
        spread=np.hypot(0.02 * axle.own, 0.1 * scatter(axle.lengthways)) + axle.turns_and_engine,
        effects=axle.unknown_ahead,
        place=axle.title,
    )


def _left_and_right(axle: Axle) -> Comparison:
    """Half the difference of Fx between left and right: brakes and a differential make one."""
    across = 0.5 * (_own(axle, 0, 0) - _own(axle, 1, 0))
    return axle.whole.against(
        name=f"Fx of the left {axle.title} tyre against that of the right one",
        weights=across,
        expected=0.0 * axle.whole.ones,
        spread=float(np.hypot(0.02 * axle.own, 0.1 * scatter(axle.lengthways))),
        effects=axle.uneven_ahead,
        place=axle.title,
    )


def _wheel_lengthways(axle: Axle, side: int) -> Comparison:
    name, whole, own = axle.names[side], axle.whole, _own(axle, side, 0)
    half = 0.5 * axle.lengthways
    return whole.against(
        name=f"Fx of the {name} tyre against acceleration ahead",
        weights=own,
        expected=half,
        spread=np.hypot(0.02 * axle.own, 0.2 * scatter(half)) + 0.5 * axle.turns_and_engine,
        effects=[*(0.5 * effect for effect in axle.unknown_ahead), *axle.uneven_ahead],
        place=name,
    )


def _pair_sideways(axle: Axle) -> Comparison:
    whole, aside = axle.whole, axle.whole.motion.inertial[1]
    pair = weights_of(1, slice(2 * axle.index, 2 * axle.index + 2))
    rough = ROUGH * scatter(aside) + 0.15 * scatter(axle.turned) + axle.unknown_turn
    return whole.against(
        name=f"sum of Fy of the {axle.title} tyres against their part of mass times acceleration",
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
        ],
        place=axle.title,
    )


def _pair_weight(axle: Axle) -> Comparison:
    whole, up = axle.whole, axle.whole.upward
    pair = weights_of(2, slice(2 * axle.index, 2 * axle.index + 2))
    rough = ROUGH_MOMENT * scatter(axle.dived)
    return whole.against(
        name=f"sum of Fz of the {axle.title} tyres against the weight on them",
        weights=pair,
        expected=axle.share * up + axle.dived,
        spread=np.hypot(0.03 * axle.own, rough + 2 * axle.settling),
        effects=[
            np.hypot(LOAD, 0.02) * axle.own * whole.ones,
            U_LIFT * whole.square,
            np.hypot(HEIGHT, 0.05) * axle.dived,
            0.02 * axle.share * (up - whole.weight),
        ],
        place=axle.title,
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
    return whole.against(
        name=f"Fz of the {name} tyre against the weight on it",
        weights=own,
        expected=_wheel_load(axle, side),
        spread=np.hypot(0.05 * half, 0.16 * scatter(axle.leaned) + axle.settling),
        effects=[
            np.hypot(CROSS, LOAD) * half * whole.ones,
            2 * SHARE * axle.leaned,
            0.15 * axle.dived,
            0.5 * U_LIFT * whole.square,
        ],
        place=name,
    )


def _wheel_sideways(axle: Axle, side: int) -> Comparison:
    name, whole = axle.names[side], axle.whole
    half = 0.5 * axle.own
    loaded = np.clip(_wheel_load(axle, side) / axle.own, 0.0, 1.0)
    part, own = loaded * axle.sideways, _own(axle, side, 1)
    rough = 0.15 * scatter(part) + 0.5 * axle.unknown_turn
    return whole.against(
        name=f"Fy of the {name} tyre against the body's sideways acceleration",
        weights=own,
        expected=part,
        spread=float(np.hypot(0.06 * half, rough)),
        effects=[
            SPLIT * part,
            SPLIT * 0.5 * axle.sideways,
            0.15 * np.abs(axle.sideways),
            TOE * half * whole.ones,
        ],
        place=name,
    )
