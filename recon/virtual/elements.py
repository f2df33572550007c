"""The supports of a unit as elements: single elastic lines of action between two bodies.

In: a corner that stands alone, or two that an axle ties, and the stiffness of their supports.
Out: arrays.  A link or spring is one element along its own line, a torsion one about its axis.
The others hold points of the outer body in directions that turn with the inner one: a ball one
point in three, a pivot two points of its axis in three each, a slider two points in the two
directions across its line.

Axes of the vehicle; lengths in m, stiffness in N/m and N m/rad.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.car.vehicle import CHASSIS

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Gauge, Support, Vec
    from recon.virtual.parts import Parts

TWO_FORCE = ("link", "spring")
ON_AXIS = ("pivot", "slider", "torsion")  # kinds with a second point
ON_LINE = 1e-6  # m; points nearer to a line than that lie on it
# What passes through a cut: three forces [N], three moments [N m].
CUT_LOADS = ("axial", "shear", "shear too", "torsion", "bending", "bending too")


@dataclass(frozen=True, slots=True)
class Stiffness:
    """Stiffness of one unit.

    `axial` (support,) [N/m], of a torsion [N m/rad], of a spring that of the solid link in its
    place; `tilt` (support, outer/inner) [N m/rad]; `rate` (wheel,) [N/m] of the springs, NaN
    where it is of no account.
    """

    axial: Floats
    tilt: Floats
    rate: Floats


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut through a body at a gauge; its loads are those of the outer side.

    `station` (xyz) from the body's origin; `ways` (load, xyz) the directions in which the loads
    `CUT_LOADS` count; `ends` (element, outer/inner) and `wheels` say what lies on the outer side.
    """

    body: int
    station: Floats
    ways: Floats
    ends: NDArray[np.bool_]
    wheels: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class WheelOn:
    """A wheel at design height on its body; `spin` points left; [m]."""

    corner: str
    body: int
    hub: Floats
    spin: Floats
    radius: float


@dataclass(frozen=True, slots=True)
class ElasticUnit:
    """Arrays of one unit; an element is a link, a spring, a twist, or a direction of a held point.

    Bodies are counted in the order of `bodies`, the chassis last; `at_outer` and `at_inner`
    (element, xyz) are measured from each body's `origin` (body, xyz).  `fixed` (element, xyz)
    is the direction of a held point, turning with the inner body, zero for all else; `twist`
    (element,) is True for a torsion, `triad` (element, 3, xyz) two directions across its axis and
    the axis itself.  `members` are links, springs and torsions, then six loads of each cut; `arm`
    (member,) is 1, of moments `MOMENT_ARM` [m]; `touches` (wheel, member) what takes hold of a
    wheel's body.  `springs` (wheel,) are elements, `rate` (wheel,) [N/m] theirs.  `idle` names
    bodies that may spin about a line of their own: (body, axis).
    """

    name: str
    bodies: tuple[str, ...]
    wheels: tuple[WheelOn, ...]
    members: tuple[str, ...]
    member_element: NDArray[np.int64]
    touches: NDArray[np.bool_]
    arm: Floats
    outer: NDArray[np.int64]
    inner: NDArray[np.int64]
    at_outer: Floats
    at_inner: Floats
    rides_rack: Floats  # (element, outer/inner)
    fixed: Floats
    twist: NDArray[np.bool_]
    triad: Floats
    rest: Floats
    axial: Floats
    tilt: Floats
    springs: NDArray[np.int64]
    rate: Floats
    idle: tuple[tuple[int, Floats], ...]
    cuts: tuple[Cut, ...]
    origin: Floats

    def wheel(self, corner: str) -> int:
        """Position of the corner's wheel."""
        return [w.corner for w in self.wheels].index(corner)


def spin_to_left(left: bool, toe_in: float, camber: float) -> Floats:
    """Return the spin axis at design height, pointing left.

    Toe-in turns the wheel's front inwards, positive camber tips its top outwards.
    """
    side = 1.0 if left else -1.0
    ct, cc = np.cos(toe_in), np.cos(camber)
    return np.array([side * np.sin(toe_in) * cc, ct * cc, -side * np.sin(camber)])


