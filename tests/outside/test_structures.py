"""Link loads against a general structural engine (direct stiffness, linear analysis).

Upright and rocker are stars of stiff members, links and spring are pinned members between them
and the chassis.  The corner is statically determinate, so stiffness decides nothing: the last
tests show it, and that a misplaced point would be seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.car.linkage import lone
from recon.car.vehicle import Corner, Vehicle
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import Pose, pose
from recon.mechanics.rows import rows_of
from recon.mechanics.statics import load_matrix, road_columns

Pynite = pytest.importorskip("Pynite", reason="install the extra 'outside'")

Floats = NDArray[np.float64]
POSES, LOADS_PER_POSE = 20, 3
SHARE = 1e-8  # of the largest load: 1e-16 times a condition of about 1e7, and margin
LINK_AREA = 1e-4  # m2, a tube of 20 x 2 mm
AXES = "XYZ"
HELD = (True, True, True)


@dataclass(frozen=True, slots=True)
class Frame:
    """Points of one corner at one pose: those on bodies by body, and both ends of each member."""

    corner: Corner
    hub: Floats
    contact: Floats
    outer: Floats
    inner: Floats
    axis: Floats


def frame_of(corner: Corner, at: Pose, k: int) -> Frame:
    """Places of the points at pose `k`, moved as rigid bodies; chassis points with the rack."""
    reference = np.array(corner.wheel.centre)
    index = {name: i for i, name in enumerate(corner.bodies)}

    def place(on: str, point: tuple, rack: bool) -> Floats:
        if on in index:
            b = index[on]
            return at.rotation[k, b] @ (np.array(point) - reference) + reference + at.shift[k, b]
        return np.array(point) + np.array([0.0, at.rack[k] if rack else 0.0, 0.0])

    ends = [
        [
            place(s.outer.on, s.outer.point, s.outer.rack),
            place(s.inner.on, s.inner.point, s.inner.rack),
            place(s.outer.on, s.axis_point, False),
        ]
        for s in corner.supports
    ]
    outer, inner, axis = np.array(ends).transpose(1, 0, 2)
    return Frame(corner, at.wheels[0].hub[k], at.wheels[0].contact[k], outer, inner, axis)


def structure_of(frame: Frame, stiffness: float) -> Any:
    """The model; `stiffness` scales that of links and spring.

    Points of a body that coincide (two links on one ball joint) are one node.
    """
    model = Pynite.FEModel3D()
    model.add_material("steel", 2e11, 8e10, 0.25, 0.0)
    model.add_section("link", stiffness * LINK_AREA, 1e-8, 1e-8, 2e-8)
    model.add_section("frame", 1e-2, 1e-4, 1e-4, 2e-4)
    names: dict[tuple, str] = {}
    roots: dict[str, str] = {}

    def node(on: str, point: Floats) -> str:
        """Name of the node there; its body's first node holds it by a stiff member."""
        key = (on, *np.round(point, 9))
        if key not in names:
            names[key] = f"{on} {len(names)}"
            model.add_node(names[key], *point)
            root = roots.setdefault(on, names[key])
            if on != "chassis" and root != names[key]:
                model.add_member(f"to {names[key]}", root, names[key], "steel", "frame")
        return names[key]

    node("upright", frame.hub)
    for i, s in enumerate(frame.corner.supports):
        outer = node(s.outer.on, frame.outer[i])
        if s.kind == "pivot":
            model.def_support(outer, *HELD)
            model.def_support(node(s.outer.on, frame.axis[i]), *HELD)
            continue
        inner = node(s.inner.on, frame.inner[i])
        if s.inner.on == "chassis":
            model.def_support(inner, *HELD, *HELD)
        model.add_member(s.name, outer, inner, "steel", "link")
        model.def_releases(s.name, Rxi=True, Ryi=True, Rzi=True, Ryj=True, Rzj=True)
    model.add_node("contact", *frame.contact)
    model.add_member("to contact", roots["upright"], "contact", "steel", "frame")
    return model


