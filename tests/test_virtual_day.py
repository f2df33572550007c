"""A day of the virtual car: its pull sheets, slalom, log and tares.

The car is invented for these tests.
"""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_equal

from recon.base.errors import DataError, VehicleError
from recon.car.linkage import lone
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import member_matrix
from recon.virtual.crew import Mistyped, virtual_pulls, virtual_verification
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.effects import Effects
from recon.virtual.elastic import no_load, settle
from recon.virtual.states import level_to_vehicle, rack_of
from tests.invented_car import invented_car
from tests.random_states import random_states
from tests.slalom_course import slalom_states


def test_sheet_of_pulls_has_the_plan_s_shape():
    car = draw_car(invented_car(), 1)
    sheet = virtual_pulls(car, None, np.random.default_rng(2))
    for name, count in {"FL": 14, "FR": 14, "RL": 16, "RR": 16}.items():
        mine = sheet.corner == name
        assert len(set(sheet.pull[mine])) == count
        read = np.isfinite(sheet.indication[mine])
        assert np.all(read == [g.startswith(name) for g in sheet.gauges])
    assert sheet.phase[:10].tolist() == ["tare", *["rising"] * 5, *["falling"] * 3, "tare"]
    assert np.all(np.diff(sheet.strap.load[:6]) > 0)
    assert np.all(np.isnan(sheet.pad.load[:10]))
    assert set(sheet.wheel_held_by[sheet.corner == "RL"]) == {"brake", "half-shaft"}
    checks = virtual_verification(car, np.random.default_rng(3), corners=("RL",))
    assert len(set(checks.pull)) == 4
    assert set(checks.purpose) == {"verify"}


def test_pulls_and_drives_repeat_with_the_seed_and_only_with_it():
    def day(seed: int):
        rng = np.random.default_rng(seed)
        car = draw_car(invented_car(), rng)
        sheet = virtual_pulls(car, None, rng, corners=("RL",))
        return sheet, *virtual_drive(car, random_states(car, 20, rng), rng)

    one, again = day(4), day(4)
    assert_equal(asdict(one[0]), asdict(again[0]))
    assert_equal(asdict(one[2]), asdict(again[2]))
    assert one[1].identical(again[1])
    assert one[3].identical(again[3])
    assert not np.allclose(one[0].strap.mark1, day(5)[0].strap.mark1, equal_nan=True)


def test_marks_lie_about_the_strap_as_stated():
    car = draw_car(invented_car(), 1)
    sheets = [virtual_pulls(car, None, np.random.default_rng(s)) for s in range(4)]
    off = []
    for sheet in sheets:
        rows = (sheet.phase == "tare") & np.isfinite(sheet.strap.load)
        # The attachment stands 0.25 m before the first mark of a strap marked 1 m apart.
        miss = sheet.strap.point - 1.25 * sheet.strap.mark1 + 0.25 * sheet.strap.mark2
        off.append(miss[rows][::2])
    stated = np.sqrt(0.002**2 + (1.25**2 + 0.25**2) * 0.003**2)
    assert_allclose(np.std(np.concatenate(off)), stated, rtol=0.13)  # some 600 numbers, times 4


def test_one_mistyped_load_and_nothing_else():
    car = draw_car(invented_car(), 1)
    clean = virtual_pulls(car, None, np.random.default_rng(2), corners=("FL",))
    wrong = virtual_pulls(
        car, None, np.random.default_rng(2), corners=("FL",), mistyped=Mistyped("FL", "aft", 4)
    )
    differs = clean.strap.load != wrong.strap.load
    differs &= np.isfinite(clean.strap.load)
    assert clean.pull[differs].tolist() == ["aft"]
    excess = wrong.strap.load[differs] / clean.strap.load[differs] - 1
    assert 0.02 <= excess[0] <= 0.2  # two in the second digit
    assert_allclose(wrong.indication, clean.indication)
    with pytest.raises(DataError, match="no step 4 in a pull named 'afte'"):
        virtual_pulls(car, None, np.random.default_rng(2), mistyped=Mistyped("FL", "afte", 4))


