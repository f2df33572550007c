"""Twisted bushes: loads of links against the virtual car, and what is left of them in Fz."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.threads import one_thread
from recon.calibration.applied import pulls_of
from recon.calibration.calibrate import calibrate
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.mechanics.assembly import assembly_of
from recon.mechanics.bushes import bush_loads, loads_per_rate
from recon.mechanics.motion import pose
from recon.mechanics.statics import member_matrix
from recon.reconstruction.prepare import prepare
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.effects import Effects
from recon.virtual.elastic import no_load, settle
from tests.days import NOTHING, unwarned
from tests.shipped_mechanisms import shipped
from tests.slalom_course import slalom_states
from tests.suspension_days import measured_bush_rate

TRAVEL = np.array([-0.03, -0.01, 0.01, 0.02])
RACK = np.array([0.0, 0.01, -0.005, 0.0])


def equally_stiff(car: str, corner: str) -> tuple[VirtualCar, str]:
    """A stiff virtual car whose bushes all have 4 N m/rad, and the name of its assembly."""
    drawn = draw_car(
        shipped(car), 0, effects=Effects(compliance=1e-3, facts=0.0), corners=(corner,)
    )
    unit = drawn.assembly_name(corner)
    elastic = drawn.elastic[unit]
    equal = replace(elastic, tilt=np.where(elastic.tilt > 0, 4.0, 0.0))
    return replace(drawn, elastic={unit: equal}), unit


@pytest.mark.parametrize(
    ("car", "corner"),
    [("club_racer", "FL"), ("case_car", "RL"), ("anti_roll_bar", "FL"), ("solid_axle_tubes", "RL")],
)
def test_bushes_load_links_as_in_the_virtual_car(car: str, corner: str) -> None:
    drawn, unit = equally_stiff(car, corner)
    elastic, rate = drawn.elastic[unit], measured_bush_rate(drawn, unit)
    stated = {n: replace(c, bush_rate=rate) for n, c in drawn.car.corners.items()}
    assembly = assembly_of(replace(drawn.car, corners=stated), unit)
    rack = RACK * assembly.steered
    loads = [
        settle(one, (no_load,) * len(one.wheels), rack, travel=TRAVEL).load
        for one in (elastic, replace(elastic, tilt=0.0 * elastic.tilt))
    ]
    names = list(elastic.members.names)
    true = (loads[0] - loads[1])[:, [names.index(m) for m in assembly.members]]
    found = bush_loads(assembly, pose(assembly.mechanism, TRAVEL[:, None], rack))
    # Drop links of a bar have bushes of their own, which are left out.
    assert_allclose(found, true, rtol=0, atol=0.03 * np.abs(true).max())


def test_bushes_of_an_arm_load_its_spring_but_no_section_towards_the_wheel() -> None:
    """The spring sees the rate at the wheel, by virtual work; no couple bends the arm."""
    assembly = assembly_of(shipped("wishbone_spring_on_arm"), "RL")
    spring = assembly.mechanism.row_names.index("spring")
    mechanism = replace(assembly.mechanism, members=(*assembly.mechanism.members, spring))
    at = pose(mechanism, TRAVEL[:, None])
    found, pulled = loads_per_rate(at)[..., 0], -TRAVEL[:, None] * member_matrix(at)[..., 2]
    assert_allclose(found[:, -1], pulled[:, -1], rtol=0.03)
    assert_allclose(found[:, :-1], 0.0, atol=1e-9)
    assert np.abs(pulled[:, :-1]).max() > 1e-3  # N m per N/m, by a force at the wheel


def test_bushes_beside_a_ball_joint_pull_at_the_wheel() -> None:
    assembly = assembly_of(shipped("wishbone_spring_on_arm"), "FL")
    at = pose(assembly.mechanism, TRAVEL[:, None])
    found = loads_per_rate(at)[..., 0]
    assert_allclose(found, -TRAVEL[:, None] * member_matrix(at)[..., 2], rtol=1e-6, atol=1e-12)


def test_without_bushes_nothing_changes() -> None:
    assembly = assembly_of(shipped("case_car"), "FL")
    assert not bush_loads(assembly, pose(assembly.mechanism, TRAVEL[:, None])).any()


def with_rate(car: Vehicle, rate: float) -> Vehicle:
    corners = {n: replace(c, bush_rate=rate, u_bush_rate=25.0) for n, c in car.corners.items()}
    return replace(car, corners=corners)


def test_vertical_force_is_free_of_bushes() -> None:
    """Bushes load links too: to add their force at the wheel to Fz would leave more."""
    # Gauges warm as they are taken to.
    rng, effects = np.random.default_rng(5), replace(NOTHING, bushes=1.0, thermal_gain=0.5)
    drawn = draw_car(shipped("case_car"), rng, corners=("FL",), effects=effects)
    rate, pulls = measured_bush_rate(drawn, "FL"), virtual_pulls(drawn, None, rng)
    log, tares, truth = virtual_drive(drawn, slalom_states(drawn, rng, rate=100.0), rng)
    true = truth["tyre_force_intermediate"].to_numpy()[:, 0, 2]
    error = []
    with unwarned(), one_thread():
        for car in (with_rate(drawn.car, rate), with_rate(drawn.car, 0.0)):
            conditioned = condition(log, car, tares, bandwidth=1e9)
            forces = prepare(calibrate(pulls, car), car, conditioned).solve(conditioned)
            error.append(forces["tyre_force_intermediate"].to_numpy()[:, 0, 2] - true)
    travel = conditioned["travel"].sel(corner="FL").to_numpy() - car.corners["FL"].droop_travel
    left, added = np.mean(error[0]), np.mean(error[1] + rate * travel)
    assert abs(left) < 0.5 * abs(added)
    assert abs(left) < 0.5 * abs(np.mean(error[1]))


def test_pulls_that_lift_wheels_on_their_springs_are_free_of_bushes() -> None:
    """What bushes carry is no load of the spring, and the written loads do not count it."""
    rng, effects = np.random.default_rng(5), replace(NOTHING, bushes=1.0)
    drawn = draw_car(shipped("anti_roll_bar"), rng, corners=("FL",), effects=effects)
    rate, sheet = measured_bush_rate(drawn, "front"), virtual_pulls(drawn, None, rng)
    names = list(drawn.elastic["front"].members.names)
    off = []
    for car in (with_rate(drawn.car, rate), with_rate(drawn.car, 0.0)):
        assembly = assembly_of(car, "front")
        K = drawn.channels["front"].K[:, [names.index(m) for m in assembly.members]]
        springs = [assembly.members.index(f"{side}.coil_over") for side in ("FL", "FR")]
        pulls = pulls_of(sheet, car, assembly, "fit")
        true = np.concatenate([np.linalg.solve(K, p.indication.T).T for p in pulls])
        off.append((np.concatenate([p.loads(p.wrench()) for p in pulls]) - true)[:, springs])
    rms, mean = np.sqrt(np.mean(np.square(off), axis=(1, 2))), np.abs(np.mean(off, axis=(1, 2)))
    assert rms[0] < 0.5 * rms[1]
    assert mean[0] < 0.3 * mean[1]
