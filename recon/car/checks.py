"""Checks of a vehicle file that need more than one key: units, names, sides, rack."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import cos, dist

from recon.base.errors import VehicleError, VehicleWarning, nearest, warn
from recon.car import schema
from recon.car.source import Loc, Source
from recon.car.vehicle import CHASSIS, Axle, Corner, Support, Vehicle

HUB_HEIGHT = 15e-3  # beyond any measuring error of hub height and loaded radius [m]
METRES = 2.0  # no length of a car in inches is below this, each one in metres is
# inches, of a wheel; one in cm is above it.  Common practice, no source.
LARGEST_RADIUS = 20.0
PARTNER = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}


def require_millimetres(name: str, corner: schema.CornerTable, source: Source) -> None:
    """Refuse numbers too small for a car in mm.

    Raises VehicleError: loaded radius or the wheel's distance from the middle below 50 mm, or no
    link of 20 mm.
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
            if key[-1] == "loaded_radius_mm" and number > LARGEST_RADIUS:
                guess = "cm"
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

    Raises VehicleError: `mirror_of` is a wheel of another axle or side, not described, or itself a
    mirror.
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


def require_names(part: Corner | Axle, others: tuple[str, ...], source: Source) -> None:
    """Refuse names used twice and bodies that are not there.

    `others` are bodies of other tables under the names that they have in this one.

    Raises VehicleError: a name is used twice, or a point or the wheel is on an unknown body.
    """
    what = "corner" if isinstance(part, Corner) else "axle"
    here: Loc = (what, part.name)
    _require_once([*part.bodies, CHASSIS], source.at((*here, "bodies"), "bodies"))
    names = [s.name for s in part.supports]
    _require_once(names, source.at((*here, "support", _second(names)), f"{what} {part.name}"))
    moving = (*part.bodies, *others)
    places: list[tuple[Loc, str]] = []
    if isinstance(part, Corner):
        places.append((("wheel", "on"), part.wheel.on))
    for i, s in enumerate(part.supports):
        places += [(("support", i, "outer"), s.outer.on), (("support", i, "inner"), s.inner.on)]
    for loc, body in places:
        choices = moving if loc[0] == "wheel" else (*moving, CHASSIS)
        if body not in choices:
            owner = "axle" if body.startswith("axle.") else what
            raise VehicleError(
                source.at(here + loc, f"{what} {part.name}"),
                f"on = '{body}', a body that is not there",
                nearest(body, choices),
                f"Correct the name, or add the body to `bodies` of the {owner}.",
            )


def _second(names: list[str]) -> int:
    """Position of the first name that stood before; 0 if there is none."""
    return next((i for i, name in enumerate(names) if name in names[:i]), 0)


def _require_once(names: list[str], where: str) -> None:
    again = _second(names)
    if again:
        raise VehicleError(
            where, f"the name '{names[again]}' twice", "each name once", "Rename one of the two."
        )


def require_sound(corner: Corner, source: Source) -> None:
    """Check the wheel's side, its axle and the height of the hub.

    Raises VehicleError: the wheel is on the wrong side, a rear wheel is no way back, or the hub's
    height does not fit the loaded radius.
    Warns VehicleWarning: a member of the upright has its inner end farther out than its outer end.
    """
    _require_side(corner, source)
    _require_axle(corner, source)
    _require_hub_height(corner, source)
    for i, support in enumerate(corner.supports):
        two_force = support.kind in ("link", "spring")
        if two_force and support.outer.on == corner.wheel.on and support.inner.on == CHASSIS:
            where = source.at(
                ("corner", corner.name, "support", i),
                f'corner {corner.name}, {support.kind} "{support.name}"',
            )
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


def _require_axle(corner: Corner, source: Source) -> None:
    x = corner.wheel.centre[0]
    if corner.name.startswith("R") and x >= 0:
        raise VehicleError(
            source.at(("corner", corner.name, "wheel", "centre_mm"), f"corner {corner.name}"),
            f"wheel centre x = {1e3 * x:g} mm",
            "x < 0 for a rear wheel (origin below the middle of the front axle, x is forward)",
            "Turn the sign of x, or measure from the front axle.",
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


def _warn_if_turned(support: Support, where: str) -> None:
    outer, inner = abs(support.outer.point[1]), abs(support.inner.point[1])
    if inner > outer:
        warn(
            f"{where}: inner end {1e3 * (inner - outer):.0f} mm farther out than the outer end. "
            "Trailing links do so; otherwise the two ends are exchanged.",
            VehicleWarning,
        )


def require_unique_gauges(parts: Iterable[Corner | Axle], source: Source) -> None:
    """Refuse a gauge name that is used twice; they are the names of log columns.

    Raises VehicleError: two gauges have one name.
    """
    first: dict[str, str] = {}
    for part in parts:
        what = "corner" if isinstance(part, Corner) else "axle"
        for i, gauge in enumerate(part.gauges):
            if gauge.name in first:
                raise VehicleError(
                    source.at((what, part.name, "gauge", i), f"{what} {part.name}"),
                    f"gauge '{gauge.name}', a name that {first[gauge.name]} uses already",
                    "each gauge name once over the whole car",
                    "Give each channel the name of its column in the log.",
                )
            first[gauge.name] = f"{what} {part.name}"


def require_rack(table: schema.VehicleTable, corners: dict[str, Corner], source: Source) -> None:
    """Refuse a corner that steers without a range of the rack.

    Raises VehicleError: `moves_with_rack` somewhere, but no `rack_mm`.
    """
    steered = [name for name, corner in corners.items() if corner.steered]
    if steered and table.steering.rack_mm is None:
        raise VehicleError(
            source.at(("steering",), "steering"),
            f"no rack_mm, though points of {', '.join(steered)} have moves_with_rack",
            "rack_mm = [right end, left end], the shift of the rack from straight ahead",
            "Measure the rack from stop to stop, or take moves_with_rack out.",
        )


def require_rack_in_use(car: Vehicle, source: Source) -> None:
    """Refuse a range of the rack where front wheels are there and nothing moves with it.

    Raises VehicleError: `rack_mm`, but `moves_with_rack` nowhere: every pose with the wheels turned
    would be wrong.
    """
    front = [name for name in car.corners if name.startswith("F")]
    low, high = car.steering.rack_range
    if front and low < high and not any(c.steered for c in car.corners.values()):
        raise VehicleError(
            source.at(("steering", "rack_mm"), "steering"),
            f"rack_mm = [{1e3 * low:g}, {1e3 * high:g}], though no point of {', '.join(front)} "
            "moves with the rack",
            "moves_with_rack = true at the inner end of a tie rod or drag link",
            "Mark the end that the rack moves, or take rack_mm out of a car that does not steer.",
        )
