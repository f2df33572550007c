"""From corner and axle to a mechanism: which bodies, supports, wheels and loads it has."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import VehicleError, nearest
from recon.base.quantities import MOMENT_ARM
from recon.car.vehicle import AXLE, CHASSIS, TWO_FORCE, Corner
from recon.mechanics.balance import balance, redundant_groups, section_loads
from recon.mechanics.freedom import idle_turns, require_one_motion
from recon.mechanics.structure import (
    ROWS,
    Mechanism,
    Rows,
    Section,
    WheelOn,
    design_state,
    hubs_of,
    rows_of,
)

if TYPE_CHECKING:
    from recon.car.vehicle import Axle, Gauge, Support, Vehicle

__all__ = [
    "Assembly",
    "Mechanism",
    "Rows",
    "asked_corner",
    "asked_corners",
    "assemblies_of",
    "assembly_name",
    "assembly_of",
    "described_corner",
    "gauged_loads",
    "load_arms",
    "mechanism_of",
    "rows_of",
    "spin_axis",
]

INDEPENDENT = 1e-6  # share of a row's own size that must be left beside the rows before it
PLAIN = 0.01  # the same for loads that are preferred: points off by millimetres drown a lesser one


def load_arms(mechanism: Mechanism) -> Floats:
    """Lever by which each load of `row_names` counts as a force: 1, of moments `MOMENT_ARM` [m]."""
    return np.where(mechanism.moments, MOMENT_ARM, 1.0)


def spin_axis(left: bool, toe_in: float, camber: float) -> Floats:
    """Spin axis at design height, pointing left, from toe-in and camber.

    ISO 8855: a positive rotation about x tips the wheel's top to the right, which is
    negative camber on the left and positive camber on the right.
    """
    about_x, about_z = (-camber, -toe_in) if left else (camber, toe_in)
    tipped = np.array([0.0, np.cos(about_x), np.sin(about_x)])
    c, s = np.cos(about_z), np.sin(about_z)
    return np.array([c * tipped[0] - s * tipped[1], s * tipped[0] + c * tipped[1], tipped[2]])


@dataclass(frozen=True, slots=True)
class Assembly:
    """What is calibrated and solved as one: a corner that stands alone, or a tied axle.

    `name` is the corner's, `FL`, or the axle's, `rear`; `corners` one or two, left first.
    `gauges` are those of all its parts, each with the name of the load that it measures in
    `mechanism`; `supports` stand as in the mechanism, under their names there.
    """

    name: str
    corners: tuple[Corner, ...]
    gauges: tuple[Gauge, ...]
    gauged: tuple[str, ...]
    supports: tuple[Support, ...]
    mechanism: Mechanism

    @property
    def members(self) -> tuple[str, ...]:
        """Names of the loads that K is about."""
        return self.mechanism.member_names

    @property
    def steered(self) -> bool:
        """True where a support moves with the rack."""
        return bool(np.any(self.mechanism.rack))

    @property
    def arms(self) -> Floats:
        """Arm (member,) that makes each member's load a force: 1, or `MOMENT_ARM` of moments."""
        return load_arms(self.mechanism)[list(self.mechanism.members)]

    def wheel(self, corner: str) -> int:
        """Position of the corner's wheel."""
        return [c.name for c in self.corners].index(corner)


def assembly_of(car: Vehicle, corner: str) -> Assembly:
    """The unit that `corner` belongs to.

    Raises
    ------
    VehicleError
        As `assembly_of`.
    """
    axle, parts = car.axle_of(corner), _parts_of(car, corner)
    return Assembly(
        name=corner if axle is None else axle.name,
        corners=tuple(c for c, _ in parts.wheels),
        gauges=tuple(g for g, _ in parts.gauges),
        gauged=_loads_of(parts),
        supports=tuple(replace(s, name=name) for name, s, _, _ in parts.supports),
        mechanism=_built(parts),
    )


def gauged_loads(car: Vehicle, corner: str) -> tuple[tuple[str, str], ...]:
    """Name of every gauge of the unit that `corner` belongs to, and of the load it measures."""
    parts = _parts_of(car, corner)
    return tuple((g.name, on) for (g, _), on in zip(parts.gauges, _loads_of(parts), strict=True))


def assemblies_of(car: Vehicle) -> dict[str, Assembly]:
    """Every unit of the car by name, in the order of the corners."""
    found = (assembly_of(car, corner) for corner in car.corners)
    return {assembly.name: assembly for assembly in found}


def described_corner(car: Vehicle, corner: str) -> Corner:
    """The corner of that name.

    Raises
    ------
    VehicleError
        The car has no such corner; the nearest is offered.
    """
    if corner not in car.corners:
        raise _no_corner(car, corner, tuple(car.corners))
    return car.corners[corner]


def asked_corner(car: Vehicle, name: str) -> str:
    """The corner to ask for under the name of a corner, or of an axle that ties two ('rear').

    Of an axle it is the left one, which stands for both.

    Raises
    ------
    VehicleError
        The car has no such corner or tied axle; the nearest is offered.
    """
    if name in car.axles:
        return car.axles[name].corners[0]
    if name not in car.corners:
        raise _no_corner(car, name, (*car.corners, *car.axles))
    return name


