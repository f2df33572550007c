"""Drag of engine and tyres with throttle and brakes let go, taken off the force of the brakes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import SIDES
from recon.evaluation.braking.stops import SHORTEST, BrakedDrive, Positions, Stop
from recon.evaluation.common.estimate import Estimate, combined
from recon.evaluation.sections.detection import START_SPEED, STRAIGHT_BRAKING

OFF_THROTTLE = 0.05
OFF_PRESSURE = 1.5e5  # Pa; a noisy line at rest stays below it
SETTLED, BEFORE = 0.3, 0.1  # s after throttle and brakes were let go and before they are used
MOST = 10  # stretches of coasting, the longest ones
CLUTCH_OPEN = 0.5


@dataclass(frozen=True, slots=True)
class Coasting:
    """Fx (axle,) [N] while the car coasts in gear, and how many seconds of it were seen."""

    force: Estimate
    seconds: float


def coasting_of(drive: BrakedDrive) -> Coasting | str:
    """Coasting of a drive, or in words why it is not known and what to do."""
    missing = [name for name in ("throttle", "brake_pressure") if drive.channel(name) is None]
    if missing:
        return (
            f"{' and '.join(missing)} not logged. Log throttle, brake_pressure and, if you can, "
            "clutch"
        )
    if "driven" not in drive.forces:
        return "the forces do not name the driven axle. Write them again with `recon reconstruct`"
    stretches = _let_go(drive)
    if not stretches:
        return (
            "throttle and brakes were nowhere let go together on a straight for "
            f"{SETTLED + SHORTEST + BEFORE:g} s. Coast for a second in gear, once"
        )
    counts = np.array([len(at) for at in stretches], dtype=float)
    means = [of.at([0, 1]) for of in drive.means(stretches)]
    force = combined(lambda *f: np.average(f, axis=0, weights=counts), *means)
    return Coasting(force, float(counts.sum() / drive.course.rate))


def _let_go(drive: BrakedDrive) -> list[Positions]:
    """Straight stretches in gear with throttle and brakes let go, the longest ones."""
    course, pressure, throttle = drive.course, drive.pressure, drive.channel("throttle")
    if pressure is None or throttle is None:
        return []
    off = (throttle < OFF_THROTTLE) & (np.fmax.reduce(pressure, axis=1) < OFF_PRESSURE)
    off &= drive.usable & ~drive.braked & ~_declutched(drive)
    off &= np.abs(course.sideways) < STRAIGHT_BRAKING * STANDARD_GRAVITY
    if course.has_speed:
        off &= course.speed > START_SPEED
    inner = [(a + int(SETTLED * course.rate), b - int(BEFORE * course.rate)) for a, b in runs(off)]
    long = [(a, b) for a, b in inner if b - a >= SHORTEST * course.rate]
    long.sort(key=lambda ends: ends[0] - ends[1])
    return [np.arange(a, b) for a, b in long[:MOST]]


def _declutched(drive: BrakedDrive) -> NDArray[np.bool_]:
    """Samples (sample,) in which the engine does not turn with the wheels, as far as logged."""
    out = np.zeros(len(drive.course.time), dtype=bool)
    clutch, gear = drive.channel("clutch"), drive.channel("gear")
    if clutch is not None:
        out |= clutch > CLUTCH_OPEN
    if gear is not None:
        out |= gear == 0
    return out


def brakes_of(drive: BrakedDrive, stop: Stop, coasting: Coasting) -> Estimate:
    """Forces of the brakes (axle,) [N] in a stop, positive: without engine and rolling drag."""
    acting = _acting(drive, stop)

    def brakes(force: Floats, drag: Floats) -> Floats:
        # An axle that is not known must not spoil one that it has no part in.
        return np.asarray(np.where(acting == 0.0, 0.0, acting * drag).sum(axis=1) - force[:2])

    return combined(brakes, stop.forces, coasting.force)


def _acting(drive: BrakedDrive, stop: Stop) -> Floats:
    """Weights (axle, axle) [1] of coasting forces in a stop: the engine acts while in gear."""
    driven = drive.forces["driven"].to_numpy().astype(bool)
    by_axle = [
        any(driven[drive.corners.index(wheel)] for wheel in wheels if wheel in drive.corners)
        for wheels in SIDES.values()
    ]
    in_gear = 1.0 - float(_declutched(drive)[stop.at].mean())
    out = np.eye(len(SIDES))
    for a, is_driven in enumerate(by_axle):
        if is_driven:
            out[a, a] = in_gear
            if not by_axle[1 - a]:
                out[a, 1 - a] = 1.0 - in_gear  # out of gear it rolls as the other axle does
    return out