def elastic_unit(parts: Parts, stiffness: Stiffness) -> ElasticUnit:
    """Build the arrays of a unit; rest lengths are those of its design position.

    Raises
    ------
    VehicleError
        A corner that does not stand on a single spring along a line, or a lone one with a torsion.
    """
    for corner in parts.corners:
        _require_drawn(corner)
    index = {name: i for i, name in enumerate((*parts.bodies, CHASSIS))}
    supports = parts.supports
    rows = [(i, *row) for i, s in enumerate(supports) for row in _elements(s)]
    owner = np.array([r[0] for r in rows])
    p_outer, p_inner, fixed = (np.array([r[k] for r in rows], dtype=float) for k in (1, 2, 3))
    outer = np.array([index[supports[i].outer.on] for i in owner])
    inner = np.array([index[supports[i].inner.on] for i in owner])
    origin = np.zeros((len(index), 3))
    for b in range(len(parts.bodies)):
        origin[b] = np.mean(np.vstack([p_outer[outer == b], p_inner[inner == b]]), axis=0)
    kinds = np.array([supports[i].kind for i in owner])
    line = np.isin(kinds, TWO_FORCE)
    ends = np.stack([p_outer, p_inner], axis=1)
    on = np.stack([outer, inner], axis=1)
    found = idle_lines(parts.bodies, supports, parts.wheel_on)
    idle = {index[body]: _line(points)[1] for body, points in found.items()}
    # Bushes would hold the spin of an idle body.
    bushed = (kinds == "link")[:, None] & ~np.isin(on, list(idle))
    wheels = tuple(
        _wheel_on(c, index[body]) for c, body in zip(parts.corners, parts.wheel_on, strict=True)
    )
    sections = [g for g in parts.gauges if g.at_section]
    return ElasticUnit(
        name=parts.name,
        bodies=parts.bodies,
        wheels=wheels,
        **_members(parts, owner, sections),
        outer=outer,
        inner=inner,
        at_outer=p_outer - origin[outer],
        at_inner=p_inner - origin[inner],
        rides_rack=np.array(
            [[supports[i].outer.rack, supports[i].inner.rack] for i in owner], dtype=float
        ),
        fixed=fixed,
        twist=kinds == "torsion",
        triad=np.array([_triad(supports[i]) for i in owner]),
        rest=np.where(line, np.linalg.norm(p_inner - p_outer, axis=1), 0.0),
        axial=stiffness.axial[owner],
        tilt=np.where(bushed, stiffness.tilt[owner], 0.0),
        springs=np.flatnonzero(kinds == "spring"),
        rate=stiffness.rate,
        idle=tuple(idle.items()),
        cuts=tuple(_cut(g, wheels, index[g.on], (origin, ends, on)) for g in sections),
        origin=origin,
    )


def _require_drawn(corner: Corner) -> None:
    springs = [s.name for s in corner.supports if s.kind == "spring"]
    twists = [s.name for s in corner.supports if s.kind == "torsion"]
    if len(springs) == 1 and not twists:
        return
    raise VehicleError(
        where=f"corner {corner.name}",
        found=f"springs {', '.join(springs + twists) or 'none'}",
        needed="a corner that stands on one spring along a line",
        do="The virtual car draws no other suspensions yet.",
    )


def _wheel_on(corner: Corner, body: int) -> WheelOn:
    wheel = corner.wheel
    spin = spin_to_left(corner.left, wheel.toe_in, wheel.camber)
    return WheelOn(corner.name, body, np.array(wheel.centre), spin, wheel.loaded_radius)


def _members(parts: Parts, owner: NDArray[np.int64], sections: list[Gauge]) -> dict[str, Any]:
    """Names of the members, their elements, which of them touch a wheel's body, and their arms."""
    supports = [(i, s) for i, s in enumerate(parts.supports) if s.kind in (*TWO_FORCE, "torsion")]
    n_cut = len(sections) * len(CUT_LOADS)
    touches = [
        [s.kind in TWO_FORCE and body in (s.outer.on, s.inner.on) for _, s in supports]
        + [False] * n_cut
        for body in parts.wheel_on
    ]
    arms = [1.0 if s.kind in TWO_FORCE else MOMENT_ARM for _, s in supports]
    return {
        "members": (*(s.name for _, s in supports), *_cut_members(sections)),
        "member_element": np.array([int(np.flatnonzero(owner == i)[0]) for i, _ in supports]),
        "touches": np.array(touches),
        "arm": np.concatenate([arms, np.tile(_ARMS, len(sections))]),
    }


