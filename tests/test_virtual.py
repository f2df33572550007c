"""Laws of the virtual car: balance, symmetry, errors as stated, effects of the claimed size.

The car is invented for these tests.
"""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_equal

from recon.base.errors import DataError, VehicleError
from recon.car.linkage import lone
from recon.car.vehicle import (
    Attachment,
    Brake,
    Corner,
    Gauge,
    Sensors,
    Steering,
    Support,
    Tyre,
    Vehicle,
    Wheel,
)
from recon.mechanics.mechanism import mechanism_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import member_matrix
from recon.virtual.channels import Reading, crept, remembered, sensed, shown
from recon.virtual.course import slalom_states
from recon.virtual.crew import Mistyped, virtual_pulls, virtual_verification
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.effects import Effects
from recon.virtual.elastic import no_load, settle
from recon.virtual.elements import Stiffness, elastic_assembly
from recon.virtual.hub import RoadLoad, passed
from recon.virtual.springs import solid_links
from recon.virtual.states import level_to_vehicle, rack_of, random_states

LINKS = {
    "upper_front": ((-0.010, 0.580, 0.430), (0.150, 0.330, 0.415)),
    "upper_rear": ((-0.010, 0.580, 0.430), (-0.140, 0.335, 0.405)),
    "lower_front": ((0.012, 0.625, 0.180), (0.160, 0.270, 0.165)),
    "lower_rear": ((0.012, 0.625, 0.180), (-0.190, 0.275, 0.160)),
    "tie_rod": ((0.120, 0.610, 0.230), (0.125, 0.290, 0.212)),
}
ROD = ((0.000, 0.580, 0.205), (-0.005, 0.330, 0.540))


def corner(name: str, x: float, *, driven: bool = False, brake: str = "outboard") -> Corner:
    """One corner of the invented car, `x` [m] behind the front axle."""
    side = 1.0 if name.endswith("L") else -1.0

    def end(on: str, point: tuple, *, rack: bool = False) -> Attachment:
        return Attachment(on, (point[0] + x, side * point[1], point[2]), 0.002, rack)

    steered = name.startswith("F")
    supports = [
        Support(n, "link", end("upright", o),
                end("chassis", i, rack=steered and n == "tie_rod"))
        for n, (o, i) in LINKS.items()
    ]  # fmt: skip
    pivot = end("rocker", (0.02, 0.258, 0.488))
    supports += [
        Support("push_rod", "link", end("upright", ROD[0]), end("rocker", ROD[1])),
        Support("rocker_pivot", "pivot", pivot, replace(pivot, on="chassis"),
                axis_point=(x - 0.04, side * 0.257, 0.490)),
        Support("spring", "spring", end("rocker", (-0.012, 0.236, 0.570)),
                end("chassis", (-0.012, 0.050, 0.585))),
    ]  # fmt: skip
    gauges = tuple(Gauge(f"{name}_{n}", n, "mV/V", 1.0e-4, 2.0e-6, 0) for n in (*LINKS, "push_rod"))
    return Corner(
        name=name, bodies=("upright", "rocker"), supports=tuple(supports), gauges=gauges,
        wheel=Wheel("upright", (x, side * 0.69, 0.295), 0.002, 0.295, 0.0015, 0.001, -0.026,
                    0.9, 0.05),
        brake=Brake(brake, 11e-5, 5e-6), driven=driven, unsprung_mass=30.0, u_unsprung_mass=0.4,
        travel_range=(-0.06, 0.06), droop_travel=-0.05, u_droop_travel=0.001,
    )  # fmt: skip


def invented_car() -> Vehicle:
    """A light racing car, rear-wheel drive, all brakes outboard."""
    return Vehicle(
        name="Invented test car", source="invented", mass=760.0, u_mass=2.0,
        centre_of_mass=(-1.15, 0.0, 0.44), u_centre_of_mass=(0.006, 0.004, 0.015),
        corners={
            "FL": corner("FL", 0.0), "FR": corner("FR", 0.0),
            "RL": corner("RL", -2.4, driven=True), "RR": corner("RR", -2.4, driven=True),
        },
        tyre=Tyre(), steering=Steering((-0.05, 0.05)), sensors=Sensors(),
    )  # fmt: skip


def stiffness_of(c: Corner, seed: int) -> Stiffness:
    rng = np.random.default_rng(seed)
    n = len(c.supports)
    return Stiffness(
        rng.uniform(5e6, 2e7, n), rng.uniform(3.0, 15.0, (n, 2)), rate=np.full(1, np.nan)
    )


