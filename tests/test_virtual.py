"""Laws of the virtual car: equilibrium, symmetry, errors as stated, effects of the claimed size.

The car is invented for these tests.
"""

from __future__ import annotations

from dataclasses import astuple, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import VehicleError
from recon.car.linkage import lone
from recon.virtual.channels import Reading, crept, remembered, sensed, shown
from recon.virtual.drawing import draw_car
from recon.virtual.effects import Effects
from recon.virtual.elastic import no_load, settle
from recon.virtual.elements import elastic_assembly
from recon.virtual.hub_loads import passed
from recon.virtual.springs import solid_links
from tests.invented_car import FORCES, RACK, TRAVEL, corner, invented_car, road, stiffness_of


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


def test_creep_has_one_sign_per_car_and_either_sign_and_warm_gauges_read_high():
    signs = set()
    for seed in range(6):
        channels = draw_car(invented_car(), seed).channels.values()
        signs.add(tuple(np.unique(np.sign([c.creep for c in channels]))))
        assert np.all([c.gain_per_kelvin > 0 for c in channels])
    assert signs == {(-1.0,), (1.0,)}


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
    drawn = draw_car(invented_car(), 3, effects=Effects(facts=0.0)).truth
    # As text: newer Pythons call two equal objects different if one of their numbers is NaN.
    assert repr(astuple(drawn)) == repr(astuple(invented_car()))
