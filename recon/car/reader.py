"""From the vehicle file to a `Vehicle`: reading, all faults at once, the checks in turn."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Any

from recon.base.errors import VehicleError, shortened
from recon.car import checks, joints, schema, si
from recon.car.final_drive import geared
from recon.car.source import Loc, Source, content_of, key_lines, parsed, text_of
from recon.car.vehicle import AXLE, SIDES, Assumed, Axle, Corner, Sensors, Tyre, Vehicle

MOST_FAULTS = 30  # that one message lists


def read_description(path: str | Path) -> tuple[Vehicle, Source]:
    """Read a vehicle file of format 1, part by part: the whole car is not looked at.

    Returns the car in SI, whose `assumed` lists each default that was used, and the file's text,
    for the line of whatever is found wrong later.  `vehicles/README.md` explains the keys.

    Raises VehicleError: the file cannot be read, or its content is at fault. Faults of keys, types
    and ranges are reported all at once, those of names and points one at a time.
    Warns VehicleWarning: a member's inner end lies farther out than its outer end.
    """
    content = content_of(str(path))
    text = text_of(str(path), content)
    data = parsed(str(path), text)
    source = Source(str(path), key_lines(text))
    table = _validated(data, source)
    notes = si.Notes("car")
    mass = si.mass_in_si(table.mass, notes)
    tyre = si.overlaid(Tyre(), table.tyre, si.TYRE_KEYS, notes)
    sensors = si.overlaid(Sensors(), table.sensors, si.SENSOR_KEYS, notes)
    corners, assumed = _corners(table, source)
    axles, more = _axles(table, source)
    tied = {corner: name for name in axles for corner in SIDES[name]}
    by_axle = {n: _steers(axle, corners) for n, axle in axles.items()}
    corners = {
        n: geared(replace(c, axle=tied[n], steered_by_axle=by_axle[tied[n]]), axles[tied[n]])
        if n in tied
        else c
        for n, c in corners.items()
    }
    checks.require_unique_gauges((*corners.values(), *axles.values()), source)
    checks.require_rack(table, corners, source)
    car = Vehicle(
        name=table.name,
        source=table.source,
        **mass,
        corners=corners,
        tyre=tyre,
        steering=si.steering_in_si(table.steering),
        sensors=sensors,
        assumed=notes.assumed() + assumed + more,
        path=source.path,
        checksum=hashlib.sha256(content).hexdigest(),
        axles=axles,
    )
    return car, source


def _validated(data: dict[str, Any], source: Source) -> schema.VehicleTable:
    """All faults that the schema finds, as one error in the order of the file's lines."""
    from pydantic import ValidationError

    from recon.car.faults import faults_of
    from recon.car.schema import VehicleTable

    try:
        return VehicleTable.model_validate(data)
    except ValidationError as error:
        faults = sorted(faults_of(error), key=lambda fault: source.line(fault[0]))
    listed = [
        (source.at(loc, _dotted(loc)), f"found {what}", needed) for loc, what, needed in faults
    ]
    more = "".join(
        f"\n    {shortened(f'{where}: {found}; need {needed}')}."
        for where, found, needed in listed[1:MOST_FAULTS]
    )
    if len(listed) > MOST_FAULTS:
        more += f"\n    ... and {len(listed) - MOST_FAULTS} more faults."
    raise VehicleError(*listed[0], f"vehicles/README.md explains every key.{more}")


def _dotted(loc: Loc) -> str:
    """Key path as people write it; entries of a list count from one."""
    parts = (f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc)
    return "".join(parts).lstrip(".")


def _corners(
    table: schema.VehicleTable, source: Source
) -> tuple[dict[str, Corner], tuple[Assumed, ...]]:
    from recon.car.schema import MirrorTable

    made: dict[str, Corner] = {}
    assumed: tuple[Assumed, ...] = ()
    present = table.corner.present
    # Described corners first, so that mirrors find their originals.
    for name in sorted(present, key=lambda name: hasattr(present[name], "mirror_of")):
        notes = si.Notes(f"corner {name}")
        form = present[name]
        others = _of_axle(table, name)
        if isinstance(form, MirrorTable):
            checks.require_original(name, form.mirror_of, present, source)
            bare = si.mirrored(made[form.mirror_of], name)
        else:
            bare = _described(name, form, others, source, notes)
        made[name] = replace(bare, gauges=tuple(si.gauge_in_si(g, notes) for g in form.gauge))
        joints.require_gauged(made[name], others, source)
        assumed += notes.assumed()
    return {name: made[name] for name in present}, assumed


def _steers(axle: Axle, corners: dict[str, Corner]) -> bool:
    """True where a support of the axle or of a wheel that it ties moves with the rack."""
    parts: tuple[Axle | Corner, ...] = (axle, *(corners[c] for c in axle.corners if c in corners))
    return any(s.on_rack for part in parts for s in part.supports)


def _of_axle(table: schema.VehicleTable, corner: str) -> tuple[str, ...]:
    """Bodies of the axle of `corner` under the names that the corner has for them."""
    return tuple(
        f"{AXLE}.{body}"
        for name, axle in table.axle.present.items()
        if corner in SIDES[name]
        for body in axle.bodies
    )


def _described(
    name: str, form: schema.CornerTable, others: tuple[str, ...], source: Source, notes: si.Notes
) -> Corner:
    """Corner without gauges, as its own table describes it."""
    checks.require_millimetres(name, form, source)
    corner = si.corner_in_si(name, form, notes)
    checks.require_names(corner, others, source)
    checks.require_sound(corner, source)
    joints.require_joints(corner, source)
    return corner


def _axles(
    table: schema.VehicleTable, source: Source
) -> tuple[dict[str, Axle], tuple[Assumed, ...]]:
    from recon.car.schema import CornerTable

    made: dict[str, Axle] = {}
    assumed: tuple[Assumed, ...] = ()
    corners = table.corner.present
    for name, form in table.axle.present.items():
        notes = si.Notes(f"axle {name}")
        axle = si.axle_in_si(name, form, notes)
        others: tuple[str, ...] = ()
        for side in SIDES[name]:
            described = corners.get(side)
            if described is not None and not isinstance(described, CornerTable):
                described = corners[described.mirror_of]
            if isinstance(described, CornerTable):
                others += tuple(f"{side}.{body}" for body in described.bodies)
        checks.require_names(axle, others, source)
        joints.require_joints(axle, source)
        joints.require_gauged(axle, others, source)
        made[name] = axle
        assumed += notes.assumed()
    return made, assumed
