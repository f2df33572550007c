"""A corner on elastic supports: poses and loads at full equilibrium, compliance included.

In: the elements of one corner and a rule for the load on the wheel's body.  Out: member loads
and pose, where the potential energy

    U = sum 1/2 k e^2 + sum 1/2 kappa |u - R u0|^2                                (1)

is in balance with the load: e is the elongation of a link or the gap of a held point, u the
direction of a link and R u0 the direction in which the body at its end would have it
(torsion of the bushes, by which a little load by-passes the links).  The geometry is not
linearised, so loads change a little with the square of the load.  What passes through a cut is
the sum of all that acts on the outer side of it.  Assumption that matters most: bodies are rigid
and the load of the spring is whatever holds the given travel.

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

if TYPE_CHECKING:
    from recon.virtual.elements import Cut, ElasticCorner

Floats = NDArray[np.float64]
MOST_STEPS = 60
CLOSED = 1e-14  # m; the balance is closed to this elongation of the stiffest support
HEIGHT_CLOSED = 1e-12  # m
IDLE_HOLD = 1e4  # N m/rad in the tangent only: nothing turns an idle body, so it stays


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
    """Equilibrium of a batch: member loads (n, member) [N, N m], the wheel, what is left over.

    `unbalanced` (n,) is the largest leftover force [N] or moment [N m] on any body,
    `spring_length` (n,) that of the spring [m].
    """

    load: Floats
    wheel: WheelAt
    spring_length: Floats
    unbalanced: Floats


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
        load=parts.member_loads(load, force),
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
        span = place[:, corner.inner] + arm[1] - place[:, corner.outer] - arm[0]
        held = np.any(corner.fixed, axis=1)[:, None]
        fixed = np.einsum("neij,ej->nei", turn[:, corner.inner], corner.fixed)
        reach = np.linalg.norm(span, axis=2, keepdims=True)
        self.along = np.where(held, fixed, span / np.where(held, 1.0, reach))
        self.length = np.sum(self.along * span, axis=2)
        # Directions that turn with the inner body push it, too, at the outer body's point.
        arm[1] = np.where(held, arm[1] - span, arm[1])
        self.arm = arm
        self.at_end = [np.eye(n_bodies)[corner.outer], np.eye(n_bodies)[corner.inner]]
        self.wheel = _wheel(corner, place, turn)
        pull = [np.concatenate([self.along, np.cross(a, self.along)], axis=2) for a in arm]
        self.pull = pull  # force and moment about the body's origin per tension, at each end
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
        n, bodies = len(spring_force), len(self.corner.bodies)
        out = np.zeros((n, bodies, 6))
        out[:, self.corner.wheel_body] = self.on_wheel(load)
        held = np.einsum("ner,ne->nr", self.rows, self.tension(spring_force))
        return out.reshape(n, -1) - held - self._bushes()

    def on_wheel(self, load: Load) -> Floats:
        """Return force and moment of the load about the origin of the wheel's body (n, 6)."""
        force, moment = load(self.wheel)
        arm = self.wheel.hub - self.wheel_origin
        return np.concatenate([force, moment + np.cross(arm, force)], axis=1)

    def member_loads(self, load: Load, spring_force: Floats) -> Floats:
        """Return the loads of links and spring, then those of the cuts (n, member)."""
        c, tension = self.corner, self.tension(spring_force)
        # What acts on the bodies at each end, element by element, (n, element, 6) each.
        acting = [sign * tension[..., None] * p for sign, p in zip((1, -1), self.pull, strict=True)]
        links, bushes = self._twisted()
        for end in (0, 1):
            acting[end][:, links] -= bushes[end]
        cuts = [self._through(cut, acting, self.on_wheel(load)) for cut in c.cuts]
        return np.concatenate([tension[:, c.member_element], *cuts], axis=1)

    def _through(self, cut: Cut, acting: list[Floats], on_wheel: Floats) -> Floats:
        """Return the six loads of a cut (n, load): all that acts on its outer side."""
        outer_side = sum(acting[end][:, cut.ends[:, end]].sum(axis=1) for end in (0, 1))
        outer_side = outer_side + cut.wheel * on_wheel
        turn = self.turn[:, cut.body]
        force = outer_side[:, :3]
        moment = outer_side[:, 3:] - np.cross(turn @ cut.station, force)
        ways = np.einsum("nij,kj->nki", turn, cut.ways)
        return np.concatenate(
            [
                np.einsum("nki,ni->nk", ways[:, :3], force),
                np.einsum("nki,ni->nk", ways[:, 3:], moment),
            ],
            axis=1,
        )

    @property
    def wheel_origin(self) -> Floats:
        """Origin of the wheel's body now."""
        c = self.corner
        arm = np.einsum("nij,j->ni", self.wheel.turn, c.hub - c.origin[c.wheel_body])
        return self.wheel.hub - arm

    def _bushes(self) -> Floats:
        """Return the gradient of the bushes' energy in (1), per body motion (n, 6 * body)."""
        links, at_ends = self._twisted()
        out = sum(np.einsum("eb,nei->nbi", self.at_end[end][links], at_ends[end]) for end in (0, 1))
        return np.asarray(out)[:, :-1].reshape(len(self.along), -1)

    def _twisted(self) -> tuple[NDArray[np.int64], list[Floats]]:
        """Return the links with bushes, and the gradient of these per motion of the bodies.

        One array (n, link, 6) for each end, about the origin of the body there.
        """
        c = self.corner
        links = np.flatnonzero(np.any(c.tilt > 0, axis=1))
        along, length = self.along[:, links], self.length[:, links, None]
        start = c.origin[c.inner] + c.at_inner - c.origin[c.outer] - c.at_outer
        start = (start / np.linalg.norm(start, axis=1, keepdims=True).clip(1e-9))[links]
        across = np.zeros_like(along)
        couples = []
        for end, body in ((0, c.outer), (1, c.inner)):
            wanted = np.einsum("neij,ej->nei", self.turn[:, body[links]], start)
            rate = c.tilt[links, end][:, None]
            across -= rate * (wanted - along * np.sum(along * wanted, axis=2)[..., None]) / length
            couples.append(rate * np.cross(along, wanted))
        at_ends = [
            np.concatenate(
                [sign * across, couple + np.cross(self.arm[end][:, links], sign * across)], axis=2
            )
            for end, (sign, couple) in enumerate(zip((-1.0, 1.0), couples, strict=True))
        ]
        return links, at_ends

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
        for body, axis in c.idle:
            turned = self.turn[:, body] @ axis
            spin = slice(6 * body + 3, 6 * body + 6)
            matrix[:, spin, spin] += IDLE_HOLD * turned[:, :, None] * turned[:, None, :]
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
