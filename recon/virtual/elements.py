"""A corner's supports as elements: single elastic lines of action between two bodies.

In: one corner of a vehicle and the stiffness of its supports.  Out: arrays.  A link or spring is
one element along its own line.  The others hold points of the outer body in directions that turn
with the inner one: a ball one point in three, a pivot two points of its axis in three each, a
slider two points in the two directions across its line.

Axes of the vehicle; lengths in m, stiffness in N/m and N m/rad.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.car.vehicle import CHASSIS

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Gauge, Support, Vec

Floats = NDArray[np.float64]
TWO_FORCE = ("link", "spring")
ON_AXIS = ("pivot", "slider", "torsion")  # kinds with a second point
ON_LINE = 1e-6  # m; points nearer to a line than that lie on it
# What passes through a cut: three forces [N], three moments [N m].
CUT_LOADS = ("axial", "shear", "shear too", "torsion", "bending", "bending too")


@dataclass(frozen=True, slots=True)
class Stiffness:
    """Stiffness of one corner.

    `axial` (support,) [N/m] and `tilt` (support, outer/inner) [N m/rad].
    """

    axial: Floats
    tilt: Floats


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut through a body at a gauge; its loads are those of the outer side.

    `station` (xyz) from the body's origin; `ways` (load, xyz) the directions in which the loads
    `CUT_LOADS` count; `ends` (element, outer/inner) and `wheel` say what lies on the outer side.
    """

    body: int
    station: Floats
    ways: Floats
    ends: NDArray[np.bool_]
    wheel: bool


@dataclass(frozen=True, slots=True)
class ElasticCorner:
    """Arrays of one corner; an element is a link, the spring, or one direction of a held point.

    Bodies are counted in the order of `bodies`, the chassis last; `at_outer` and `at_inner`
    (element, xyz) are measured from each body's `origin` (body, xyz).  `fixed` (element, xyz)
    is the direction of a held point, turning with the inner body, zero for links and spring.
    `members` are links and spring, then six loads of each cut; `arm` (member,) is 1, of moments
    `MOMENT_ARM` [m].  `idle` names bodies that may spin about a line of their own: (body, axis).
    """

    name: str
    bodies: tuple[str, ...]
    members: tuple[str, ...]
    member_element: NDArray[np.int64]
    touches_wheel: NDArray[np.bool_]
    arm: Floats
    outer: NDArray[np.int64]
    inner: NDArray[np.int64]
    at_outer: Floats
    at_inner: Floats
    rides_rack: Floats  # (element, outer/inner)
    fixed: Floats
    rest: Floats
    axial: Floats
    tilt: Floats
    spring: int
    idle: tuple[tuple[int, Floats], ...]
    cuts: tuple[Cut, ...]
    origin: Floats
    wheel_body: int
    hub: Floats
    spin: Floats
    radius: float


def spin_to_left(left: bool, toe_in: float, camber: float) -> Floats:
    """Return the spin axis at design height, pointing left.

    Toe-in turns the wheel's front inwards, positive camber tips its top outwards.
    """
    side = 1.0 if left else -1.0
    ct, cc = np.cos(toe_in), np.cos(camber)
    return np.array([side * np.sin(toe_in) * cc, ct * cc, -side * np.sin(camber)])


