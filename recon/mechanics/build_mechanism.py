"""Turns a linkage into arrays and chooses the members that K describes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.car.linkage import Linkage
from recon.car.vehicle import CHASSIS, TWO_FORCE, Gauge
from recon.mechanics.balance import balance, redundant_groups
from recon.mechanics.freedom import idle_turns, require_one_motion
from recon.mechanics.section_loads import section_loads
from recon.mechanics.structure import ROWS, Mechanism, Section, WheelOn, design_state

INDEPENDENT = 1e-6  # share of a row's own size that must be left beside the rows before it
PLAIN = 0.01  # the same for loads that are preferred: points off by millimetres drown a lesser one


def load_arms(mechanism: Mechanism) -> Floats:
    """Lever arm (load row,) that turns each load of `row_names` into a force.

    1 for forces, `MOMENT_ARM` [m] for moments.
    """
    return np.where(mechanism.moments, MOMENT_ARM, 1.0)


def spin_axis(left: bool, toe_in: float, camber: float) -> Floats:
    """Spin axis (3,) [1] of a wheel at design height, a unit vector to the left.

    Toe-in and camber are in rad.  A positive rotation about x (ISO 8855, from memory) tips the top
    of the wheel to the right: negative camber on the left, positive camber on the right.
    """
    about_x, about_z = (-camber, -toe_in) if left else (camber, toe_in)
    tipped = np.array([0.0, np.cos(about_x), np.sin(about_x)])
    c, s = np.cos(about_z), np.sin(about_z)
    return np.array([c * tipped[0] - s * tipped[1], s * tipped[0] + c * tipped[1], tipped[2]])


def mechanism_of(linkage: Linkage) -> Mechanism:
    """Arrays of a linkage.

    Raises VehicleError: a body is loose at given travel and steer, or a wheel cannot travel.
    """
    index = {name: i for i, name in enumerate(linkage.bodies)} | {CHASSIS: -1}
    supports = linkage.supports
    wheels = tuple(
        WheelOn(
            corner.name,
            index[on],
            np.array(corner.wheel.centre),
            spin_axis(corner.left, corner.wheel.toe_in, corner.wheel.camber),
            corner.wheel.loaded_radius,
            1.0 / corner.final_drive if corner.final_drive else 0.0,
            corner.axle_mass / corner.unsprung_mass,
        )
        for corner, on in zip(linkage.corners, linkage.wheel_on, strict=True)
    )
    bare = Mechanism(
        title=linkage.title,
        bodies=linkage.bodies,
        supports=tuple(s.name for s in supports),
        kinds=tuple(s.kind for s in supports),
        outer_body=np.array([index[s.outer.on] for s in supports]),
        inner_body=np.array([index[s.inner.on] for s in supports]),
        rack=np.array([[s.outer.rack, s.inner.rack, False] for s in supports]),
        points=np.array([[s.outer.point, s.inner.point, s.axis_point] for s in supports]),
        compliance=np.array([s.compliance for s in supports for _ in ROWS[s.kind]]),
        wheels=wheels,
        reference=np.mean([w.centre for w in wheels], axis=0),
        sections=tuple(_sections(linkage.gauges, index)),
    )
    held = replace(bare, idle=idle_turns(bare))
    require_one_motion(held)
    return _with_members(held, [g.on for g in linkage.gauges if not g.at_section])


def _sections(gauges: Iterable[Gauge], index: dict[str, int]) -> Iterable[Section]:
    """Cuts through bodies that bend; `across` is made perpendicular to `along`."""
    for gauge in gauges:
        if gauge.along is None or gauge.across is None:
            continue
        along = np.array(gauge.along) / np.linalg.norm(gauge.along)
        across = np.array(gauge.across) - along * np.dot(gauge.across, along)
        yield Section(
            f"{gauge.on}:{gauge.name}",
            index[gauge.on],
            np.array(gauge.station),
            along,
            across / np.linalg.norm(across),
            gauge.measures,
        )


def _with_members(mechanism: Mechanism, gauged: list[str]) -> Mechanism:
    """Choose the loads that K describes.

    Every gauged load is one, even if gauged loads depend on each other.  Two-force supports of
    the wheels' bodies, then all other loads, are added until the members determine the wheels'
    wrenches; within each class the load that adds most comes first (pivoted QR).  Members keep
    the order of `row_names`.
    """
    state = design_state(mechanism)
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
        found = balance(mechanism, state)
    except VehicleError:  # a dead centre at design height, reported when loads are computed
        return replace(mechanism, members=tuple(second))
    loads = np.concatenate([found.known, section_loads(mechanism, state, found)])
    scale = np.tile([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM], len(bodies) or 1)
    loads = loads * np.resize(scale, loads.shape[1])
    loads = loads / load_arms(mechanism)[:, None]
    members = _filled(loads, bridged, preferred=second, others=list(range(len(names))))
    return replace(mechanism, members=members, redundant=redundant_groups(mechanism))


def _filled(
    loads: Floats, kept: list[int], *, preferred: list[int], others: list[int]
) -> tuple[int, ...]:
    """The rows `kept`, and those of the preferred and of the other rows that add to them.

    A preferred row must keep the share `PLAIN` of its size beside the rows before it, others
    the share `INDEPENDENT`.
    """
    chosen = [r for r in kept if np.all(np.isfinite(loads[r]))]
    basis = np.zeros((0, loads.shape[1]))
    if chosen:
        _, values, right = np.linalg.svd(loads[chosen], full_matrices=False)
        basis = right[values > PLAIN * values[0]]
    for rows, share in ((preferred, PLAIN), (others, INDEPENDENT)):
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