def road(force: np.ndarray, **other) -> RoadLoad:
    """Rolling wheels on a level road under `force` (n, xyz)."""
    n = len(force)
    given = {
        "road_normal": np.tile([0.0, 0.0, 1.0], (n, 1)), "trail": np.full(n, 0.02),
        "shift_per_force": 5e-6, "torque": np.zeros(n), "locked": np.zeros(n, bool),
        "specific_force": np.tile([0.0, 0.0, 9.8], (n, 1)), "unsprung_mass": 30.0,
    }  # fmt: skip
    return RoadLoad(force=force, **(given | other))


FORCES = np.array([[500.0, 2500.0, 3500.0], [-2800.0, -900.0, 4200.0], [0.0, -3000.0, 1500.0]])
TRAVEL = np.array([-0.03, 0.02, 0.04])
RACK = np.array([0.02, 0.0, -0.03])


def test_no_load_at_design_gives_nothing():
    elastic = draw_car(invented_car(), 1).elastic["FL"]
    at = settle(elastic, (no_load,), np.zeros(1), travel=0.0)
    assert_allclose(at.load, 0.0, atol=1e-6)  # N; rounding of lengths times stiffness
    assert_allclose(at.wheels[0].hub[0], elastic.wheels[0].hub, atol=1e-12)


def test_every_body_is_in_balance():
    elastic = draw_car(invented_car(), 2).elastic["FL"]
    at = settle(elastic, (road(FORCES),), RACK, travel=TRAVEL)
    # Relative to the smallest force applied; the promise is 1e-8 of the load.
    assert np.all(at.unbalanced < 1e-8 * np.linalg.norm(FORCES, axis=1).min())
    assert_allclose(at.wheels[0].hub[:, 2], elastic.wheels[0].hub[2] + TRAVEL, rtol=0, atol=1e-11)


def test_tensions_written_out_by_hand_balance_the_load():
    # A coil-over corner without rocker: every end's place follows from hub and chassis alone.
    c = corner("FL", 0.0)
    ends = {s.name: s for s in c.supports}
    spring = replace(ends["spring"], outer=ends["push_rod"].outer)
    c = replace(c, bodies=("upright",), supports=(*c.supports[:5], spring))
    stiffness = stiffness_of(c, 3)
    elastic = elastic_assembly(lone(c), replace(stiffness, tilt=0 * stiffness.tilt))
    load = road(FORCES)
    at = settle(elastic, (load,), RACK, travel=TRAVEL)
    force, moment = load(at.wheels[0])
    for k, s in enumerate(c.supports):
        arm = at.wheels[0].turn @ (np.array(s.outer.point) - elastic.wheels[0].hub)
        inner = np.array(s.inner.point) + s.inner.rack * RACK[:, None] * [0, 1, 0]
        span = inner - at.wheels[0].hub - arm
        pull = at.load[:, k : k + 1] * span / np.linalg.norm(span, axis=1, keepdims=True)
        force, moment = force + pull, moment + np.cross(arm, pull)
    assert_allclose(force, 0.0, atol=1e-8 * 4000)  # 1e-8 of the load
    assert_allclose(moment, 0.0, atol=1e-8 * 4000)


def test_right_corner_mirrors_left():
    flip = np.array([1.0, -1.0, 1.0])
    left, right = corner("FL", 0.0), corner("FR", 0.0)
    same = stiffness_of(left, 4)
    a = settle(elastic_assembly(lone(left), same), (road(FORCES),), RACK, travel=TRAVEL)
    b = settle(elastic_assembly(lone(right), same), (road(flip * FORCES),), -RACK, travel=TRAVEL)
    assert_allclose(b.load, a.load, rtol=0, atol=1e-6)  # N; rounding times stiffness
    assert_allclose(b.wheels[0].contact, flip * a.wheels[0].contact, rtol=0, atol=1e-12)
    assert_allclose(b.wheels[0].heading, -a.wheels[0].heading, rtol=0, atol=1e-12)


def test_compliance_and_bushes_change_loads_by_the_claimed_share():
    base = {}
    for scale in ({}, {"compliance": 1e-3}, {"bushes": 0.0}):
        car = draw_car(invented_car(), 6, effects=Effects(**scale))
        at = settle(car.elastic["FL"], (road(FORCES),), RACK, travel=TRAVEL)
        base[tuple(scale)] = at.load[:, :6]
    peak = np.max(np.abs(base[()]))
    for effect in (("compliance",), ("bushes",)):
        share = np.max(np.abs(base[effect] - base[()])) / peak
        assert 0.001 < share < 0.02  # of the largest load: "0.3 to 1 %" within a factor


