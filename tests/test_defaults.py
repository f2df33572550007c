"""Which defaults of a vehicle file matter most, and by how much."""

from __future__ import annotations

from dataclasses import replace

import pytest

from recon.car.vehicle import Assumed, Vehicle
from recon.reconstruction.defaults import effects_of_defaults
from recon.report.car.car_summary import car_summary
from tests.shipped_mechanisms import shipped


def assumed(car: Vehicle, *keys: str, owner: str = "corner FL") -> Vehicle:
    return replace(car, assumed=tuple(Assumed(owner, key, "", "a default") for key in keys))


def test_nothing_is_ranked_where_all_is_stated(club_racer: Vehicle) -> None:
    assert effects_of_defaults(club_racer) == []


def test_an_unsprung_mass_moves_the_lateral_force_by_its_inertia() -> None:
    car = assumed(shipped("strut"), "u_unsprung_mass_kg")
    (effect,) = effects_of_defaults(car)
    assert (effect.corner, effect.component) == ("FL", "y")
    # Sideways 0.7 g of the mass act at the hub; as they act above the road, a little more or less.
    expected = 0.7 * 9.81 * car.corners["FL"].u_unsprung_mass
    assert effect.u == pytest.approx(expected, rel=0.15)


def test_effects_grow_with_the_default_and_the_largest_comes_first(case_car: Vehicle) -> None:
    car = assumed(case_car, "u_droop_travel_mm", "u_unsprung_mass_kg", "u_loaded_radius_mm")
    before = {e.assumed.key: e.u for e in effects_of_defaults(car)}
    assert len(before) == 3
    assert list(before.values()) == sorted(before.values(), reverse=True)
    corner = car.corners["FL"]
    wider = replace(corner, wheel=replace(corner.wheel, u_loaded_radius=0.03))
    after = {
        e.assumed.key: e.u
        for e in effects_of_defaults(replace(car, corners=car.corners | {"FL": wider}))
    }
    share = 0.03 / corner.wheel.u_loaded_radius
    assert after["u_loaded_radius_mm"] == pytest.approx(share * before["u_loaded_radius_mm"])
    assert after["u_droop_travel_mm"] == pytest.approx(before["u_droop_travel_mm"])


def test_a_travel_sensor_is_not_given_the_effect_of_the_droop(case_car: Vehicle) -> None:
    car = assumed(case_car, "u_travel_mm", owner="car")
    (before,) = effects_of_defaults(car)
    corners = {
        name: replace(corner, u_droop_travel=10 * corner.u_droop_travel)
        for name, corner in car.corners.items()
    }
    (after,) = effects_of_defaults(replace(car, corners=corners))
    assert after.u == pytest.approx(before.u)
    wider = replace(car.sensors, u_travel=2 * car.sensors.u_travel, u_travel_share=0.0)
    single = replace(wider, u_travel=car.sensors.u_travel)
    (twice,), (once,) = (effects_of_defaults(replace(car, sensors=s)) for s in (wider, single))
    assert twice.u == pytest.approx(2 * once.u)  # twin: it follows the sensor


def test_a_steer_sensor_turns_the_lateral_force(case_car: Vehicle) -> None:
    (effect,) = effects_of_defaults(assumed(case_car, "u_steer_deg", owner="car"))
    assert effect.corner == "FL"
    assert effect.u > 0


def test_defaults_of_bridges_are_not_ranked_as_pulls_replace_them(case_car: Vehicle) -> None:
    assert effects_of_defaults(assumed(case_car, "u_gauge_factor", "poisson_ratio")) == []


def test_an_axle_whose_loads_need_a_rate_is_left_out_of_the_ranking() -> None:
    """The car is described all the same: `check` used to end with a fault of the program."""
    car = assumed(shipped("anti_roll_bar"), "u_unsprung_mass_kg")
    axle = car.axles["front"]
    supports = tuple(replace(s, compliance=float("nan")) for s in axle.supports)
    bare = replace(car, axles={**car.axles, "front": replace(axle, supports=supports)})
    assert [e.corner for e in effects_of_defaults(car)] == ["FL"]
    assert effects_of_defaults(bare) == []
    assert any("axle front" in line for line in car_summary(bare))


def test_check_shows_three_defaults_with_their_newtons() -> None:
    lines = car_summary(shipped("strut"))
    first = next(i for i, line in enumerate(lines) if "helps most" in line)
    shown = [line for line in lines[first + 1 :] if " N of F" in line]
    assert len(shown) == 3
    newtons = [int(line.split()[0]) for line in shown]
    assert newtons == sorted(newtons, reverse=True)
    assert "u_unsprung_mass_kg (corner RL), taken as 8 %" in shown[0]
