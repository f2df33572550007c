"""Checks of a vehicle file that need more than one key: units, names, lengths, sides."""

from __future__ import annotations

import warnings
from math import cos, dist
from typing import TYPE_CHECKING

from recon.base.errors import VehicleError, VehicleWarning, nearest
from recon.car.vehicle import CHASSIS, Corner, Support

if TYPE_CHECKING:
    from collections.abc import Mapping

    from recon.car import schema
    from recon.car.source import Loc, Source

SHORTEST = 1e-3  # a member shorter than this has no direction [m]
HUB_HEIGHT = 15e-3  # beyond any measuring error of hub height and loaded radius [m]
METRES = 2.0  # no length of a car in inches is below this, each one in metres is
PARTNER = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}


def require_millimetres(name: str, corner: schema.CornerTable, source: Source) -> None:
    """Refuse numbers too small for a car in mm.

    Raises
    ------
    VehicleError
        Loaded radius or the wheel's distance from the middle below 50 mm, or no link of 20 mm.
    """
    here: Loc = ("corner", name)
    lengths = [dist(s.outer.point_mm, s.inner.point_mm) for s in corner.support if s.kind == "link"]
    for what, key, number, least in (
        ("loaded_radius_mm", ("wheel", "loaded_radius_mm"), corner.wheel.loaded_radius_mm, 50.0),
        ("wheel centre |y| in mm", ("wheel", "centre_mm"), abs(corner.wheel.centre_mm[1]), 50.0),
        ("longest link in mm", ("support",), max(lengths, default=20.0), 20.0),
    ):
        if number < least:
            guess = "metres" if number < METRES else "inches"
            raise VehicleError(
                source.at(here + key, f"corner {name}"),
                f"{what} = {number:g} ({guess}?)",
                f"more than {least:g} mm",
                "Write all points and the radius in mm.",
            )


def require_original(
    name: str, mirror_of: str, present: Mapping[str, object], source: Source
) -> None:
    """Refuse a mirror of anything but the other wheel of its axle, described in full.

    Raises
    ------
    VehicleError
        `mirror_of` is a wheel of another axle or side, not described, or itself a mirror.
    """
    if mirror_of != PARTNER[name]:
        why = "which is not the other wheel of the axle"
    elif mirror_of not in present:
        why = "which the file does not describe"
    elif hasattr(present[mirror_of], "mirror_of"):
        why = "which is itself a mirror"
    else:
        return
    raise VehicleError(
        source.at(("corner", name, "mirror_of"), f"corner {name}"),
        f"mirror_of = '{mirror_of}', {why}",
        f"mirror_of = '{PARTNER[name]}' and a full table [corner.{PARTNER[name]}]",
        "Describe one side in full and mirror it, or describe both sides.",
    )


def require_names(corner: Corner, source: Source) -> None:
    """Refuse names used twice and bodies that are not there.

    Raises
    ------
    VehicleError
        A name is used twice, or a point or the wheel is on an unknown body.
    """
    here: Loc = ("corner", corner.name)
    _require_once([*corner.bodies, CHASSIS], source.at((*here, "bodies"), "bodies"))
    names = [s.name for s in corner.supports]
    _require_once(names, source.at((*here, "support", _second(names)), f"corner {corner.name}"))
    places: list[tuple[Loc, str]] = [(("wheel", "on"), corner.wheel.on)]
    for i, s in enumerate(corner.supports):
        places += [(("support", i, "outer"), s.outer.on), (("support", i, "inner"), s.inner.on)]
    for loc, body in places:
        choices = corner.bodies if loc[0] == "wheel" else (*corner.bodies, CHASSIS)
        if body not in choices:
            raise VehicleError(
                source.at(here + loc, f"corner {corner.name}"),
                f"on = '{body}', a body that is not there",
                nearest(body, choices),
                "Correct the name, or add the body to `bodies` of the corner.",
            )


def _second(names: list[str]) -> int:
    """Position of the first name that stood before; 0 if there is none."""
    return next((i for i, name in enumerate(names) if name in names[:i]), 0)


def _require_once(names: list[str], where: str) -> None:
    again = _second(names)
    if again:
        raise VehicleError(
            where,
            f"the name '{names[again]}' twice",
            "each name once",
            "Rename one of the two.",
        )


def require_sound(corner: Corner, source: Source) -> None:
    """Check lengths, sides and the height of the hub.

    Raises
    ------
    VehicleError
        The wheel is on the wrong side, the hub's height does not fit the loaded radius, or a
        support has no length.

    Warns
    -----
    VehicleWarning
        A member of the upright has its inner end farther out than its outer end.
    """
    _require_side(corner, source)
    _require_hub_height(corner, source)
    for i, support in enumerate(corner.supports):
        where = source.at(
            ("corner", corner.name, "support", i),
            f'corner {corner.name}, {support.kind} "{support.name}"',
        )
        _require_length(support, where)
        if support.outer.on == corner.wheel.on:
            _warn_if_turned(support, where)