def test_loads_grow_a_little_with_the_square_of_the_load():
    elastic = draw_car(invented_car(), 6).elastic["FL"]
    solid = solid_links(elastic, 0.0)
    pull = np.array([[0.0, 3000.0, 0.0]])

    def under(share: float) -> np.ndarray:
        load = road(share * pull, unsprung_mass=0.0, trail=np.zeros(1), shift_per_force=0.0)
        return settle(elastic, (load,), np.zeros(1), springs=solid).load[0]

    bent = np.max(np.abs(2 * under(0.5) - under(1.0))) / np.max(np.abs(under(1.0)))
    assert 1e-4 < bent < 1e-2


def test_a_travel_beyond_reach_is_refused():
    with pytest.raises(VehicleError, match=r"corner FL: .*1000\.0 mm"):
        settle(draw_car(invented_car(), 1).elastic["FL"], (no_load,), np.zeros(1), travel=1.0)


def test_bearing_passes_only_the_torque_about_the_spin_axis():
    spin = np.array([[0.1, 0.99, -0.05], [0.0, 1.0, 0.0]])
    spin /= np.linalg.norm(spin, axis=1, keepdims=True)
    moment = np.array([[100.0, 800.0, -30.0], [5.0, -600.0, 20.0]])
    free = passed(moment, spin, np.zeros(2, bool), np.array([0.0, 250.0]))
    assert_allclose(np.sum(free * spin, axis=1), [0.0, 250.0], atol=1e-10)
    assert_allclose(np.cross(free, spin), np.cross(moment, spin), atol=1e-10)
    assert_allclose(passed(moment, spin, np.ones(2, bool), np.zeros(2)), moment)


def test_side_force_moves_the_pressure_and_trails():
    elastic = draw_car(invented_car(), 1).elastic["FL"]
    force = np.array([[0.0, 2000.0, 3000.0]])
    load = road(force)
    at = settle(elastic, (load,), np.zeros(1), travel=0.0).wheels[0]
    # Mx = shift Fz, Mz = -trail Fy; the wheel's toe turns them by a few milliradians.
    assert_allclose(load.contact_moment(at)[0], [30.0, 0.0, -40.0], atol=0.3)


def test_friction_keeps_its_half_width_and_no_clock():
    load = np.concatenate([np.linspace(0, 1000, 50), np.linspace(1000, 0, 50)])[:, None]
    width = np.array([3.0])
    kept = remembered(load, width)[:, 0]
    assert np.max(np.abs(kept)) == 3.0
    assert_allclose(kept[25] - kept[74], 6.0)  # halfway up against halfway down
    slowly = np.repeat(load, 3, axis=0)
    assert_allclose(remembered(slowly, width)[::3, 0], kept)


def test_creep_follows_a_step_with_its_time():
    time = np.array([0.0, 1e-9, 30.0, 60.0])
    kept = crept(np.array([[0.0], [1.0], [1.0], [1.0]]), time)[:, 0]
    assert_allclose(kept, 1 - np.exp(-time / 60.0), atol=1e-8)  # the step takes a nanosecond


def test_clean_channels_show_slopes_times_loads():
    clean = Effects(friction=0, creep=0, thermal_gain=0, noise=0)
    channels = draw_car(invented_car(), 7, effects=clean).channels["FL"]
    load = np.vstack([np.zeros(7), 1000 * np.eye(7)])
    reading = Reading(np.arange(8.0), np.full(8, 20.0), np.zeros(8), after_shift=False)
    seen = sensed(channels, load, reading, np.random.default_rng(0))
    assert_allclose((seen[1:] - seen[0]).T / 1000, channels.K, rtol=0, atol=1e-15)
    assert_allclose(shown(channels, seen), seen, rtol=0, atol=0.5 * channels.step.max())


def test_cross_talk_is_a_few_percent_of_the_gauge_s_own_slope():
    channels = draw_car(invented_car(), 7).channels["RR"]
    share = np.abs(channels.K) / channels.newton[:, None]
    own = np.eye(6, 7, dtype=bool)
    assert_allclose(share[own], 1.0)
    others = share[:, :6][~own[:, :6]]
    assert others.min() >= 0.01
    assert others.max() <= 0.06
    assert np.all(share[:, 6] == 0)  # the spring stands on the rocker


def test_points_are_off_by_their_stated_uncertainty_and_shared_joints_stay_shared():
    car = invented_car()
    off = []
    for seed in range(10):
        truth = draw_car(car, seed).truth
        for name, c in truth.corners.items():
            s = {x.name: x for x in c.supports}
            assert s["upper_front"].outer.point == s["upper_rear"].outer.point
            assert s["rocker_pivot"].outer.point == s["rocker_pivot"].inner.point
            off += [
                np.subtract(x.inner.point, y.inner.point)
                for x, y in zip(c.supports, car.corners[name].supports, strict=True)
            ]
    # 840 numbers: their standard deviation is known to 2.4 %, four times that allowed.
    assert_allclose(np.std(off), 0.002, rtol=0.10)
    assert_allclose(np.mean(off), 0.0, atol=4 * 0.002 / np.sqrt(840))


