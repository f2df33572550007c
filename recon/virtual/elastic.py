"""A corner on elastic supports: poses and loads at full equilibrium, compliance included.

In: one corner of a vehicle, the stiffness of its supports, and a rule for the load on the
wheel's body.  Out: tensions and pose, where the potential energy

    U = sum 1/2 k e^2 + sum 1/2 kappa |u - R u0|^2                                (1)

is in balance with the load: e is the elongation of a link or the gap of a pivot's two points,
u the direction of a link and R u0 the direction in which the body at its end would have it
(torsion of the bushes, by which a little load by-passes the links).  The geometry is not
linearised, so loads change a little with the square of the load.  Assumption that matters
most: bodies are rigid and the load of the spring is whatever holds the given travel.

Axes of the vehicle; lengths in m, stiffness in N/m and N m/rad, tension positive.
Source: minimum potential energy, any textbook of elasticity; from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.errors import VehicleError
from recon.car.vehicle import CHASSIS

if TYPE_CHECKING:
    from recon.car.vehicle import Corner

Floats = NDArray[np.float64]
MOST_STEPS = 60
CLOSED = 1e-14  # m; the balance is closed to this elongation of the stiffest support
HEIGHT_CLOSED = 1e-12  # m


@dataclass(frozen=True, slots=True)
class Stiffness:
    """Stiffness of one corner.

    `axial` (support,) [N/m] and `tilt` (support, outer/inner) [N m/rad].
    """

    axial: Floats
    tilt: Floats


@dataclass(frozen=True, slots=True)
class ElasticCorner:
    """Arrays of one corner; an element is a link, the spring, or one direction of a pivot point.

    Bodies are counted in the order of `bodies`, the chassis last; `at_outer` and `at_inner`
    (element, xyz) are measured from each body's `origin` (body, xyz).  `fixed` (element, xyz)
    is the direction of a pivot's element, zero for links and spring.
    """

    name: str
    bodies: tuple[str, ...]
    members: tuple[str, ...]
    member_element: NDArray[np.int64]
    touches_wheel: NDArray[np.bool_]
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
    origin: Floats
    wheel_body: int
    hub: Floats
    spin: Floats
    radius: float


@dataclass(frozen=True, slots=True)
class WheelAt:
    """Wheel of a batch of poses.

    `hub`, `contact` (n, xyz) [m], `spin` (n, xyz) to the left, `turn` (n, 3, 3) from design.
    """

    hub: Floats
    spin: Floats
    contact: Floats
    turn: Floats

    @property
    def heading(self) -> Floats:
        """Angle of the wheel's plane against straight ahead, left positive [rad]."""
        return np.arctan2(-self.spin[:, 0], self.spin[:, 1])


Load = Callable[[WheelAt], tuple[Floats, Floats]]


