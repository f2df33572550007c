"""Steer that is not logged: from yaw rate and speed, from the gauges, or a straight rack."""

from __future__ import annotations

import warnings
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.conditioning.hub_motion import arm_of
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.inputs.steering import INFERRED, SHARE_INFERRED, slip_of_yaw
from recon.reconstruction.result.signed_errors import signed_errors
from recon.reconstruction.steer_from_gauges import USUAL_SPEED, smooth, speed_of, with_steer
from recon.reconstruction.yaw_inertia import YawMoment
from tests.days import day, unwarned


@cache
def without(*names: str) -> tuple[xr.Dataset, list[str]]:
    """Forces without some channels, and what was said."""
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        log = condition(day().log.drop_vars(names), day().car, day().tares)
        forces = reconstruct(log, day().calibration, day().car)
    return forces, [str(w.message) for w in said if w.category is PriorWarning]


def heading_error(forces: xr.Dataset) -> np.ndarray:
    """Heading of the front wheels against that of the full log [rad]."""
    inner = slice(200, -200)
    full, found = (f["heading"].to_numpy()[inner, :2] for f in (day().forces, forces))
    return np.asarray(found - full)


def stated_of(said: list[str], forces: xr.Dataset) -> tuple[str, float]:
    """The sentence about the steer, and the uncertainty that it states [deg], rms of the drive."""
    (sentence,) = [text for text in said if "steer is not logged" in text]
    fixed, share = (
        sentence.split("uncertainty of ")[1].removesuffix(" % of the steer.").split(" degrees and ")
    )
    heading = np.degrees(forces["heading"].to_numpy()[200:-200, :2])
    return sentence, float(np.hypot(float(fixed), 0.01 * float(share) * np.std(heading)))


def test_yaw_rate_and_speed_show_the_steer_within_what_is_stated() -> None:
    forces, said = without("steer")
    sentence, stated = stated_of(said, forces)
    assert "steer is not logged; it is calculated from yaw rate and speed" in sentence
    error = np.degrees(np.sqrt(np.mean(np.square(heading_error(forces)))))
    # The virtual car steers as if it had no yaw inertia: it is one car beside the usual one.
    assert error < 2.0 * stated
    assert stated < 2.0  # most of it where the tyres are near their limit
    assert np.degrees(np.std(day().forces["heading"].to_numpy()[:, 0])) > 1.5  # twin


@pytest.mark.parametrize("speed", [(), ("speed",)])
def test_gauges_show_the_steer_where_yaw_rate_is_not_logged(speed: tuple[str, ...]) -> None:
    forces, said = without("steer", "yaw_rate", *speed)
    sentence, stated = stated_of(said, forces)
    assert "it is calculated from its accelerations by the gauges" in sentence
    assert ("which show the speed of the car as well" in sentence) is bool(speed)
    error = np.degrees(np.sqrt(np.mean(np.square(heading_error(forces)))))
    assert 0.2 * stated < error < 2.0 * stated
    assert stated < 2.0


def test_a_wheel_angle_that_is_of_no_use_is_not_passed_over() -> None:
    """Its ratio is not stated: said where the steer comes from elsewhere, with the cure."""
    car = replace(day().car, steering=replace(day().car.steering, rack_per_angle=np.nan))
    angle = day().log["steer"].rename("steering_wheel_angle")
    log = day().log.drop_vars("steer").assign(steering_wheel_angle=angle)
    with unwarned(), pytest.warns(PriorWarning, match="steer is not logged") as said:
        reconstruct(condition(log, car, day().tares), day().calibration, car)
    (sentence,) = [str(w.message) for w in said if "steer is not logged" in str(w.message)]
    assert "it is calculated from yaw rate and speed" in sentence
    assert sentence.endswith(
        "% of the steer. steering_wheel_angle is logged, but shows no steer before the vehicle "
        "file says how far the rack moves per turn: state rack_mm_per_turn."
    )


