"""Motion and loads of every shipped mechanism, against gradients taken here by complex steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.mechanics.balance import balance
from recon.mechanics.motion import Pose, pose
from recon.mechanics.rows import idle_rows, rows_of
from recon.mechanics.statics import load_matrix, member_matrix, road_columns, section_matrix
from recon.mechanics.structure import Mechanism
from tests.shipped_mechanisms import NAMES, SHIPPED, random_poses

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
N = 100
TINY = 1e-30  # a complex step: no difference is taken, so nothing is cut off or cancelled
SAME = 1e-9  # relative; poses are closed to 1e-12 m on arms of 0.01 m and more
every = pytest.mark.parametrize(("file", "corner"), SHIPPED, ids=NAMES)


def turned(axis: Floats, angle: complex) -> Complex:
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]], dtype=complex)
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


class Joints:
    """Gaps of all supports after small motions, written from points without the package's rows.

    A two-force support is a distance, a ball three coordinates, a pivot two points that stay
    together, a slider two points whose distances from a line count along two fixed directions,
    torsion a turn.  Bodies shift and turn about the reference point.
    """

    def __init__(self, at: Pose, k: int) -> None:
        self.m, self.k = at.mechanism, k
        self.rotation, self.shift = at.rotation[k], at.shift[k]
        self.rack = float(at.rack[k])
        self.points = self.m.points.copy()
        self.points[..., 1] += self.m.rack * self.rack

    def place(self, body: int, point: Floats, motion: Complex) -> Complex:
        if body < 0:
            return point.astype(complex)
        part, ref = motion[6 * body : 6 * body + 6], self.m.reference
        here = self.rotation[body] @ (point - ref) + self.shift[body]
        turn = np.eye(3, dtype=complex)
        for axis, angle in zip(np.eye(3), part[3:], strict=True):
            turn = turned(axis, angle) @ turn
        return turn @ here + ref + part[:3]

    def gaps(self, i: int, motion: Complex) -> Complex:
        kind, o, n = self.m.kinds[i], self.m.outer_body[i], self.m.inner_body[i]
        outer, inner, axis = self.points[i]
        a, b = self.place(o, outer, motion), self.place(n, inner, motion)
        if kind in ("link", "spring"):
            return np.array([np.sqrt(np.sum((b - a) ** 2))])
        if kind == "ball":
            return b - a
        c, d = self.place(o, axis, motion), self.place(n, axis, motion)
        span = (axis - inner) / np.linalg.norm(axis - inner)
        first = np.cross(span, np.eye(3)[np.argmin(np.abs(span))])
        turn = self.rotation[n] if n >= 0 else np.eye(3)
        span, first = turn @ span, turn @ first / np.linalg.norm(first)
        ways = [first, np.cross(span, first)]
        if kind == "pivot":
            return np.concatenate([b - a, [w @ (d - c) for w in ways]])
        if kind == "slider":  # distances of both points from the inner body's line b, d
            along = (d - b) / np.sqrt(np.sum((d - b) ** 2))
            off = [(b - p) - along * np.sum(along * (b - p)) for p in (a, c)]
            return np.array([w @ v for v in off for w in ways])
        # The difference of small turns along the axis, read off the motion itself.
        spins = [motion[6 * x + 3 : 6 * x + 6] if x >= 0 else np.zeros(3) for x in (o, n)]
        return np.array([span @ (spins[1] - spins[0])])

    def gradient(self) -> Floats:
        """Rows of all supports and of idle turns, (row, 6 * body): exact."""
        width = 6 * len(self.m.bodies)
        out = np.zeros((len(self.m.owner), width))
        for i, ends in enumerate(zip(self.m.outer_body, self.m.inner_body, strict=True)):
            for k in [6 * b + j for b in ends if b >= 0 for j in range(6)]:
                step = 1j * TINY * np.eye(width)[k]
                out[self.m.owner == i, k] = self.gaps(i, step).imag / TINY
        return np.vstack([out, idle_rows(self.m, self.rotation)])


def wrenches_on_bodies(at: Pose, k: int, wrench: Floats) -> Floats:
    """Wrenches about the hubs as work per small motion of the bodies."""
    out = np.zeros(6 * len(at.mechanism.bodies))
    for w, wheel in enumerate(at.mechanism.wheels):
        force, moment = wrench[6 * w : 6 * w + 3], wrench[6 * w + 3 : 6 * w + 6]
        b = 6 * wheel.body
        out[b : b + 3] += force
        lever = at.wheels[w].hub[k] - at.mechanism.reference
        out[b + 3 : b + 6] += moment + np.cross(lever, force)
    return out


def random_wrenches(mechanism: Mechanism) -> Floats:
    scale = np.tile([3e3, 3e3, 3e3, 200.0, 200.0, 200.0], len(mechanism.wheels))  # N and N m
    return np.random.default_rng(61).standard_normal((N, len(scale))) * scale


@every
def test_gaps_close_and_wheels_rise_as_wished(file: str, corner: str) -> None:
    at = random_poses(file, corner, N)
    rows = rows_of(at.mechanism, at)
    stiff = np.isnan(at.mechanism.compliance) | (at.mechanism.compliance == 0)
    # m; closed to 1e-12, sums of a few follow.  Bushes of a binding axle give way instead.
    assert_allclose(rows.gap[:, ~rows.free & stiff], 0.0, rtol=0, atol=1e-11)
    car_travel = at.hubs[..., 2] - [w.centre[2] for w in at.mechanism.wheels]
    rng = np.random.default_rng(60)
    wished = rng.uniform(-0.055, 0.055, car_travel.shape)  # the same numbers as the poses'
    if file != "club_racer":
        assert_allclose(car_travel, wished, rtol=0, atol=1e-11)  # m
    turn = at.rotation @ np.swapaxes(at.rotation, -1, -2)
    # Products of some ten rotation matrices, rounding of each.
    assert_allclose(turn, np.broadcast_to(np.eye(3), turn.shape), rtol=0, atol=1e-13)


@every
def test_loads_are_the_work_of_the_wheels_per_lengthening(file: str, corner: str) -> None:
    """100 poses and wrenches: with all other supports held, the wrench's work per elongation.

    Where supports outnumber motions: equilibrium, and elongations that fit together.
    """
    at = random_poses(file, corner, N)
    mechanism, matrix = at.mechanism, load_matrix(at)
    wrench = random_wrenches(mechanism)
    for k in range(N):
        gradient, work = Joints(at, k).gradient(), wrenches_on_bodies(at, k, wrench[k])
        loads = matrix[k] @ wrench[k]
        largest = np.max(np.abs(loads))
        n, width = len(loads), gradient.shape[1]
        assert_allclose(gradient[:n].T @ loads / largest, work / largest, rtol=0, atol=SAME)
        if len(gradient) == width:
            by_work = np.linalg.inv(gradient).T @ work
            assert_allclose(loads / largest, by_work[:n] / largest, rtol=0, atol=SAME)
            continue
        elongation = np.nan_to_num(mechanism.compliance) * loads
        fit, *_ = np.linalg.lstsq(gradient[:n], elongation, rcond=None)
        left = gradient[:n] @ fit - elongation
        assert np.max(np.abs(left)) < SAME * np.max(np.abs(elongation))
    # Twin: one support's end 10 mm off is seen.
    spoiled = Joints(at, 0)
    spoiled.points[0, :2] += [0.0, 0.0, 0.010]
    work, loads = wrenches_on_bodies(at, 0, wrench[0]), matrix[0] @ wrench[0]
    left = spoiled.gradient()[: len(loads)].T @ loads - work
    assert np.max(np.abs(left)) > 1e-4 * np.max(np.abs(loads))


@every
def test_rows_are_the_gradients_of_their_gaps(file: str, corner: str) -> None:
    at = random_poses(file, corner, 3)
    rows = rows_of(at.mechanism, at)
    for k in range(3):
        exact = Joints(at, k).gradient()[: rows.gap.shape[1]]
        # Bushes of a binding axle leave gaps of 1 mm, whose pivots may be off by as much.
        assert_allclose(rows.gradient[k], exact, rtol=0, atol=2e-3 if _binds(at) else 1e-9)


def _binds(at: Pose) -> bool:
    return bool(np.nanmax(np.nan_to_num(at.mechanism.compliance[~at.mechanism.free])) > 0)


@every
def test_gauges_of_the_file_tell_all_six_forces(file: str, corner: str) -> None:
    """Rank with moments on an arm of 0.1 m; solid_axle cannot tell left from right and says so."""
    at = random_poses(file, corner, 5)
    wheels = len(at.mechanism.wheels)
    scale = np.tile([1, 1, 1, 0.1, 0.1, 0.1], wheels)
    loads = member_matrix(at) @ road_columns(at, hub_passes_spin=True) * scale
    ranks = np.linalg.matrix_rank(loads, tol=1e-4)
    assert set(ranks.tolist()) == {6 if file == "solid_axle" else 6 * wheels}
    # Gauged loads that depend on each other are members too.
    assert len(at.mechanism.member_names) == len(at.mechanism.members) >= ranks[0]


@pytest.mark.parametrize(
    ("file", "corner", "states"), [("anti_roll_bar", "FL", 1), ("strut", "RL", 2)]
)
def test_states_of_self_stress_need_no_wrench(file: str, corner: str, states: int) -> None:
    at = random_poses(file, corner, 20)
    stress = balance(at.mechanism, at).stress
    rows = rows_of(at.mechanism, at)
    assert stress.shape[-1] == states
    left = np.swapaxes(rows.gradient, -1, -2) @ stress
    assert_allclose(left, 0.0, rtol=0, atol=1e-9 * np.max(np.abs(stress)))  # rounding


def test_bar_without_a_rate_is_named_and_not_guessed() -> None:
    at = random_poses("anti_roll_bar", "FL", 4)
    mechanism = at.mechanism
    bar = mechanism.supports.index("bar_twist")
    soft = np.where(mechanism.owner == bar, np.nan, mechanism.compliance)
    unknown = replace(mechanism, compliance=soft)
    travel = at.hubs[..., 2] - [w.centre[2] for w in mechanism.wheels]
    matrix = load_matrix(pose(unknown, travel, at.rack))
    hidden = np.isnan(matrix).any(axis=(0, 2))
    names = np.array(mechanism.row_names)[: len(hidden)]
    assert {"bar_twist", "FL.coil_over", "FR.coil_over", "drop_link_left"} <= set(names[hidden])
    assert not np.any(np.isnan(load_matrix(at)))


def test_a_cut_beside_the_wheel_carries_what_the_wheel_does() -> None:
    """By hand: force on the lever from station to hub, for the arm without joints outboard."""
    at = random_poses("wishbone_spring_on_arm", "RL", 10)
    cuts, names = section_matrix(at), [s.name for s in at.mechanism.sections]
    for section, cut in zip(at.mechanism.sections, np.moveaxis(cuts, 1, 0), strict=True):
        turn = at.rotation[:, section.body]
        along, across = turn @ section.along, turn @ section.across
        station = turn @ (section.station - at.mechanism.reference) + at.mechanism.reference
        lever = at.wheels[0].hub - station - at.shift[:, section.body]
        force = np.array([1200.0, -2500.0, 3800.0])
        moment = np.cross(lever, force)
        expected = {
            "axial": along @ force,
            "torsion": np.sum(along * moment, axis=1),
            # An upward force at the wheel stretches the lower face: the upper one is the other.
            "bending": -np.sum(np.cross(along, across) * moment, axis=1),
        }[section.measures]
        found = cut[:, :3] @ force
        assert_allclose(found, expected, rtol=0, atol=1e-9 * 3800)  # rounding
    upper = names.index("arm:RL_arm_upright_near")
    assert np.all(cuts[:, upper, 2] < 0)  # the sign in words: upward load, upper face pressed
