"""The supports of an assembly as elements: single elastic lines of action between two bodies.

A link or spring is one element along its own line, a torsion one element about its axis.  Each
other support holds points of the outer body in directions fixed in the inner body: a ball one
point in three directions, a pivot two points of its axis in three directions each, a slider two
points in the two directions across its line.

Axes of the vehicle; lengths in m, stiffness in N/m and N m/rad.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.car.linkage import Linkage
from recon.car.vehicle import CHASSIS, Corner, Gauge, Support, Vec

TWO_FORCE = ("link", "spring")
ON_AXIS = ("pivot", "slider", "torsion")  # kinds with a second point
ON_LINE = 1e-6  # m; points nearer to a line than this lie on it
# Loads at a cut: three forces [N], then three moments [N m].
CUT_LOADS = ("axial", "shear", "shear too", "torsion", "bending", "bending too")


class Joint(NamedTuple):
    """A point (xyz) [m] at which a support holds a body, named as in the vehicle file."""

    on: str
    point: Vec


@dataclass(frozen=True, slots=True)
class Stiffness:
    """Stiffness of the supports of one assembly.

    `axial` (support,) [N/m], for a torsion [N m/rad], for a spring that of the solid link which
    replaces it; `tilt` (support, outer/inner) [N m/rad] of the bushes; `rate` (wheel,) [N/m] of
    the springs, NaN if it is not used.
    """

    axial: Floats
    tilt: Floats
    rate: Floats


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut through a body at a gauge; its loads are those that act on the outer side.

    `station` (xyz) [m] is measured from the body's origin; `ways` (load, xyz) are the positive
    directions of the loads `CUT_LOADS`; `ends` (element, outer/inner) and `wheels` are True for
    element ends and wheels on the outer side.
    """

    body: int
    station: Floats
    ways: Floats
    ends: NDArray[np.bool_]
    wheels: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class WheelOn:
    """A wheel at design height and the index of its body.

    `hub` (xyz) [m], `spin` (xyz) of unit length pointing left, loaded `radius` [m].
    """

    corner: str
    body: int
    hub: Floats
    spin: Floats
    radius: float


@dataclass(frozen=True, slots=True)
class Members:
    """Members of an assembly: links, springs and torsions, then six loads for each cut.

    `element` gives the element of each support member; `arm` (member,) is 1 for forces and
    `MOMENT_ARM` [m] for moments; `touches` (wheel, member) is True for a member attached to a
    wheel's body.
    """

    names: tuple[str, ...]
    element: NDArray[np.int64]
    arm: Floats
    touches: NDArray[np.bool_]
    cuts: tuple[Cut, ...]


@dataclass(frozen=True, slots=True)
class ElasticAssembly:
    """One assembly as arrays; an element is a link, spring or torsion, or one held direction.

    Bodies are numbered in the order of `bodies`, the chassis last.

    Elements: `outer` and `inner` (element,) are the bodies at the ends; `at_outer` and `at_inner`
    (element, xyz) [m] the ends, measured from each body's `origin` (body, xyz) [m]; `rides_rack`
    (element, outer/inner) is 1 for an end that moves with the rack; `fixed` (element, xyz) is the
    direction of a held point, fixed in the inner body, and zero for other elements; `twist`
    (element,) is True for a torsion, `triad` (element, 3, xyz) holds two directions across its
    axis and the axis; `rest` (element,) [m] is the free length, `axial` (element,) [N/m,
    N m/rad] the stiffness, `tilt` (element, outer/inner) [N m/rad] that of the bushes.

    `springs` (wheel,) are the elements of the springs, `rate` (wheel,) [N/m] their rates.
    `idle` lists (body, axis) for bodies that may spin freely about a line of their own.
    """

    name: str
    bodies: tuple[str, ...]
    wheels: tuple[WheelOn, ...]
    members: Members
    outer: NDArray[np.int64]
    inner: NDArray[np.int64]
    at_outer: Floats
    at_inner: Floats
    rides_rack: Floats
    fixed: Floats
    twist: NDArray[np.bool_]
    triad: Floats
    rest: Floats
    axial: Floats
    tilt: Floats
    springs: NDArray[np.int64]
    rate: Floats
    idle: tuple[tuple[int, Floats], ...]
    origin: Floats

    def wheel(self, corner: str) -> int:
        """Index of the wheel of `corner`."""
        return [w.corner for w in self.wheels].index(corner)


