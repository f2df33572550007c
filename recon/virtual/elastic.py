"""A corner or a tied axle on elastic supports: poses and loads at full equilibrium.

Given the elements of one assembly and the load on each wheel's body, find the pose and the member
loads at which the gradient of the strain energy

    U = sum 1/2 k e^2 + sum 1/2 kappa |u - R u0|^2                                (1)

balances the load.  Here e is the elongation of a link, the gap at a held point or the twist of a
torsion; u is the direction of a link and R u0 the direction in which the body at its end would
have it.  The second sum is the torsion of the bushes, through which a small share of the load
bypasses the links.  The geometry is not linearised, so member loads are slightly nonlinear.  The
loads at a cut are the sum of everything that acts on its outer side.  Main assumptions: bodies
are rigid and springs have no damping; each holds its wheel at a given travel, or follows Hooke's
law.

Axes of the vehicle; lengths in m, stiffness in N/m and N m/rad, tension positive.
Source: minimum potential energy, any textbook of elasticity; from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.virtual.elements import Cut, ElasticAssembly, WheelOn

MOST_STEPS = 60
CLOSED = 1e-14  # m; the tolerance in force is that of this elongation of the stiffest support
HEIGHT_CLOSED = 1e-12  # m
IDLE_HOLD = 1e4  # N m/rad, in the tangent only: it keeps a free spin from making it singular


@dataclass(frozen=True, slots=True)
class WheelAt:
    """One wheel in a batch of n poses.

    `hub` and `contact` (n, xyz) [m], `spin` (n, xyz) of unit length pointing left, `turn`
    (n, 3, 3) the rotation from design height.
    """

    hub: Floats
    spin: Floats
    contact: Floats
    turn: Floats

    @property
    def heading(self) -> Floats:
        """Angle of the wheel's plane to straight ahead, left positive, (n,) [rad]."""
        return np.arctan2(-self.spin[:, 0], self.spin[:, 1])


Load = Callable[[WheelAt], tuple[Floats, Floats]]


@dataclass(frozen=True, slots=True)
class Sprung:
    """Springs that follow Hooke's law: `rate` (wheel,) [N/m], `free` length (wheel,) [m]."""

    rate: Floats
    free: Floats


@dataclass(frozen=True, slots=True)
class Settled:
    """Equilibrium of n samples.

    `load` (n, member) [N, N m] of the members, tension positive; `wheels` their positions;
    `spring_length` (n, wheel) [m]; `travel` (n, wheel) [m], bump positive; `unbalanced` (n,) the
    largest remaining force [N] or moment [N m] on any body.
    """

    load: Floats
    wheels: tuple[WheelAt, ...]
    spring_length: Floats
    travel: Floats
    unbalanced: Floats


def no_load(at: WheelAt) -> tuple[Floats, Floats]:
    """Zero force [N] and zero moment [N m], (n, xyz) each."""
    return np.zeros_like(at.hub), np.zeros_like(at.hub)