def test_perfect_readings_of_a_rigid_car_repeat_the_written_wrenches():
    clean = Effects(*[0.0] * 9)
    car = draw_car(invented_car(), 1, effects=replace(clean, compliance=1e-3))
    sheet = virtual_pulls(car, None, np.random.default_rng(2), corners=("RL",))
    posed = pose(mechanism_of(lone(car.truth.corners["RL"])), 0.0)
    top = np.flatnonzero(sheet.phase == "rising")[4::5]
    for row, tare in zip(top, np.flatnonzero(sheet.phase == "tare")[::2], strict=True):
        wrench = np.zeros(6)
        strap = sheet.strap.mark2[row] - sheet.strap.mark1[row]
        for load, point, way in (
            (sheet.strap.load[row], sheet.strap.point[row], strap / np.linalg.norm(strap)),
            (sheet.pad.load[row], sheet.pad.point[row], np.array([0.0, 0.0, 1.0])),
        ):
            if np.isfinite(load):
                wrench += load * np.concatenate([way, np.cross(point - posed.wheels[0].hub, way)])
        if sheet.wheel_held_by[row] == "half-shaft":
            wrench[3:] -= posed.wheels[0].spin * (posed.wheels[0].spin @ wrench[3:])
        expected = car.channels["RL"].K[:, :6] @ member_matrix(posed) @ wrench
        # Points are written to 1 mm and loads to 1 N: 1 mm on 0.1 m between links, of the peak.
        peak = np.max(np.abs(expected))
        assert_allclose(sheet.indication[row] - sheet.indication[tare], expected, atol=0.01 * peak)


def test_weak_members_are_spared():
    car = invented_car()
    fl = car.corners["FL"]
    weak = tuple(replace(s, limit=3000.0) if s.name == "lower_rear" else s for s in fl.supports)
    spared = replace(car, corners=car.corners | {"FL": replace(fl, supports=weak)})
    a, b = (
        virtual_pulls(draw_car(c, 1), None, np.random.default_rng(2), corners=("FL",))
        for c in (car, spared)
    )
    fore = (a.pull == "fore") & (a.phase != "tare")
    assert np.all(b.strap.load[fore] < 0.6 * a.strap.load[fore])  # 6 kN asked of a 1.5 kN share


def test_inboard_brakes_and_free_wheels_pass_no_moment_about_the_spin():
    # "fore" at the contact: an outboard brake makes the links carry 3 kN times the radius.
    def loads(place: str) -> np.ndarray:
        car = invented_car()
        rear = replace(car.corners["RL"], brake=replace(car.corners["RL"].brake, place=place))
        car = replace(car, corners=car.corners | {"RL": rear})
        drawn = draw_car(car, 1, effects=Effects(noise=0, facts=0, friction=0))
        sheet = virtual_pulls(drawn, None, np.random.default_rng(2), corners=("RL",))
        rows = (sheet.pull == "fore") & (sheet.phase == "rising")
        return sheet.indication[rows][-1] - sheet.indication[0]

    inboard, outboard = loads("inboard"), loads("outboard")
    assert np.max(np.abs(inboard - outboard)) > 0.3 * np.max(np.abs(outboard))
    assert_allclose(loads("none"), inboard, atol=2e-4)  # held by the shaft instead; last digit


def test_slalom_forces_balance_mass_times_acceleration():
    car = draw_car(invented_car(), 8)
    states = slalom_states(car, np.random.default_rng(1), rate=100)
    back = np.swapaxes(level_to_vehicle(states.body.roll, states.body.pitch), 1, 2)
    level = np.einsum("nij,nj->ni", back, states.body.acceleration)
    assert_allclose(states.force.sum(axis=1), car.truth.mass * level, rtol=0, atol=1e-7)
    assert states.force[..., 2].min() > 0
    assert 6.0 < level[:, 1].max() < 9.0
    assert level[:, 0].min() < -7.0
    turning = np.argmax(level[:, 1])  # to the left: load on the right, left side up
    assert np.all(states.force[turning, [1, 3], 2] > states.force[turning, [0, 2], 2])
    assert states.body.roll[turning] > 0.02
    assert states.travel[turning, 1] > 0.01 > -0.01 > states.travel[turning, 0]


def test_braked_wheels_balance_about_their_axles():
    car = draw_car(invented_car(), 8)
    states = slalom_states(car, np.random.default_rng(1), rate=100)
    hard = np.argmax(states.brake_torque[:, 0])
    wheel = car.truth.corners["FL"].wheel
    fx, fz = states.force[hard, 0, 0], states.force[hard, 0, 2]
    spinning_up = wheel.spin_inertia * -8.0 / wheel.loaded_radius
    road_torque = -(fx + 0.012 * fz) * wheel.loaded_radius
    assert_allclose(road_torque, states.brake_torque[hard, 0] + spinning_up, rtol=1e-3)


