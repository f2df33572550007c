"""Checks of a vehicle file's supports and gauges, one by one and against each other."""

from __future__ import annotations

from math import dist

from recon.base.errors import VehicleError, nearest
from recon.car.source import Loc, Source
from recon.car.vehicle import TWO_FORCE, TWO_POINTS, Axle, Corner, Gauge, Support, Vec

SHORTEST = 1e-3  # m; a member shorter than this has no direction
SAME = 1e-4  # m; points nearer than this are one
ACROSS = 0.1  # m; points farther over the middle than this are on the wrong side
GAUGED = ("link", "spring", "torsion")


def require_joints(part: Corner | Axle, source: Source) -> None:
    """Check each support by itself, and against the others.

    Raises VehicleError: a support has no length, joins a body to itself, lies on the other side of
    the car or is there twice; or a body has no support.
    """
    what = "corner" if isinstance(part, Corner) else "axle"
    for i, support in enumerate(part.supports):
        where = source.at(
            (what, part.name, "support", i), f'{what} {part.name}, {support.kind} "{support.name}"'
        )
        _require_length(support, where)
        _require_two_bodies(support, where)
        if isinstance(part, Corner):
            _require_side(part, support, where)
        for k in range(i):
            _require_different(support, part.supports[k], where)


def _require_length(support: Support, where: str) -> None:
    if support.kind == "ball":
        return
    end = support.axis_point if support.kind in TWO_POINTS else support.inner.point
    length = dist(support.outer.point, end)
    if length < SHORTEST:
        raise VehicleError(
            where,
            f"length {1e3 * length:.1f} mm",
            f"more than {1e3 * SHORTEST:g} mm between its two points",
            "One of the two points was copied from the other: measure it again.",
        )


def _require_two_bodies(support: Support, where: str) -> None:
    if support.outer.on == support.inner.on:
        raise VehicleError(
            where,
            f"both ends on '{support.outer.on}'",
            "ends on two different bodies",
            "Name the body at the other end; a support within one body holds nothing.",
        )
    apart = dist(support.outer.point, support.inner.point)
    if support.kind not in TWO_FORCE and apart > SAME:
        raise VehicleError(
            where,
            f"the point on '{support.inner.on}' {1e3 * apart:.1f} mm from that on "
            f"'{support.outer.on}'",
            f"one place for both ends of a {support.kind} at design height",
            "Leave point_mm of `inner` out, or write the same point.",
        )


def _require_side(corner: Corner, support: Support, where: str) -> None:
    ends = [("outer", support.outer.point), ("inner", support.inner.point)]
    if support.kind in TWO_POINTS:
        ends.append(("axis point", support.axis_point))
    for end, point in ends:
        on_line = ", or take another point of the same line" if end == "axis point" else ""
        y = point[1] if corner.left else -point[1]
        if y < -ACROSS:
            raise VehicleError(
                where,
                f"{end} at y = {1e3 * point[1]:g} mm, {-1e3 * y:.0f} mm over the middle of the car",
                f"y {'> 0' if corner.left else '< 0'} on the "
                f"{'left' if corner.left else 'right'} (y is left)",
                f"Turn the sign of y{on_line}; what crosses the car belongs to a table [axle].",
            )


def _require_different(support: Support, other: Support, where: str) -> None:
    if support.kind != other.kind:
        return
    mine, theirs = _ends(support), _ends(other)
    if any(
        all(a[0] == b[0] and dist(a[1], b[1]) < SAME for a, b in zip(mine, order, strict=True))
        for order in (theirs, theirs[::-1])
    ):
        raise VehicleError(
            where,
            f'the same two points and bodies as {other.kind} "{other.name}"',
            "each support once",
            f'Take out "{support.name}", or measure where it really ends.',
        )


def _ends(support: Support) -> list[tuple[str, Vec]]:
    return [(support.outer.on, support.outer.point), (support.inner.on, support.inner.point)]


def require_gauged(part: Corner | Axle, others: tuple[str, ...], source: Source) -> None:
    """Refuse a gauge that is on no link, spring or torsion, or at a section of no body.

    Raises VehicleError: no support or body has the name, or it is one that no bridge can be bonded
    to so, or the gauge measures what its support does not carry.
    """
    what = "corner" if isinstance(part, Corner) else "axle"
    kinds = {s.name: s.kind for s in part.supports}
    for i, gauge in enumerate(part.gauges):
        bodies = (*part.bodies, *others)
        supports = tuple(name for name, kind in kinds.items() if kind in GAUGED)
        choices = bodies if gauge.at_section else supports
        if gauge.on in choices:
            if not gauge.at_section:
                _require_own_load(gauge, kinds[gauge.on], source, (what, part.name, "gauge", i))
            continue
        found = f"a {kinds[gauge.on]}" if gauge.on in kinds else "no support"
        if gauge.at_section:
            found = "no body"
        elif gauge.on in bodies:
            found = "a body without station_mm and along, no support"
        raise VehicleError(
            source.at(
                (what, part.name, "gauge", i, "on"), f"{what} {part.name}, gauge '{gauge.name}'"
            ),
            f"on = '{gauge.on}', {found} of this {what}",
            nearest(gauge.on, choices),
            "A bridge measures the load of a link, spring or torsion: name the one it is bonded "
            "to. On a body that bends, state the section.",
        )


def _require_own_load(gauge: Gauge, kind: str, source: Source, table: Loc) -> None:
    """Refuse a gauge on a support that measures another load than the support carries."""
    needed = "torsion" if kind == "torsion" else "axial"
    if gauge.measures == needed:
        return
    slope = "bench_slope_per_kNm" if kind == "torsion" else "bench_slope_per_kN or tube"
    raise VehicleError(
        source.at((*table, "measures"), f"gauge '{gauge.name}'"),
        f"measures = '{gauge.measures}' on {kind} '{gauge.on}'",
        f"measures = '{needed}'",
        f"A {kind} carries nothing else: state that, with its {slope}. For a section of a body "
        "name the body, with station_mm and along.",
    )