def test_sensors_and_slopes_are_off_as_stated():
    drawn = [draw_car(invented_car(), seed) for seed in range(40)]
    u = drawn[0].car.sensors
    hub = np.array([list(d.sensors.hub_acceleration.values()) for d in drawn])
    assert_allclose(np.std(hub), u.u_hub_acceleration, rtol=0.13)  # 480 numbers, 3.2 %, times 4
    travel = np.array([list(d.sensors.travel.values()) for d in drawn])
    assert_allclose(np.std(travel), u.u_travel, rtol=0.23)  # 160 numbers, 5.6 %, times 4
    own = np.array([d.channels["FL"].newton for d in drawn])
    assert_allclose(np.std(own), 2.0e-6, rtol=0.19)  # 240 numbers, 4.6 %, times 4


def test_exact_facts_leave_the_description_as_it_is():
    assert draw_car(invented_car(), 3, effects=Effects(facts=0.0)).truth == invented_car()


def test_sheet_of_pulls_has_the_plan_s_shape():
    car = draw_car(invented_car(), 1)
    sheet = virtual_pulls(car, None, np.random.default_rng(2))
    for name, count in {"FL": 14, "FR": 14, "RL": 16, "RR": 16}.items():
        mine = sheet.corner == name
        assert len(set(sheet.pull[mine])) == count
        read = np.isfinite(sheet.indication[mine])
        assert np.all(read == [g.startswith(name) for g in sheet.gauges])
    assert sheet.phase[:10].tolist() == ["tare", *["rising"] * 5, *["falling"] * 3, "tare"]
    assert np.all(np.diff(sheet.strap_load[:6]) > 0)
    assert np.all(np.isnan(sheet.pad_load[:10]))
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
    assert not np.allclose(one[0].mark1, day(5)[0].mark1, equal_nan=True)


def test_marks_lie_about_the_strap_as_stated():
    car = draw_car(invented_car(), 1)
    sheets = [virtual_pulls(car, None, np.random.default_rng(s)) for s in range(4)]
    off = []
    for sheet in sheets:
        rows = (sheet.phase == "tare") & np.isfinite(sheet.strap_load)
        # The attachment stands 0.25 m before the first mark of a strap marked 1 m apart.
        miss = sheet.attach - 1.25 * sheet.mark1 + 0.25 * sheet.mark2
        off.append(miss[rows][::2])
    stated = np.sqrt(0.002**2 + (1.25**2 + 0.25**2) * 0.003**2)
    assert_allclose(np.std(np.concatenate(off)), stated, rtol=0.13)  # some 600 numbers, times 4


def test_one_mistyped_load_and_nothing_else():
    car = draw_car(invented_car(), 1)
    clean = virtual_pulls(car, None, np.random.default_rng(2), corners=("FL",))
    wrong = virtual_pulls(
        car, None, np.random.default_rng(2), corners=("FL",), mistyped=Mistyped("FL", "aft", 4)
    )
    differs = clean.strap_load != wrong.strap_load
    differs &= np.isfinite(clean.strap_load)
    assert clean.pull[differs].tolist() == ["aft"]
    excess = wrong.strap_load[differs] / clean.strap_load[differs] - 1
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
        strap = sheet.mark2[row] - sheet.mark1[row]
        for load, point, way in (
            (sheet.strap_load[row], sheet.attach[row], strap / np.linalg.norm(strap)),
            (sheet.pad_load[row], sheet.pad[row], np.array([0.0, 0.0, 1.0])),
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
    assert np.all(b.strap_load[fore] < 0.6 * a.strap_load[fore])  # 6 kN asked of a 1.5 kN share


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
    back = np.swapaxes(level_to_vehicle(states.roll, states.pitch), 1, 2)
    level = np.einsum("nij,nj->ni", back, states.acceleration)
    assert_allclose(states.force.sum(axis=1), car.truth.mass * level, rtol=0, atol=1e-7)
    assert states.force[..., 2].min() > 0
    assert 6.0 < level[:, 1].max() < 9.0
    assert level[:, 0].min() < -7.0
    turning = np.argmax(level[:, 1])  # to the left: load on the right, left side up
    assert np.all(states.force[turning, [1, 3], 2] > states.force[turning, [0, 2], 2])
    assert states.roll[turning] > 0.02
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
        members = list(car.elastic[name].members)
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