@dataclass(frozen=True, slots=True)
class Settled:
    """Equilibrium of a batch: member tensions (n, member) [N], the wheel, what is left over.

    `unbalanced` (n,) is the largest leftover force [N] or moment [N m] on any body,
    `spring_length` (n,) that of the spring [m].
    """

    tension: Floats
    wheel: WheelAt
    spring_length: Floats
    unbalanced: Floats


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
        A kind of support that the virtual car does not have, or a corner tied to its partner.
    """
    other = [s.name for s in corner.supports if s.kind not in ("link", "spring", "pivot")]
    if other or corner.axle:
        raise VehicleError(
            where=f"corner {corner.name}",
            found=f"tied by axle {corner.axle}" if corner.axle else f"supports {', '.join(other)}",
            needed="links, springs and pivots of a corner that stands alone",
            do="The virtual car draws no other suspensions yet.",
        )
    index = {name: i for i, name in enumerate((*corner.bodies, CHASSIS))}
    rows = []  # (support, outer point, inner point, fixed direction)
    for i, s in enumerate(corner.supports):
        if s.kind == "pivot":
            # Two ball bushes on the axis; each holds its point in all directions.
            for point in (s.outer.point, s.axis_point):
                rows += [(i, point, point, e) for e in np.eye(3)]
        else:
            rows.append((i, s.outer.point, s.inner.point, np.zeros(3)))
    owner = np.array([r[0] for r in rows])
    p_outer, p_inner, fixed = (np.array([r[k] for r in rows], dtype=float) for k in (1, 2, 3))
    outer = np.array([index[corner.supports[i].outer.on] for i in owner])
    inner = np.array([index[corner.supports[i].inner.on] for i in owner])
    origin = np.zeros((len(index), 3))
    for b in range(len(corner.bodies)):
        origin[b] = np.mean(np.vstack([p_outer[outer == b], p_inner[inner == b]]), axis=0)
    members = [i for i, s in enumerate(corner.supports) if s.kind != "pivot"]
    member_element = np.array([int(np.flatnonzero(owner == i)[0]) for i in members])
    kinds = np.array([corner.supports[i].kind for i in owner])
    wheel = corner.wheel
    touching = [
        wheel.on in (corner.supports[i].outer.on, corner.supports[i].inner.on) for i in members
    ]
    return ElasticCorner(
        name=corner.name,
        bodies=corner.bodies,
        members=tuple(corner.supports[i].name for i in members),
        member_element=member_element,
        touches_wheel=np.array(touching),
        outer=outer,
        inner=inner,
        at_outer=p_outer - origin[outer],
        at_inner=p_inner - origin[inner],
        rides_rack=np.array(
            [[corner.supports[i].outer.rack, corner.supports[i].inner.rack] for i in owner],
            dtype=float,
        ),
        fixed=fixed,
        rest=np.where(kinds == "pivot", 0.0, np.linalg.norm(p_inner - p_outer, axis=1)),
        axial=stiffness.axial[owner],
        tilt=np.where((kinds == "link")[:, None], stiffness.tilt[owner], 0.0),
        spring=int(np.flatnonzero(kinds == "spring")[0]),
        origin=origin,
        wheel_body=index[wheel.on],
        hub=np.array(wheel.centre),
        spin=spin_to_left(corner.left, wheel.toe_in, wheel.camber),
        radius=wheel.loaded_radius,
    )


def no_load(at: WheelAt) -> tuple[Floats, Floats]:
    """Return force and moment of nothing at all."""
    return np.zeros_like(at.hub), np.zeros_like(at.hub)


def settle(
    corner: ElasticCorner,
    load: Load,
    rack: ArrayLike,
    *,
    travel: ArrayLike | None = None,
    solid_length: ArrayLike | None = None,
) -> Settled:
    """Find the equilibrium of each sample.

    Parameters
    ----------
    corner : ElasticCorner
    load : callable
        From the wheel's place to force and moment about the hub (n, xyz) on the wheel's body.
    rack : (n,)
        Rack shift to the left. [m]
    travel : (n,), optional
        Rise of the wheel centre; the spring takes the load that holds it there. [m]
    solid_length : (n,), optional
        Instead of `travel`: the spring is a solid link of this free length. [m]

    Raises
    ------
    VehicleError
        No equilibrium was found; the message names corner, travel and rack.
    """
    target = np.asarray(travel if solid_length is None else solid_length, dtype=float)
    rack, target = np.broadcast_arrays(np.atleast_1d(np.asarray(rack, dtype=float)), target)
    n = len(rack)
    place = np.broadcast_to(corner.origin, (n, *corner.origin.shape)).copy()
    turn = np.broadcast_to(np.eye(3), (n, len(corner.origin), 3, 3)).copy()
    if solid_length is None:
        place[:, :-1, 2] += target[:, None]  # a fair first guess: all rises with the wheel
    force = np.zeros(n)  # tension of the spring
    limit = CLOSED * float(np.max(corner.axial))
    open_ends = np.full(n, np.inf)
    for _ in range(MOST_STEPS):
        parts = _Parts(corner, place, turn, rack)
        short = _spring_gap(corner, parts, target, force, held=solid_length is None)
        left_over = parts.left_over(load, force)
        open_ends = np.max(np.abs(left_over), axis=1)
        if np.all(open_ends < limit) and np.all(np.abs(short) < HEIGHT_CLOSED):
            break
        step, force = parts.newton(left_over, short, force, held=solid_length is None)
        if not np.all(np.isfinite(step)):
            break
        place, turn = _moved(place, turn, step)
    if not np.all(open_ends < limit):
        held_at = "wheel held at" if solid_length is None else "spring of"
        worst = int(np.argmax(np.nan_to_num(open_ends, nan=np.inf)))
        raise _no_balance(corner, f"{held_at} {1e3 * target[worst]:.1f} mm", rack[worst])
    return Settled(
        tension=parts.tension(force)[:, corner.member_element],
        wheel=parts.wheel,
        spring_length=parts.length[:, corner.spring],
        unbalanced=open_ends,
    )


def _no_balance(corner: ElasticCorner, held_at: str, rack: float) -> VehicleError:
    return VehicleError(
        where=f"virtual corner {corner.name}",
        found=f"no equilibrium with the {held_at} and the rack at {1e3 * rack:.1f} mm",
        needed="poses that the supports reach",
        do="Check the points of links and rocker, or stay within the range of travel and rack.",
    )


def _spring_gap(
    corner: ElasticCorner, parts: _Parts, target: Floats, force: Floats, *, held: bool
) -> Floats:
    """Return what the spring's own condition lacks [m]: the travel asked for, or Hooke's law."""
    if held:
        return corner.hub[2] + target - parts.wheel.hub[:, 2]
    stretched = parts.length[:, corner.spring] - target
    return force / corner.axial[corner.spring] - stretched


def _moved(place: Floats, turn: Floats, step: Floats) -> tuple[Floats, Floats]:
    from scipy.spatial.transform import Rotation

    n, bodies = len(place), place.shape[1] - 1
    twist = step.reshape(n, bodies, 6)
    place, turn = place.copy(), turn.copy()
    place[:, :-1] += twist[..., :3]
    turns = Rotation.from_rotvec(twist[..., 3:].reshape(-1, 3)).as_matrix()
    turn[:, :-1] = turns.reshape(n, bodies, 3, 3) @ turn[:, :-1]
    return place, turn


class _Parts:
    """One trial pose of a batch: where the ends are, which way the elements pull."""

    def __init__(self, corner: ElasticCorner, place: Floats, turn: Floats, rack: Floats) -> None:
        self.corner = corner
        self.turn = turn
        n_bodies = len(corner.origin)
        shift = np.zeros((len(rack), len(corner.outer), 3))
        shift[..., 1] = rack[:, None]
        arm = [
            np.einsum("neij,ej->nei", turn[:, body], at) + ride[:, None] * shift
            for body, at, ride in (
                (corner.outer, corner.at_outer, corner.rides_rack[:, 0]),
                (corner.inner, corner.at_inner, corner.rides_rack[:, 1]),
            )
        ]
        self.arm = arm
        span = place[:, corner.inner] + arm[1] - place[:, corner.outer] - arm[0]
        along_fixed = np.any(corner.fixed, axis=1)
        reach = np.linalg.norm(span, axis=2)
        self.length = np.where(along_fixed, np.sum(corner.fixed * span, axis=2), reach)
        safe = np.where(along_fixed, 1.0, reach)[..., None]
        self.along = np.where(along_fixed[:, None], corner.fixed, span / safe)
        self.at_end = [np.eye(n_bodies)[corner.outer], np.eye(n_bodies)[corner.inner]]
        self.wheel = _wheel(corner, place, turn)
        pull = [np.concatenate([self.along, np.cross(a, self.along)], axis=2) for a in arm]
        # rows (n, element, 6 * body): elongation per small motion of the bodies
        rows = (
            self.at_end[1][:, :, None] * pull[1][:, :, None]
            - self.at_end[0][:, :, None] * pull[0][:, :, None]
        )
        self.rows = rows[:, :, :-1].reshape(len(rack), len(corner.outer), -1)

    def tension(self, spring_force: Floats) -> Floats:
        tension = self.corner.axial * (self.length - self.corner.rest)
        tension[:, self.corner.spring] = spring_force
        return tension

    def left_over(self, load: Load, spring_force: Floats) -> Floats:
        """Return the load less what the supports take up, per body motion (n, 6 * body)."""
        force, moment = load(self.wheel)
        n, bodies = len(force), len(self.corner.bodies)
        out = np.zeros((n, bodies, 6))
        w = self.corner.wheel_body
        out[:, w, :3] += force
        arm = self.wheel.hub - self.wheel_origin
        out[:, w, 3:] += moment + np.cross(arm, force)
        held = np.einsum("ner,ne->nr", self.rows, self.tension(spring_force))
        return out.reshape(n, -1) - held - self._bushes()

    @property
    def wheel_origin(self) -> Floats:
        """Origin of the wheel's body now."""
        c = self.corner
        arm = np.einsum("nij,j->ni", self.wheel.turn, c.hub - c.origin[c.wheel_body])
        return self.wheel.hub - arm

    def _bushes(self) -> Floats:
        """Return the gradient of the bushes' energy in (1), per body motion (n, 6 * body)."""
        c = self.corner
        links = np.flatnonzero(np.any(c.tilt > 0, axis=1))
        along, length = self.along[:, links], self.length[:, links, None]
        start = c.origin[c.inner] + c.at_inner - c.origin[c.outer] - c.at_outer
        start = (start / np.linalg.norm(start, axis=1, keepdims=True).clip(1e-9))[links]
        out = np.zeros((len(along), len(c.origin), 6))
        across = np.zeros_like(along)
        for end, body in ((0, c.outer), (1, c.inner)):
            wanted = np.einsum("neij,ej->nei", self.turn[:, body[links]], start)
            rate = c.tilt[links, end][:, None]
            across -= rate * (wanted - along * np.sum(along * wanted, axis=2)[..., None]) / length
            twisted = rate * np.cross(along, wanted)
            out[..., 3:] += np.einsum("eb,nei->nbi", self.at_end[end][links], twisted)
        for end, sign in ((0, -1.0), (1, 1.0)):
            turning = np.cross(self.arm[end][:, links], across)
            both = sign * np.concatenate([across, turning], axis=2)
            out += np.einsum("eb,nei->nbi", self.at_end[end][links], both)
        return out[:, :-1].reshape(len(along), -1)

    def newton(
        self, left_over: Floats, short: Floats, spring_force: Floats, *, held: bool
    ) -> tuple[Floats, Floats]:
        """Return the step (n, 6 * body) and the new spring force.

        The tangent leaves out the small terms of loads in turned links, which only costs a few
        more steps.
        """
        c = self.corner
        stiff = c.axial.copy()
        stiff[c.spring] = 0.0
        size = left_over.shape[1]
        spring = self.rows[:, c.spring]
        matrix = np.zeros((len(left_over), size + 1, size + 1))
        matrix[:, :size, :size] = np.swapaxes(self.rows, 1, 2) @ (stiff[:, None] * self.rows)
        # The spring's force is counted in units of its stiffness to keep the system balanced.
        unit = c.axial[c.spring]
        matrix[:, :size, size] = spring * unit
        if held:
            lift = np.zeros((len(left_over), len(c.bodies), 6))
            lift[:, c.wheel_body, 2] = 1.0
            arm = self.wheel.hub - self.wheel_origin
            lift[:, c.wheel_body, 3:] = np.cross(arm, [0.0, 0.0, 1.0])
            matrix[:, size, :size] = lift.reshape(len(left_over), -1)
        else:
            matrix[:, size, :size] = spring
            matrix[:, size, size] = -1.0
        right = np.concatenate([left_over, short[:, None]], axis=1)
        try:
            step = np.linalg.solve(matrix, right[..., None])[..., 0]
        except np.linalg.LinAlgError:  # a dead centre; `settle` says where
            step = np.full(right.shape, np.nan)
        return step[:, :size], spring_force + unit * step[:, size]


def _wheel(corner: ElasticCorner, place: Floats, turn: Floats) -> WheelAt:
    w = corner.wheel_body
    turned = turn[:, w]
    hub = place[:, w] + np.einsum("nij,j->ni", turned, corner.hub - corner.origin[w])
    spin = turned @ corner.spin
    # Lowest point of the wheel's middle plane in chassis z: down, less its part along the axis.
    down = spin * spin[:, 2:] - np.array([0.0, 0.0, 1.0])
    down = down / np.linalg.norm(down, axis=1, keepdims=True)
    return WheelAt(hub, spin, hub + corner.radius * down, turned)