def test_straights_make_no_steer_better_known() -> None:
    """A wrong steer turns the lateral force: nothing where there is none, however long that is."""

    def stated(straight: int) -> float:
        """For 40 s of corners at 8 m/s2 before `straight` seconds without any."""
        weave = 8.0 * np.sin(0.4 * np.pi * np.arange(0.0, 40.0, 0.005))
        aside = np.append(weave, np.zeros(straight * 200))
        felt = np.column_stack([np.zeros(len(aside)), aside, np.full(len(aside), 9.81)])
        log = xr.Dataset(
            {"acceleration": (("elapsed_time", "component"), felt)}, attrs={"rate": 200.0}
        )
        return float(with_steer(log, day().car, np.gradient(aside / 20.0, 0.005))[SHARE_INFERRED])

    # Equal weights would leave a third.
    assert stated(0) > 0.3
    assert stated(360) == pytest.approx(stated(0), rel=0.1)


def test_sideways_acceleration_over_yaw_rate_is_speed() -> None:
    """A car that slows down in a weave, with biased and noisy accelerations; then straight on."""
    step, rng = 0.05, np.random.default_rng(5)
    time = np.arange(0, 60, step)
    speed = 25.0 - 15.0 * np.clip((time - 20.0) / 15.0, 0.0, 1.0)
    yaw = 0.3 * np.sin(2 * np.pi * 0.4 * time)
    ahead = np.gradient(speed, step) + 0.2 + 0.3 * rng.standard_normal(len(time))
    aside = speed * yaw + 0.2 + 0.3 * rng.standard_normal(len(time))
    change = np.gradient(yaw, step) + 0.05 + 0.05 * rng.standard_normal(len(time))
    found = speed_of(ahead, aside, change, step)
    assert_allclose(found.value, speed, rtol=0.1)
    assert np.all(found.u < 0.15 * speed + 0.5)
    straight = speed_of(*rng.normal(0.0, 0.2, (2, 200)), np.zeros(200), step)
    assert_allclose(straight.value, USUAL_SPEED, atol=1.0)
    assert np.all(straight.u > 9.9)


def test_hard_braking_does_not_make_a_hairpin_slower_than_it_is() -> None:
    """From 30 to 11 m/s in 2.4 s, then a hairpin: exact signals, so only the method errs."""
    step = 0.05
    time = np.arange(0, 24, step)
    ahead = smooth(np.where((time > 3.0) & (time < 5.4), -8.0, 0.0), 4.0)
    speed = 30.0 + np.cumsum(ahead) * step
    aside = smooth(np.where((time > 5.0) & (time < 10.0), 8.0, 0.0), 6.0)
    found = speed_of(ahead, aside, np.gradient(aside / speed, step), step)
    turns = aside > 4.0
    assert_allclose(speed[turns].min(), 11.2, atol=0.1)
    # 2.5 m/s slower where what varies with speed and yaw rate is filtered before it is multiplied.
    assert_allclose(found.value[turns], speed[turns], atol=0.4)


def test_a_long_steady_circle_keeps_the_speed_of_its_entry() -> None:
    """Forty seconds at 14 m/s and 8 m/s2, in which nothing changes that would show the speed."""
    step, rng = 0.05, np.random.default_rng(11)
    time = np.arange(0, 60, step)
    aside = smooth(np.where((time > 10.0) & (time < 50.0), 8.0, 0.0), 8.0)
    change = np.gradient(aside / 14.0, step) + 0.03 * rng.standard_normal(len(time))
    ahead = 0.1 + 0.1 * rng.standard_normal(len(time))  # air and slope, which do not make it faster
    found = speed_of(ahead, aside + 0.1 * rng.standard_normal(len(time)), change, step)
    circle = (time > 12.0) & (time < 48.0)
    assert np.max(np.abs(found.value - 14.0)[circle] / found.u[circle]) < 1.5
    assert np.all(found.u[circle] < 5.0)
    # Where every five seconds stood alone, the middle was taken to be at 20 m/s.
    assert np.all(found.value[circle] < 18.5)


def test_the_lean_of_the_body_is_no_acceleration_of_the_car() -> None:
    """A weave at 20 m/s whose body rolls 5 degrees per g feels 9 % more than the car turns."""
    time = np.arange(0.0, 40.0, 0.005)
    aside, steady = 6.0 * np.sin(0.4 * np.pi * time), np.zeros(len(time))
    roll = np.radians(5.0) * aside / STANDARD_GRAVITY
    felt = np.column_stack([steady, aside + STANDARD_GRAVITY * roll, steady + 9.81])
    lean = {"roll": ("elapsed_time", roll), "pitch": ("elapsed_time", steady)}
    log = xr.Dataset({"acceleration": (("elapsed_time", "component"), felt), **lean})
    log = log.assign_attrs(rate=200.0)
    change = np.gradient(aside / 20.0, 0.005)
    heading = with_steer(log, day().car, change)[INFERRED].to_numpy() - slip_of_yaw(
        day().car, change
    )
    share = heading @ aside / (aside @ aside) * 20.0**2 / day().car.wheelbase
    assert share == pytest.approx(1.0, abs=0.03)  # 0.92 with the acceleration as it is felt