def settle(
    assembly: ElasticAssembly,
    loads: tuple[Load, ...],
    rack: ArrayLike,
    *,
    travel: ArrayLike | None = None,
    springs: Sprung | None = None,
) -> Settled:
    """Find the equilibrium of each sample.

    Each of the `loads`, one for each wheel, is a function from the wheel's position to the force
    [N] on its body and the moment about the hub [N m], (n, xyz) each.  `rack` (n,) [m] is positive
    to the left.  `travel` [m] is the rise of each wheel centre, (n,), for an axle (n, wheel); the
    springs carry the loads that hold the wheels there.  `springs` are given instead: rates and free
    lengths of springs or of solid links.

    Raises VehicleError: no equilibrium was found; the message names assembly, travel or spring, and
    rack.
    """
    rack = np.atleast_1d(np.asarray(rack, dtype=float))
    target = np.asarray(travel if springs is None else springs.free, dtype=float)
    if target.ndim < 2:
        target = target[..., None] if springs is None else target[None]
    n = max(len(rack), len(target))
    rack, target = np.broadcast_to(rack, n), np.broadcast_to(target, (n, len(assembly.wheels)))
    place = np.broadcast_to(assembly.origin, (n, *assembly.origin.shape)).copy()
    turn = np.broadcast_to(np.eye(3), (n, len(assembly.origin), 3, 3)).copy()
    if springs is None:
        # First guess: every body rises with the wheels.
        place[:, :-1, 2] += np.mean(target, axis=1)[:, None]
    force = np.zeros(target.shape)  # tension of the springs
    rate = None if springs is None else springs.rate
    limit = CLOSED * float(np.max(assembly.axial))
    open_ends = np.full(n, np.inf)
    for _ in range(MOST_STEPS):
        pose = _TrialPose(assembly, place, turn, rack)
        short = _spring_gap(pose, target, force, rate)
        left_over = pose.left_over(loads, force)
        open_ends = np.max(np.abs(left_over), axis=1)
        if np.all(open_ends < limit) and np.all(np.abs(short) < HEIGHT_CLOSED):
            break
        step, force = pose.newton(left_over, short, force, rate)
        if not np.all(np.isfinite(step)):
            break
        place, turn = _moved(place, turn, step)
    if not np.all(open_ends < limit):
        worst = int(np.argmax(np.nan_to_num(open_ends, nan=np.inf)))
        raise _no_balance(assembly, target[worst], rack[worst], held=springs is None)
    return Settled(
        load=pose.member_loads(loads, force),
        wheels=pose.wheels,
        spring_length=pose.length[:, assembly.springs],
        travel=pose.rise,
        unbalanced=open_ends,
    )


def _no_balance(
    assembly: ElasticAssembly, target: Floats, rack: float, *, held: bool
) -> VehicleError:
    lengths = ", ".join(f"{1e3 * x:.1f}" for x in target)
    return VehicleError(
        where=f"virtual {'corner' if len(assembly.wheels) == 1 else 'axle'} {assembly.name}",
        found=f"no equilibrium with {'wheels held at' if held else 'springs of'} {lengths} mm "
        f"and the rack at {1e3 * rack:.1f} mm",
        needed="a travel and rack shift that the supports can reach",
        do="Check the points of links and rocker, or stay within the range of travel and rack.",
    )


def _spring_gap(pose: _TrialPose, target: Floats, force: Floats, rate: Floats | None) -> Floats:
    """Error (n, wheel) [m] of the springs: in travel if `rate` is None, else in Hooke's law."""
    if rate is None:
        return target - pose.rise
    return np.asarray(force / rate - (pose.length[:, pose.assembly.springs] - target))


def _moved(place: Floats, turn: Floats, step: Floats) -> tuple[Floats, Floats]:
    from scipy.spatial.transform import Rotation

    n, bodies = len(place), place.shape[1] - 1
    twist = step.reshape(n, bodies, 6)
    place, turn = place.copy(), turn.copy()
    place[:, :-1] += twist[..., :3]
    turns = Rotation.from_rotvec(twist[..., 3:].reshape(-1, 3)).as_matrix()
    turn[:, :-1] = turns.reshape(n, bodies, 3, 3) @ turn[:, :-1]
    return place, turn


