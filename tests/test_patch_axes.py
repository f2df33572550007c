"""Forces at the patch turned among tyre, intermediate and vehicle axes, both ways."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

import recon
from recon.base.errors import DataError, VehicleError
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.axes import (
    AXES,
    attitude_matrix,
    intermediate_to_tyre,
    intermediate_to_vehicle,
    tyre_to_intermediate,
    vehicle_to_intermediate,
)
from recon.mechanics.motion import posed
from recon.reconstruction.result.signed_errors import signed_errors
from tests.days import day
from tests.shipped_mechanisms import shipped

N = 40
RNG = np.random.default_rng(11)
FORCE, WRENCH = RNG.normal(0, 3000, (N, 3)), RNG.normal(0, 1000, (N, 6))
ROLL, PITCH = RNG.uniform(-0.06, 0.06, N), RNG.uniform(-0.03, 0.03, N)
TRAVEL, STEER = RNG.uniform(-0.04, 0.04, N), RNG.uniform(-0.15, 0.15, N)
PAIRS = list(permutations(AXES, 2))
DRIVEN = {"travel": TRAVEL, "steer": STEER, "roll": ROLL, "pitch": PITCH}


def by_scipy(car: Vehicle, corner: str, given: str, wanted: str) -> Rotation:
    """The same turn from the posed spin axis alone, composed by somebody else's rotations."""
    rack = recon.mechanics.motion.rack_of_steer(car, STEER)
    assembly = assembly_of(car, corner)
    spin = posed(assembly, TRAVEL[:, None], rack).wheels[assembly.wheel(corner)].spin
    body = Rotation.from_euler("xy", np.column_stack([ROLL, PITCH]))  # about fixed axes: x first
    left = body.apply(spin) * [1, 1, 0]
    ahead = np.cross(left / np.linalg.norm(left, axis=1)[:, None], [0, 0, 1])
    left = np.cross([0, 0, 1], ahead)
    wheel = Rotation.from_matrix(np.stack([ahead, left, np.tile([0, 0, 1.0], (N, 1))], axis=-1))
    to_level = {"vehicle": body, "tyre": wheel, "intermediate": Rotation.identity()}
    return to_level[wanted].inv() * to_level[given]