def spin_to_left(left: bool, toe_in: float, camber: float) -> Floats:
    """Spin axis at design height, (3,) xyz of unit length [1], pointing left.

    Positive `toe_in` [rad] turns the wheel's front inwards, positive `camber` [rad] tips its top
    outwards.
    """
    side = 1.0 if left else -1.0
    ct, cc = np.cos(toe_in), np.cos(camber)
    return np.array([side * np.sin(toe_in) * cc, ct * cc, -side * np.sin(camber)])


def elastic_assembly(linkage: Linkage, stiffness: Stiffness) -> ElasticAssembly:
    """Build the arrays of an assembly; elements have no load at design height.

    Raises VehicleError: a corner does not have exactly one spring, or has a torsion.
    """
    for corner in linkage.corners:
        _require_drawn(corner)
    index = {name: i for i, name in enumerate((*linkage.bodies, CHASSIS))}
    supports = linkage.supports
    rows = [(i, *row) for i, s in enumerate(supports) for row in _elements(s)]
    owner = np.array([r[0] for r in rows])
    p_outer, p_inner, fixed = (np.array([r[k] for r in rows], dtype=float) for k in (1, 2, 3))
    outer = np.array([index[supports[i].outer.on] for i in owner])
    inner = np.array([index[supports[i].inner.on] for i in owner])
    origin = np.zeros((len(index), 3))
    for b in range(len(linkage.bodies)):
        origin[b] = np.mean(np.vstack([p_outer[outer == b], p_inner[inner == b]]), axis=0)
    kinds = np.array([supports[i].kind for i in owner])
    line = np.isin(kinds, TWO_FORCE)
    ends = np.stack([p_outer, p_inner], axis=1)
    on = np.stack([outer, inner], axis=1)
    found = idle_lines(linkage.bodies, supports, linkage.wheel_on)
    idle = {index[body]: _line(points)[1] for body, points in found.items()}
    # Bushes on an idle body would stop it from spinning freely, so it has none.
    bushed = (kinds == "link")[:, None] & ~np.isin(on, list(idle))
    wheels = tuple(
        _wheel_on(c, index[body]) for c, body in zip(linkage.corners, linkage.wheel_on, strict=True)
    )
    sections = [g for g in linkage.gauges if g.at_section]
    places = _Ends(origin, point=ends, on=on)
    return ElasticAssembly(
        name=linkage.name,
        bodies=linkage.bodies,
        wheels=wheels,
        members=_members(
            linkage, owner, sections, tuple(_cut(g, wheels, index[g.on], places) for g in sections)
        ),
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
        needed="exactly one spring and no torsion in each corner",
        do="Use another vehicle file: the virtual car cannot draw this suspension.",
    )


def _wheel_on(corner: Corner, body: int) -> WheelOn:
    wheel = corner.wheel
    spin = spin_to_left(corner.left, wheel.toe_in, wheel.camber)
    return WheelOn(corner.name, body, np.array(wheel.centre), spin, wheel.loaded_radius)


def _members(
    linkage: Linkage, owner: NDArray[np.int64], sections: list[Gauge], cuts: tuple[Cut, ...]
) -> Members:
    supports = [(i, s) for i, s in enumerate(linkage.supports) if s.kind in (*TWO_FORCE, "torsion")]
    n_cut = len(sections) * len(CUT_LOADS)
    touches = [
        [s.kind in TWO_FORCE and body in (s.outer.on, s.inner.on) for _, s in supports]
        + [False] * n_cut
        for body in linkage.wheel_on
    ]
    arms = [1.0 if s.kind in TWO_FORCE else MOMENT_ARM for _, s in supports]
    return Members(
        names=(*(s.name for _, s in supports), *_cut_members(sections)),
        element=np.array([int(np.flatnonzero(owner == i)[0]) for i, _ in supports]),
        arm=np.concatenate([arms, np.tile(_ARMS, len(sections))]),
        touches=np.array(touches),
        cuts=cuts,
    )