class _TrialPose:
    """A trial pose of n samples: positions of the elements' ends and directions of their pull."""

    def __init__(
        self, assembly: ElasticAssembly, place: Floats, turn: Floats, rack: Floats
    ) -> None:
        self.assembly = assembly
        self.turn = turn
        self.place = place
        n_bodies = len(assembly.origin)
        shift = np.zeros((len(rack), len(assembly.outer), 3))
        shift[..., 1] = rack[:, None]
        arm = [
            np.einsum("neij,ej->nei", turn[:, body], at) + ride[:, None] * shift
            for body, at, ride in (
                (assembly.outer, assembly.at_outer, assembly.rides_rack[:, 0]),
                (assembly.inner, assembly.at_inner, assembly.rides_rack[:, 1]),
            )
        ]
        span = place[:, assembly.inner] + arm[1] - place[:, assembly.outer] - arm[0]
        held = np.any(assembly.fixed, axis=1)[:, None]
        fixed = np.einsum("neij,ej->nei", turn[:, assembly.inner], assembly.fixed)
        reach = np.linalg.norm(span, axis=2, keepdims=True)
        own_line = ~(held | assembly.twist[:, None])
        self.along = np.where(own_line, span / np.where(own_line, reach, 1.0), fixed)
        self.length = np.sum(self.along * span, axis=2)
        # A direction fixed in the inner body loads that body too, at the outer body's point.
        arm[1] = np.where(held, arm[1] - span, arm[1])
        self.arm = arm
        self.at_end = [np.eye(n_bodies)[assembly.outer], np.eye(n_bodies)[assembly.inner]]
        self.wheels = tuple(_wheel(assembly, w, place, turn) for w in assembly.wheels)
        pull = [np.concatenate([self.along, np.cross(a, self.along)], axis=2) for a in arm]
        self.pull = pull  # force and moment about the body's origin per tension, at each end
        self._twist()
        # rows (n, element, 6 * body): elongation per small motion of the bodies
        rows = np.zeros((len(rack), len(assembly.outer), n_bodies, 6))
        every = np.arange(len(assembly.outer))
        rows[:, every, assembly.inner] += pull[1]
        rows[:, every, assembly.outer] -= pull[0]
        self.rows = rows[:, :, :-1].reshape(len(rack), len(assembly.outer), -1)

    def _twist(self) -> None:
        """For torsions set `length` to the rotation of inner against outer body [rad]."""
        for e in np.flatnonzero(self.assembly.twist):
            outer, inner = (
                self.turn[:, body[e]] for body in (self.assembly.outer, self.assembly.inner)
            )
            first, second, _ = self.assembly.triad[e]
            there, x, y = inner @ first, outer @ first, outer @ second
            c, s = (np.sum(there * way, axis=1, keepdims=True) for way in (x, y))
            self.length[:, e] = np.arctan2(s, c)[:, 0]
            per_turn = (c * np.cross(there, y) - s * np.cross(there, x)) / (c**2 + s**2)
            for pull in self.pull:
                pull[:, e, 3:] = per_turn

    @property
    def rise(self) -> Floats:
        """Travel of each wheel in this pose (n, wheel) [m]."""
        design = np.array([w.hub[2] for w in self.assembly.wheels])
        return np.stack([w.hub[:, 2] for w in self.wheels], axis=1) - design

    def tension(self, spring_force: Floats) -> Floats:
        """Tension (n, element) [N] of all elements, given that of the springs (n, wheel) [N]."""
        tension = self.assembly.axial * (self.length - self.assembly.rest)
        tension[:, self.assembly.springs] = spring_force
        return tension

    def left_over(self, loads: tuple[Load, ...], spring_force: Floats) -> Floats:
        """Load minus the reaction of the supports, per body motion (n, 6 * body)."""
        n, bodies = len(spring_force), len(self.assembly.bodies)
        out = np.zeros((n, bodies, 6))
        for wheel, on_wheel in zip(self.assembly.wheels, self.on_wheels(loads), strict=True):
            out[:, wheel.body] += on_wheel
        held = np.einsum("ner,ne->nr", self.rows, self.tension(spring_force))
        return out.reshape(n, -1) - held - self._bushes()

    def on_wheels(self, loads: tuple[Load, ...]) -> list[Floats]:
        """Force and moment of each load about the origin of its wheel's body (n, 6)."""
        out = []
        for wheel, at, load in zip(self.assembly.wheels, self.wheels, loads, strict=True):
            force, moment = load(at)
            arm = at.hub - self.place[:, wheel.body]
            out.append(np.concatenate([force, moment + np.cross(arm, force)], axis=1))
        return out

    def member_loads(self, loads: tuple[Load, ...], spring_force: Floats) -> Floats:
        """Loads of links, springs and torsions, then those at the cuts (n, member) [N, N m]."""
        c, tension = self.assembly, self.tension(spring_force)
        # Force and moment of each element on the bodies at its ends, (n, element, 6) each.
        acting = [sign * tension[..., None] * p for sign, p in zip((1, -1), self.pull, strict=True)]
        links, bushes = self._twisted()
        for end in (0, 1):
            acting[end][:, links] -= bushes[end]
        on_wheels = self.on_wheels(loads)
        cuts = [self._through(cut, acting, on_wheels) for cut in c.members.cuts]
        return np.concatenate([tension[:, c.members.element], *cuts], axis=1)

    def _through(self, cut: Cut, acting: list[Floats], on_wheels: list[Floats]) -> Floats:
        """Six loads at a cut (n, load): the sum of everything that acts on its outer side."""
        outer_side = sum(acting[end][:, cut.ends[:, end]].sum(axis=1) for end in (0, 1))
        for there, on_wheel in zip(cut.wheels, on_wheels, strict=True):
            outer_side = outer_side + there * on_wheel
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

    def _bushes(self) -> Floats:
        """Gradient of the bushes' energy in (1), per body motion (n, 6 * body)."""
        links, at_ends = self._twisted()
        out = sum(np.einsum("eb,nei->nbi", self.at_end[end][links], at_ends[end]) for end in (0, 1))
        return np.asarray(out)[:, :-1].reshape(len(self.along), -1)

    def _twisted(self) -> tuple[NDArray[np.int64], list[Floats]]:
        """Indices of the links with bushes, and the gradient of the bushes' energy.

        The gradient is one array (n, link, 6) for each end, about the origin of the body there.
        """
        c = self.assembly
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
        self, left_over: Floats, short: Floats, spring_force: Floats, rate: Floats | None
    ) -> tuple[Floats, Floats]:
        """Newton step (n, 6 * body) and the new spring forces (n, wheel) [N].

        The tangent omits the small geometric stiffness of loaded links, which only costs a few
        more steps.
        """
        c = self.assembly
        stiff = c.axial.copy()
        stiff[c.springs] = 0.0
        size, wheels = left_over.shape[1], len(c.wheels)
        matrix = np.zeros((len(left_over), size + wheels, size + wheels))
        matrix[:, :size, :size] = np.swapaxes(self.rows, 1, 2) @ (stiff[:, None] * self.rows)
        for body, axis in c.idle:
            turned = self.turn[:, body] @ axis
            spin = slice(6 * body + 3, 6 * body + 6)
            matrix[:, spin, spin] += IDLE_HOLD * turned[:, :, None] * turned[:, None, :]
        # A spring's force is counted in multiples of its stiffness to keep the system balanced.
        count = c.axial[c.springs] if rate is None else rate
        for k, (wheel, at) in enumerate(zip(c.wheels, self.wheels, strict=True)):
            spring = self.rows[:, c.springs[k]]
            matrix[:, :size, size + k] = spring * count[k]
            if rate is None:
                lift = np.zeros((len(left_over), len(c.bodies), 6))
                lift[:, wheel.body, 2] = 1.0
                arm = at.hub - self.place[:, wheel.body]
                lift[:, wheel.body, 3:] = np.cross(arm, [0.0, 0.0, 1.0])
                matrix[:, size + k, :size] = lift.reshape(len(left_over), -1)
            else:
                matrix[:, size + k, :size] = spring
                matrix[:, size + k, size + k] = -1.0
        right = np.concatenate([left_over, short], axis=1)
        try:
            step = np.linalg.solve(matrix, right[..., None])[..., 0]
        except np.linalg.LinAlgError:  # a dead centre; the message of `settle` says where
            step = np.full(right.shape, np.nan)
        return step[:, :size], spring_force + count * step[:, size:]


def _wheel(assembly: ElasticAssembly, wheel: WheelOn, place: Floats, turn: Floats) -> WheelAt:
    w = wheel.body
    turned = turn[:, w]
    hub = place[:, w] + np.einsum("nij,j->ni", turned, wheel.hub - assembly.origin[w])
    spin = turned @ wheel.spin
    # Lowest point of the wheel's centre plane in chassis z: down, minus its part along the axis.
    down = spin * spin[:, 2:] - np.array([0.0, 0.0, 1.0])
    down = down / np.linalg.norm(down, axis=1, keepdims=True)
    return WheelAt(hub, spin, hub + wheel.radius * down, turned)
