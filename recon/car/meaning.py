"""The facts of a vehicle file that decide a calibration, each with its place and value as text.

A calibration is void when one of them changes.  Comments, names, masses, ranges, rates and all
other facts that only the reconstruction uses may change.  A field that is not listed below counts.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from math import degrees
from typing import Any

from recon.car.vehicle import Attachment, Axle, Brake, Corner, Gauge, Support, Vehicle, Wheel

PARTS = ("supports", "gauges")  # looked at one by one
# Fields that no pull and no slope depends on.
WITHOUT_EFFECT: dict[type, frozenset[str]] = {
    Corner: frozenset(
        {
            *PARTS,
            *("name", "driven", "unsprung_mass", "u_unsprung_mass", "travel_range"),
            *("droop_travel", "u_droop_travel", "bush_rate", "u_bush_rate", "final_drive"),
        }
    ),
    Axle: frozenset({*PARTS, "name", "final_drive"}),
    Support: frozenset({"name", "limit", "u_compliance"}),
    Attachment: frozenset({"u"}),
    Gauge: frozenset({"name", "full_scale"}),
    Wheel: frozenset({"spin_inertia", "u_spin_inertia", "loaded_radius", "u_loaded_radius"}),
    Brake: frozenset({"torque_per_pressure", "u_torque_per_pressure"}),
}
MILLIMETRES = ("point", "station", "centre", "diameter", "wall")
DEGREES = ("toe_in", "camber")


def decisive_facts(car: Vehicle, assembly: str) -> dict[str, str]:
    """Facts that decide the calibration of a corner, 'FL', or of an axle that ties two, 'rear'.

    Values in words by place: 'FL, support push_rod: outer.point' to '12, 300.5, 120 mm'.  Lengths
    are in mm and angles in degrees, everything else in SI units, to nine digits.
    """
    axle = car.axles.get(assembly)
    corners = [car.corners[name] for name in (axle.corners if axle else (assembly,))]
    out: dict[str, str] = {}
    parts: tuple[Corner | Axle, ...] = (*corners, axle) if axle else tuple(corners)
    for part in parts:
        for support in part.supports:
            _walk(support, f"{part.name}, support {support.name}:", out)
        for gauge in part.gauges:
            _walk(gauge, f"{part.name}, gauge {gauge.name}:", out)
        _walk(part, f"{part.name}:", out)
    if axle:  # both wheels of an axle move on their springs while it is pulled
        for c in corners:
            out[f"{c.name}: unsprung_mass"] = _words("unsprung_mass", c.unsprung_mass)
            out[f"{c.name}: bush_rate"] = _words("bush_rate", c.bush_rate)
        for part in parts:
            for support in part.supports:
                _walk_uncertainties(support, f"{part.name}, support {support.name}:", out)
    return out


def _walk_uncertainties(support: Support, place: str, out: dict[str, str]) -> None:
    """Put the uncertainties of a support into `out`: pulls at several poses depend on them."""
    out[f"{place} outer.u"] = _words("u_point", support.outer.u)
    out[f"{place} inner.u"] = _words("u_point", support.inner.u)
    out[f"{place} u_compliance"] = _words("u_compliance", support.u_compliance)


def _walk(item: Any, place: str, out: dict[str, str]) -> None:
    """Put every field of a dataclass, and of those inside it, into `out`."""
    ignored = WITHOUT_EFFECT.get(type(item), frozenset())
    for field in fields(item):
        if field.name in ignored:
            continue
        value = getattr(item, field.name)
        dot = " " if place.endswith(":") else "."
        if is_dataclass(value):
            _walk(value, f"{place}{dot}{field.name}", out)
        else:
            out[f"{place}{dot}{field.name}"] = _words(field.name, value)


def _words(name: str, value: Any) -> str:
    """Value as text; numbers in the unit of the vehicle file where that is a length or angle."""
    scale, unit = 1.0, ""
    if name.endswith(MILLIMETRES):
        scale, unit = 1e3, " mm"
    elif name in DEGREES:
        scale, unit = degrees(1.0), " deg"
    numbers = value if isinstance(value, tuple) else (value,)
    if numbers and all(type(x) is float for x in numbers):
        return ", ".join(f"{scale * x:.9g}" for x in numbers) + unit
    return ", ".join(map(str, numbers)) or "none"
