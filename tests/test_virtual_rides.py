"""Launches, circuits and short runs of the virtual car obey mechanics and the tyres' limit.

The car is invented for these tests.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import VehicleError
from recon.base.quantities import STANDARD_GRAVITY
from recon.virtual.day import SETTINGS, circuit_states, day_states, launch_states, run_states
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.states import States, level_to_vehicle
from recon.virtual.tyre_curve import Grip, share_of_limit, slip_of
from tests.invented_car import invented_car

DRIVES = {"launch": launch_states, "circuit": circuit_states, "day": day_states, "run": run_states}


@cache
def car() -> VirtualCar:
    return draw_car(invented_car(), 8)


@cache
def drive(name: str) -> States:
    return DRIVES[name](car(), np.random.default_rng(4))


def level(states: States, vehicle: np.ndarray) -> np.ndarray:
    return np.einsum(
        "nji,n...j->n...i", level_to_vehicle(states.body.roll, states.body.pitch), vehicle
    )


@pytest.mark.parametrize("name", DRIVES)
def test_forces_balance_the_masses_of_body_and_wheels(name: str):
    states, truth = drive(name), car().truth
    body = level(states, states.body.acceleration)
    hubs = level(states, states.specific_force)
    unsprung = np.array([c.unsprung_mass for c in truth.corners.values()])
    sprung = truth.mass - unsprung.sum()
    # Upwards wheels and body move on their own; air pushes back and down.
    needed = sprung * body[:, 2] + hubs[..., 2] @ unsprung + 0.25 * states.body.speed**2
    assert_allclose(states.force[..., 2].sum(axis=1), needed, rtol=0, atol=1e-6)
    assert_allclose(states.force[..., 1].sum(axis=1), truth.mass * body[:, 1], rtol=0, atol=1e-6)
    ahead = truth.mass * body[:, 0] + 0.4 * states.body.speed**2
    assert_allclose(states.force[..., 0].sum(axis=1), ahead, rtol=0, atol=1e-6)
    arm = np.array([c.wheel.centre for c in truth.corners.values()]) - truth.centre_of_mass
    x, y = arm[:, 0], arm[:, 1]
    turning = states.force[..., 1] @ x - states.force[..., 0] @ y
    inertia = -truth.mass * x[:2].mean() * x[2:].mean()
    yaw_change = np.gradient(states.body.yaw_rate, states.time)
    assert_allclose(turning, inertia * yaw_change, rtol=0, atol=0.005 * truth.mass * 9.81)


@pytest.mark.parametrize("name", DRIVES)
def test_speed_and_heading_follow_the_accelerations(name: str):
    states = drive(name)
    body = level(states, states.body.acceleration)
    middle = 0.5 * (body[1:, 0] + body[:-1, 0])
    assert_allclose(np.diff(states.body.speed), middle * np.diff(states.time), rtol=0, atol=1e-9)
    fast = states.body.speed > 4
    assert_allclose(
        (states.body.yaw_rate * states.body.speed)[fast], body[fast, 1], rtol=0, atol=1e-9
    )
    moved = np.trapezoid(states.body.speed, states.time)
    assert_allclose(states.driver.distance[-1], moved, rtol=1e-9)


@pytest.mark.parametrize("name", DRIVES)
def test_tyres_stay_within_their_limit_and_reach_it(name: str):
    states = drive(name)
    use = np.hypot(states.force[..., 0], states.force[..., 1]) / states.tyres.limit
    # A braked tyre of a turning axle may borrow a little from its partner.
    assert np.quantile(use, 0.999) < 1.02
    assert use.max() > 0.95
    worked = use.max(axis=1) > 0.95
    assert states.tyres.slip[worked].max() > 2.0
    assert states.force[..., 2].min() > 100


def test_spinning_wheels_turn_faster_than_the_road_and_catch_again():
    states = drive("launch")
    radius = np.array([c.wheel.loaded_radius for c in car().truth.corners.values()])
    spin, caught = (next(e for e in states.events if e.kind == k) for k in ("spin", "caught"))
    rolled = states.wheel_speed * radius / np.maximum(states.body.speed, 3.0)[:, None]
    late = (states.time > spin.end - 0.6) & (states.time < spin.end - 0.3)
    assert np.all(rolled[late, 2:] > 1.15)
    held = (states.time > caught.start + 0.4) & (states.time < caught.end - 0.1)
    assert np.all(rolled[held, 2:] < 1.07)
    front = np.abs(rolled[late | held, :2] - 1.0)
    assert front.max() < 0.01


def test_hop_has_the_stated_frequency_and_size_and_its_inertia_is_in_the_hubs():
    states = drive("launch")
    hop = next(e for e in states.events if e.kind == "hop")
    near = (states.time > hop.start) & (states.time < hop.end)
    up = states.force[near, 2, 2] - states.force[near, 2, 2].mean()
    padded = np.abs(np.fft.rfft(up * np.hanning(len(up)), 8192))
    band = np.fft.rfftfreq(8192, states.time[1])
    padded[band < 5] = 0
    assert_allclose(band[np.argmax(padded)], hop.figures["frequency"], atol=0.25)
    crest = (
        np.quantile(np.abs(np.diff(up, n=2)), 0.98)
        / (2 * np.pi * hop.figures["frequency"] * states.time[1]) ** 2
    )
    # The road shakes on top of it, by some 130 N.
    assert_allclose(crest, hop.figures["amplitude"], rtol=0.35)
    mass = car().truth.corners["RL"].unsprung_mass
    left = states.force[..., 2, 2] - mass * level(states, states.specific_force)[:, 2, 2]
    # What is left goes to the spring: 35 N/mm, and slow transfer of load.
    travel = states.travel[:, 2] - states.travel[:, 2].mean()
    quick = np.diff(left[near], n=2) - 35e3 * np.diff(travel[near], n=2)
    assert np.std(quick) < 0.1 * np.std(np.diff(up, n=2))


def test_each_shift_interrupts_the_drive():
    states = drive("launch")
    shifts = [e for e in states.events if e.kind == "shift"]
    assert len(shifts) == 2
    driving = states.force[:, 2:, 0].sum(axis=1)
    for shift in shifts:
        before = driving[states.time < shift.start - 0.05][-1]
        below = states.time[(driving < 0.5 * before) & (np.abs(states.time - shift.start) < 0.6)]
        assert_allclose([below[0], below[-1]], [shift.start, shift.end], atol=0.03)
        gap = (states.time > shift.start + 0.05) & (states.time < shift.end - 0.05)
        assert np.all(states.driver.throttle[gap] == 0)
        assert np.all(states.driver.clutch[gap] == 1)
    assert sorted(set(states.driver.gear)) == [1, 2, 3]


def test_log_holds_the_driver_s_channels_and_truth_the_events():
    states = drive("run")
    log, _, truth = virtual_drive(car(), states, np.random.default_rng(2))
    assert_allclose(log["gear"], states.driver.gear)
    assert_allclose(log["throttle"], states.driver.throttle)
    assert truth["event_kind"].values.tolist() == ["straight braking", "corner", "corner exit"]
    assert np.all(truth["event_end"] > truth["event_start"])
    assert_allclose(truth["tyre_limit"], states.tyres.limit)
    part = states.of(("RL",))
    assert_allclose(part.tyres.slip[:, 0], states.tyres.slip[:, 2])


def test_a_standing_wheel_reads_zero():
    log, _, _ = virtual_drive(car(), drive("launch"), np.random.default_rng(2))
    still = log["elapsed_time"].values < 1.5
    assert np.all(log["wheel_speed"].values[still] == 0)
    assert np.all(log["speed"].values >= 0)


def test_the_second_set_up_gives_more_side_force_in_front():
    cars = [run_states(car(), np.random.default_rng(9), setting=s) for s in ("A", "B")]
    front = [np.abs(s.force[:, :2, 1].sum(axis=1)).max() for s in cars]
    gain = SETTINGS["B"].grip.friction[0] / SETTINGS["A"].grip.friction[0]
    assert 1 + 0.5 * (gain - 1) < front[1] / front[0] < gain + 0.01
    shares = []
    for states in cars:
        load = np.abs(states.force[states.body.yaw_rate > 0.6].mean(axis=0)[:, 2])
        transferred = load[[1, 3]] - load[[0, 2]]
        shares.append(transferred[0] / transferred.sum())
    stated = SETTINGS["A"].front_share - SETTINGS["B"].front_share
    assert_allclose(shares[0] - shares[1], stated, atol=0.003)
    warm = run_states(car(), np.random.default_rng(9), setting="A", tyre_temperature=85.0)
    assert_allclose(np.abs(warm.force[:, :2, 1].sum(axis=1)).max() / front[0], 1.03, atol=0.01)


def test_slip_and_force_are_inverse_up_to_the_plateau():
    slip = np.linspace(0, 2.5, 20)
    assert_allclose(slip_of(share_of_limit(slip)), slip, atol=1e-6)
    assert share_of_limit(np.array(7.0)) < 0.95 * share_of_limit(np.array(2.6))
    double = Grip().limit(np.full((1, 4), 4000.0)) / Grip().limit(np.full((1, 4), 2000.0))
    assert_allclose(double, 2**0.88)


def test_rides_need_four_corners():
    three = replace(invented_car(), corners={c: invented_car().corners[c] for c in ("FL", "FR")})
    with pytest.raises(VehicleError, match="no corner RL, RR"):
        launch_states(draw_car(three, 1), np.random.default_rng(1))
    with pytest.raises(VehicleError, match="all four corners for a drive"):
        run_states(draw_car(three, 1), np.random.default_rng(1))


def test_standing_car_carries_its_weight():
    states = drive("launch")
    still = states.force[states.time < 1.0]
    weight = car().truth.mass * STANDARD_GRAVITY
    assert_allclose(still[..., 2].sum(axis=1), weight, rtol=1e-6)
    assert_allclose(still[..., :2], 0.0, atol=1e-6)