def _no_corner(car: Vehicle, name: str, legal: tuple[str, ...]) -> VehicleError:
    tied = ", or an axle that ties two," if set(legal) > set(car.corners) else ""
    return VehicleError(
        where=car.path or car.name,
        found=f"no corner '{name}'",
        needed=nearest(name, legal),
        do=f"Name a corner{tied} of the vehicle file.",
    )


def assembly_name(car: Vehicle, corner: str) -> str:
    """'corner FL', or 'axle rear' where one ties the corner to its partner."""
    axle = car.axle_of(corner)
    return f"corner {corner}" if axle is None else f"axle {axle.name}"


def asked_corners(car: Vehicle) -> dict[str, str]:
    """Every corner that stands alone and every axle, with the (left) corner to ask for."""
    found: dict[str, str] = {}
    for name in car.corners:
        axle = car.axle_of(name)
        found.setdefault(name if axle is None else axle.name, name)
    return found


@dataclass(slots=True)
class _Parts:
    """Bodies and supports of one mechanism under their names in it."""

    name: str
    bodies: list[str] = field(default_factory=list)
    supports: list[tuple[str, Support, str, str]] = field(default_factory=list)
    gauges: list[tuple[Gauge, str]] = field(default_factory=list)  # with what it sits on
    wheels: list[tuple[Corner, str]] = field(default_factory=list)

    def add(self, part: Corner | Axle, before: str) -> None:
        """Take in a corner or an axle whose own names get `before` in front."""

        def named(body: str) -> str:
            if body == CHASSIS or body in self.bodies:
                return body
            return body.removeprefix(f"{AXLE}.") if body not in part.bodies else before + body

        self.bodies += [before + body for body in part.bodies]
        for s in part.supports:
            self.supports.append((before + s.name, s, named(s.outer.on), named(s.inner.on)))
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
            do="Ask for both together, with `assembly_of` or `assembly_of`.",
        )
    return _built(_lone(corner))


def _parts_of(car: Vehicle, corner: str) -> _Parts:
    axle = car.axle_of(corner)
    return _lone(car.corners[corner]) if axle is None else _tied(car, axle)


def _loads_of(parts: _Parts) -> tuple[str, ...]:
    return tuple(f"{on}:{g.name}" if g.at_section else on for g, on in parts.gauges)


def _lone(corner: Corner) -> _Parts:
    parts = _Parts(corner.name)
    parts.add(corner, "")
    parts.wheels.append((corner, corner.wheel.on))
    return parts


def _tied(car: Vehicle, axle: Axle) -> _Parts:
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
    return parts


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
    return _with_members(held, [on for g, on in parts.gauges if not g.at_section])


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


def _with_members(mechanism: Mechanism, gauged: list[str]) -> Mechanism:
    """Choose the loads on which a calibration stands.

    Every gauged load is one, also where gauged loads depend on each other.  Two-force supports of
    a wheel's body and then the rest fill up what is missing to the wheels' wrenches; within a
    class the one that adds most (pivoted QR).  They stand in the order of `row_names`.
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
    axial = [kind in (*TWO_FORCE, "torsion") for kind in mechanism.kinds]
    bridged = [r for r in range(n) if axial[owner[r]] and mechanism.supports[owner[r]] in gauged]
    second = [r for r in range(n) if on_wheel[owner[r]]]
    bridged += list(range(n, len(names)))
    try:
        found = balance(mechanism, state, hubs)
    except VehicleError:  # a dead centre at design height: told where loads are asked for
        return replace(mechanism, members=tuple(second))
    loads = np.concatenate([found.known, section_loads(mechanism, state, found, hubs)])
    scale = np.tile([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM], len(bodies) or 1)
    loads = loads * np.resize(scale, loads.shape[1])
    loads = loads / load_arms(mechanism)[:, None]
    members = _filled(loads, bridged, [(second, PLAIN), (list(range(len(names))), INDEPENDENT)])
    return replace(mechanism, members=members, redundant=redundant_groups(mechanism))


def _filled(
    loads: Floats, kept: list[int], classes: list[tuple[list[int], float]]
) -> tuple[int, ...]:
    """The rows `kept`, and class by class those that are independent of what is there.

    With each class stands the share of its own size that a row must have beside the others.
    """
    chosen = [r for r in kept if np.all(np.isfinite(loads[r]))]
    basis = np.zeros((0, loads.shape[1]))
    if chosen:
        _, values, right = np.linalg.svd(loads[chosen], full_matrices=False)
        basis = right[values > PLAIN * values[0]]
    for rows, share in classes:
        left = [r for r in rows if r not in chosen and np.all(np.isfinite(loads[r]))]
        while left and len(basis) < loads.shape[1]:
            rest = loads[left] - (loads[left] @ basis.T) @ basis
            size = np.linalg.norm(rest, axis=1)
            own = np.maximum(np.linalg.norm(loads[left], axis=1), INDEPENDENT)
            best = int(np.argmax(np.where(size > share * own, size, 0.0)))
            if size[best] <= share * own[best]:
                break
            basis = np.vstack([basis, rest[best] / size[best]])
            chosen.append(left.pop(best))
    return tuple(sorted(chosen))
