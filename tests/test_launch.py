"""Launches of the virtual car against their truth; what is refused and what is not given."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.analysis.launch import launch
from recon.base.errors import DataError, DataWarning
from recon.evaluation.launch.wheel_slip import last_true, slip_of, time_above
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.sections.stated_sections import GivenSection
from recon.report.answers.launch import finding, launch_summary, sides
from tests.days import day
from tests.launch_days import launch_day, true_slip
from tests.launch_truth import pull, smooth, waves

REAR = [2, 3]


@pytest.fixture(scope="module")
def answer() -> xr.Dataset:
    return launch(launch_day()[0])


def inside(
    answer: xr.Dataset, name: str, place: tuple[int, ...], true: float, k: float = 3
) -> bool:
    value, u = (float(answer[n].values[place]) for n in (name, f"u_{name}"))
    return abs(value - true) < k * u


def test_forces_times_and_distance_are_those_of_the_truth(answer: xr.Dataset) -> None:
    _, truth = launch_day()
    time, slip = truth["elapsed_time"].to_numpy(), true_slip(truth)
    force = smooth(truth["tyre_force_intermediate"].to_numpy(), 200.0)
    kinds = list(map(str, truth["event_kind"].to_numpy()))
    begin = float(truth["event_start"][kinds.index("spin")]) - 0.6
    end = float(truth["event_start"][kinds.index("shift")])
    start = pull(time, force[:, REAR, 0].sum(axis=1), slip[:, REAR], begin, end).start
    assert inside(answer, "launch_start", (0,), start)
    for prefix, of, place in (("", [2], 0), ("", [3], 1), ("axle_", REAR, 0)):
        true = pull(time, force[:, of, 0].sum(axis=1), slip[:, of], begin, end)
        assert inside(answer, f"{prefix}peak_drive_force", (0, place), true.peak)
        assert inside(answer, f"{prefix}plateau_drive_force", (0, place), true.plateau)
        assert inside(answer, f"{prefix}rise_time", (0, place), true.rise)
        assert inside(answer, f"{prefix}time_in_slip", (0, place), true.slipping)
        caught = float(answer[f"{prefix}catch_time"].values[0, place])
        assert caught == pytest.approx(true.start + true.catch - start, abs=0.02)
    speed = truth["speed"].to_numpy()
    gone = np.concatenate([[0], np.cumsum(np.diff(time) * (speed[1:] + speed[:-1]) / 2)])
    gone -= np.interp(start, time, gone)
    there = np.interp(20.0, gone[time > start], time[time > start])
    assert inside(answer, "time_to_distance", (0,), there - start)
    inner = (time > start) & (time < there)
    impulse = force[inner][:, REAR, 0].sum() / 200.0
    assert inside(answer, "axle_drive_impulse", (0, 0), impulse)
    assert float(answer["distance_lost"][0]) == 0.0


@pytest.mark.parametrize("bandwidth", [5.0, 8.0, 15.0])
def test_a_start_that_a_low_bandwidth_lets_begin_early_says_so(bandwidth: float) -> None:
    forces, _ = launch_day()
    sharp, blurred = launch(forces), launch(forces, bandwidth=bandwidth)
    assert float(sharp["u_launch_start"][0]) < 0.0015
    assert inside(blurred, "launch_start", (0,), float(sharp["launch_start"][0]))
    assert float(blurred["u_launch_start"][0]) < 0.2 * 0.5 / bandwidth  # half of what a step gains


def test_a_gain_of_the_speed_is_all_of_the_doubt_about_the_time_beside_that_of_the_start() -> None:
    """Also beyond a gear shift, where the speed is no longer what an even push would give."""
    forces, _ = launch_day()
    plain = launch(forces, distance=30.0)
    fast = launch(forces.assign(speed=1.005 * forces["speed"]), distance=30.0)
    moved = float(plain["time_to_distance"][0] - fast["time_to_distance"][0])
    u = [float(plain[f"u_{name}"][0]) for name in ("time_to_distance", "launch_start")]
    assert moved == pytest.approx(np.sqrt(u[0] ** 2 - u[1] ** 2), rel=0.02)


def test_a_speed_that_is_late_moves_what_is_said_to_rest_on_its_being_on_time(
    answer: xr.Dataset,
) -> None:
    forces, _ = launch_day()
    time = forces["elapsed_time"]
    late = np.interp(time - 0.1, time, forces["speed"])
    moved = launch(forces.assign(speed=forces["speed"].copy(data=late)))["time_to_distance"]
    assert float(moved[0] - answer["time_to_distance"][0]) == pytest.approx(0.1, abs=0.01)
    told = "and on time: where it is 0.1 s late, so are ends of slip and the time over the distance"
    assert told in answer.attrs["assumed"]


def test_hop_is_that_of_the_truth(answer: xr.Dataset) -> None:
    _, truth = launch_day()
    time = truth["elapsed_time"].to_numpy()
    force = smooth(truth["tyre_force_intermediate"].to_numpy(), 200.0)
    assert answer.sizes["hop"] == 1
    for k in range(2):
        signal = force[:, 2 + k, 2]
        true = max(waves(time, signal - smooth(signal, 200.0, 4.0)), key=lambda w: w.cycles)
        assert inside(answer, "hop_frequency", (0, k, 1), true.frequency)
        assert inside(answer, "hop_amplitude", (0, k, 1), true.largest)
        assert inside(answer, "hop_begin", (0, k, 1), true.start)
        assert inside(answer, "hop_finish", (0, k, 1), true.end)
    apart = float(truth["event_phase"].to_numpy()[-1])
    assert float(answer["hop_phase"].values[0, 0, 1]) == pytest.approx(apart, abs=0.15)


def shifted_by(forces: xr.Dataset, seconds: float) -> xr.Dataset:
    return forces.assign_coords(elapsed_time=forces["elapsed_time"] + seconds)


def test_the_slower_of_two_launches_loses_metres() -> None:
    """The same launch twice, the second with its speed 3 % lower: 0.6 m at 20 m."""
    forces, _ = launch_day()
    slower = forces.copy(deep=True)
    slower["speed"].values[:] *= 0.97
    slower["wheel_speed"].values[:] *= 0.97
    gap = float(forces["elapsed_time"][-1]) + 0.005
    along = [n for n in forces if "elapsed_time" in forces[n].dims]
    both = xr.concat(
        [forces[along], shifted_by(slower[along], gap)], "elapsed_time", join="outer"
    ).merge(forces.drop_dims("elapsed_time"))
    both.attrs = forces.attrs
    found = launch(both)
    assert found.sizes["launch"] == 2
    assert float(found["distance_lost"].min()) == 0.0
    assert float(found["distance_lost"].max()) == pytest.approx(0.6, abs=0.12)
    assert "Launch 1 was the best of 2: at 20 m launch 2 was 0." in finding(found)


def test_wheels_in_a_corner_do_not_say_how_far_a_wheel_rolls_in_a_turn() -> None:
    """The outer wheel of a corner is quicker than the car: 3 % here, and no smaller radius."""
    forces = launch_day()[0].copy(deep=True)
    straight = slip_of(forces, forces["speed"].to_numpy(), 10.0)
    corner = forces["speed"].to_numpy() > 8.0
    corner[: len(corner) // 2] = False
    forces["tyre_force"].values[corner, :, 0] = 100.0
    forces["tyre_force"].values[corner, :, 1] = 1500.0
    forces["wheel_speed"].values[corner] *= 1.03
    turning = slip_of(forces, forces["speed"].to_numpy(), 10.0)
    before = slice(0, len(corner) // 2 - 50)
    assert_allclose(turning.at(before)[0], straight.at(before)[0], atol=0.001)


def test_the_finding_and_the_words(answer: xr.Dataset) -> None:
    lines = launch_summary(answer)
    assert lines[0].startswith("The rear axle pushed with ")
    assert " kN, caught " in lines[0]
    assert " Hz" in lines[0]
    text = " ".join(" ".join(lines).split())
    assert "nan" not in text
    assert "sides in phase" in text
    assert (
        "Samples used: launches up to their first shift, forces at 30 Hz; slipping above 15 %"
        in text
    )


@pytest.mark.parametrize(
    ("phase", "words"), [(0.2, "in phase (11"), (3.3, "against each other (171"), (1.6, "neither")]
)
def test_sides_in_words(phase: float, words: str) -> None:
    assert words in sides(phase)


def test_without_wheel_speeds_slip_is_not_given_and_the_rest_is() -> None:
    forces, _ = launch_day()
    found = launch(forces.drop_vars("wheel_speed"))
    assert "slip threshold needs wheel speed: RL and RR not logged" in found.attrs["not_given"]
    assert np.isnan(found["time_in_slip"]).all()
    assert np.isnan(found["catch_time"]).all()
    assert np.isfinite(found["plateau_drive_force"]).all()
    assert "Not given: slip threshold needs wheel speed" in "\n".join(launch_summary(found))


def test_without_any_speed_distance_is_not_given() -> None:
    forces, _ = launch_day()
    bare = forces.drop_vars(["wheel_speed", "speed"])
    found = launch(bare)
    assert "slip and distance need the speed of the car: log speed" in found.attrs["not_given"]
    assert np.isnan(found["distance_lost"]).all()
    assert np.isfinite(found["launch_start"]).all()
    unsure = "whether launch 1 began from rest: log speed or wheel speeds"
    assert unsure in found.attrs["not_given"]
    assert unsure not in launch(forces).attrs["not_given"]


def test_a_low_bandwidth_hides_hop_and_says_so() -> None:
    found = launch(launch_day()[0], bandwidth=5.0)
    assert "at 5 Hz hop at 12 Hz would show nothing" in found.attrs["not_given"]
    assert not found.sizes.get("hop", 0)
    slow = launch_day()[0].assign_attrs(bandwidth_Hz=12.0)
    with pytest.warns(DataWarning, match="launches are read at 12 Hz, .*; 30 Hz asked for"):
        found = launch(slow)
    assert "at 12 Hz hop at 12 Hz would show nothing" in found.attrs["not_given"]


def test_without_the_hub_accelerometer_it_says_what_that_hides() -> None:
    found = launch(launch_day()[0].drop_vars("hub_acceleration"))
    assert "RL and RR have no accelerometer at the hub; at 11.5 Hz" in found.attrs["not_given"]
    assert "N of a 28 kg wheel into inertia" in found.attrs["not_given"]
    known = launch(launch_day()[0])
    assert (found["u_hop_amplitude"] > 2 * known["u_hop_amplitude"])[0, :, 1].all()


def test_a_launch_without_hop_says_what_the_missing_accelerometer_hides() -> None:
    """The same launch with forces that hold no hop: low-passed below it, at the old bandwidth."""
    forces = launch_day()[0].drop_vars("hub_acceleration").copy(deep=True)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        values = forces[name].to_numpy()
        forces[name].values[:] = smooth(values.astype(float), 200.0, 5.0)
    found = launch(forces)
    assert not found.sizes.get("hop", 0)
    assert "no accelerometer at the hub; at 12.0 Hz each millimetre" in found.attrs["not_given"]
    assert "No wheel hop of 3 cycles" in "\n".join(launch_summary(found))


def test_one_driven_tyre_gets_its_own_answer() -> None:
    forces, _ = launch_day()
    one = forces.copy(deep=True)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        one[name].values[:, 3] = np.nan
    sections = find_sections(forces)
    found = launch(one, sections=sections)
    assert list(found["corner"].to_numpy()) == ["RL"]
    assert "rear axle: the longitudinal force of RR is not known" in found.attrs["not_given"]
    assert launch_summary(found)[0].startswith("The RL tyre pushed with ")


def test_a_drive_without_a_launch_is_refused() -> None:
    with pytest.raises(DataError, match="nowhere does the car start from rest"):
        launch(day().forces)


def test_a_part_without_a_launch_is_refused() -> None:
    forces, _ = launch_day()
    sections = find_sections(forces, [GivenSection("late", "part", start=7.5, end=9.0)])
    with pytest.raises(DataError, match="nowhere does the car start"):
        launch(forces, sections=sections)


def test_tyres_that_are_not_driven_are_refused() -> None:
    front = launch_day()[0].copy(deep=True)
    front["driven"].values[:] = 0
    with pytest.raises(DataError, match=r"driven: none of FL, FR, RL, RR"):
        launch(front)


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("bandwidth", 0.0, "bandwidth = 0 Hz asked for"),
        ("slip", -1.0, "slip = -1 % asked for"),
        ("distance", np.nan, "distance = nan m asked for"),
    ],
)
def test_options_without_sense_are_refused(option: str, value: float, words: str) -> None:
    with pytest.raises(DataError, match=words):
        launch(launch_day()[0], **{option: value})


def test_a_distance_that_is_never_reached_is_not_given() -> None:
    found = launch(launch_day()[0], distance=400.0)
    assert "lost at 400 m: never that far; ask for less" in found.attrs["not_given"]
    assert np.isnan(found["axle_drive_impulse"]).all()


def test_slip_passes_its_threshold_between_samples() -> None:
    time, slip = np.arange(4.0), np.array([0.0, 0.3, 0.05, 0.0])
    assert last_true(time, slip, 0.1) == pytest.approx(1.8)  # 0.2 of the 0.25 that it falls
    assert np.isnan(last_true(time, slip, 0.5))
    assert time_above(time, slip, 0.1) == pytest.approx(2 / 3 + 0.8)


def test_noise_of_the_speed_makes_the_time_in_slip_as_unsure_as_it_scatters() -> None:
    """Noise moves each end of a slide by itself: both together would be 1.8 times as much."""
    forces, rng = launch_day()[0], np.random.default_rng(1)
    sections = find_sections(forces)

    def in_slip(noise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        noisy = forces["speed"].copy(data=forces["speed"] + noise)
        found = launch(forces.assign(speed=noisy), sections=sections, bandwidth=10.0)
        return found["time_in_slip"].to_numpy()[0], found["u_time_in_slip"].to_numpy()[0]

    count = forces.sizes["elapsed_time"]
    quiet, u_quiet = in_slip(np.zeros(count))
    drawn = [in_slip(0.3 * rng.standard_normal(count)) for _ in range(30)]
    away = np.sqrt(np.mean([(found - quiet) ** 2 for found, _ in drawn], axis=0))
    u = np.sqrt(np.mean([u**2 for _, u in drawn], axis=0) - u_quiet**2)
    # The scatter of 30 is known to 13 %, two of which.
    assert away / u == pytest.approx(np.ones(2), abs=0.26)
