"""Equilibrium of a corner: against virtual work, free bodies, symmetry, and dead centres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from recon.base.errors import VehicleError
from recon.car.linkage import lone
from recon.car.vehicle import Corner, Vehicle
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import Pose, pose
from recon.mechanics.rows import rows_of
from recon.mechanics.statics import load_matrix, member_matrix, road_columns, strip_spin
from recon.mechanics.structure import Mechanism
from recon.report.car.car_summary import car_summary
from tests.shipped_mechanisms import shipped

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
N = 200
FLIP = np.array([1.0, -1.0, 1.0])
# A mirror image keeps forces' x and z and moments' y.
FLIP_WRENCH = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
TINY = 1e-30  # a complex step: no difference is taken, so nothing is cut off or cancelled
SAME = 1e-9  # relative; poses are closed to 1e-12 m on arms of 0.01 m and more


def random_poses(car: Vehicle, corner: Corner) -> Pose:
    rng = np.random.default_rng(40)
    travel = rng.uniform(*corner.travel_range, N)
    rack = rng.uniform(*car.steering.rack_range, N) if corner.steered else np.zeros(N)
    return pose(mechanism_of(lone(corner)), travel[:, None], rack)


def turn_about(axis: Floats, angle: complex) -> Complex:
    """Rotation matrices (..., 3, 3) about unit axes (..., 3), Rodrigues with a complex angle."""
    x, y, z = np.moveaxis(axis, -1, 0)
    o = np.zeros_like(x)
    cross = np.stack([o, -z, y, z, o, -x, -y, x, o], axis=-1).reshape(*axis.shape[:-1], 3, 3)
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


class Closure:
    """Lengths of the two-force supports after small motions of upright (6) and rocker (1).

    Written from the vehicle's points without the package's rows: the upright shifts and turns
    about the contact, the rocker turns about its pivot, and a length is the distance of two ends.
    """

    def __init__(self, corner: Corner, at: Pose) -> None:
        self.corner, self.at = corner, at
        self.supports = [s for s in corner.supports if s.kind != "pivot"]
        pivot = [s for s in corner.supports if s.kind == "pivot"]
        self.freedoms = 6 + len(pivot)
        if pivot:
            self.pivot = np.array(pivot[0].inner.point)
            axis = np.array(pivot[0].axis_point) - self.pivot
            self.axis = axis / np.linalg.norm(axis)

    def place(self, on: str, point: tuple, rack: bool, motion: Complex) -> Complex:
        if on not in self.corner.bodies:
            shift = np.outer(self.at.rack if rack else 0.0 * self.at.rack, [0.0, 1.0, 0.0])
            return np.array(point) + shift.astype(complex)
        body, reference = self.corner.bodies.index(on), self.at.mechanism.reference
        turned = self.at.rotation[:, body] @ (np.array(point) - reference)
        here = turned + reference + self.at.shift[:, body]
        if on != self.corner.wheel.on:
            return (here - self.pivot) @ turn_about(self.axis, motion[6]).T + self.pivot
        turn = np.eye(3, dtype=complex)
        for axis, angle in zip(np.eye(3), motion[3:6], strict=True):
            turn = turn_about(axis, angle) @ turn
        return (here - self.at.wheels[0].contact) @ turn.T + self.at.wheels[0].contact + motion[:3]

    def lengths(self, motion: Complex) -> Complex:
        """(pose, support); complex-safe, no absolute values."""
        spans = [
            self.place(s.outer.on, s.outer.point, s.outer.rack, motion)
            - self.place(s.inner.on, s.inner.point, s.inner.rack, motion)
            for s in self.supports
        ]
        return np.stack([np.sqrt(np.sum(v * v, axis=1)) for v in spans], axis=1)

    def gradient(self) -> Floats:
        """Lengthening per motion, (pose, support, freedom), by complex steps: exact."""
        steps = 1j * TINY * np.eye(self.freedoms)
        return np.stack([self.lengths(s).imag / TINY for s in steps], axis=2)

    def displacement(self) -> Floats:
        """Motion of the contact per lengthening of one support with all others held.

        (pose, motion, support): by the implicit function theorem on the closed lengths.
        """
        return np.linalg.inv(self.gradient())[:, :6, :]


def loads_at_contact(corner: Corner, at: Pose) -> Floats:
    """Loads of the two-force supports per force and moment at the contact, (pose, support, 6)."""
    rows = rows_of(at.mechanism, at)
    pivots = [i for i, s in enumerate(corner.supports) if s.kind == "pivot"]
    matrix = load_matrix(at)[:, ~np.isin(rows.support, pivots), :]
    force = np.broadcast_to(np.eye(6)[:, :3], (*at.wheels[0].hub.shape[:-1], 6, 3))
    moment = np.broadcast_to(np.eye(6)[:, 3:], force.shape)
    arm = np.broadcast_to((at.wheels[0].contact - at.wheels[0].hub)[..., None, :], force.shape)
    wrench = np.concatenate([force, moment + np.cross(arm, force)], axis=-1)
    return matrix @ np.swapaxes(wrench, -1, -2)


def test_virtual_work_gives_the_loads_of_equilibrium(any_corner: tuple[Vehicle, Corner]) -> None:
    """200 poses and wrenches: a support's load is the wrench's work per its lengthening."""
    car, corner = any_corner
    at = random_poses(car, corner)
    rng = np.random.default_rng(41)
    wrench = rng.standard_normal((N, 6)) * [3e3, 3e3, 3e3, 200, 200, 200]  # N and N m
    by_work = np.einsum("nms,nm->ns", Closure(corner, at).displacement(), wrench)
    by_balance = np.einsum("nsm,nm->ns", loads_at_contact(corner, at), wrench)
    largest = np.max(np.abs(by_work), axis=1, keepdims=True)
    assert_allclose(by_balance / largest, by_work / largest, rtol=0, atol=SAME)
    # Twin: a rotation centre 10 mm off the contact is seen.
    wheel = replace(at.wheels[0], contact=at.wheels[0].contact + np.array([0.01, 0.0, 0.0]))
    off = replace(at, wheels=(wheel,))
    spoiled = np.einsum("nms,nm->ns", Closure(corner, off).displacement(), wrench)
    assert np.max(np.abs(by_balance - spoiled) / largest) > 1e-3


def test_every_body_is_in_balance(any_corner: tuple[Vehicle, Corner]) -> None:
    """Free bodies: forces of the supports, as vectors at their ends, add up to nothing."""
    car, corner = any_corner
    at = random_poses(car, corner)
    mechanism = at.mechanism
    rows = rows_of(mechanism, at)
    wrench = np.array([1500.0, -3000.0, 4000.0, 50.0, 300.0, -80.0])  # N and N m, about the hub
    loads = load_matrix(at) @ wrench
    closure = Closure(corner, at)
    still = np.zeros(7, dtype=complex)
    pull = {body: np.zeros((N, 3)) for body in corner.bodies}
    moment = {body: np.zeros((N, 3)) for body in corner.bodies}
    for s in closure.supports:
        t = loads[:, rows.support == corner.support_index(s.name)]
        outer = closure.place(s.outer.on, s.outer.point, s.outer.rack, still).real
        inner = closure.place(s.inner.on, s.inner.point, s.inner.rack, still).real
        toward = (inner - outer) / np.linalg.norm(inner - outer, axis=1, keepdims=True)
        for on, point, force in ((s.outer.on, outer, t * toward), (s.inner.on, inner, -t * toward)):
            if on in pull:
                pull[on] += force
                moment[on] += np.cross(point, force)
    left_force = pull["upright"] + wrench[:3]
    left_moment = moment["upright"] + np.cross(at.wheels[0].hub, wrench[:3]) + wrench[3:]
    assert_allclose(left_force, 0.0, rtol=0, atol=SAME * 4000)
    assert_allclose(left_moment, 0.0, rtol=0, atol=SAME * 4000)  # arms below 1 m
    if "rocker" in pull:  # its pivot gives any force, but no moment about the axis
        about = moment["rocker"] - np.cross(closure.pivot, pull["rocker"])
        assert_allclose(about @ closure.axis, 0.0, rtol=0, atol=SAME * 4000)


def test_no_wrench_no_load(any_corner: tuple[Vehicle, Corner]) -> None:
    car, corner = any_corner
    matrix = load_matrix(random_poses(car, corner))
    assert np.all(matrix @ np.zeros(6) == 0.0)
    assert np.all(np.isfinite(matrix))


def mirror_of(mechanism: Mechanism) -> Mechanism:
    wheels = tuple(
        replace(w, centre=w.centre * FLIP, spin=-w.spin * FLIP) for w in mechanism.wheels
    )
    points = mechanism.points * FLIP
    return replace(mechanism, points=points, wheels=wheels, reference=mechanism.reference * FLIP)


def test_left_and_right_carry_mirrored_loads(any_corner: tuple[Vehicle, Corner]) -> None:
    car, corner = any_corner
    here = random_poses(car, corner)
    travel = here.hubs[..., 2] - corner.wheel.centre[2]
    there = pose(mirror_of(here.mechanism), travel, -here.rack)
    ours, theirs = member_matrix(here), member_matrix(there)
    assert_allclose(theirs, ours * FLIP_WRENCH, rtol=0, atol=SAME * np.max(np.abs(ours)))
    assert np.max(np.abs(theirs - ours)) > 0.1 * np.max(np.abs(ours))  # twin: no mirroring


def test_turned_car_and_turned_wrench_give_the_same_loads(
    any_corner: tuple[Vehicle, Corner],
) -> None:
    _, corner = any_corner
    mechanism = mechanism_of(lone(corner))
    turn = Rotation.from_euler("z", -1.1).as_matrix()
    wheels = tuple(replace(w, centre=turn @ w.centre, spin=turn @ w.spin) for w in mechanism.wheels)
    points, reference = mechanism.points @ turn.T, turn @ mechanism.reference
    away = replace(mechanism, points=points, wheels=wheels, reference=reference)
    travel = np.linspace(*corner.travel_range, 11)[:, None]
    here, there = pose(mechanism, travel), pose(away, travel)
    both = np.kron(np.eye(2), turn)
    ours = member_matrix(here)
    assert_allclose(member_matrix(there) @ both, ours, rtol=0, atol=SAME * np.max(np.abs(ours)))
    for spins in (True, False):
        columns = road_columns(there, hub_passes_spin=spins)
        expected = both @ road_columns(here, hub_passes_spin=spins)
        # Forces turn as vectors do; T stays along the spin axis.  Pose closed to 1e-11 m.
        assert_allclose(columns[..., :3] @ turn, expected[..., :3], rtol=0, atol=1e-9)
        assert_allclose(columns[..., 4], expected[..., 4], rtol=0, atol=1e-9)


def test_road_columns_of_a_free_and_a_held_wheel(any_corner: tuple[Vehicle, Corner]) -> None:
    car, corner = any_corner
    at = random_poses(car, corner)
    (wheel,) = at.wheels
    held = road_columns(at, hub_passes_spin=True)
    rolling = road_columns(at, hub_passes_spin=False)
    road = [0, 1, 2, 3, 5]
    # The hub passes nothing of the road's moment about the spin axis to a rolling wheel.
    about = np.einsum("ni,nij->nj", wheel.spin, rolling[:, 3:, :])
    assert_allclose(about[:, road], 0.0, rtol=0, atol=1e-14)  # rounding
    assert_allclose(about[:, 4], 1.0, rtol=1e-14)  # the hub's own moment: rounding
    difference = held - rolling
    assert_allclose(difference[:, :3], 0.0, rtol=0, atol=0)  # forces pass either way
    along = np.einsum("ni,nij->nj", wheel.spin, difference[:, 3:, :])
    assert_allclose(
        difference[:, 3:, :], wheel.spin[:, :, None] * along[:, None, :], rtol=0, atol=1e-14
    )
    expected = np.cross(wheel.contact - wheel.hub, [1.0, 0.0, 0.0])
    assert_allclose(held[:, 3:, 0], expected, rtol=0, atol=1e-15)  # rounding
    assert np.min(np.abs(along[:, 0])) > 0.5 * corner.wheel.loaded_radius  # twin: it matters


def test_strip_spin_takes_out_one_direction_only() -> None:
    spin = np.array([0.0, 0.6, 0.8])
    moment = np.array([[1.0, 0.0], [0.6, -0.8], [0.8, 0.6]])
    stripped = strip_spin(moment, spin)
    assert_allclose(stripped, [[1.0, 0.0], [0.0, -0.8], [0.0, 0.6]], rtol=0, atol=1e-15)  # rounding
    assert_allclose(strip_spin(stripped, spin), stripped, rtol=0, atol=1e-15)  # once is enough


def test_dead_centre_is_refused_with_corner_and_condition(
    links_corner: Callable[..., Corner],
) -> None:
    """A coil-over that lies across the wheel's path holds nothing up."""
    lines = {
        "upper front": ((0.0, 0.6, 0.5), (0.1, 0.3, 0.5)),
        "upper rear": ((0.0, 0.6, 0.5), (-0.1, 0.3, 0.5)),
        "lower front": ((0.0, 0.6, 0.2), (0.1, 0.3, 0.2)),
        "lower rear": ((0.0, 0.6, 0.2), (-0.1, 0.3, 0.2)),
        "tie": ((0.1, 0.6, 0.3), (0.1, 0.3, 0.3)),
        "flat coil-over": ((0.0, 0.6, 0.2), (0.0, 0.3, 0.2)),
    }
    at = pose(mechanism_of(lone(links_corner(lines, (0.0, 0.7, 0.3), name="RL"))), 0.0)
    with pytest.raises(
        VehicleError, match=r"corner RL: .*condition number up to (\d\.\de\+\d\d|inf)"
    ):
        load_matrix(at)