def _require_side(corner: Corner, source: Source) -> None:
    y = corner.wheel.centre[1]
    if (y > 0) != corner.left:
        raise VehicleError(
            source.at(("corner", corner.name, "wheel", "centre_mm"), f"corner {corner.name}"),
            f"wheel centre y = {1e3 * y:g} mm",
            f"y {'> 0' if corner.left else '< 0'} for a wheel on the "
            f"{'left' if corner.left else 'right'} (axes? y is left)",
            "x is forward, y left, z up: turn the sign of all y, or rename the corner.",
        )


def _require_hub_height(corner: Corner, source: Source) -> None:
    wheel = corner.wheel
    height, expected = wheel.centre[2], wheel.loaded_radius * cos(wheel.camber)
    if abs(height - expected) > HUB_HEIGHT:
        raise VehicleError(
            source.at(("corner", corner.name, "wheel", "centre_mm"), f"corner {corner.name}"),
            f"wheel centre {1e3 * height:.1f} mm high, but {1e3 * expected:.1f} mm by the loaded "
            "radius",
            f"the two within {1e3 * HUB_HEIGHT:g} mm (was the wheel hanging, or is the origin not "
            "on the ground?)",
            "Measure all points at design height, z from the ground on which the car stands.",
        )


def _require_length(support: Support, where: str) -> None:
    end = support.axis_point if support.kind == "pivot" else support.inner.point
    length = dist(support.outer.point, end)
    if length < SHORTEST:
        raise VehicleError(
            where,
            f"length {1e3 * length:.1f} mm",
            f"more than {1e3 * SHORTEST:g} mm between its two points",
            "One of the two points was copied from the other: measure it again.",
        )


def _warn_if_turned(support: Support, where: str) -> None:
    outer, inner = abs(support.outer.point[1]), abs(support.inner.point[1])
    if inner > outer:
        warnings.warn(
            f"{where}: inner end {1e3 * (inner - outer):.0f} mm farther out than the outer end. "
            "Trailing links do so; otherwise the two ends are exchanged.",
            VehicleWarning,
            stacklevel=2,
        )


def require_gauged_supports(corner: Corner, source: Source) -> None:
    """Refuse a gauge that is not on a link or spring of its corner.

    Raises
    ------
    VehicleError
        No support has the name, or it is a pivot.
    """
    kinds = {s.name: s.kind for s in corner.supports}
    choices = tuple(name for name, kind in kinds.items() if kind != "pivot")
    for i, gauge in enumerate(corner.gauges):
        if gauge.on not in choices:
            what = "a pivot" if gauge.on in kinds else "no support"
            raise VehicleError(
                source.at(
                    ("corner", corner.name, "gauge", i, "on"),
                    f"corner {corner.name}, gauge '{gauge.name}'",
                ),
                f"on = '{gauge.on}', {what} of this corner",
                nearest(gauge.on, choices),
                "A bridge tells the load of a link or spring: name the one it is bonded to.",
            )


def require_unique_gauges(corners: dict[str, Corner], source: Source) -> None:
    """Refuse a gauge name that is used twice; they are the names of log columns.

    Raises
    ------
    VehicleError
        Two gauges have one name.
    """
    first: dict[str, str] = {}
    for corner in corners.values():
        for i, gauge in enumerate(corner.gauges):
            if gauge.name in first:
                raise VehicleError(
                    source.at(("corner", corner.name, "gauge", i), f"corner {corner.name}"),
                    f"gauge '{gauge.name}', a name that corner {first[gauge.name]} uses already",
                    "each gauge name once over the whole car",
                    "Give each channel the name of its column in the log.",
                )
            first[gauge.name] = corner.name


def require_rack(table: schema.VehicleTable, corners: dict[str, Corner], source: Source) -> None:
    """Refuse a corner that steers without a range of the rack.

    Raises
    ------
    VehicleError
        `moves_with_rack` somewhere, but no `rack_mm`.
    """
    steered = [name for name, corner in corners.items() if corner.steered]
    if steered and table.steering.rack_mm is None:
        raise VehicleError(
            source.at(("steering",), "steering"),
            f"no rack_mm, though points of {', '.join(steered)} have moves_with_rack",
            "rack_mm = [right end, left end], the shift of the rack from straight ahead",
            "Measure the rack from stop to stop, or take moves_with_rack out.",
        )
