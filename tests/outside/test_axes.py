"""Axes and signs of ISO 8855 through the package: wheel, moments, attitude, turn and braking."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.quantities import CORNERS
from recon.car.linkage import lone
from recon.car.vehicle import Corner, Tyre, Vehicle
from recon.mechanics.axes import attitude_matrix
from recon.mechanics.build_mechanism import mechanism_of, spin_axis
from recon.mechanics.motion import pose, rack_of_steer
from recon.mechanics.statics import road_columns
from recon.planning.unknowns import tyre_columns
from recon.reconstruction.estimator.session import Attitude, Session, Steer
from recon.reconstruction.inputs.samples import body_of
from recon.reconstruction.solving.fz_bound import bound_vertical
from recon.virtual.drawing import draw_car
from recon.virtual.states import States
from tests.slalom_course import slalom_states

Differ = Callable[..., bool]
UP, AHEAD, LEFT = np.array([0.0, 0, 1]), np.array([1.0, 0, 0]), np.array([0.0, 1, 0])


@pytest.mark.source("E1: vehicle axes")
def test_axes_are_right_handed_x_forward_y_left_z_up(hmmwv: Corner, far_apart: Differ) -> None:
    at = pose(mechanism_of(lone(hmmwv)), 0.0)
    (wheel,) = at.wheels
    assert_allclose(wheel.spin, LEFT, rtol=0, atol=1e-15)  # no toe, no camber: exact
    assert_allclose(
        np.cross(wheel.spin, UP), AHEAD, rtol=0, atol=1e-15
    )  # left x up = forward: exact
    assert_allclose(
        wheel.contact - wheel.hub, -hmmwv.wheel.loaded_radius * UP, rtol=0, atol=1e-12
    )  # rounding
    # A forward force below the wheel centre turns about -y, one to the left about +x.
    moment = road_columns(at, hub_passes_spin=True)[3:, :3]
    radius = hmmwv.wheel.loaded_radius
    expected = np.array([[0, radius, 0], [-radius, 0, 0], [0, 0, 0]])
    assert_allclose(moment, expected, rtol=0, atol=1e-12)  # rounding
    assert far_apart(-moment, expected)


@pytest.mark.source("E1: the road only pushes up")
def test_vertical_force_of_the_road_is_never_negative(far_apart: Differ) -> None:
    force = np.array([[100.0, 50.0, 3000.0], [100.0, 50.0, -3000.0]])
    bounded, active = bound_vertical(force, np.tile(np.eye(3), (2, 1, 1)), np.tile(UP, (2, 1)))
    assert active.tolist() == [False, True]
    assert_allclose(bounded, [[100, 50, 3000], [100, 50, 0]], rtol=0, atol=1e-9)  # exact: rounding
    z_down = bound_vertical(force, np.tile(np.eye(3), (2, 1, 1)), np.tile(-UP, (2, 1)))[0]
    assert far_apart(z_down, bounded)


@pytest.mark.source("E2: slip angle, side force and aligning moment")
def test_aligning_moment_turns_the_wheel_towards_its_path(far_apart: Differ) -> None:
    """Velocity with a part to the left (positive slip angle) makes Fy negative, Mz positive.

    The package computes no slip angle; the sign lives in the mean of Mz that follows Fy.
    """
    slip = 0.05  # rad
    side_force = -1000.0  # N, against the sideways velocity
    moment = (tyre_columns(Tyre(trail=0.02), 4000.0) @ [0, side_force, 0, 0, 0, 0])[5]
    assert moment == pytest.approx(20.0, rel=1e-12)  # N m, 1000 N on 20 mm: exact
    assert np.sign(moment) == np.sign(slip)  # heading follows velocity
    spoiled = (tyre_columns(Tyre(trail=-0.02), 4000.0) @ [0, side_force, 0, 0, 0, 0])[5]
    assert far_apart(spoiled, moment)


def log_of_travel(travel: dict[str, float]) -> xr.Dataset:
    """A log of one sample that has travels and nothing else."""
    return xr.Dataset(
        {"travel": (("elapsed_time", "corner"), [[travel[c] for c in CORNERS]])},
        coords={"elapsed_time": [0.0], "corner": list(CORNERS)},
    )


@pytest.mark.source("E3: roll and pitch")
def test_roll_is_right_side_down_and_pitch_is_nose_down(club_racer: Vehicle) -> None:
    right_down = {"FL": -0.02, "FR": 0.02, "RL": -0.02, "RR": 0.02}
    session = Session(Attitude("travel"), Steer("fixed"), {})

    def turn_of(travel: dict[str, float]) -> np.ndarray:
        return body_of(log_of_travel(travel), club_racer, session, np.asarray).turn[..., 0]

    rolled = turn_of(right_down)
    assert (rolled @ LEFT)[2] > 0.01  # the left side points up
    assert abs((rolled @ AHEAD)[2]) < 1e-12  # and the nose stays level: rounding
    nose_down = {"FL": 0.02, "FR": 0.02, "RL": -0.02, "RR": -0.02}
    pitched = turn_of(nose_down)
    assert (pitched @ AHEAD)[2] < -0.01  # the nose points down
    assert abs((pitched @ LEFT)[2]) < 1e-12  # rounding
    twin = turn_of({c: -t for c, t in right_down.items()})
    assert (twin @ LEFT)[2] < -0.01


@pytest.fixture(scope="module")
def slalom(club_racer: Vehicle) -> States:
    rng = np.random.default_rng(4)
    return slalom_states(draw_car(club_racer, rng), rng, rate=50.0)


@pytest.mark.source("E3: left turn")
def test_left_turn_loads_the_right_wheels(slalom: States) -> None:
    sideways, right = slalom.force[..., 1].sum(axis=1), slalom.force[..., [1, 3], 2].sum(axis=1)
    left = slalom.force[..., [0, 2], 2].sum(axis=1)
    turning_left = slalom.body.acceleration[:, 1] > 4.0  # m/s2, well beyond shaking and body lag
    turning_right = slalom.body.acceleration[:, 1] < -4.0
    assert turning_left.sum() > 20
    for chosen, sign in ((turning_left, 1.0), (turning_right, -1.0)):
        assert np.all(sign * sideways[chosen] > 0)
        assert np.all(sign * slalom.body.yaw_rate[chosen] > 0)
        assert np.all(sign * slalom.body.steer[chosen] > 0)
        assert np.all(sign * slalom.body.roll[chosen] > 0)
        assert np.mean(sign * (right - left)[chosen]) > 1000.0  # N, of 7000 N weight


@pytest.mark.source("E3: braking")
def test_braking_loads_the_front_and_pulls_backwards(slalom: States) -> None:
    braking = slalom.body.acceleration[:, 0] < -4.0  # m/s2
    rest = slalom.time < 0.5  # s, before the first cone
    assert braking.sum() > 20
    front = slalom.force[..., :2, 2].sum(axis=1)
    assert np.all(slalom.force[braking, :, 0].sum(axis=1) < 0)
    assert np.mean(front[braking]) > np.mean(front[rest]) + 500.0  # N
    assert np.all(slalom.body.pitch[braking] > 0)


@pytest.mark.source("E4: inclination and camber")
def test_two_degrees_about_x_move_the_top_inwards_on_the_left(far_apart: Differ) -> None:
    top = np.cross(AHEAD, spin_axis(True, 0.0, np.radians(-2.0)))  # negative camber, left
    assert top[1] == pytest.approx(-0.0348995, abs=5e-8)  # seven digits given
    right_top = np.cross(AHEAD, spin_axis(False, 0.0, np.radians(2.0)))  # positive camber, right
    assert_allclose(right_top, top, rtol=0, atol=1e-15)  # the same rotation: rounding
    assert far_apart(np.cross(AHEAD, spin_axis(True, 0.0, np.radians(2.0)))[1], top[1])
    assert far_apart(np.cross(AHEAD, spin_axis(True, 0.0, -2.0))[1], top[1])  # degrees for rad


@pytest.mark.source("E4: toe-in and steer")
def test_toe_in_is_negative_on_the_left_and_steer_positive_to_the_left(
    hmmwv: Corner, club_racer: Vehicle, far_apart: Differ
) -> None:
    toed = replace(hmmwv, wheel=replace(hmmwv.wheel, toe_in=0.01, camber=-0.02))
    at = pose(mechanism_of(lone(toed)), 0.0)
    assert_allclose(at.wheels[0].heading, -0.01, rtol=1e-12)  # exact: rounding
    assert_allclose(at.wheels[0].inclination, 0.02, rtol=1e-12)  # exact: rounding
    as_right = mechanism_of(lone(replace(toed, name="FR")))
    assert far_apart(as_right.wheels[0].spin[0], at.wheels[0].spin[0])
    rack = rack_of_steer(club_racer, 0.05)
    for name in ("FL", "FR"):
        mechanism = mechanism_of(lone(club_racer.corners[name]))
        spins = (pose(mechanism, 0.0, r).wheels[0].spin for r in (rack, 0.0))
        turned, ahead = (np.cross(spin, UP) for spin in spins)
        assert (turned - ahead)[1] > 0.03  # the wheel's front went to the left


@pytest.mark.source("E5: z-down axes")
def test_half_turn_about_x_gives_z_down_axes(far_apart: Differ) -> None:
    turn = attitude_matrix(np.array([np.pi]), np.array([0.0]))[0]
    z_down = turn @ [1000.0, -2000.0, 3000.0]
    assert_allclose(z_down, [1000, 2000, -3000], rtol=0, atol=1e-9)  # rounding of pi
    about_y = attitude_matrix(np.array([0.0]), np.array([np.pi]))[0]
    assert far_apart(about_y @ [1000.0, -2000.0, 3000.0], z_down)
