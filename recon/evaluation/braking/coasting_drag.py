"""Drag of engine and tyres with throttle and brakes let go, taken off the force of the brakes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import SIDES
from recon.evaluation.braking.stops import SHORTEST, BrakedDrive, Positions, Stop
from recon.evaluation.common.estimate import Estimate, combined, combined_each, independent, mean_of
from recon.evaluation.sections.detection import START_SPEED, STRAIGHT_BRAKING

NEARLY_SHUT = 0.02  # throttle opening beyond that of a shut one; 4 % hold the speed of a car
HIGHEST_SHUT = 0.2  # that a sensor reads with the throttle shut
OFF_PRESSURE = 1.5e5  # Pa; a noisy line at rest stays below it
SETTLED, BEFORE = 0.3, 0.1  # s after throttle and brakes were let go and before they are used
MOST = 10  # stretches of coasting, the longest ones
CLUTCH_OPEN = 0.5
# Of the engine's drag: in a stop it turns in other gears, and faster or slower, than while the car
# coasts.  One gear changes it by a third (common practice, no source).
U_ENGINE_DRAG = 0.3
# The same in one gear: it turns faster or slower, and its drag changes by less than its speed (from
# memory: half of it is friction that grows with speed).
U_IN_GEAR = 0.1
U_ENGINE = 0.03  # of the weight, engine braking that nothing shows; common practice, no source


@dataclass(frozen=True, slots=True)
class Coasting:
    """Fx (axle,) [N] while the car coasts in gear, and how many seconds of it were seen.

    `engine` (axle,) [N] is the size of the engine's part in it.
    """

    force: Estimate
    seconds: float
    engine: Floats


def coasting_of(drive: BrakedDrive) -> Coasting | str:
    """Coasting of a drive, or in words why it is not known and what to do."""
    missing = [name for name in ("throttle", "brake_pressure") if drive.channel(name) is None]
    if missing:
        return (
            f"{' and '.join(missing)} not logged. Log throttle, brake_pressure and, if you can, "
            "clutch"
        )
    stretches = _let_go(drive)
    if not stretches:
        return (
            "throttle and brakes were nowhere let go together on a straight for "
            f"{SETTLED + SHORTEST + BEFORE:g} s. Coast for a second in gear, once"
        )
    counts = np.array([len(at) for at in stretches], dtype=float)
    means = [of.at([0, 1]) for of in drive.means(stretches)]
    force = mean_of(means, counts)
    return Coasting(force, float(counts.sum() / drive.course.rate), _by_engine(drive, -force.value))


def unseen(drive: BrakedDrive, causes: int) -> Coasting:
    """Coasting that was not seen: the engine may brake the driven axle, in all gears alike or not.

    `causes` is the number of causes of the forces.
    """
    weight = float(drive.forces["vehicle_mass"]) * STANDARD_GRAVITY
    engine = np.where(drive.driven, U_ENGINE * weight, 0.0)
    alike = np.sqrt(1.0 - U_ENGINE_DRAG**2) * engine
    return Coasting(independent(np.zeros(len(SIDES)), alike, causes), 0.0, engine)


def _let_go(drive: BrakedDrive) -> list[Positions]:
    """Straight stretches in gear with throttle and brakes let go, the longest, as they came."""
    course, pressure, throttle = drive.course, drive.pressure, drive.channel("throttle")
    if pressure is None or throttle is None:
        return []
    shut = min(float(np.nanquantile(throttle, 0.01)), HIGHEST_SHUT)
    off = (throttle < shut + NEARLY_SHUT) & (np.fmax.reduce(pressure, axis=1) < OFF_PRESSURE)
    off &= drive.usable & ~drive.braked & ~_declutched(drive)
    off &= np.abs(course.sideways) < STRAIGHT_BRAKING * STANDARD_GRAVITY
    if course.has_speed:
        off &= course.speed > START_SPEED
    inner = [(a + int(SETTLED * course.rate), b - int(BEFORE * course.rate)) for a, b in runs(off)]
    long = [(a, b) for a, b in inner if b - a >= SHORTEST * course.rate]
    long.sort(key=lambda ends: ends[0] - ends[1])
    return [np.arange(a, b) for a, b in sorted(long[:MOST])]


def _declutched(drive: BrakedDrive) -> NDArray[np.bool_]:
    """Samples (sample,) in which the engine does not turn with the wheels, as far as logged."""
    out = np.zeros(len(drive.course.time), dtype=bool)
    clutch, gear = drive.channel("clutch"), drive.channel("gear")
    if clutch is not None:
        out |= clutch > CLUTCH_OPEN
    if gear is not None:
        out |= gear == 0
    return out


def brakes_of(drive: BrakedDrive, stops: Sequence[Stop], coasting: Coasting) -> list[Estimate]:
    """Forces of the brakes (axle,) [N] in each stop, positive: without engine and rolling drag."""
    if not stops:
        return []
    acting = _acting(drive, stops)
    forces = _in_any_gear(stops, acting, coasting)
    return combined_each(partial(_brakes, acting), forces, [coasting.force] * len(stops))


def fade(
    drive: BrakedDrive,
    ends: Sequence[Stop],
    pressure: Floats,
    coasting: Coasting,
    following: Floats,
) -> Estimate:
    """Relative change (axle,) [1] of the brakes' force per pressure from the first of two stops.

    `pressure` (2,) [Pa] is that of both.  The drag that was seen, or may be there, is one and the
    same in them: only what another gear or speed makes of it does not cancel.

    `following` (axle,) [N] is the part of the last braking force that follows the stated torque.
    The torque fades as the force does, and the statement does not: with r the true ratio of both
    forces per pressure, that part has to be `following` times r.
    """
    acting = _acting(drive, ends)
    forces = _in_any_gear(ends, acting, coasting, _unlike(drive, ends))

    def change(first: Floats, last: Floats, drag: Floats) -> Floats:
        start, end = _brakes(acting, np.array([first, last]), drag)
        unfaded = start * pressure[1] / pressure[0]
        return np.asarray((end - following) / (unfaded - following) - 1.0)

    return combined(change, *forces, coasting.force)


def _brakes(acting: Floats, force: Floats, drag: Floats) -> Floats:
    """Forces of the brakes (stop, axle) [N], from `Stop.forces` and `drag` (axle,) while coasting.

    An axle that is not known must not spoil one that it has no part in.
    """
    drag = np.broadcast_to(drag, (len(force), len(SIDES)))
    dragged = np.where(acting == 0.0, 0.0, acting * drag[:, None]).sum(axis=2)
    return np.asarray(dragged - force[:, : len(SIDES)])


def _unlike(drive: BrakedDrive, ends: Sequence[Stop]) -> float:
    """Standard uncertainty [1] of the engine's drag in each of two stops against the other one.

    A gear changes it from the one to the other by `U_ENGINE_DRAG`, as far as gears are logged.
    """
    gear = drive.channel("gear")
    first, last = (np.nan if gear is None else float(gear[stop.at].mean()) for stop in ends)
    apart = U_ENGINE_DRAG / np.sqrt(2.0) * abs(first - last)
    return float(np.fmin(np.hypot(U_IN_GEAR, apart), U_ENGINE_DRAG))


def _in_any_gear(
    stops: Sequence[Stop], acting: Floats, coasting: Coasting, unlike: float = U_ENGINE_DRAG
) -> list[Estimate]:
    """`Stop.forces` of each stop, as unsure as the engine's drag in its gear: by `unlike` [1]."""
    in_gear = np.diagonal(acting, axis1=1, axis2=2)
    other = unlike * in_gear * coasting.engine
    rest = np.zeros(len(stops[0].forces.value) - len(SIDES))
    return [
        stop.forces.plus_noise(np.append(own, rest)) for stop, own in zip(stops, other, strict=True)
    ]


def _by_engine(drive: BrakedDrive, drag: Floats) -> Floats:
    """The engine's part (axle,) [N] of the `drag` while coasting: what the other axle has not."""
    rolling = 0.0 if drive.driven.all() else float(np.nan_to_num(drag[~drive.driven][0]))
    return np.where(drive.driven, np.abs(np.nan_to_num(drag - rolling)), 0.0)


def _acting(drive: BrakedDrive, stops: Sequence[Stop]) -> Floats:
    """Weights (stop, axle, axle) [1] of coasting forces: the engine acts while in gear."""
    declutched = _declutched(drive)
    in_gear = np.array([1.0 - float(declutched[stop.at].mean()) for stop in stops])
    out = np.tile(np.eye(len(SIDES)), (len(stops), 1, 1))
    for a, is_driven in enumerate(drive.driven):
        if is_driven:
            out[:, a, a] = in_gear
            if not drive.driven[1 - a]:
                out[:, a, 1 - a] = 1.0 - in_gear  # out of gear it rolls as the other axle does
    return out