def tensions_of(frame: Frame, wrenches: Floats, *, stiffness: float = 1.0) -> Floats:
    """Tension of each two-force support under forces and moments at the contact, (load, support).

    The engine counts axial force positive in compression.
    """
    model = structure_of(frame, stiffness)
    for n, wrench in enumerate(wrenches):
        for kind, part in (("F", wrench[:3]), ("M", wrench[3:])):
            for axis, value in zip(AXES, part, strict=True):
                model.add_node_load("contact", kind + axis, float(value), f"load {n}")
        model.add_load_combo(f"combo {n}", {f"load {n}": 1.0})
    model.analyze_linear(check_stability=False)
    names = [s.name for s in frame.corner.supports if s.kind != "pivot"]
    return np.array(
        [[-model.members[m].f(f"combo {n}")[0, 0] for m in names] for n in range(len(wrenches))]
    )


def our_tensions(corner: Corner, at: Pose, wrenches: Floats) -> Floats:
    """The same loads by the package, (pose, load, support)."""
    mechanism = mechanism_of(lone(corner))
    rows = rows_of(mechanism, at)
    pivots = [i for i, kind in enumerate(mechanism.kinds) if kind == "pivot"]
    matrix = load_matrix(at)[:, ~np.isin(rows.support, pivots), :]
    (wheel,) = at.wheels
    arm = np.broadcast_to((wheel.contact - wheel.hub)[:, None], wrenches[..., :3].shape)
    force = wrenches[..., :3]
    moment = wrenches[..., 3:] + np.cross(arm, force)
    return np.einsum("psw,plw->pls", matrix, np.concatenate([force, moment], axis=-1))


def random_poses(car: Vehicle, corner: Corner, rng: np.random.Generator) -> Pose:
    travel = rng.uniform(*corner.travel_range, POSES)
    rack = rng.uniform(*car.steering.rack_range, POSES) if corner.steered else np.zeros(POSES)
    return pose(mechanism_of(lone(corner)), travel[:, None], rack)


def random_wrenches(rng: np.random.Generator) -> Floats:
    scale = np.array([3e3, 3e3, 3e3, 200.0, 200.0, 200.0])  # N and N m, as on a road
    return scale * rng.standard_normal((POSES, LOADS_PER_POSE, 6))


@pytest.mark.source("P1: direct-stiffness engine")
def test_loads_agree_with_a_structural_engine(any_corner: tuple[Vehicle, Corner]) -> None:
    car, corner = any_corner
    rng = np.random.default_rng(20)
    at, wrenches = random_poses(car, corner, rng), random_wrenches(rng)
    ours = our_tensions(corner, at, wrenches)
    theirs = np.array([tensions_of(frame_of(corner, at, k), wrenches[k]) for k in range(POSES)])
    assert np.ptp(ours) > 1e4  # N: the loads are those of a car, not zeros that agree
    assert_allclose(ours, theirs, rtol=0, atol=SHARE * np.max(np.abs(theirs)))


@pytest.mark.source("P1: stiffness decides nothing")
def test_a_determinate_corner_does_not_feel_stiffness(club_racer: Vehicle) -> None:
    corner, rng = club_racer.corners["FL"], np.random.default_rng(21)
    at, wrenches = random_poses(club_racer, corner, rng), random_wrenches(rng)
    frame = frame_of(corner, at, 0)
    hard = tensions_of(frame, wrenches[0])
    soft = tensions_of(frame, wrenches[0], stiffness=0.1)
    assert_allclose(soft, hard, rtol=0, atol=SHARE * np.max(np.abs(hard)))


@pytest.mark.source("P1: twins, spoiled input")
def test_a_spoiled_structure_is_seen(club_racer: Vehicle, far_apart: Callable[..., bool]) -> None:
    corner, rng = club_racer.corners["FL"], np.random.default_rng(22)
    at, wrenches = random_poses(club_racer, corner, rng), random_wrenches(rng)
    ours = our_tensions(corner, at, wrenches)[0]
    frame = frame_of(corner, at, 0)
    tie = corner.support_index("tie_rod")
    moved = frame.inner.copy()
    moved[tie, 2] += 0.010  # m
    assert far_apart(tensions_of(replace(frame, inner=moved), wrenches[0]), ours, share=1e-3)
    other_side = wrenches[0] * [1, -1, 1, 1, 1, 1]
    assert far_apart(tensions_of(frame, other_side), ours, share=0.1)
    # A wheel that rolls freely keeps the moment about its axis; a stiff frame does not.
    rolling = load_matrix(at)[0] @ road_columns(at, hub_passes_spin=False)[0][:, 0] * 3000.0
    forward = np.array([[3000.0, 0, 0, 0, 0, 0]])
    assert far_apart(tensions_of(frame, forward)[0, :6], rolling[:6], share=0.1)