@pytest.mark.parametrize(("file", "corner"), [("club_racer", "FL"), ("strut", "RR")])
@pytest.mark.parametrize(("given", "wanted"), PAIRS)
def test_turned_as_by_rotations_of_scipy(file: str, corner: str, given: str, wanted: str) -> None:
    car = shipped(file)
    by_hand = by_scipy(car, corner, given, wanted)
    found = recon.patch_axes(car, corner, FORCE, given=given, wanted=wanted, **DRIVEN)
    assert_allclose(found, by_hand.apply(FORCE), rtol=0, atol=1e-9)  # N: rounding of 1e4 N
    both = recon.patch_axes(car, corner, WRENCH, given=given, wanted=wanted, **DRIVEN)
    expected = np.hstack([by_hand.apply(WRENCH[:, :3]), by_hand.apply(WRENCH[:, 3:])])
    assert_allclose(both, expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("angle", ["roll", "pitch", "steer"])
def test_twin_one_spoiled_sign_is_seen(club_racer: Vehicle, angle: str) -> None:
    expected = by_scipy(club_racer, "FL", "vehicle", "tyre").apply(FORCE)
    spoiled = DRIVEN | {angle: -DRIVEN[angle]}
    found = recon.patch_axes(club_racer, "FL", FORCE, given="vehicle", wanted="tyre", **spoiled)
    assert np.max(np.abs(found - expected)) > 50  # N, of 3000 turned by 1 degree and more


@pytest.mark.parametrize(("given", "wanted"), PAIRS)
def test_back_again_to_rounding(club_racer: Vehicle, given: str, wanted: str) -> None:
    for vector in (FORCE, WRENCH):
        there = recon.patch_axes(club_racer, "FR", vector, given=given, wanted=wanted, **DRIVEN)
        back = recon.patch_axes(club_racer, "FR", there, given=wanted, wanted=given, **DRIVEN)
        size = np.max(np.abs(vector))
        assert_allclose(back / size, vector / size, rtol=0, atol=1e-12)  # rounding
        assert np.max(np.abs(there - vector)) > 50  # N; the turn is no idle one


def test_known_angles_by_hand() -> None:
    left = np.array([0.0, 1000.0, 0.0])
    # A wheel that points 30 degrees to the left of the car meets a force to the car's left
    # with half of it from behind: it drives.
    assert_allclose(intermediate_to_tyre(left, np.radians(30)), [500, 866.0254037844386, 0])
    assert_allclose(tyre_to_intermediate(left, np.radians(30)), [-500, 866.0254037844386, 0])
    up = np.array([0.0, 0.0, 1000.0])
    # Left side up: the body's z leans to the right.
    rolled = attitude_matrix(np.radians(30), 0.0)
    assert_allclose(vehicle_to_intermediate(up, rolled), [0, -500, 866.0254037844386], atol=1e-12)
    # Nose down: the body's z leans forward, and its x into the ground.
    dived = attitude_matrix(0.0, np.radians(30))
    assert_allclose(vehicle_to_intermediate(up, dived), [500, 0, 866.0254037844386], atol=1e-12)
    ahead = np.array([1000.0, 0.0, 0.0])
    assert_allclose(vehicle_to_intermediate(ahead, dived)[2], -500)
    assert_allclose(intermediate_to_vehicle(up, dived), [-500, 0, 866.0254037844386], atol=1e-12)


def test_a_wheel_of_a_level_car_heads_as_it_is_posed(club_racer: Vehicle) -> None:
    rack = np.array([-0.02, 0.0, 0.02])
    h = posed(assembly_of(club_racer, "FL"), 0.01, rack).wheels[0].heading
    found = recon.patch_axes(
        club_racer, "FL", [100.0, 0, 0], given="tyre", wanted="vehicle", travel=0.01, rack=rack
    )
    assert_allclose(found, 100 * np.stack([np.cos(h), np.sin(h), 0 * h], axis=1), atol=1e-12)
    assert h[2] > h[1] > h[0]  # the rack to the left steers to the left


def test_an_inclined_wheel_on_a_pitched_car_heads_elsewhere(club_racer: Vehicle) -> None:
    """To first order by pitch times its inclination against the road."""
    at = posed(assembly_of(club_racer, "RL"), -0.03)
    pitch, roll = 0.02, 0.04
    found = recon.patch_axes(
        club_racer, "RL", [1.0, 0, 0], given="tyre", wanted="intermediate",
        travel=-0.03, roll=roll, pitch=pitch,
    )  # fmt: skip
    more = np.arctan2(found[1], found[0]) - at.wheels[0].heading
    # Third order is left out: 0.02 times 0.05 squared and less.
    assert_allclose(more, -pitch * (roll + at.wheels[0].inclination), atol=1e-4)
    assert abs(more) > 3e-4


def test_the_partner_of_a_tied_wheel_counts() -> None:
    car, bump = shipped("strut"), {"given": "vehicle", "wanted": "tyre", "travel": 0.03}
    alike = recon.patch_axes(car, "RL", FORCE[0], **bump)
    assert_allclose(recon.patch_axes(car, "RL", FORCE[0], partner=0.03, **bump), alike)
    other = recon.patch_axes(car, "RL", FORCE[0], partner=-0.03, **bump)
    assert np.max(np.abs(other - alike)) > 1e-3 * np.max(np.abs(FORCE[0]))


def test_a_result_is_turned_as_the_door_turns_it() -> None:
    """Roll and pitch of the day are those of its log; they stand in the loads' turn."""
    forces = day().forces.isel(elapsed_time=slice(100, 3000, 290))
    level = forces["tyre_force_intermediate"].to_numpy()[:, 0]
    found = recon.patch_axes(
        day().car, "FL", level, given="intermediate", wanted="tyre",
        travel=forces["travel"].to_numpy()[:, 0], rack=forces["rack"].to_numpy(),
    )  # fmt: skip
    stated = forces["tyre_force"].to_numpy()[:, 0]
    # N of 5000: single precision and the table of headings, 1e-5 rad.
    assert_allclose(found, stated, rtol=0, atol=0.1)
    assert np.max(np.abs(level - stated)) > 50


def test_what_is_asked_the_same_is_given_as_a_copy(club_racer: Vehicle) -> None:
    found = recon.patch_axes(club_racer, "FL", FORCE, given="tyre", wanted="tyre", roll=0.1)
    assert np.array_equal(found, FORCE)
    assert not np.shares_memory(found, FORCE)


def test_wrong_words_and_shapes_are_refused(club_racer: Vehicle) -> None:
    legal = {"given": "tyre", "wanted": "vehicle"}
    with pytest.raises(DataError, match=r"axes 'tire'; need 'tyre' \(did you mean that"):
        recon.patch_axes(club_racer, "FL", FORCE, **legal | {"given": "tire"})
    with pytest.raises(DataError, match="corner RR: axes 'car'"):
        recon.patch_axes(club_racer, "RR", FORCE, **legal | {"wanted": "car"})
    with pytest.raises(DataError, match=r"shape \(40, 2\)"):
        recon.patch_axes(club_racer, "FL", FORCE[:, :2], **legal)
    with pytest.raises(DataError, match=r"shape \(\)"):
        recon.patch_axes(club_racer, "FL", 3.0, **legal)
    with pytest.raises(DataError, match=r"up to 12\.0 mm.* and a steer"):
        recon.patch_axes(club_racer, "FL", FORCE, rack=-0.012, steer=0.0, **legal)
    with pytest.raises(DataError, match=r"travel 90\.0 mm"):
        recon.patch_axes(club_racer, "FL", FORCE, travel=0.09, **legal)
    with pytest.raises(VehicleError, match="no corner 'LF'"):
        recon.patch_axes(club_racer, "LF", FORCE, **legal)
    with pytest.raises(DataError, match="signed errors: axes 'tyres'"):
        signed_errors(day().forces, np.array([0]), "tyres")
