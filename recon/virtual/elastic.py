"""A corner or a tied axle on elastic supports: poses and loads at full equilibrium.

In: the elements of one unit and a rule for the load on each wheel's body.  Out: member loads
and pose, where the potential energy

    U = sum 1/2 k e^2 + sum 1/2 kappa |u - R u0|^2                                (1)

is in balance with the load: e is the elongation of a link, the gap of a held point or the turn
of a torsion, u the direction of a link and R u0 the direction in which the body at its end would
have it (torsion of the bushes, by which a little load by-passes the links).  The geometry is not
linearised, so loads change a little with the square of the load.  What passes through a cut is
the sum of all that acts on the outer side of it.  Assumption that matters most: bodies are rigid,
and springs are without damping: each holds its wheel at a given travel, or follows Hooke's law.

Axes of the vehicle; lengths in m, stiffness in N/m and N m/rad, tension positive.
Source: minimum potential energy, any textbook of elasticity; from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError

if TYPE_CHECKING:
    from recon.virtual.elements import Cut, ElasticUnit, WheelOn

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
class Sprung:
    """Springs by Hooke's law: `rate` (wheel,) [N/m] and `free` length (wheel,) [m]."""

    rate: Floats
    free: Floats


@dataclass(frozen=True, slots=True)
class Settled:
    """Equilibrium of a batch: member loads (n, member) [N, N m], the wheels, what is left over.

    `unbalanced` (n,) is the largest leftover force [N] or moment [N m] on any body,
    `spring_length` (n, wheel) that of the springs, `travel` (n, wheel) the wheels' rise [m].
    """

    load: Floats
    wheels: tuple[WheelAt, ...]
    spring_length: Floats
    travel: Floats
    unbalanced: Floats


def no_load(at: WheelAt) -> tuple[Floats, Floats]:
    """Return force and moment of nothing at all."""
    return np.zeros_like(at.hub), np.zeros_like(at.hub)


def settle(
    unit: ElasticUnit,
    loads: tuple[Load, ...],
    rack: ArrayLike,
    *,
    travel: ArrayLike | None = None,
    springs: Sprung | None = None,
) -> Settled:
    """Find the equilibrium of each sample.

    Parameters
    ----------
    unit : ElasticUnit
    loads : one for each wheel
        From the wheel's place to force and moment about the hub (n, xyz) on the wheel's body.
    rack : (n,)
        Rack shift to the left. [m]
    travel : (n,), of an axle (n, wheel), optional
        Rise of each wheel centre; the springs take the loads that hold them there. [m]
    springs : Sprung, optional
        Instead of `travel`: the law of the springs, also of solid links in their place.

    Raises
    ------
    VehicleError
        No equilibrium was found; the message names unit, travel or spring, and rack.
    """
    rack = np.atleast_1d(np.asarray(rack, dtype=float))
    target = np.asarray(travel if springs is None else springs.free, dtype=float)
    if target.ndim < 2:
        target = target[..., None] if springs is None else target[None]
    n = max(len(rack), len(target))
    rack, target = np.broadcast_to(rack, n), np.broadcast_to(target, (n, len(unit.wheels)))
    place = np.broadcast_to(unit.origin, (n, *unit.origin.shape)).copy()
    turn = np.broadcast_to(np.eye(3), (n, len(unit.origin), 3, 3)).copy()
    if springs is None:
        # A fair first guess: all rises with the wheels.
        place[:, :-1, 2] += np.mean(target, axis=1)[:, None]
    force = np.zeros(target.shape)  # tension of the springs
    rate = None if springs is None else springs.rate
    limit = CLOSED * float(np.max(unit.axial))
    open_ends = np.full(n, np.inf)
    for _ in range(MOST_STEPS):
        parts = _Parts(unit, place, turn, rack)
        short = _spring_gap(parts, target, force, rate)
        left_over = parts.left_over(loads, force)
        open_ends = np.max(np.abs(left_over), axis=1)
        if np.all(open_ends < limit) and np.all(np.abs(short) < HEIGHT_CLOSED):
            break
        step, force = parts.newton(left_over, short, force, rate)
        if not np.all(np.isfinite(step)):
            break
        place, turn = _moved(place, turn, step)
    if not np.all(open_ends < limit):
        worst = int(np.argmax(np.nan_to_num(open_ends, nan=np.inf)))
        raise _no_balance(unit, target[worst], rack[worst], held=springs is None)
    return Settled(
        load=parts.member_loads(loads, force),
        wheels=parts.wheels,
        spring_length=parts.length[:, unit.springs],
        travel=parts.rise,
        unbalanced=open_ends,
    )


