"""Braking: shares against textbook loads, unused force, engine, pressure, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.analysis.braking import FRICTION, HANDED_BACK, braking
from recon.base.errors import DataError
from recon.base.status import BIT
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.sections.stated_sections import GivenSection
from recon.report.answers.braking import braking_summary, plot_braking
from tests.made_car import BASE, CONSTANT, FX, HEIGHT, HUB, MASS, RATE, TO_FRONT, G, MadeCar
from tests.made_forces import stamped

# An ideal split at 0.9 g and the axle loads behind it, for the car of `made_car`.
IDEAL = (BASE - TO_FRONT + 0.9 * HEIGHT) / BASE
FILTER = 2e-4  # of a share: what the filter does to the ramps of a stop


def stopped(front_share: float = IDEAL, **options: object) -> MadeCar:
    """A car that stops once with 0.9 g."""
    car = MadeCar(6.0, **options)
    car.brake(2.0, 4.0, 0.9 * G, front_share)
    return car


def at_full(car: MadeCar) -> xr.Dataset:
    """The answer on that part of the stop in which braking is full."""
    middle = GivenSection("middle", "straight braking", 2.6, 3.4)
    forces = car.forces()
    return braking(forces, sections=find_sections(forces, [middle]))


def words(found: xr.Dataset) -> str:
    """The summary without line breaks."""
    return " ".join(" ".join(braking_summary(found)).split())


@pytest.mark.source("BRAKE-SPLIT: ideal split of braking is that of the dynamic axle loads")
def test_an_ideal_split_is_that_of_the_loads() -> None:
    assert pytest.approx(0.74) == IDEAL
    found = braking(stopped().forces())
    assert_allclose(found["front_share"], 0.74, atol=FILTER)
    # In the ramps less load has moved, so the ideal share of the whole stop lies lower.
    assert found["ideal_front_share"].item() < 0.735
    found = at_full(stopped())
    assert_allclose(found["ideal_front_share"], 0.74, atol=FILTER)
    assert_allclose(found["braking_force"], [[7840.15, 2754.65]], rtol=2e-3)
    assert "alike within" in braking_summary(found)[0]


@pytest.mark.source("BRAKE-SPLIT: ideal split of braking is that of the dynamic axle loads")
def test_too_much_at_one_axle_is_said() -> None:
    found = at_full(stopped(0.80))
    assert_allclose(found["front_share_over_ideal"], 0.06, atol=FILTER)
    assert braking_summary(found)[0].endswith("6.0 +-0.0 percentage points too much at the front")
    rear = braking_summary(braking(stopped(0.65).forces()))[0]
    assert rear.endswith("too much at the rear")


@pytest.mark.source("F3: longitudinal transfer with both axles at the limit of friction")
def test_axles_that_reach_the_limit_together_leave_nothing_unused() -> None:
    """Static 6000 and 3500 N, 2.4 m, 0.35 m, friction 0.65: 4485.3 N; stopped with half of it."""
    car = MadeCar(6.0)
    moved, total = 0.35 / 2.4, 0.65 * 9500.0
    front = 0.65 * (6000.0 + moved * total)
    assert front == pytest.approx(4485.3, abs=0.05)
    car.force[..., 2] = 0.0
    car.add(2, 6000.0, 3500.0)
    over = car.profile(2.0, 4.0) / 2
    car.add(0, -front, front - total, over)
    car.add(2, moved * total, -moved * total, over)
    forces = car.forces()
    forces["centre_of_mass"][2] = 0.35 * BASE / 2.4  # the same height over wheelbase
    forces["vehicle_mass"] = forces["vehicle_mass"] * 0 + 9500.0 / G
    left = braking(forces, friction=0.65)["unused_force"].to_numpy()
    assert_allclose(left, 0.0, atol=2.0)  # N; ramps pass the filter
    forces["centre_of_mass"][2] = 0.0  # twin: no load moves as braking is doubled
    still = braking(forces, friction=0.65)["unused_force"].to_numpy()
    assert np.abs(still).min() > 150.0


def test_the_axle_with_less_of_its_load_in_use_has_force_left() -> None:
    """Front 0.82 of the braking: at friction 1 the front limits, and the rear has newtons left."""
    found = braking(stopped(0.82).forces(), friction=1.0)
    front, rear = found["unused_force"].to_numpy()[0]
    total, k = MASS * 0.9 * G, HEIGHT / BASE
    load = MASS * G * np.array([BASE - TO_FRONT, TO_FRONT]) / BASE
    # By bisection on the scale, with loads that move as braking grows.
    scale = np.linspace(1.0, 3.0, 200_001)
    at = scale[np.argmax(scale * 0.82 * total >= load[0] + k * scale * total)]
    expected = load[1] - k * at * total - at * 0.18 * total
    assert rear == pytest.approx(expected, rel=0.02)
    assert front < 0 < rear
    assert f"the rear axle could still brake {rear:.0f} +-0 N more" in words(found)


def test_uncertainty_of_the_share_against_monte_carlo() -> None:
    car = stopped(0.7)
    sizes = {"FL": 120.0, "RR": 80.0}
    for corner, size in sizes.items():
        car.cause(f"{corner} zeros", corner, 0, CONSTANT, size)
    car.cause("strap gain", "FL", 0, FX, 0.02)
    found = braking(car.forces())
    rng, n = np.random.default_rng(3), 100_000
    front, rear = -found["braking_force"].to_numpy()[0]
    drawn = front * np.ones(n) + sizes["FL"] * rng.standard_normal(n)
    drawn += 0.02 * front / 2 * rng.standard_normal(n)
    other = rear + sizes["RR"] * rng.standard_normal(n)
    spread = np.std(drawn / (drawn + other))
    assert float(found["u_front_share"][0]) == pytest.approx(spread, rel=0.02)


def test_a_gain_that_all_tyres_share_leaves_the_share_alone() -> None:
    car = stopped(0.7)
    car.cause("strap gain", "FL", 0, FX, 0.02)
    for corner in ("FR", "RL", "RR"):
        car.causes[0][1][:, ("FL", "FR", "RL", "RR").index(corner), 0, FX] = 0.02
    found = braking(car.forces())
    assert float(found["u_front_share"][0]) < 1e-5
    assert float(found["u_braking_force"][0, 0]) == pytest.approx(
        0.02 * float(found["braking_force"][0, 0]), rel=0.01
    )


def stated_torque(car: MadeCar, part: float) -> None:
    """Let a part of the rear force follow the stated torque per pressure, known to 10 %."""
    half = MASS * 0.9 * G * 0.3 / 2
    for corner in ("RL", "RR"):
        size = -part * 0.1 * half / 1000.0  # of the hub's moment, 1000 N m here
        car.cause(f"{corner} brake torque per pressure", corner, 0, HUB, size)


def test_a_share_says_how_much_of_it_rests_on_a_stated_torque() -> None:
    car = stopped(0.7)
    stated_torque(car, 0.2)
    found = at_full(car)
    assert_allclose(found["resting_on_stated_torque"], [[0.0, 0.2]], atol=0.002)
    assert np.isfinite(found["front_share"]).all()
    assert "At most 20.0 % of a braking force rests on a stated" in words(found)


def test_a_stated_torque_is_not_handed_back_as_a_share() -> None:
    car = stopped(0.7)
    stated_torque(car, 0.9)
    assert HANDED_BACK < 0.9
    found = at_full(car)
    for name in ("front_share", "all_stops_front_share", "brakes_front_share"):
        assert np.isnan(found[name]).all()
    assert np.isfinite(found["braking_force"]).all()
    text = words(found)
    assert "Front share of middle: 90 % of the rear braking force is" in text
    assert "Gauge one more link at RL and RR" in text
    assert "nan" not in text


def coasting(clutch: float = 0.0) -> MadeCar:
    """Coasting with 400 N of drag at the rear and 60 N at the front, then a stop with both."""
    car = MadeCar(8.0)
    off, over = (car.time < 5.3).astype(float), car.profile(3.0, 5.0)
    in_gear = off * (car.time < 2.9) if clutch else off
    car.add(0, -60.0, -60.0, off)
    car.add(0, 0.0, -340.0, in_gear)
    car.brake(3.0, 5.0, 0.6 * G, 0.7)
    car.channels = {"throttle": 1 - off, "brake_pressure": 40e5 * over[:, None] * np.ones(4),
                    "clutch": clutch * (car.time >= 2.9)}  # fmt: skip
    return car


@pytest.mark.parametrize("clutch", [0.0, 1.0])
def test_engine_and_rolling_drag_are_taken_off_the_brakes(clutch: float) -> None:
    found = braking(coasting(clutch).forces())
    assert_allclose(found["coasting_force"], [60.0, 400.0], rtol=0.02)
    assert_allclose(found["brakes_front_share"], 0.7, atol=0.001)
    assert abs(float(found["front_share"][0]) - 0.7) > 0.002 * (1 + 5 * (clutch == 0))  # twin
    expected = 0.6 * G * MASS * np.array([[0.7, 0.3]]) / 40e5
    assert_allclose(found["force_per_pressure"], expected, rtol=0.005)
    assert "rear 400 +-" in words(found)


@pytest.mark.parametrize(
    ("lacking", "words"),
    [("throttle", "throttle not logged"), ("brake_pressure", "brake_pressure not logged")],
)
def test_without_a_channel_engine_braking_is_said_to_be_inside(lacking: str, words: str) -> None:
    found = braking(coasting().forces().drop_vars(lacking))
    assert np.isnan(found["brakes_front_share"]).all()
    assert any(words in sentence for sentence in not_given(found))
    assert np.isfinite(found["front_share"]).all()


def test_a_long_coast_after_a_short_one_counts_by_its_length() -> None:
    car = MadeCar(12.0)
    short, long = car.profile(0.5, 2.5), car.profile(6.0, 11.0)
    car.add(0, 0.0, -300.0, short)
    car.add(0, 0.0, -400.0, long)
    car.brake(3.0, 5.0, 0.6 * G, 0.7)
    pressure = 40e5 * np.outer(car.profile(3.0, 5.0), np.ones(4))
    throttle = ((short < 1) & (long < 1)).astype(float)
    car.channels = {"throttle": throttle, "brake_pressure": pressure}
    rear = braking(car.forces())["coasting_force"].sel(axle="rear")
    assert 375 < float(rear) < 390  # 300 N for about 1.2 s, 400 N for about 4.2 s


def test_a_drive_without_coasting_says_what_to_do() -> None:
    car = coasting()
    car.channels["throttle"][:] = 1.0
    assert "Coast for a second in gear" in braking(car.forces()).attrs["not_given"]


@pytest.mark.parametrize("shut", [0.0, 0.11])
def test_a_throttle_that_holds_the_speed_is_not_let_go(shut: float) -> None:
    """Nor need the sensor of one that is shut read 0."""
    car = coasting()
    car.channels["throttle"] += shut
    assert_allclose(braking(car.forces())["coasting_force"], [60.0, 400.0], rtol=0.02)  # twin
    car.channels["throttle"][car.time < 2.9] += 0.04
    assert "nowhere let go" in braking(car.forces()).attrs["not_given"]


def faded(change: float) -> MadeCar:
    """Two stops at the same pressure; the front brakes give `change` more in the second."""
    car = MadeCar(12.0)
    pressure = np.zeros((len(car.time), 4))
    for start, gain in ((2.0, 1.0), (7.0, 1.0 + change)):
        over = car.profile(start, start + 2.0)
        car.add(0, -4000.0 * gain, -1800.0, over)
        pressure += np.multiply.outer(over, [50e5, 50e5, 30e5, 30e5])
    car.channels = {"brake_pressure": pressure}
    return car


def test_fade_is_the_change_of_force_per_pressure_and_shared_gains_cancel() -> None:
    car = faded(-0.05)
    car.cause("FL pulls", "FL", 0, FX, 0.02)
    car.cause("FR pulls", "FR", 0, FX, 0.02)
    found = braking(car.forces())
    assert_allclose(found["force_per_pressure_change"], [-0.05, 0.0], atol=1e-3)
    # 2 % of each of two tyres is 1.4 % of their axle, and nothing of a change.
    ratio = found["u_force_per_pressure"] / found["force_per_pressure"]
    assert_allclose(ratio.sel(axle="front"), 0.02 / np.sqrt(2), rtol=0.01)
    assert float(found["u_force_per_pressure_change"].sel(axle="front")) < 1e-4
    text = words(found)
    assert "front 80.0 +-2.2 N (-5.0 +-0.0 % by the last stop)" in text


@pytest.mark.parametrize("speed", [True, False])
def test_a_locked_wheel_gives_what_the_road_does_and_shows_no_fade(speed: bool) -> None:
    """By its speed, or by the flag of a wheel that stands still."""
    car = faded(-0.05)
    early = (car.time > 2.2) & (car.time < 3.9)
    forces = car.forces()
    if speed:
        turning = np.full((len(car.time), 4), 20.0 / 0.3)
        turning[early, 0] *= 0.7
        on = (("elapsed_time",), np.full(len(car.time), 20.0))
        wheels = (("elapsed_time", "corner"), turning)
        radius = (("corner",), np.full(4, 0.3))
        forces = stamped(forces.assign(speed=on, wheel_speed=wheels, loaded_radius=radius))
    else:
        forces["status"][early, 0] |= BIT["wheel_locked"]
    found = braking(forces)
    per_bar = found["force_per_pressure"].sel(axle="front")
    assert np.isnan(per_bar[0])
    assert_allclose(per_bar[1], 0.95 * 8e-4, rtol=0.002)
    assert np.isnan(found["force_per_pressure_change"].sel(axle="front"))
    assert np.isfinite(found["force_per_pressure_change"].sel(axle="rear"))
    (said,) = [text for text in not_given(found) if "locked" in text]
    assert f"front axle in {found['stop'].to_numpy()[0]}:" in said
    assert f"front 76.0 +-0.0 N in {found['stop'].to_numpy()[1]}" in words(found)


def test_a_lock_for_part_of_a_stop_leaves_the_rest() -> None:
    car = faded(0.0)
    early = (car.time > 2.2) & (car.time < 2.6)
    car.force[early, :2, 0] *= 0.7
    forces = car.forces()
    assert abs(float(braking(forces)["force_per_pressure_change"][0])) > 0.02  # twin
    forces["status"][early, 1] |= BIT["wheel_locked"]
    found = braking(forces)["force_per_pressure_change"]
    assert_allclose(found.sel(axle="front"), 0.0, atol=0.003)


def test_engine_braking_that_nothing_shows_is_allowed_for_on_the_driven_axle() -> None:
    u = braking(faded(0.0).forces())["u_force_per_pressure"]
    assert_allclose(u.sel(axle="front"), 0.0, atol=1e-9)
    assert_allclose(u.sel(axle="rear"), 0.03 * MASS * G / 30e5, rtol=0.05)  # ramps


def test_one_stop_has_no_fade() -> None:
    car = coasting()
    found = braking(car.forces())
    assert np.isnan(found["force_per_pressure_change"]).all()
    assert "Brake twice or more" in found.attrs["not_given"]


def test_samples_at_a_bound_are_left_out() -> None:
    forces = stopped(0.7).forces()
    before = int(braking(forces)["samples_used"][0])
    at = slice(round(2.5 * RATE), round(3.0 * RATE))
    forces["status"].values[at, 2] = BIT["bound_active"]
    forces["tyre_force_intermediate"].values[at, 2, 0] = 0.0
    found = braking(forces)
    assert int(found["samples_used"][0]) == before - 50  # 0.5 s of 100 samples a second
    assert "forces at 8 Hz, 100 samples a second" in found.attrs["gate"]


def test_a_drive_without_a_stop_is_refused() -> None:
    car = MadeCar(4.0)
    car.brake(1.0, 3.0, 0.25 * G, 0.7)
    with pytest.raises(DataError, match=r"at most 0\.0 s of straight braking above 0\.3 g .*0\.2"):
        braking(car.forces())


def test_half_an_axle_is_refused() -> None:
    forces = stopped().forces().isel(corner=[0, 2])
    with pytest.raises(DataError, match=r"no axle with both .* known \(of FL, RL\)"):
        braking(forces)


@pytest.mark.parametrize("friction", [0.0, -1.0, np.inf])
def test_a_friction_that_is_none_is_refused(friction: float) -> None:
    with pytest.raises(DataError, match=f"friction = {friction:g} N per N asked for"):
        braking(stopped().forces(), friction=friction)


def test_one_axle_gives_its_force_per_bar_and_says_the_rest() -> None:
    forces = faded(-0.05).forces().isel(corner=[0, 1])
    found = braking(forces)
    front = found.sel(axle="front")
    assert_allclose(front["force_per_pressure"], [8e-4, 7.6e-4], rtol=0.002)
    assert np.isnan(found.sel(axle="rear")["braking_force"]).all()
    for name in ("front_share", "unused_force", "ideal_front_share"):
        assert np.isnan(found[name]).all(), name
    text = words(found)
    assert "Fx of RL and RR is not known. Gauge RL and RR" in text
    assert "Braking, 2 stops: front axle 3813 +-" in text
    assert "nan" not in text
    assert plot_braking(forces, found).axes
    # Drag that is taken off: the axle that is not known must not take the other one with it.
    found = braking(coasting().forces().isel(corner=[0, 1])).sel(axle="front")
    expected = 0.6 * G * MASS * 0.7 / 40e5
    assert_allclose(found["force_per_pressure"], [expected], rtol=0.005)


def test_unused_force_is_listed_stop_by_stop() -> None:
    text = words(braking(faded(-0.05).forces(), friction=0.9))
    assert "at its limit (the stated 0.90 times its load)" in text
    listed = text.partition("stop by stop: ")[2]
    assert listed.startswith("straight braking 1: rear ")
    assert " N straight braking 2: rear " in listed


def test_a_tyre_without_vertical_force_leaves_the_share_and_takes_the_ideal_one() -> None:
    forces = stopped(0.7).forces()
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        forces[name].values[:, 3, 2] = np.nan
    found = braking(forces)
    assert_allclose(found["front_share"], 0.7, atol=FILTER)
    assert np.isnan(found["ideal_front_share"]).all()
    assert "Fz of RR is not known" in found.attrs["not_given"]
    assert "the ideal share is not known" in braking_summary(found)[0]


def test_the_picture_has_a_bar_for_each_stop_and_axle_and_a_tick() -> None:
    forces: xr.Dataset = faded(-0.05).forces()
    figure = plot_braking(forces, braking(forces))
    bars, pressure = figure.axes
    assert len(bars.patches) == 4
    assert [t.get_text() for t in bars.get_yticklabels()] == [
        "straight braking 1", "straight braking 2",
    ]  # fmt: skip
    assert pressure.get_ylabel() == "N per bar"


def test_forces_with_a_sum_that_is_known_alone_have_the_same_answer() -> None:
    forces = stopped().forces()
    sums = np.zeros((forces.sizes["elapsed_time"], 1))
    more = {
        "known_sum": (("known_sum",), np.array(["RL Fz + RR Fz, known to 9 N"])),
        "sum_of_forces": (("elapsed_time", "known_sum"), sums, {"units": "N"}),
        "u_sum_of_forces": (("elapsed_time", "known_sum"), sums + 9.0, {"units": "N"}),
        "sum_weight": (("known_sum", "corner", "component"), np.zeros((1, 4, 3)), {"units": "1"}),
    }
    found, plain = braking(forces.assign(more)), braking(forces)
    assert_allclose(found["braking_force"], plain["braking_force"])


def test_friction_does_not_cancel_between_stops_as_a_gain_does() -> None:
    car = faded(-0.05)
    car.cause(FRICTION, "FL", 0, FX, 0.01)  # half of that of the axle
    found = braking(car.forces())
    # Anywhere within the loop in each of two stops; a gain leaves less than 1e-4.
    u = found["u_force_per_pressure_change"].sel(axle="front")
    assert_allclose(u, 0.005 * np.sqrt(2 / 3), rtol=0.03)