def _triad(support: Support) -> Floats:
    """Right-handed unit vectors (3, xyz): two across the axis of a torsion, then the axis."""
    if support.kind != "torsion":
        return np.zeros((3, 3))
    axis = np.subtract(support.axis_point, support.outer.point)
    axis = axis / np.linalg.norm(axis)
    first, _ = _across(axis)
    return np.array([first, np.cross(axis, first), axis])


def _elements(support: Support) -> list[tuple[Vec, Vec, Floats]]:
    """Elements of a support: outer point, inner point, held direction (zero if along its line)."""
    first, second = support.outer.point, support.axis_point
    if support.kind in TWO_FORCE:
        return [(first, support.inner.point, np.zeros(3))]
    if support.kind == "torsion":
        return [(first, first, np.zeros(3))]
    points = (first,) if support.kind == "ball" else (first, second)
    ways = _across(np.subtract(second, first)) if support.kind == "slider" else np.eye(3)
    return [(point, point, way) for point in points for way in ways]


def _across(line: Floats) -> Floats:
    """Two unit vectors (2, xyz) perpendicular to a line and to each other."""
    _, _, right = np.linalg.svd(line[None, :])
    return np.asarray(right[1:])


def idle_lines(
    bodies: tuple[str, ...], supports: tuple[Support, ...], wheel_on: tuple[str, ...]
) -> dict[str, list[Joint]]:
    """Joints of each body without a wheel whose joints all lie on one line, like a strut's rod.

    Such a body may spin about that line, which changes nothing else.  Joints are named as in
    the supports.
    """
    out = {}
    for body in bodies:
        points = [p for s in supports for p in _joints(s, body)]
        if body not in wheel_on and _line(points)[0] < ON_LINE:
            out[body] = list(dict.fromkeys(points))
    return out


def _joints(support: Support, body: str) -> list[Joint]:
    if support.kind in TWO_FORCE:
        return [Joint(e.on, e.point) for e in (support.outer, support.inner) if e.on == body]
    if body not in (support.outer.on, support.inner.on):
        return []
    points = [support.outer.point]
    points += [support.axis_point] if support.kind in ON_AXIS else []
    return [Joint(support.outer.on, point) for point in points]


def _line(joints: list[Joint]) -> tuple[float, Floats]:
    """Straight line fitted to the joints: largest distance of a joint [m], and direction (xyz)."""
    points = np.array([joint.point for joint in joints])
    off = points - points.mean(axis=0)
    _, _, right = np.linalg.svd(np.vstack([off, np.zeros((3, 3))]))
    return float(np.max(np.linalg.norm(np.cross(off, right[0]), axis=1))), right[0]


_ARMS = np.array([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM])


def _cut_members(sections: list[Gauge]) -> list[str]:
    """Names of the loads at all cuts; the load that the gauge measures has its member's name."""
    return [
        gauge.member if load == gauge.measures else f"{gauge.member} {load}"
        for gauge in sections
        for load in CUT_LOADS
    ]


@dataclass(frozen=True, slots=True)
class _Ends:
    """Ends of all elements: `point` (element, end, xyz) [m] and their bodies `on` (element, end).

    `origin` (body, xyz) [m] is the origin of each body.
    """

    origin: Floats
    point: Floats
    on: NDArray[np.int64]


def _cut(gauge: Gauge, wheels: tuple[WheelOn, ...], body: int, ends: _Ends) -> Cut:
    """The cut through `body` at the section of `gauge`."""
    station, along = np.array(gauge.station), np.array(gauge.along)
    along = along / np.linalg.norm(along)
    across = np.array(gauge.across) - along * np.dot(gauge.across or along, along)
    across = across / np.linalg.norm(across)
    # A couple about across x along puts the `across` side in tension.
    about = np.cross(across, along)
    beyond = (ends.point - station) @ along > 0
    return Cut(
        body=body,
        station=station - ends.origin[body],
        ways=np.array([along, across, about, along, about, across]),
        ends=(ends.on == body) & beyond,
        wheels=tuple(w.body == body and bool((w.hub - station) @ along > 0) for w in wheels),
    )
