"""From corner and axle to a mechanism: which bodies, supports, wheels and loads it has."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from recon.base.errors import VehicleError
from recon.car.balance import balance, redundant_groups, section_loads
from recon.car.freedom import idle_turns, require_one_motion
from recon.car.structure import (
    ROWS,
    TWO_FORCE,
    Floats,
    Mechanism,
    Rows,
    Section,
    WheelOn,
    design_state,
    hubs_of,
    rows_of,
)
from recon.car.vehicle import AXLE, CHASSIS, Corner

if TYPE_CHECKING:
    from recon.car.vehicle import Axle, Gauge, Support, Vehicle

__all__ = [
    "Mechanism",
    "Rows",
    "assembly_of",
    "mechanism_of",
    "member_arms",
    "rows_of",
    "spin_axis",
]

MOMENT_ARM = 0.1  # m; a moment counts by the force that makes it on this arm
INDEPENDENT = 1e-6  # share of a row's own size that must be left beside the rows before it


def member_arms(mechanism: Mechanism) -> Floats:
    """Lever by which each member counts as a force, (member,): 1, of moments `MOMENT_ARM` [m]."""
    return np.where(mechanism.moments[list(mechanism.members)], MOMENT_ARM, 1.0)


def spin_axis(left: bool, toe_in: float, camber: float) -> Floats:
    """Spin axis at design height, pointing left, from toe-in and camber.

    ISO 8855: a positive rotation about x tips the wheel's top to the right, which is
    negative camber on the left and positive camber on the right.
    """
    about_x, about_z = (-camber, -toe_in) if left else (camber, toe_in)
    tipped = np.array([0.0, np.cos(about_x), np.sin(about_x)])
    c, s = np.cos(about_z), np.sin(about_z)
    return np.array([c * tipped[0] - s * tipped[1], s * tipped[0] + c * tipped[1], tipped[2]])


@dataclass(slots=True)
class _Parts:
    """Bodies and supports of one mechanism under their names in it."""

    name: str
    bodies: list[str] = field(default_factory=list)
    supports: list[tuple[str, Support, str, str]] = field(default_factory=list)
    gauges: list[tuple[Gauge, str]] = field(default_factory=list)  # with what it sits on
    wheels: list[tuple[Corner, str]] = field(default_factory=list)
    own: int = 0  # supports of corners, which stand before those of the axle

    def add(self, part: Corner | Axle, before: str) -> None:
        """Take in a corner or an axle whose own names get `before` in front."""

        def named(body: str) -> str:
            if body == CHASSIS or body in self.bodies:
                return body
            return body.removeprefix(f"{AXLE}.") if body not in part.bodies else before + body

        self.bodies += [before + body for body in part.bodies]
        for s in part.supports:
            self.supports.append((before + s.name, s, named(s.outer.on), named(s.inner.on)))
        self.own += len(part.supports) if isinstance(part, Corner) else 0
        supports = [s.name for s in part.supports]
        for g in part.gauges:
            on = before + g.on if g.on in supports else named(g.on)
            self.gauges.append((g, on))


def mechanism_of(corner: Corner) -> Mechanism:
    """Arrays of a corner that stands alone.

    Raises
    ------
    VehicleError
        A body can move at given travel and steer, or the wheel cannot travel; or an axle ties
        the corner to its partner.
    """
    if corner.axle:
        raise VehicleError(
            where=f"corner {corner.name}",
            found=f"a corner that [axle.{corner.axle}] ties to its partner",
            needed="a corner that stands alone",
            do="This step does not treat tied corners yet; `recon check` shows their loads.",
        )
    parts = _Parts(corner.name)
    parts.add(corner, "")
    parts.wheels.append((corner, corner.wheel.on))
    return _built(parts)


def assembly_of(car: Vehicle, corner: str) -> Mechanism:
    """Arrays of `corner`, together with its partner where an axle ties the two.

    In an axle a corner's names begin with its own, `RL.upright`; those of the axle stand as
    they are.  Wheels are left, right.

    Raises
    ------
    VehicleError
        As `mechanism_of`, or a corner of the axle is not described.
    """
    axle = car.axle_of(corner)
    if axle is None:
        return mechanism_of(car.corners[corner])
    parts = _Parts(f"axle {axle.name}", bodies=list(axle.bodies))
    for name in axle.corners:
        if name not in car.corners:
            raise VehicleError(
                where=f"{car.path or 'car'}: axle {axle.name}",
                found=f"no corner {name}",
                needed=f"both corners that it ties, {' and '.join(axle.corners)}",
                do=f"Describe [corner.{name}], or take [axle.{axle.name}] out.",
            )
        side = car.corners[name]
        parts.add(side, f"{name}.")
        on = side.wheel.on
        parts.wheels.append((side, f"{name}.{on}" if on in side.bodies else _bare(on)))
    rest = replace(axle, bodies=())  # its bodies stand first already
    parts.add(rest, "")
    return _built(parts)


def _bare(body: str) -> str:
    return body.removeprefix(f"{AXLE}.")


def _built(parts: _Parts) -> Mechanism:
    index = {name: i for i, name in enumerate(parts.bodies)} | {CHASSIS: -1}
    supports = [s for _, s, _, _ in parts.supports]
    wheels = tuple(
        WheelOn(
            corner.name,
            index[on],
            np.array(corner.wheel.centre),
            spin_axis(corner.left, corner.wheel.toe_in, corner.wheel.camber),
            corner.wheel.loaded_radius,
        )
        for corner, on in parts.wheels
    )
    bare = Mechanism(
        name=parts.name,
        bodies=tuple(parts.bodies),
        supports=tuple(name for name, _, _, _ in parts.supports),
        kinds=tuple(s.kind for s in supports),
        outer_body=np.array([index[on] for _, _, on, _ in parts.supports]),
        inner_body=np.array([index[on] for _, _, _, on in parts.supports]),
        rack=np.array([[s.outer.rack, s.inner.rack, False] for s in supports]),
        points=np.array([[s.outer.point, s.inner.point, s.axis_point] for s in supports]),
        compliance=np.array([s.compliance for s in supports for _ in ROWS[s.kind]]),
        wheels=wheels,
        reference=np.mean([w.centre for w in wheels], axis=0),
        sections=tuple(_sections(parts.gauges, index)),
    )
    held = replace(bare, idle=idle_turns(bare))
    require_one_motion(held)
    return _with_members(held, [on for g, on in parts.gauges if not g.at_section], parts.own)


def _sections(gauges: Iterable[tuple[Gauge, str]], index: dict[str, int]) -> Iterable[Section]:
    """Cuts of the bodies that bend; `across` is squared up to `along`."""
    for gauge, on in gauges:
        if gauge.along is None or gauge.across is None:
            continue
        along = np.array(gauge.along) / np.linalg.norm(gauge.along)
        across = np.array(gauge.across) - along * np.dot(gauge.across, along)
        yield Section(
            f"{on}:{gauge.name}",
            index[on],
            np.array(gauge.station),
            along,
            across / np.linalg.norm(across),
            gauge.measures,
        )


def _with_members(mechanism: Mechanism, gauged: list[str], own: int) -> Mechanism:
    """Choose the independent loads on which a calibration stands.

    Gauged loads come first (of those that depend on each other the corner's own, next to the
    wheel), then two-force supports of a wheel's body, then the rest; within a class the one that
    adds most (pivoted QR).  They stand in the order of `row_names`; the first `own` supports are
    those of corners.
    """
    state = design_state(mechanism)
    hubs = hubs_of(mechanism, state[0], state[1], np.array([w.centre for w in mechanism.wheels]))
    owner, names = mechanism.owner, mechanism.row_names
    bodies = {w.body for w in mechanism.wheels}
    on_wheel = [
        kind in TWO_FORCE and bool(bodies & {int(o), int(i)})
        for kind, o, i in zip(
            mechanism.kinds, mechanism.outer_body, mechanism.inner_body, strict=True
        )
    ]
    n = len(owner)
    bridged = [r for r in range(n) if mechanism.supports[owner[r]] in gauged]
    second = [r for r in range(n) if on_wheel[owner[r]]]
    first = [r for r in bridged if r in second and owner[r] < own]
    bridged += list(range(n, len(names)))
    try:
        found = balance(mechanism, state, hubs)
    except VehicleError:  # a dead centre at design height: told where loads are asked for
        return replace(mechanism, members=tuple(second))
    loads = np.concatenate([found.known, section_loads(mechanism, state, found, hubs)])
    scale = np.tile([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM], len(bodies) or 1)
    loads = loads * np.resize(scale, loads.shape[1])
    loads[mechanism.moments] /= MOMENT_ARM
    members = _independent(loads, [first, bridged, second, list(range(len(names)))])
    return replace(mechanism, members=members, redundant=redundant_groups(mechanism))


def _independent(loads: Floats, classes: list[list[int]]) -> tuple[int, ...]:
    """Rows that are independent of each other, taken class by class."""
    chosen: list[int] = []
    basis = np.zeros((0, loads.shape[1]))
    for rows in classes:
        left = [r for r in rows if r not in chosen and np.all(np.isfinite(loads[r]))]
        while left and len(basis) < loads.shape[1]:
            rest = loads[left] - (loads[left] @ basis.T) @ basis
            size = np.linalg.norm(rest, axis=1)
            own = np.maximum(np.linalg.norm(loads[left], axis=1), INDEPENDENT)
            best = int(np.argmax(np.where(size > INDEPENDENT * own, size, 0.0)))
            if size[best] <= INDEPENDENT * own[best]:
                break
            basis = np.vstack([basis, rest[best] / size[best]])
            chosen.append(left.pop(best))
    return tuple(sorted(chosen))