def test_wheels_of_unequal_mass_do_not_turn_a_car_in_a_steady_corner() -> None:
    """Eight m/s2 to the left: tyres push at the centre of mass, links without the wheels' share."""
    car = day().car
    rear = {c: replace(car.corners[c], unsprung_mass=80.0) for c in ("RL", "RR")}
    car = replace(car, corners=car.corners | rear)
    arms = {c: arm_of(car, c) for c in car.corners}
    ahead, behind = arms["FL"][0], -arms["RL"][0]
    share = {"F": behind / (ahead + behind), "R": ahead / (ahead + behind)}
    links = {}
    for turned in (0.0, 0.5):  # rad/s2
        for c, arm in arms.items():
            side = 8.0 + turned * arm[0]
            tyre = 0.5 * car.mass * (8.0 * share[c[0]] + turned * np.sign(arm[0]) * ahead * behind
                                     / (ahead + behind))  # fmt: skip
            mass = car.corners[c].unsprung_mass
            own = [turned * arm[1] * mass, tyre - mass * side, 0.0]
            links[c] = np.array(own)[:, None] * np.ones(5)
        # The body's own centre is ahead of the car's, and is accelerated a little otherwise.
        assert_allclose(YawMoment.of(car, links).change(1.0), turned, atol=0.01 + 0.03 * turned)


def test_a_straight_rack_is_worse_and_says_so() -> None:
    """One axle alone shows no yaw."""
    front, ahead = {}, ("steer", "yaw_rate")
    for gone in (("steer",), ahead):
        log = condition(day().log.drop_vars(gone), day().car, day().tares)
        log = log.sel(gauge=[name for name in log["gauge"].to_numpy() if str(name)[0] == "F"])
        with unwarned(), warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always", PriorWarning)
            front[gone] = reconstruct(log, day().calibration, day().car)
    assert any("the rack is taken as straight within 10 mm" in str(w.message) for w in said)
    of_yaw, straight = front.values()
    assert np.std(heading_error(straight)) > 2 * np.std(heading_error(of_yaw))
    u = [
        np.sqrt(np.mean(np.square(f["u_tyre_force"].to_numpy()[:, 0, 0])))
        for f in (straight, of_yaw, without(*ahead)[0])
    ]
    assert u[0] > 2 * u[1]
    assert u[0] > 1.5 * u[2]


@pytest.mark.parametrize("gone", [("steer",), ("steer", "yaw_rate")])
def test_errors_of_the_steer_cause_by_cause_are_those_that_are_stated(
    gone: tuple[str, ...],
) -> None:
    forces, _ = without(*gone)
    at = np.arange(200, forces.sizes["elapsed_time"] - 200, 50)
    square = np.sum(np.square(signed_errors(forces, at, "tyre")), axis=0)
    square += np.square(forces["u_tyre_force_random"].to_numpy()[at])
    # Single precision.
    assert_allclose(np.sqrt(square), forces["u_tyre_force"].to_numpy()[at], rtol=1e-5)
    own = forces["cause_name"].to_numpy() == "steer"
    assert own.sum() == 2
    assert np.all(np.any(forces["loading_added_tyre"].to_numpy()[own], axis=(1, 2, 3)))


def test_forces_are_as_good_as_with_a_steer_sensor() -> None:
    of_yaw, _ = without("steer")
    for name in ("tyre_force_intermediate", "u_tyre_force_intermediate"):
        full, found = (f[name].to_numpy()[200:-200] for f in (day().forces, of_yaw))
        size = np.sqrt(np.mean(np.square(day().forces["u_tyre_force_intermediate"].to_numpy())))
        assert np.sqrt(np.mean((found - full) ** 2)) < 0.5 * size


@pytest.mark.parametrize("gone", [("steer",), ("steer", "yaw_rate")])
def test_no_cause_is_suspected_only_because_the_steer_is_missing(gone: tuple[str, ...]) -> None:
    assert without(*gone)[0].sizes.get("doubt", 0) == 0
