"""The vehicle file as the other stages get it: described, and held together by its supports."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from recon.base.errors import VehicleError
from recon.base.public import public
from recon.car.checks import require_rack_in_use
from recon.car.final_drive import require_geared
from recon.car.linkage import assembly_names
from recon.car.plausibility import require_plausible
from recon.car.reader import read_description
from recon.car.slips import warn_of_slips
from recon.car.source import Loc, Source
from recon.car.vehicle import TWO_POINTS, Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.section_loads import rows_beyond
from recon.mechanics.structure import Mechanism

AROUND = 0.05  # m; by which a body may stand out around its points


@public
def read_vehicle(path: str | Path) -> Vehicle:
    """Read a vehicle file of format 1.

    Parameters
    ----------
    path : str or Path
        Name of an existing TOML file on this computer; `vehicles/README.md` explains its keys.

    Returns
    -------
    Vehicle
        In SI; `assumed` names each default that was used.

    Raises
    ------
    VehicleError
        The file cannot be read, or its content is at fault.  Faults of keys, types and ranges
        are reported all at once, those of names, points and free motions one at a time.

    Warns
    -----
    VehicleWarning
        A member's inner end lies farther out than its outer end, or a mass or size is unusual.
    """
    car, source = read_description(path)
    _require_held(car, source)
    require_rack_in_use(car, source)
    require_geared(car, source)
    warn_of_slips(car, source)
    return require_plausible(car, source)


def _require_held(car: Vehicle, source: Source) -> None:
    """Refuse what moves freely or cannot move, and sections outside their body.

    Raises VehicleError: see `assembly_of`; the message has the file's name in front.
    """
    for name in assembly_names(car):
        loc: Loc = ("axle" if name in car.axles else "corner", name)
        try:
            mechanism = assembly_of(car, name).mechanism
        except VehicleError as error:
            where = error.where.removeprefix(f"{car.path}: ")
            raise VehicleError(source.at(loc, where), error.found, error.needed, error.do) from None
        _require_sections(mechanism, source)


def _require_sections(mechanism: Mechanism, source: Source) -> None:
    for section in mechanism.sections:
        on, _, gauge = section.name.rpartition(":")
        where = f"{source.path}: {mechanism.title}, gauge '{gauge}' on '{on}'"
        points = [
            mechanism.points[i, slot]
            for i, kind in enumerate(mechanism.kinds)
            for slot, bodies in ((0, mechanism.outer_body), (1, mechanism.inner_body),
                                 (2, mechanism.outer_body))
            if bodies[i] == section.body and (slot < 2 or kind in TWO_POINTS)
        ]  # fmt: skip
        points += [w.centre for w in mechanism.wheels if w.body == section.body]
        low, high = np.min(points, axis=0) - AROUND, np.max(points, axis=0) + AROUND
        if np.any(section.station < low) or np.any(section.station > high):
            raise VehicleError(
                where,
                f"station ({_mm(section.station)}) mm outside the body",
                f"a point between ({_mm(low)}) and ({_mm(high)}) mm",
                "Correct station_mm, or the name of the body.",
            )
        beyond = np.array(points) @ section.along > section.station @ section.along
        if np.all(beyond) or not np.any(beyond):
            raise VehicleError(
                where,
                f"the cut at ({_mm(section.station)}) mm leaves all of its joints "
                f"{'beyond it' if np.all(beyond) else 'before it'}",
                "joints or wheel on both sides of the cut",
                "Move station_mm between them, or turn `along` towards the wheel.",
            )
        _require_whole_joints(mechanism, section.name, rows_beyond(mechanism, section), where)


def _require_whole_joints(
    mechanism: Mechanism, section: str, beyond: np.ndarray, where: str
) -> None:
    """A pivot or slider has its bearings on one side of the cut."""
    body = next(s.body for s in mechanism.sections if s.name == section)
    for i, kind in enumerate(mechanism.kinds):
        mine = mechanism.owner == i
        if body not in (mechanism.outer_body[i], mechanism.inner_body[i]) or kind not in TWO_POINTS:
            continue
        if np.any(beyond[mine]) and not np.all(beyond[mine]):
            leg = ""
            if kind == "pivot":
                leg = (
                    " If the gauge is on a leg of an arm, describe the bushes at its legs as two "
                    "balls, with their compliance_mm_per_kN."
                )
            raise VehicleError(
                where,
                f'the cut lies between the two points of {kind} "{mechanism.supports[i]}"',
                "both points of a joint on one side of the cut",
                f"Move station_mm past the joint.{leg}",
            )


def _mm(point: np.ndarray) -> str:
    return ", ".join(f"{1e3 * x:.0f}" for x in point)
