"""The vehicle file: what is read and what is assumed; the cars that are shipped."""

import re
from dataclasses import replace
from functools import partial
from math import isnan, pi, radians

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.car.bridges import TubeBridge
from recon.car.vehicle import Sensors, Tyre
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import member_matrix
from recon.records.vehicles import read_vehicle
from tests.example_car import MIRROR, VEHICLES, write_example


@pytest.fixture
def written(tmp_path):
    """Write the example with some of its text exchanged; return the file's name."""
    return partial(write_example, tmp_path)


# --- what is read -----------------------------------------------------------------------------


def test_example_in_si(written):
    car = read_vehicle(written())
    corner = car.corners["FL"]
    assert car.mass == 742
    # rtol everywhere here: rounding of the unit factors
    assert_allclose(car.centre_of_mass, (-1.29, 0, 0.43), rtol=1e-12)
    assert_allclose(car.steering.rack_range, (-0.04, 0.04), rtol=1e-12)
    assert_allclose(corner.wheel.centre, (0, 0.71, 0.285), rtol=1e-12)
    assert_allclose(corner.wheel.camber, radians(-1.8), rtol=1e-12)
    assert_allclose((*corner.travel_range, corner.droop_travel), (-0.06, 0.06, -0.05), rtol=1e-12)
    assert [s.name for s in corner.supports if s.inner.rack] == ["tie_rod"]
    assert isnan(corner.supports[0].limit)
    assert isnan(corner.brake.torque_per_pressure)
    pivot = corner.supports[corner.support_index("rocker_pivot")]
    assert pivot.inner.point == pivot.outer.point
    assert_allclose(pivot.axis_point, (-0.03, 0.3, 0.43), rtol=1e-12)


def test_checksum_and_path_are_those_of_the_file(written):
    path = written()
    car = read_vehicle(str(path))
    assert car.path == str(path)
    assert re.fullmatch("[0-9a-f]{64}", car.checksum)
    assert read_vehicle(written(("742", "743"))).checksum != car.checksum


def test_units_of_optional_keys(written):
    car = read_vehicle(
        written(
            ("rack_mm = [-40, 40]", "rack_mm = [-40, 40]\nrack_mm_per_turn = 52"),
            ("unsprung", "brake_torque_Nm_per_bar = 10\nu_brake_torque_Nm_per_bar = 2\nunsprung"),
            (
                "[corner.FL]",
                "[tyre]\npatch_shift_mm_per_kN = 6.5\n\n[sensors]\nu_travel_percent = 0.8\n"
                "u_steer_deg = 0.3\n\n[corner.FL]",
            ),
        )
    )
    brake = car.corners["FL"].brake
    # rtol: rounding of the unit factors
    assert_allclose(car.steering.rack_per_angle, 0.052 / (2 * pi), rtol=1e-12)
    assert_allclose(
        (brake.torque_per_pressure, brake.u_torque_per_pressure), (1e-4, 2e-5), rtol=1e-12
    )
    assert_allclose(car.tyre.shift_per_force, 6.5e-6, rtol=1e-12)
    assert_allclose(car.sensors.u_travel_share, 0.008, rtol=1e-12)
    assert_allclose(car.sensors.u_steer, radians(0.3), rtol=1e-12)
    assert car.tyre.floor_moment == Tyre().floor_moment


def test_slope_of_tube_bench_pull_and_neither(written):
    def gauge(*changes):
        return read_vehicle(written(*changes)).corners["FL"].gauges[0]

    tube = gauge()
    # GF 2.09, 18 x 2 mm, 205 GPa, nu 0.29: 1000 * 2.09/4 * 2.58 / (205e9 * 1.00531e-4) mV/V per N
    assert_allclose(tube.slope, 6.5411e-5, rtol=2e-5)  # rtol: five digits of the hand's result
    assert 0.02 < tube.u_slope / tube.slope < 0.05
    # Tube and bridge stay with the gauge.
    assert isinstance(tube.expected, TubeBridge)
    assert_allclose(tube.expected.tube.area, 1.00531e-4, rtol=1e-5)  # six digits
    assert (tube.expected.bridge, tube.expected.gauge_factor) == ("full_axial", 2.09)
    bench = gauge(
        ("gauge_factor", "bench_slope_per_kN = 0.07\nu_bench_slope_per_kN = 0.002\ngauge_factor")
    )
    assert_allclose((bench.slope, bench.u_slope), (7e-5, 2e-6), rtol=1e-12)  # rounding
    assert isnan(gauge(('unit = "mV/V"', 'unit = "V"')).slope)
    strain = gauge(('unit = "mV/V"', 'unit = "microstrain"'))
    assert_allclose(strain.slope, 0.048523, rtol=2e-5)  # 1e6 / (205e9 * 1.00531e-4), five digits
    without = (("tube_outside_diameter_mm = 18\n", ""), ("tube_wall_mm = 2\n", ""))
    assert isnan(gauge(*without).slope)


@pytest.mark.parametrize(
    ("written_sign", "sign"), [("unknown", 0), ("tension_positive", 1), ("tension_negative", -1)]
)
def test_sign(written, written_sign, sign):
    path = written(('unit = "mV/V"', f'unit = "mV/V"\nsign = "{written_sign}"\nfull_scale = 3'))
    gauge = read_vehicle(path).corners["FL"].gauges[0]
    assert (gauge.sign, gauge.full_scale) == (sign, 3)


