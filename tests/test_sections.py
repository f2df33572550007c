"""Sections of a drive: found in made-up motions of a car whose truth is stated, or given."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataError
from recon.evaluation.sections.car_motion import Course
from recon.evaluation.sections.detection import Stretch, thirds
from recon.evaluation.sections.find_sections import Section, find_sections, sections_of
from recon.records.section_table import read_sections
from recon.records.sheets import GivenSection
from recon.report.answers.sections import sections_summary
from tests.made_forces import stamped

OFF, LIGHT = (
    "wheels off the ground (below 5 % of their mean load)",
    "so light that they may have been",
)
RATE, MASS, G = 200.0, 800.0, 9.80665
CORNERS = ("FL", "FR", "RL", "RR")


def drive(
    seconds: float,
    along: dict[tuple[float, float], float] | None = None,
    sideways: dict[tuple[float, float], float] | None = None,
    corners: tuple[str, ...] = CORNERS,
    **channels: np.ndarray,
) -> xr.Dataset:
    """Forces of a car whose accelerations [g] over some stretches [s] are stated, u 20 N."""
    time = np.arange(int(seconds * RATE)) / RATE
    motion = np.zeros((len(time), 2))
    for axis, stretches in enumerate((along, sideways)):
        for (start, end), value in (stretches or {}).items():
            motion[(time >= start) & (time < end), axis] = value * G
    force = np.zeros((len(time), len(corners), 3))
    force[..., :2] = motion[:, None] * MASS / 4
    force[..., 2] = MASS * G / 4
    wide = ("elapsed_time", "corner", "component")
    names = ("tyre_force", "tyre_force_intermediate")
    variables = {name: (wide, force.copy()) for name in names}
    variables |= {f"u_{name}": (wide, np.full(force.shape, 20.0)) for name in names}
    variables["status"] = (wide[:2], np.zeros(force.shape[:2], dtype=np.uint16))
    variables["vehicle_mass"] = ((), MASS)
    variables |= {name: (("elapsed_time",), values) for name, values in channels.items()}
    labels = {"elapsed_time": time, "corner": list(corners), "component": list("xyz")}
    return stamped(xr.Dataset(variables, coords=labels))


def of(forces: xr.Dataset, *kinds: str, given: list[GivenSection] | None = None) -> list[Section]:
    return sections_of(find_sections(forces, given), *kinds)


def speed_of(along: dict[tuple[float, float], float], seconds: float) -> np.ndarray:
    time = np.arange(int(seconds * RATE)) / RATE
    rate = sum(v * G * ((time >= a) & (time < b)) for (a, b), v in along.items())
    return np.cumsum(rate) / RATE


def test_a_launch_with_a_shift_and_a_stop() -> None:
    motion = {(2.0, 3.0): 0.5, (3.3, 6.0): 0.5, (8.0, 9.5): -0.8}
    speed = speed_of(motion, 12)
    forces = drive(12, motion, speed=speed, gear=np.where(np.arange(2400) < 620, 1.0, 2.0))
    assert [s.name for s in of(forces, "standstill", "launch", "shift", "straight braking")] == [
        "standstill 1", "launch 1", "shift 1", "straight braking 1",
    ]  # fmt: skip
    launch, shift, stop = of(forces, "launch", "shift", "straight braking")
    assert (launch.start, launch.end) == pytest.approx((2.0, 6.0), abs=0.05)
    assert (shift.start, shift.end) == pytest.approx((3.0, 3.3), abs=0.04)
    assert shift.parent == "launch 1"
    assert (stop.start, stop.end) == pytest.approx((8.0, 9.5), abs=0.05)


def test_a_lifted_throttle_is_no_shift_if_the_gear_is_logged() -> None:
    motion = {(1.0, 3.0): 0.4, (3.3, 6.0): 0.4}
    speed = 5.0 + speed_of(motion, 8)
    assert not of(drive(8, motion, speed=speed, gear=np.full(1600, 2.0)), "shift")
    found = find_sections(drive(8, motion, speed=speed))
    place = [s.name for s in sections_of(found)].index("shift 1")
    assert "log gear" in str(found["section_undecided"].to_numpy()[place])


@pytest.mark.parametrize("lasts", [0.045, 0.1])
@pytest.mark.parametrize("until", [0.08, 0.2, 2.0])
def test_a_quick_shift_is_found_also_just_before_a_stop(lasts: float, until: float) -> None:
    back = 4.0 + lasts
    motion = {(1.0, 4.0): 0.4, (back, back + until): 0.3, (back + until, back + until + 1.2): -0.9}
    gear = np.where(np.arange(2000) < 805, 2.0, 3.0)
    forces = drive(10, motion, speed=8.0 + speed_of(motion, 10), gear=gear)
    (shift,) = of(forces, "shift")
    assert (shift.start, shift.end) == pytest.approx((4.0, back), abs=0.011)


def test_a_pull_out_of_a_corner_is_no_launch() -> None:
    motion = {(2.0, 5.0): 0.4}
    assert not of(drive(8, motion, speed=8.0 + speed_of(motion, 8)), "launch")
    assert of(drive(8, motion, speed=speed_of(motion, 8)), "launch")
    # Without any speed a car that turns is known not to stand.
    assert not of(drive(8, motion, sideways={(0.5, 4.0): 0.8}), "launch")
    assert of(drive(8, motion, sideways={(3.0, 4.0): 0.8}), "launch")


@pytest.mark.parametrize("signed", [True, False])
def test_a_car_that_is_driven_backwards_neither_brakes_nor_launches(signed: bool) -> None:
    """It stands, starts backwards, stops, and stands again; satellites give no sign of a speed."""
    motion = {(3.0, 4.2): -0.4, (6.0, 7.2): 0.4}
    speed = speed_of(motion, 10)
    assert speed.min() < -4.5
    forces = drive(10, motion, speed=speed if signed else np.abs(speed))
    assert not of(forces, "launch", "straight braking")
    assert len(of(forces, "standstill")) == 2


def test_a_move_in_a_queue_is_no_launch() -> None:
    for seconds, launches in ((0.7, 0), (2.0, 1)):
        motion = {(2.0, 2.0 + seconds): 0.3}
        assert len(of(drive(6, motion, speed=speed_of(motion, 6)), "launch")) == launches


def test_without_any_speed_what_cannot_be_decided_is_said() -> None:
    found = find_sections(drive(8, {(2.0, 5.0): 0.4}))
    place = [s.kind for s in sections_of(found)].index("launch")
    assert "log speed or wheel speeds" in str(found["section_undecided"].to_numpy()[place])
    assert "standstill: neither speed nor wheel speeds" in found.attrs["not_given"]


def test_corners_have_entry_middle_and_exit_and_a_side() -> None:
    ramps = {(2 + i / 10, 5 - i / 10): 0.1 * i for i in range(1, 10)}
    found = of(drive(8, sideways=ramps), "corner", "corner entry", "corner middle", "corner exit")
    assert [s.name for s in found] == [
        "corner 1 (left)", "corner 1 (left), entry", "corner 1 (left), middle",
        "corner 1 (left), exit",
    ]  # fmt: skip
    assert {s.parent for s in found[1:]} == {"corner 1 (left)"}
    entry, middle, out = found[1:]
    assert entry.end < middle.start <= middle.end < out.start
    assert (middle.start, middle.end) == pytest.approx((2.85, 4.15), abs=0.15)
    right = of(drive(8, sideways={k: -v for k, v in ramps.items()}), "corner")
    assert [s.kind for s in right] == ["right corner"]


def test_a_corner_by_hand_to_the_other_side_is_refused() -> None:
    forces = drive(8, sideways={(2.0, 5.0): 0.8})
    given = [GivenSection("hairpin", "left corner", 2.2, 4.8)]
    assert [s.name for s in of(forces, "left corner", given=given)] == ["hairpin"]  # twin
    wrong = [GivenSection("hairpin", "right corner", 2.2, 4.8, where="table.csv, line 2")]
    words = r"table.csv, line 2: section 'hairpin' as a right .* to the left by 7\.\d m/s2; need"
    with pytest.raises(DataError, match=words):
        find_sections(forces, wrong)


def test_six_quick_alternations_are_a_slalom_and_five_are_corners() -> None:
    def weave(count: int) -> dict[tuple[float, float], float]:
        return {(1 + 1.2 * i, 2.2 + 1.2 * i): 0.7 * (-1) ** i for i in range(count)}

    six = of(drive(10, sideways=weave(6)), "slalom", "corner")
    assert [(s.kind) for s in six] == ["slalom"]
    assert (six[0].start, six[0].end) == pytest.approx((1.0, 8.2), abs=0.1)
    assert len(of(drive(10, sideways=weave(5)), "corner")) == 5


def test_one_corner_alone_finds_sections_by_force_over_load() -> None:
    forces = drive(8, {(4.0, 6.0): -0.6}, corners=("FL",))
    found = find_sections(forces)
    assert "horizontal over vertical force" in found.attrs["gate"]
    (stop,) = sections_of(found, "straight braking")
    assert (stop.start, stop.end) == pytest.approx((4.0, 6.0), abs=0.05)


def test_given_sections_take_the_place_of_found_ones() -> None:
    motion = {(2.0, 3.0): -0.6, (5.0, 6.0): -0.6}
    forces = drive(8, motion)
    hand = [GivenSection("first stop", "straight braking", 2.2, 2.8)]
    found = of(forces, "straight braking", given=hand)
    assert [(s.start, s.end) for s in found] == [(2.2, 2.8)]
    inside = of(forces, "straight braking", given=[GivenSection("second half", "part", 4.0, 8.0)])
    assert [s.start for s in inside] == [pytest.approx(5.0, abs=0.05)]


def test_given_sections_keep_their_names_each_name_once() -> None:
    forces = drive(8, {(2.0, 3.0): -0.6, (5.0, 6.0): -0.6}, sideways={(3.5, 4.5): 0.8})
    given = [
        GivenSection("bridge", "straight braking", 2.2, 2.8),
        GivenSection("bridge", "straight braking", 5.2, 5.8),
        GivenSection("", "left corner", 3.4, 4.6),
    ]
    found = find_sections(forces, given)
    whole = [s for s in sections_of(found) if not s.parent and s.kind != "straight"]
    assert [s.name for s in whole] == ["bridge", "corner 1 (left)", "bridge (2)"]
    assert set(found["section_undecided"].to_numpy()) == {""}
    words = sections_summary(found)
    assert "  bridge (straight braking): 2.20 to 2.80 s" in words
    assert "  corner 1 (left): 3.40 to 4.60 s" in words


def test_sections_by_place_need_a_distance() -> None:
    motion = {(2.0, 3.0): -0.6}
    hand = [GivenSection("hairpin", "part", 20.0, 40.0, by_place=True, where="s.csv, line 2")]
    with pytest.raises(DataError, match=r"s\.csv, line 2: section 'hairpin' is given in m, but"):
        find_sections(drive(8, motion), hand)
    by_speed = drive(8, motion, speed=np.full(1600, 10.0))
    (part,) = of(by_speed, "part", given=hand)
    assert (part.name, part.start, part.end) == ("hairpin", pytest.approx(2.0, abs=0.01), 4.0)
    with pytest.raises(DataError, match="section 'hairpin' from 90 to 95 m: no sample"):
        find_sections(by_speed, [GivenSection("hairpin", "part", 90, 95, by_place=True)])


def test_laps_of_the_log_are_parts_that_restrict_nothing() -> None:
    lap = np.repeat([1.0, 2.0], 800)
    found = of(drive(8, {(1.0, 2.0): -0.6}, lap=lap), "part", "straight braking")
    assert {s.name for s in found} == {"lap 1", "lap 2", "straight braking 1"}


def test_a_wheel_off_the_ground_has_start_end_and_their_uncertainty() -> None:
    forces = drive(4)
    forces["u_tyre_force_random"].values[:] = 5.0
    load = np.interp(forces["elapsed_time"], [1.0, 1.1, 1.5, 1.6], [1500.0, 0.0, 0.0, 1500.0])
    forces["tyre_force"].values[:, 0, 2] = load
    found = find_sections(forces)
    assert found["lift_corner"].to_numpy().tolist() == ["FL"]
    assert found["lift_kind"].to_numpy().tolist() == ["off the ground"]
    for name, truth in (("lift_start", 1.1), ("lift_end", 1.5)):
        value, u = float(found[name][0]), float(found[f"u_{name}"][0])
        assert abs(value - truth) < min(1.96 * u + 1e-9, 0.02)


def test_a_load_that_does_not_differ_from_zero_may_be_no_lift() -> None:
    forces = drive(4)
    least = 1.5 * float(forces["u_tyre_force"][0, 0, 2])
    load = np.interp(forces["elapsed_time"], [1.0, 1.1, 1.5, 1.6], [1500.0, least, least, 1500.0])
    forces["tyre_force"].values[:, 0, 2] = load
    found = find_sections(forces)
    assert found["lift_kind"].to_numpy().tolist() == ["light"]
    counted, *more = sections_summary(found)
    assert "lift" not in counted
    assert f"  {OFF}: 0 times; {LIGHT}: 1 times" in more
    assert not any(line.startswith("  longest wheel lift") for line in more)


def kinds_of_lifts(share: float, u: float, trials: int = 40) -> list[set[str]]:
    """Kinds of lifts found where a wheel bears a share of its mean load for half a second."""
    forces, found = drive(4), []
    forces["u_tyre_force"].values[:] = forces["u_tyre_force_random"].values[:] = u
    mean = MASS * G / 4
    noise = np.random.default_rng(5).normal(scale=u, size=(trials, forces.sizes["elapsed_time"]))
    lifted = np.abs(forces["elapsed_time"].to_numpy() - 2.0) < 0.25
    for one in noise:
        forces["tyre_force"].values[:, 0, 2] = np.where(lifted, share, 1.0) * mean + one
        found.append(set(find_sections(forces)["lift_kind"].to_numpy()))
    return found


def test_a_wheel_that_bears_more_than_nothing_is_hardly_ever_said_to_be_off_the_ground() -> None:
    kinds = kinds_of_lifts(share=0.055, u=40.0)
    assert all("light" in each for each in kinds)
    # Noise lets its load fall to zero in nearly every trial; 5 % is what may be wrong.
    assert sum("off the ground" in each for each in kinds) <= 2


def test_a_wheel_that_surely_bears_next_to_nothing_is_off_the_ground() -> None:
    assert all(kinds == {"off the ground"} for kinds in kinds_of_lifts(share=0.005, u=10.0))


def test_the_longest_lift_is_one_that_is_sure() -> None:
    forces = drive(20)
    forces["u_tyre_force_random"].values[:] = 5.0
    least = 1.5 * float(forces["u_tyre_force"][0, 0, 2])
    at = [1.0, 1.1, 1.5, 1.6, 3.0, 3.1, 5.0, 5.1]
    load = np.interp(
        forces["elapsed_time"], at, [1500.0, 0.0, 0.0, 1500.0, 1500.0, least, least, 1500.0]
    )
    forces["tyre_force"].values[:, 0, 2] = load
    counted, *more = sections_summary(find_sections(forces))
    assert counted.endswith("1 wheel lift")
    assert f"  {OFF}: 1 times; {LIGHT}: 1 times" in more
    assert any(line.startswith("  longest wheel lift: FL from 1.") for line in more)


def test_forces_of_which_nothing_is_known_are_refused() -> None:
    forces = drive(4)
    for name in ("tyre_force", "tyre_force_intermediate"):
        forces[name].values[:] = np.nan
    with pytest.raises(DataError, match="no longitudinal or lateral force of any corner is known"):
        find_sections(forces)


def test_a_dataset_without_sections_is_refused() -> None:
    with pytest.raises(DataError, match="without section, section_kind, section_start"):
        sections_of(drive(1))


def test_a_corner_with_samples_that_are_not_known_has_its_thirds() -> None:
    """A force that is missing for a moment in mid-corner leaves the others to judge by."""
    n = 100
    sideways = 8.0 * np.sin(np.pi * np.arange(n) / n)
    sideways[48:52] = np.nan
    nothing = np.zeros(n)
    course = Course(
        0.01 * np.arange(n), 100.0, nothing, sideways, nothing, nothing, nothing, nothing, "made"
    )
    parts = thirds(course, Stretch("left corner", 0, n, "made"))
    assert [name for name, _, _ in parts] == ["corner entry", "corner middle", "corner exit"]
    assert [(a, b) for _, a, b in parts] == [(0, 33), (33, 68), (68, n)]


def test_places_far_along_the_course_are_distances(tmp_path: Path) -> None:
    table = tmp_path / "sections.csv"
    table.write_text("name,start_place [km],end_place [m]\nhairpin,2.5,2600\n", encoding="utf-8")
    (given,) = read_sections(table)
    assert (given.start, given.end, given.by_place) == (2500.0, 2600.0, True)
