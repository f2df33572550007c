"""From the vehicle file to a `Vehicle`: reading, all faults at once, kind of suspension."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recon.base.errors import VehicleError
from recon.car import checks, si
from recon.car.plausibility import require_plausible
from recon.car.source import Loc, Source, content_of, key_lines, parsed, text_of
from recon.car.vehicle import CHASSIS, Corner, Support, Vehicle

if TYPE_CHECKING:
    from recon.car import schema


def read_vehicle(path: str | Path) -> Vehicle:
    """Read a vehicle file of format 1.

    Parameters
    ----------
    path : str or Path
        Name of an existing TOML file on this computer; `vehicles/README.md` explains its keys.

    Returns
    -------
    Vehicle
        In SI; each default that was used is told in `assumed`.

    Raises
    ------
    VehicleError
        The file cannot be read, or its content is at fault.  Faults of keys, types and ranges
        are told all at once, those of names, lengths and kind of suspension one at a time.

    Warns
    -----
    VehicleWarning
        A member's inner end lies farther out than its outer end, or a mass or size is unusual.
    """
    content = content_of(str(path))
    text = text_of(str(path), content)
    source = Source(str(path), key_lines(text))
    table = _validated(parsed(source.path, text), source)
    notes = si.Notes("car")
    mass = si.mass_in_si(table.mass, notes)
    tyre = si.tyre_in_si(table.tyre, notes)
    sensors = si.sensors_in_si(table.sensors, notes)
    corners, told = _corners(table, source)
    checks.require_unique_gauges(corners, source)
    checks.require_rack(table, corners, source)
    car = Vehicle(
        name=table.name,
        source=table.source,
        **mass,
        corners=corners,
        tyre=tyre,
        steering=si.steering_in_si(table.steering),
        sensors=sensors,
        assumed=notes.sentences() + told,
        path=source.path,
        checksum=hashlib.sha256(content).hexdigest(),
    )
    return require_plausible(car, source)


def _validated(data: dict[str, Any], source: Source) -> schema.VehicleTable:
    """All faults that the schema finds, as one error in the order of the file's lines."""
    from pydantic import ValidationError

    from recon.car.schema import VehicleTable, faults_of

    try:
        return VehicleTable.model_validate(data)
    except ValidationError as error:
        faults = sorted(faults_of(error), key=lambda fault: source.line(fault[0]))
    told = [(source.at(loc, _dotted(loc)), f"found {what}", needed) for loc, what, needed in faults]
    more = "".join(f"\n    {where}: {found}; need {needed}." for where, found, needed in told[1:])
    raise VehicleError(*told[0], f"vehicles/README.md explains every key.{more}")


def _dotted(loc: Loc) -> str:
    """Key path as people write it; entries of a list count from one."""
    parts = (f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc)
    return "".join(parts).lstrip(".")


def _corners(
    table: schema.VehicleTable, source: Source
) -> tuple[dict[str, Corner], tuple[str, ...]]:
    """Corners in SI, checked, and the sentences on their defaults."""
    made: dict[str, Corner] = {}
    told: tuple[str, ...] = ()
    present = table.corner.present
    # Described corners first, so that mirrors find their originals.
    for name in sorted(present, key=lambda name: hasattr(present[name], "mirror_of")):
        notes = si.Notes(f"corner {name}")
        form = present[name]
        bare = _bare_corner(name, present, made, source, notes)
        made[name] = replace(bare, gauges=tuple(si.gauge_in_si(g, notes) for g in form.gauge))
        checks.require_gauged_supports(made[name], source)
        told += notes.sentences()
    return {name: made[name] for name in present}, told


def _bare_corner(
    name: str,
    present: dict[str, schema.CornerTable | schema.MirrorTable],
    made: dict[str, Corner],
    source: Source,
    notes: si.Notes,
) -> Corner:
    """Corner without gauges, described or mirrored."""
    from recon.car.schema import MirrorTable

    form = present[name]
    if isinstance(form, MirrorTable):
        checks.require_original(name, form.mirror_of, present, source)
        return si.mirrored(made[form.mirror_of], name)
    checks.require_millimetres(name, form, source)
    corner = si.corner_in_si(name, form, notes)
    checks.require_names(corner, source)
    checks.require_sound(corner, source)
    require_supported_kind(corner, source.path)
    return corner


def require_supported_kind(corner: Corner, file: str = "") -> None:
    """Refuse suspensions other than those whose motion and statics were proved.

    Parameters
    ----------
    corner : Corner
        Corner as read; gauges do not matter.
    file : str
        Name of the file for the message.

    Raises
    ------
    VehicleError
        Not an upright on five links and one rod; the message names the support that is too
        much or lacking.
    """
    upright = corner.wheel.on
    rockers = [body for body in corner.bodies if body != upright]
    wanted = Counter({("link", upright, CHASSIS): 5})
    if rockers:
        rocker = rockers[0]
        wanted.update([("link", upright, rocker), ("pivot", rocker, CHASSIS)])
        wanted.update([("spring", rocker, CHASSIS)])
    else:
        wanted.update([("spring", upright, CHASSIS)])
    found = Counter(_joint(s) for s in corner.supports)
    if found == wanted and rockers[1:] == []:
        return
    surplus, lacking = found - wanted, wanted - found
    extra = [s.name for s in corner.supports if _joint(s) in surplus]
    raise VehicleError(
        f"{file}: corner {corner.name}" if file else f"corner {corner.name}",
        f"bodies {', '.join(corner.bodies)}; not understood: {_listed(surplus)}"
        f"{' (' + ', '.join(extra) + ')' if extra else ''}; lacking: {_listed(lacking)}",
        "an upright on exactly five links to the chassis and one rod: a spring from upright to "
        "chassis, or a link from upright to one rocker that turns on one pivot on the chassis "
        "and is held by one spring to the chassis",
        "Outer ends are those on the upright (or rocker); other suspensions are not supported.",
    )


def _joint(support: Support) -> tuple[str, str, str]:
    return support.kind, support.outer.on, support.inner.on


def _listed(joints: Counter[tuple[str, str, str]]) -> str:
    told = (f"{n} {kind} {outer} to {inner}" for (kind, outer, inner), n in joints.items())
    return ", ".join(told) or "nothing"