def test_mirror_turns_y_and_keeps_toe_and_camber(written):
    car = read_vehicle(written(more=MIRROR))
    left, right = car.corners["FL"], car.corners["FR"]
    for a, b in zip(left.supports, right.supports, strict=True):
        assert b.outer.point == (a.outer.point[0], -a.outer.point[1], a.outer.point[2])
        assert b.inner.point == (a.inner.point[0], -a.inner.point[1], a.inner.point[2])
        assert b.inner.rack == a.inner.rack
    assert right.wheel == replace(left.wheel, centre=(0.0, -0.71, left.wheel.centre[2]))
    assert [g.name for g in right.gauges] == ["FR_push_rod"]


def test_a_mirror_may_stand_before_its_original(written):
    car = read_vehicle(written(("[corner.FL]\n", MIRROR + "\n[corner.FL]\n")))
    assert list(car.corners) == ["FL", "FR"]


# --- what is assumed --------------------------------------------------------------------------


def test_each_default_has_its_sentence(written):
    car = read_vehicle(written(more=MIRROR))
    corner = car.corners["FL"]
    told = "\n".join(map(str, car.assumed))
    # rtol: rounding of the unit factors; the numbers are those of vehicles/README.md
    assert_allclose(car.u_mass, 7.42, rtol=1e-12)
    assert_allclose(corner.u_unsprung_mass, 0.08 * 24.5, rtol=1e-12)
    assert_allclose(corner.supports[0].outer.u, 0.003, rtol=1e-12)
    assert_allclose(corner.supports[5].inner.u, 0.005, rtol=1e-12)
    assert (corner.wheel.spin_inertia, corner.wheel.u_spin_inertia) == (1.0, 0.3)
    assert_allclose(corner.wheel.u_loaded_radius, 0.003, rtol=1e-12)
    for sentence in (
        "car: u_total_kg not stated, taken as 1 %, 7.42 kg",
        "corner FL: u_unsprung_mass_kg not stated, taken as 8 %, 1.96 kg",
        "corner FL: u_mm of upper_front outer, upper_front inner, upper_rear outer and 12 more",
        "corner FL: spin_inertia_kg_m2 not stated, taken as 1.0",
        "corner FL: u_gauge_factor of FL_push_rod not stated, taken as 2 %",
        "car: u_steer_deg not stated, taken as 0.2",
    ):
        assert sentence in told
    assert "corner FR" not in told
    assert len(set(car.assumed)) == len(car.assumed)


def test_defaults_of_tyre_and_sensors_are_those_of_the_dataclasses(written):
    car = read_vehicle(written())
    for given, default in ((car.tyre, Tyre()), (car.sensors, Sensors())):
        for name in default.__slots__:
            # rtol: the default goes to the file's unit and back
            assert_allclose(getattr(given, name), getattr(default, name), rtol=1e-12)


def test_droop_and_brake_torque_uncertainty_assumed(written):
    car = read_vehicle(written(("droop_travel_mm = -50", "brake_torque_Nm_per_bar = 10")))
    assert_allclose(car.corners["FL"].droop_travel, -0.06, rtol=1e-12)  # rounding
    assert_allclose(car.corners["FL"].brake.u_torque_per_pressure, 1.8e-5, rtol=1e-12)  # rounding
    assert "droop_travel_mm not stated, taken as the lower end of travel_mm, -60 mm" in " ".join(
        map(str, car.assumed)
    )


def test_nothing_assumed_where_all_is_stated():
    assert read_vehicle(VEHICLES / "club_racer.toml").assumed == ()


# --- the cars that are shipped ----------------------------------------------------------------


@pytest.mark.parametrize("name", ["club_racer", "case_car"])
def test_shipped_cars_move_and_stand(name):
    """Every link is needed and none overloaded over the stated ranges."""
    car = read_vehicle(VEHICLES / f"{name}.toml")
    assert len(car.gauges) == 24
    assert "invented" in car.source
    scale = 1 / np.array([1, 1, 1, 0.3, 0.3, 0.3])  # moments as forces on an arm of 0.3 m
    for corner in car.corners.values():
        rack = car.steering.rack_range if corner.steered else (0.0, 0.0)
        travel, shift = np.meshgrid(np.linspace(*corner.travel_range, 7), np.linspace(*rack, 5))
        assembly = assembly_of(car, corner.name)
        at = posed(assembly, travel[..., None], shift)
        members = member_matrix(at)
        # A well set out corner has about 100 here, one near a dead centre thousands.
        assert np.max(np.linalg.cond(members * scale)) < 200
        # No member sees more than 1.6 times the force at the hub: short, square links do so.
        assert np.max(np.abs(members[..., :3])) < 1.6
        heading = np.degrees(at.wheels[0].heading)
        if corner.steered:
            assert heading.max() > 12
            assert heading.min() < -12
        # Bump steer of a sound axle stays below 3 degrees over the whole travel.
        straight = np.degrees(posed(assembly, travel[0][:, None]).wheels[0].heading)
        assert np.ptp(straight) < 3
        assert {g.on for g in corner.gauges} <= {s.name for s in corner.supports}


def test_club_racer_gauges_all_that_holds_the_upright():
    car = read_vehicle(VEHICLES / "club_racer.toml")
    for corner in car.corners.values():
        on_upright = [s.name for s in corner.supports if s.outer.on == corner.wheel.on]
        assert [g.on for g in corner.gauges] == on_upright
        assert all(g.slope > 0 for g in corner.gauges)
    text = (VEHICLES / "club_racer.toml").read_text(encoding="utf-8")
    assert "Invented for this project; no real car" in text