def _triad(support: Support) -> Floats:
    """Two directions across the support's axis and the axis itself, right-handed, (3, xyz)."""
    if support.kind != "torsion":
        return np.zeros((3, 3))
    axis = np.subtract(support.axis_point, support.outer.point)
    axis = axis / np.linalg.norm(axis)
    first, _ = _across(axis)
    return np.array([first, np.cross(axis, first), axis])


def _elements(support: Support) -> list[tuple[Vec, Vec, Floats]]:
    """Elements of a support: outer point, inner point, direction (zero along its own line)."""
    first, second = support.outer.point, support.axis_point
    if support.kind in TWO_FORCE:
        return [(first, support.inner.point, np.zeros(3))]
    if support.kind == "torsion":
        return [(first, first, np.zeros(3))]
    points = (first,) if support.kind == "ball" else (first, second)
    ways = _across(np.subtract(second, first)) if support.kind == "slider" else np.eye(3)
    return [(point, point, way) for point in points for way in ways]


def _across(line: Floats) -> Floats:
    """Two unit vectors across a line and each other, (2, xyz)."""
    _, _, right = np.linalg.svd(line[None, :])
    return np.asarray(right[1:])


def idle_lines(
    bodies: tuple[str, ...], supports: tuple[Support, ...], wheel_on: tuple[str, ...]
) -> dict[str, list[tuple[str, Vec]]]:
    """Find the bodies without a wheel whose joints all lie on one line, like a strut's rod.

    Nothing holds such a body's turn about that line, and nothing feels it.  Joints are
    (body, point) as the supports name them.
    """
    out = {}
    for body in bodies:
        points = [p for s in supports for p in _joints(s, body)]
        if body not in wheel_on and _line(points)[0] < ON_LINE:
            out[body] = list(dict.fromkeys(points))
    return out


def _joints(support: Support, body: str) -> list[tuple[str, Vec]]:
    if support.kind in TWO_FORCE:
        return [(e.on, e.point) for e in (support.outer, support.inner) if e.on == body]
    if body not in (support.outer.on, support.inner.on):
        return []
    points = [support.outer.point]
    points += [support.axis_point] if support.kind in ON_AXIS else []
    return [(support.outer.on, point) for point in points]


def _line(joints: list[tuple[str, Vec]]) -> tuple[float, Floats]:
    """Find the line nearest to the joints: largest distance from it [m], direction."""
    points = np.array([point for _, point in joints])
    off = points - points.mean(axis=0)
    _, _, right = np.linalg.svd(np.vstack([off, np.zeros((3, 3))]))
    return float(np.max(np.linalg.norm(np.cross(off, right[0]), axis=1))), right[0]


_ARMS = np.array([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM])


def _cut_members(sections: list[Gauge]) -> list[str]:
    """Names of the loads of all cuts; what the gauge measures has the name of its member."""
    return [
        gauge.member if load == gauge.measures else f"{gauge.member} {load}"
        for gauge in sections
        for load in CUT_LOADS
    ]


def _cut(
    gauge: Gauge,
    wheels: tuple[WheelOn, ...],
    body: int,
    ends: tuple[Floats, Floats, NDArray[np.int64]],
) -> Cut:
    """Cut at `gauge`; `ends` are origins, places (element, end, xyz) and bodies (element, end)."""
    origin, place, on = ends
    station, along = np.array(gauge.station), np.array(gauge.along)
    along = along / np.linalg.norm(along)
    across = np.array(gauge.across) - along * np.dot(gauge.across or along, along)
    across = across / np.linalg.norm(across)
    # A couple about across x along puts the side of `across` in tension.
    about = np.cross(across, along)
    beyond = (place - station) @ along > 0
    return Cut(
        body=body,
        station=station - origin[body],
        ways=np.array([along, across, about, along, about, across]),
        ends=(on == body) & beyond,
        wheels=tuple(w.body == body and bool((w.hub - station) @ along > 0) for w in wheels),
    )