def _no_balance(unit: ElasticUnit, target: Floats, rack: float, *, held: bool) -> VehicleError:
    lengths = ", ".join(f"{1e3 * x:.1f}" for x in target)
    return VehicleError(
        where=f"virtual {'corner' if len(unit.wheels) == 1 else 'axle'} {unit.name}",
        found=f"no equilibrium with {'wheels held at' if held else 'springs of'} {lengths} mm "
        f"and the rack at {1e3 * rack:.1f} mm",
        needed="poses that the supports reach",
        do="Check the points of links and rocker, or stay within the range of travel and rack.",
    )


def _spring_gap(parts: _Parts, target: Floats, force: Floats, rate: Floats | None) -> Floats:
    """Return what the springs lack (n, wheel) [m]: the travel asked for, or Hooke's law."""
    if rate is None:
        return target - parts.rise
    return np.asarray(force / rate - (parts.length[:, parts.unit.springs] - target))


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

    def __init__(self, unit: ElasticUnit, place: Floats, turn: Floats, rack: Floats) -> None:
        self.unit = unit
        self.turn = turn
        self.place = place
        n_bodies = len(unit.origin)
        shift = np.zeros((len(rack), len(unit.outer), 3))
        shift[..., 1] = rack[:, None]
        arm = [
            np.einsum("neij,ej->nei", turn[:, body], at) + ride[:, None] * shift
            for body, at, ride in (
                (unit.outer, unit.at_outer, unit.rides_rack[:, 0]),
                (unit.inner, unit.at_inner, unit.rides_rack[:, 1]),
            )
        ]
        span = place[:, unit.inner] + arm[1] - place[:, unit.outer] - arm[0]
        held = np.any(unit.fixed, axis=1)[:, None]
        fixed = np.einsum("neij,ej->nei", turn[:, unit.inner], unit.fixed)
        reach = np.linalg.norm(span, axis=2, keepdims=True)
        own_line = ~(held | unit.twist[:, None])
        self.along = np.where(own_line, span / np.where(own_line, reach, 1.0), fixed)
        self.length = np.sum(self.along * span, axis=2)
        # Directions that turn with the inner body push it, too, at the outer body's point.
        arm[1] = np.where(held, arm[1] - span, arm[1])
        self.arm = arm
        self.at_end = [np.eye(n_bodies)[unit.outer], np.eye(n_bodies)[unit.inner]]
        self.wheels = tuple(_wheel(unit, w, place, turn) for w in unit.wheels)
        pull = [np.concatenate([self.along, np.cross(a, self.along)], axis=2) for a in arm]
        self.pull = pull  # force and moment about the body's origin per tension, at each end
        self._twist()
        # rows (n, element, 6 * body): elongation per small motion of the bodies
        rows = (
            self.at_end[1][:, :, None] * pull[1][:, :, None]
            - self.at_end[0][:, :, None] * pull[0][:, :, None]
        )
        self.rows = rows[:, :, :-1].reshape(len(rack), len(unit.outer), -1)

    def _twist(self) -> None:
        """Torsions: `length` is the turn of the inner body against the outer one [rad]."""
        for e in np.flatnonzero(self.unit.twist):
            outer, inner = (self.turn[:, body[e]] for body in (self.unit.outer, self.unit.inner))
            first, second, _ = self.unit.triad[e]
            there, x, y = inner @ first, outer @ first, outer @ second
            c, s = (np.sum(there * way, axis=1, keepdims=True) for way in (x, y))
            self.length[:, e] = np.arctan2(s, c)[:, 0]
            per_turn = (c * np.cross(there, y) - s * np.cross(there, x)) / (c**2 + s**2)
            for pull in self.pull:
                pull[:, e, 3:] = per_turn

    @property
    def rise(self) -> Floats:
        """Travel of each wheel now (n, wheel) [m]."""
        design = np.array([w.hub[2] for w in self.unit.wheels])
        return np.stack([w.hub[:, 2] for w in self.wheels], axis=1) - design

    def tension(self, spring_force: Floats) -> Floats:
        tension = self.unit.axial * (self.length - self.unit.rest)
        tension[:, self.unit.springs] = spring_force
        return tension

    def left_over(self, loads: tuple[Load, ...], spring_force: Floats) -> Floats:
        """Return the load less what the supports take up, per body motion (n, 6 * body)."""
        n, bodies = len(spring_force), len(self.unit.bodies)
        out = np.zeros((n, bodies, 6))
        for wheel, on_wheel in zip(self.unit.wheels, self.on_wheels(loads), strict=True):
            out[:, wheel.body] += on_wheel
        held = np.einsum("ner,ne->nr", self.rows, self.tension(spring_force))
        return out.reshape(n, -1) - held - self._bushes()

    def on_wheels(self, loads: tuple[Load, ...]) -> list[Floats]:
        """Return force and moment of each load about the origin of its wheel's body (n, 6)."""
        out = []
        for wheel, at, load in zip(self.unit.wheels, self.wheels, loads, strict=True):
            force, moment = load(at)
            arm = at.hub - self.place[:, wheel.body]
            out.append(np.concatenate([force, moment + np.cross(arm, force)], axis=1))
        return out

    def member_loads(self, loads: tuple[Load, ...], spring_force: Floats) -> Floats:
        """Return the loads of links, springs and torsions, then those of the cuts (n, member)."""
        c, tension = self.unit, self.tension(spring_force)
        # What acts on the bodies at each end, element by element, (n, element, 6) each.
        acting = [sign * tension[..., None] * p for sign, p in zip((1, -1), self.pull, strict=True)]
        links, bushes = self._twisted()
        for end in (0, 1):
            acting[end][:, links] -= bushes[end]
        on_wheels = self.on_wheels(loads)
        cuts = [self._through(cut, acting, on_wheels) for cut in c.cuts]
        return np.concatenate([tension[:, c.member_element], *cuts], axis=1)

    def _through(self, cut: Cut, acting: list[Floats], on_wheels: list[Floats]) -> Floats:
        """Return the six loads of a cut (n, load): all that acts on its outer side."""
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
        """Return the gradient of the bushes' energy in (1), per body motion (n, 6 * body)."""
        links, at_ends = self._twisted()
        out = sum(np.einsum("eb,nei->nbi", self.at_end[end][links], at_ends[end]) for end in (0, 1))
        return np.asarray(out)[:, :-1].reshape(len(self.along), -1)

    def _twisted(self) -> tuple[NDArray[np.int64], list[Floats]]:
        """Return the links with bushes, and the gradient of these per motion of the bodies.

        One array (n, link, 6) for each end, about the origin of the body there.
        """
        c = self.unit
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
        """Return the step (n, 6 * body) and the new forces of the springs (n, wheel).

        The tangent leaves out the small terms of loads in turned links, which only costs a few
        more steps.
        """
        c = self.unit
        stiff = c.axial.copy()
        stiff[c.springs] = 0.0
        size, wheels = left_over.shape[1], len(c.wheels)
        matrix = np.zeros((len(left_over), size + wheels, size + wheels))
        matrix[:, :size, :size] = np.swapaxes(self.rows, 1, 2) @ (stiff[:, None] * self.rows)
        for body, axis in c.idle:
            turned = self.turn[:, body] @ axis
            spin = slice(6 * body + 3, 6 * body + 6)
            matrix[:, spin, spin] += IDLE_HOLD * turned[:, :, None] * turned[:, None, :]
        # A spring's force is counted in units of its stiffness to keep the system balanced.
        unit = c.axial[c.springs] if rate is None else rate
        for k, (wheel, at) in enumerate(zip(c.wheels, self.wheels, strict=True)):
            spring = self.rows[:, c.springs[k]]
            matrix[:, :size, size + k] = spring * unit[k]
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
        except np.linalg.LinAlgError:  # a dead centre; `settle` says where
            step = np.full(right.shape, np.nan)
        return step[:, :size], spring_force + unit * step[:, size:]


def _wheel(unit: ElasticUnit, wheel: WheelOn, place: Floats, turn: Floats) -> WheelAt:
    w = wheel.body
    turned = turn[:, w]
    hub = place[:, w] + np.einsum("nij,j->ni", turned, wheel.hub - unit.origin[w])
    spin = turned @ wheel.spin
    # Lowest point of the wheel's middle plane in chassis z: down, less its part along the axis.
    down = spin * spin[:, 2:] - np.array([0.0, 0.0, 1.0])
    down = down / np.linalg.norm(down, axis=1, keepdims=True)
    return WheelAt(hub, spin, hub + wheel.radius * down, turned)