def elastic_corner(corner: Corner, stiffness: Stiffness) -> ElasticCorner:
    """Build the arrays of `corner`; rest lengths are those of its design position.

    Raises
    ------
    VehicleError
        A corner tied to its partner, or one that does not stand on a single spring.
    """
    _require_drawn(corner)
    index = {name: i for i, name in enumerate((*corner.bodies, CHASSIS))}
    supports = corner.supports
    rows = [(i, *row) for i, s in enumerate(supports) for row in _elements(s)]
    owner = np.array([r[0] for r in rows])
    p_outer, p_inner, fixed = (np.array([r[k] for r in rows], dtype=float) for k in (1, 2, 3))
    outer = np.array([index[supports[i].outer.on] for i in owner])
    inner = np.array([index[supports[i].inner.on] for i in owner])
    origin = np.zeros((len(index), 3))
    for b in range(len(corner.bodies)):
        origin[b] = np.mean(np.vstack([p_outer[outer == b], p_inner[inner == b]]), axis=0)
    members = [i for i, s in enumerate(supports) if s.kind in TWO_FORCE]
    kinds = np.array([supports[i].kind for i in owner])
    wheel = corner.wheel
    touching = [wheel.on in (supports[i].outer.on, supports[i].inner.on) for i in members]
    sections = [g for g in corner.gauges if g.at_section]
    n_cut = len(sections) * len(CUT_LOADS)
    ends = np.stack([p_outer, p_inner], axis=1)
    on = np.stack([outer, inner], axis=1)
    idle = {index[body]: _line(points)[1] for body, points in idle_lines(corner).items()}
    # Bushes would hold the spin of an idle body.
    bushed = (kinds == "link")[:, None] & ~np.isin(on, list(idle))
    return ElasticCorner(
        name=corner.name,
        bodies=corner.bodies,
        members=(*(supports[i].name for i in members), *_cut_members(sections)),
        member_element=np.array([int(np.flatnonzero(owner == i)[0]) for i in members]),
        touches_wheel=np.array(touching + [False] * n_cut),
        arm=np.concatenate([np.ones(len(members)), np.tile(_ARMS, len(sections))]),
        outer=outer,
        inner=inner,
        at_outer=p_outer - origin[outer],
        at_inner=p_inner - origin[inner],
        rides_rack=np.array(
            [[supports[i].outer.rack, supports[i].inner.rack] for i in owner], dtype=float
        ),
        fixed=fixed,
        rest=np.where(np.any(fixed, axis=1), 0.0, np.linalg.norm(p_inner - p_outer, axis=1)),
        axial=stiffness.axial[owner],
        tilt=np.where(bushed, stiffness.tilt[owner], 0.0),
        spring=int(np.flatnonzero(kinds == "spring")[0]),
        idle=tuple(idle.items()),
        cuts=tuple(_cut(g, corner, index[g.on], (origin, ends, on)) for g in sections),
        origin=origin,
        wheel_body=index[wheel.on],
        hub=np.array(wheel.centre),
        spin=spin_to_left(corner.left, wheel.toe_in, wheel.camber),
        radius=wheel.loaded_radius,
    )


def _require_drawn(corner: Corner) -> None:
    springs = [s.name for s in corner.supports if s.kind == "spring"]
    twists = [s.name for s in corner.supports if s.kind == "torsion"]
    if len(springs) == 1 and not twists and not corner.axle:
        return
    found = f"springs {', '.join(springs + twists) or 'none'}"
    raise VehicleError(
        where=f"corner {corner.name}",
        found=f"tied by axle {corner.axle}" if corner.axle else found,
        needed="a corner that stands alone, on one spring along a line",
        do="The virtual car draws no other suspensions yet.",
    )


def _elements(support: Support) -> list[tuple[Vec, Vec, Floats]]:
    """Elements of a support: outer point, inner point, direction (zero along its own line)."""
    first, second = support.outer.point, support.axis_point
    if support.kind in TWO_FORCE:
        return [(first, support.inner.point, np.zeros(3))]
    points = (first,) if support.kind == "ball" else (first, second)
    ways = _across(np.subtract(second, first)) if support.kind == "slider" else np.eye(3)
    return [(point, point, way) for point in points for way in ways]


def _across(line: Floats) -> Floats:
    """Two unit vectors across a line and each other, (2, xyz)."""
    _, _, right = np.linalg.svd(line[None, :])
    return np.asarray(right[1:])


def idle_lines(corner: Corner) -> dict[str, list[tuple[str, Vec]]]:
    """Find the bodies without a wheel whose joints all lie on one line, like a strut's rod.

    Nothing holds such a body's turn about that line, and nothing feels it.  Joints are
    (body, point) as the supports name them.
    """
    out = {}
    for body in corner.bodies:
        points = [p for s in corner.supports for p in _joints(s, body)]
        if body != corner.wheel.on and _line(points)[0] < ON_LINE:
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
    gauge: Gauge, corner: Corner, body: int, ends: tuple[Floats, Floats, NDArray[np.int64]]
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
    wheel_beyond = (np.array(corner.wheel.centre) - station) @ along > 0
    return Cut(
        body=body,
        station=station - origin[body],
        ways=np.array([along, across, about, along, about, across]),
        ends=(on == body) & beyond,
        wheel=bool(corner.wheel.on == gauge.on and wheel_beyond),
    )