@pytest.mark.parametrize("height", [0.200, 0.2225])
def test_dead_centre_between_poses_is_found(height: float) -> None:
    """A flat coil-over that no pose hits: loads on either side of it differ in sign."""
    with pytest.raises(
        VehicleError,
        match=r"RL: .* dead centre, .* -?\d+ mm, at coil_over; .*number up to \d\.\de\+0[234]",
    ):
        member_matrix(pose_with_coil_over_at(height))
    assert np.all(np.isfinite(member_matrix(pose_with_coil_over_at(0.3))))  # twin


def test_checking_a_vehicle_file_finds_a_dead_centre_off_design_height() -> None:
    car = shipped("club_racer")
    corners = dict(car.corners) | {"RL": corner_with_coil_over_at(0.2225)}
    with pytest.raises(VehicleError, match=r"corner RL: .* dead centre, .* mm, at coil_over"):
        car_summary(replace(car, corners=corners))


def pose_with_coil_over_at(height: float) -> Pose:
    """Rear corner of the club car over its travel, the coil-over's inner end at a height [m]."""
    corner = corner_with_coil_over_at(height)
    return pose(mechanism_of(lone(corner)), np.linspace(*corner.travel_range, 12)[:, None])


def corner_with_coil_over_at(height: float) -> Corner:
    corner = shipped("club_racer").corners["RL"]
    at = corner.support_index("coil_over")
    inner = replace(corner.supports[at].inner, point=(-2.398, 0.420, height))
    flat = replace(corner.supports[at], inner=inner)
    return replace(corner, supports=(*corner.supports[:at], flat, *corner.supports[at + 1 :]))
