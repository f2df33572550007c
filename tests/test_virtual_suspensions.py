"""The virtual car's suspensions: every shipped corner and tied axle, against the inverse."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import VehicleError
from recon.car.linkage import lone
from recon.mechanics.assembly import assembly_of
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import pose, posed
from recon.mechanics.statics import load_matrix, section_matrix
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from recon.virtual.effects import Effects
from recon.virtual.elastic import Settled, Sprung, no_load, settle
from recon.virtual.elements import ElasticAssembly, elastic_assembly
from tests.invented_car import FORCES, RACK, TRAVEL, invented_car, road, stiffness_of
from tests.shipped_mechanisms import shipped
from tests.slalom_course import slalom_states

STIFF = Effects(compliance=1e-3, bushes=0.0, facts=0.0)
TIED = [("anti_roll_bar", "FL"), ("strut", "RL"), ("solid_axle_tubes", "RL")]
ALONE = [
    ("club_racer", "RL"), ("case_car", "FL"), ("wishbone_spring_on_arm", "FL"),
    ("wishbone_spring_on_arm", "RL"), ("strut", "FR"), ("anti_roll_bar", "RL"),
    ("solid_axle_tubes", "FL"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "name"), [(None, "FL"), (None, "RL"), *ALONE])
def test_stiff_car_agrees_with_rigid_statics_of_the_inverse(file: str | None, name: str):
    # Two programs that share no line; what differs is the compliance that is left.
    car = shipped(file) if file else invented_car()
    stiff = Effects(compliance=1e-3, bushes=0.0)
    car = draw_car(car, 5, effects=stiff, corners=(name,))
    rack = RACK if car.truth.corners[name].steered else 0 * RACK
    load = road(FORCES)
    at = settle(car.elastic[name], (load,), rack, travel=TRAVEL)
    mechanism = mechanism_of(lone(car.truth.corners[name]))
    rigid_at = pose(mechanism, TRAVEL[:, None], rack)
    (wheel,) = rigid_at.wheels
    assert_allclose(at.wheels[0].hub, wheel.hub, rtol=0, atol=5e-6)  # m; 8 kN on 5e9 N/m, levered
    assert_allclose(at.wheels[0].contact, wheel.contact, rtol=0, atol=2e-5)  # m; same, twice
    assert_allclose(at.wheels[0].spin, wheel.spin, rtol=0, atol=4e-5)  # rad; over 0.25 m
    wrench = np.hstack(load(at.wheels[0]))
    matrix = np.concatenate([load_matrix(rigid_at), section_matrix(rigid_at)], axis=1)
    rigid = np.einsum("nmw,nw->nm", matrix, wrench)
    members, rows = car.elastic[name].members.names, mechanism.row_names
    gauged = {g.member for g in car.truth.corners[name].gauges}
    assert gauged <= set(members) & set(rows)
    for member in set(members) & set(rows):
        found, expected = at.load[:, members.index(member)], rigid[:, rows.index(member)]
        # N, N m; a millionth of 8 kN per micron by which the links are stretched, levered.
        assert_allclose(found, expected, rtol=0, atol=0.1, err_msg=member)


@pytest.mark.parametrize(("file", "name"), [("strut", "F"), ("wishbone_spring_on_arm", "R")])
def test_other_side_of_a_shipped_car_mirrors(file: str, name: str):
    flip = np.array([1.0, -1.0, 1.0])
    found = []
    for side, sign in (("L", 1.0), ("R", -1.0)):
        c = shipped(file).corners[name + side]
        elastic = elastic_assembly(lone(c), stiffness_of(c, 4))
        rack = sign * RACK * c.steered
        force = FORCES if side == "L" else flip * FORCES
        found.append(settle(elastic, (road(force),), rack, travel=TRAVEL).load)
    # Torsion and the second bending turn the other way round in a mirror, like any such couple;
    # so does the shear across a section's second direction.
    size = np.max(np.abs(found[0]), axis=0)
    assert_allclose(np.abs(found[1]), np.abs(found[0]), rtol=0, atol=1e-6 * size.max())
    for k, member in enumerate(elastic.members.names):
        if "torsion" not in member and "too" not in member:
            assert_allclose(found[1][:, k], found[0][:, k], rtol=0, atol=1e-6 * size.max())


def test_cut_carries_what_hangs_beyond_it():
    # The whole load passes the arm near the wheel: force and moment about the station by hand.
    car = draw_car(shipped("wishbone_spring_on_arm"), 3, corners=("RL",))
    c, elastic = car.truth.corners["RL"], car.elastic["RL"]
    load = road(FORCES)
    at = settle(elastic, (load,), np.zeros(3), travel=TRAVEL)
    force, moment = load(at.wheels[0])
    for gauge in c.gauges:
        arm = at.wheels[0].turn @ (np.array(gauge.station) - elastic.wheels[0].hub)
        there = moment - np.cross(arm, force)
        along = at.wheels[0].turn @ (np.array(gauge.along) / np.linalg.norm(gauge.along))
        across = at.wheels[0].turn @ np.array(gauge.across)
        about = np.cross(across, along)
        by_hand = {
            "axial": np.sum(along * force, axis=1),
            "torsion": np.sum(along * there, axis=1),
            "bending": np.sum(about * there, axis=1) / np.linalg.norm(about, axis=1),
        }
        found = at.load[:, elastic.members.names.index(gauge.member)]
        assert_allclose(found, by_hand[gauge.measures], rtol=0, atol=1e-6)  # N m; rounding


def test_idle_bodies_stay_where_they_are_and_carry_nothing():
    # A strut's rod spins about its own line: its joints share a line in every car drawn.
    for seed in range(5):
        car = draw_car(shipped("strut"), seed, corners=("FL",))
        s = {x.name: x for x in car.truth.corners["FL"].supports}
        top = np.array(s["top_mount"].outer.point)
        low = np.array(s["slider"].outer.point) - top
        high = np.array(s["slider"].axis_point) - top
        assert_allclose(np.cross(low, high), 0.0, atol=1e-12)
        assert [elastic_body for elastic_body, _ in car.elastic["FL"].idle] == [1]


def test_gauges_at_cuts_feel_the_other_loads_of_their_cut():
    channels = draw_car(shipped("strut"), 7, corners=("FL",)).channels["FL"]
    elastic = draw_car(shipped("strut"), 7, corners=("FL",)).elastic["FL"]
    of_cut = [m.startswith("upright:FL_tube_outward") for m in elastic.members.names]
    g = channels.names.index("FL_tube_outward")
    own = elastic.members.names.index("upright:FL_tube_outward")
    share = np.abs(channels.K[g] * elastic.members.arm) / channels.newton[g]
    assert_allclose(share[own], 1.0)
    others = share[[k for k, mine in enumerate(of_cut) if mine and k != own]]
    assert len(others) == 5
    assert others.min() >= 0.01  # as drawn
    assert others.max() <= 0.06
    other_cut = [m.startswith("upright:FL_tube_forward") for m in elastic.members.names]
    assert np.all(share[other_cut] == 0)


def test_only_the_corners_asked_for_are_drawn():
    car = draw_car(shipped("strut"), 1, corners=("FL",))
    assert set(car.elastic) == set(car.channels) == {"FL"}
    states = slalom_states(car, np.random.default_rng(1), rate=50)
    assert states.corners == ("FL",)
    assert states.force.shape[1] == states.locked.shape[1] == 1
    both = draw_car(shipped("strut"), 1, corners=("RL",))
    assert set(both.elastic) == {"rear"}
    assert both.corners == ("RL", "RR")


@pytest.mark.parametrize(("file", "name"), TIED)
def test_small_loads_of_a_tied_axle_are_shared_as_rigid_statics_say(file: str, name: str):
    # Springs, bar, beam and bound links share by stiffness; where nothing turns much, two programs
    # that share no line agree.  Facts as written, so both have the same rates.
    small = 1e-3
    car = draw_car(shipped(file), 5, effects=STIFF, corners=(name,))
    (unit,) = car.elastic
    elastic = car.elastic[unit]
    bare = {"unsprung_mass": 0.0, "trail": np.zeros(3), "shift_per_force": 0.0}
    loads = tuple(road(small * f, **bare) for f in (FORCES, FORCES[::-1]))
    unloaded = Sprung(elastic.rate, elastic.rest[elastic.springs])
    at = settle(elastic, loads, np.zeros(3), springs=unloaded)
    rigid_at = posed(assembly_of(car.truth, name), 0.0)
    wrench = np.hstack([np.hstack(f(w)) for f, w in zip(loads, at.wheels, strict=True)])
    rows = rigid_at.mechanism.row_names
    rigid = np.concatenate([load_matrix(rigid_at), section_matrix(rigid_at)]) @ wrench.T
    shared = [m for m in elastic.members.names if m in rows]
    assert len(shared) >= len(car.linkages[unit].gauges)
    for member in shared:
        found = at.load[:, elastic.members.names.index(member)]
        # A thousandth of the load turns links by less than a thousandth.
        assert_allclose(
            found / small, rigid[rows.index(member)] / small, rtol=0, atol=5.0, err_msg=member
        )


@pytest.mark.parametrize(("file", "name"), TIED)
def test_both_wheels_and_every_body_of_a_tied_axle_are_in_balance(file: str, name: str):
    car = draw_car(shipped(file), 2, corners=(name,))
    (unit,) = car.elastic
    elastic = car.elastic[unit]
    travel = np.column_stack([TRAVEL, -0.5 * TRAVEL])
    at = settle(elastic, (road(FORCES), road(FORCES[::-1])), np.zeros(3), travel=travel)
    assert np.all(at.unbalanced < 1e-4)  # N; rounding of lengths in supports of 1e9 N/m
    assert_allclose(at.travel, travel, rtol=0, atol=1e-11)
    again = Sprung(elastic.rate, at.spring_length[0] - spring_force(elastic, at)[0] / elastic.rate)
    free = settle(elastic, (road(FORCES[:1]), road(FORCES[2:])), np.zeros(1), springs=again)
    assert_allclose(free.travel[0], travel[0], rtol=0, atol=1e-9)  # springs hold what held them


def spring_force(elastic: ElasticAssembly, at: Settled) -> np.ndarray:
    element = elastic.members.element.tolist()
    return at.load[:, [element.index(e) for e in elastic.springs]]


def test_tied_axle_beyond_reach_is_refused():
    elastic = draw_car(shipped("strut"), 1, corners=("RL",)).elastic["rear"]
    with pytest.raises(VehicleError, match=r"axle rear: .*1000\.0, -1000\.0 mm"):
        settle(elastic, (no_load, no_load), np.zeros(1), travel=np.array([[1.0, -1.0]]))


def test_pulls_of_a_tied_axle_move_its_wheels_on_their_springs_and_say_so():
    car = draw_car(shipped("anti_roll_bar"), 3, corners=("FL",))
    sheet = virtual_pulls(car, None, np.random.default_rng(1))
    assert set(sheet.corner) == {"FL", "FR"}
    assert np.all(np.isfinite(sheet.indication))  # every gauge of the axle, whichever wheel
    pad = (sheet.corner == "FL") & (sheet.pull == "pad")
    assert np.all(np.diff(sheet.setting.travel[pad][:6]) > 0)
    # As far as a crew lets it: 25 mm, peaks scatter by 4 %, half a millimetre of height, rounding.
    assert 0.015 < np.max(sheet.setting.travel) < 0.028