def test_left_side_up_and_nose_down_are_positive():
    up = level_to_vehicle(np.array([0.1, 0.0]), np.array([0.0, 0.1]))[:, :, 2]
    assert_allclose(up[0], [0.0, np.sin(0.1), np.cos(0.1)], atol=1e-15)
    assert_allclose(up[1], [-np.sin(0.1), 0.0, np.cos(0.1)], atol=1e-15)


def test_steer_is_the_mean_heading_that_the_rack_gives():
    car = draw_car(invented_car(), 8)
    steer = np.array([-0.1, 0.0, 0.03, 0.12])
    rack = rack_of(car, steer)
    heading = [
        settle(car.elastic[c], (no_load,), np.append(rack, 0.0), travel=0.0).wheels[0].heading
        for c in ("FL", "FR")
    ]
    mean = np.mean([h[:-1] - h[-1] for h in heading], axis=0)
    assert_allclose(mean, steer, rtol=0, atol=2e-6)  # rad; spline between 25 racks


def test_log_shows_truth_within_sensor_errors_and_tares_bracket_it():
    clean = Effects(friction=0, creep=0, thermal_gain=0, noise=0)
    car = draw_car(invented_car(), 9, effects=clean)
    states = random_states(car, 50, np.random.default_rng(1), corners=("FL", "RR"))
    log, tares, truth = virtual_drive(car, states, np.random.default_rng(2))
    # Gain and offset explain what is off but for the noise of 0.25 mm (100 samples, times 4).
    gain = [car.sensors.travel_gain[c] for c in ("FL", "RR")]
    bias = [car.sensors.travel[c] for c in ("FL", "RR")]
    noise = log["travel"].values - truth["travel"].values * gain - bias
    assert np.max(np.abs(noise)) < 4 * 0.25e-3
    assert set(tares.when) == {"before", "after"}
    for name in ("FL", "RR"):
        channels = car.channels[name]
        members = list(car.elastic[name].members.names)
        load = truth["link_load"].sel(corner=name, link=members).values
        warm = truth["gauge_temperature"].sel(corner=name).values[:, None] - 20.0
        zero = channels.zero + channels.zero_shift + channels.zero_per_kelvin * warm
        seen = log["indication"].sel(gauge=list(channels.names)).values
        assert np.all(np.abs(seen - load @ channels.K.T - zero) <= 0.51 * channels.step)


def test_random_states_respect_brakes_and_drive():
    car = draw_car(invented_car(), 9)
    states = random_states(car, 300, np.random.default_rng(1), locked_share=0.5)
    front, rear = states.force[:, :2, 0], states.force[:, 2:, 0]
    assert front.max() < 200 < rear.max()  # rear-wheel drive
    radius = car.truth.corners["FL"].wheel.loaded_radius
    braked = states.brake_torque[:, 0] > 0
    assert_allclose(states.brake_torque[braked, 0], -front[braked, 0] * radius)
    assert np.all(states.wheel_speed[states.locked] == 0)
    assert 0.3 < states.locked[:, 0].sum() / braked.sum() < 0.7  # a coin some 100 times
    log, _, truth = virtual_drive(car, states, np.random.default_rng(2))
    # A caliper that holds what the road asks for is as good as one that locks the wheel.
    other = replace(states, locked=~states.locked)
    free = virtual_drive(car, other, np.random.default_rng(2))[2]
    difference = np.abs(truth["link_load"] - free["link_load"]).values[states.brake_torque > 0]
    # What side force and camber add about the axle is left; a wrong sign would give the whole.
    assert np.max(difference) < 0.1 * np.max(np.abs(truth["link_load"]))
    assert np.all(log["wheel_speed"].values[states.locked] == 0)


def test_a_slalom_needs_four_corners():
    car = invented_car()
    car = replace(car, corners={c: car.corners[c] for c in ("FL", "FR", "RL")})
    with pytest.raises(VehicleError, match="no corner RR"):
        slalom_states(draw_car(car, 1), np.random.default_rng(1))
