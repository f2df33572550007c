"""Gear shifts of the virtual car against their truth; what is refused and what is not given."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.analysis.shifts import shifts
from recon.base.errors import DataError
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.launch import one_shift
from recon.evaluation.sections.find_sections import find_sections, sections_of
from recon.records.sheets import GivenSection
from recon.report.answers.shifts import plot_shifts, shifts_summary
from tests.days import day
from tests.launch_days import launch_day
from tests.launch_truth import gap, smooth

NAMES = {
    "start": "gap_start",
    "end": "gap_end",
    "below_half": "time_below_half",
    "before": "force_before",
    "after": "force_after",
    "lost": "impulse_lost",
}

TIMES = ("gap_start", "gap_end", "time_below_half")  # as they are, whatever the bandwidth


@pytest.fixture(scope="module")
def answer() -> xr.Dataset:
    return shifts(launch_day()[0])


def test_gaps_are_those_of_the_truth(answer: xr.Dataset) -> None:
    forces, truth = launch_day()
    time = truth["elapsed_time"].to_numpy()
    total = truth["tyre_force_intermediate"].to_numpy()[:, 2:, 0].sum(axis=1)
    smoothed = smooth(total, 200.0)
    found = sections_of(find_sections(forces), "shift")
    assert len(found) == answer.sizes["shift"] == 2
    for i, section in enumerate(found):
        sharp, true = (gap(time, x, section.start, section.end) for x in (total, smoothed))
        for key, name in NAMES.items():
            value, u = (float(answer[n].values[i]) for n in (name, f"u_{name}"))
            of = sharp if name in TIMES else true
            assert abs(value - getattr(of, key)) < 3 * u, name
        mass = float(forces["vehicle_mass"])
        assert float(answer["speed_lost"][i]) == pytest.approx(true.lost / mass, rel=0.02)


def test_the_shuffle_after_a_shift_is_no_hop(answer: xr.Dataset) -> None:
    """The virtual driveline shuffles at 5.5 Hz and dies away in a sixth of a second."""
    assert set(answer["oscillation"].to_numpy()) == {"shuffle"}
    u = answer["u_shuffle_frequency"].to_numpy()
    assert np.all(np.abs(answer["shuffle_frequency"].to_numpy() - 5.5) < 3 * u)
    # The step of the force must not make its first half-wave short: that was worth 0.25 Hz.
    assert np.all(np.abs(answer["shuffle_frequency"].to_numpy() - 5.5) < 0.1)
    assert np.all(u < 0.2)
    assert np.isnan(answer["hop_frequency"]).all()


@pytest.mark.parametrize("by_force", [0.0, 0.1, 0.35])
def test_a_count_is_rounded_once(by_force: float) -> None:
    """Where errors of the force change a count by half cycles, that is its rounding already.

    Where none of 24 draws does, one of 26 may, which is 0.1 of a cycle.
    """
    names = one_shift.AFTERWARDS
    row = np.array([5.5, 400.0, 2.0, 0.3, 0.05])
    value, counted = np.concatenate([row, np.full(len(names), np.nan)]), names.index("cycles")
    noise = np.zeros(len(value))
    noise[counted] = by_force
    afterwards = Estimate(value, np.zeros((3, len(value))), noise)
    u = afterwards.plus_noise(one_shift.u_following(afterwards)).u
    assert u[counted] == pytest.approx(max(by_force, 0.5 / np.sqrt(26)), rel=1e-12)
    assert u[one_shift.FREQUENCY] == pytest.approx(0.05, rel=1e-12)
    assert np.isnan(u[len(names) + counted])  # no hop, no count


def test_without_a_gear_a_shift_may_be_a_lifted_throttle() -> None:
    forces = launch_day()[0].drop_vars("gear")
    lines = shifts_summary(shifts(forces))
    assert lines[0].startswith("Of 2 shifts (or lifted throttles) shift ")
    assert "log gear, a constant if there is one" in " ".join(" ".join(lines).split())
    with pytest.raises(DataError, match="nowhere is the drive force gone"):
        shifts(launch_day()[0].assign(gear=1.0 + 0.0 * launch_day()[0]["gear"]))


def test_sums_are_those_of_the_shifts(answer: xr.Dataset) -> None:
    assert list(answer["launch"].to_numpy()) == ["launch 1"]
    total = float(answer["impulse_lost"].sum())
    assert float(answer["launch_impulse_lost"][0]) == pytest.approx(total)
    assert float(answer["tyre_impulse_lost"].sum()) == pytest.approx(total, rel=1e-3)
    # Errors of both shifts are largely the same: their sum is less certain than if they were not.
    apart = float(np.sqrt((answer["u_impulse_lost"] ** 2).sum()))
    assert float(answer["u_launch_impulse_lost"][0]) > 1.1 * apart
    assert "sum per lap: log the number of the lap" in answer.attrs["not_given"]


def test_laps_get_their_sums() -> None:
    forces, _ = launch_day()
    lap = np.where(forces["elapsed_time"] < 6.0, 1.0, 2.0).astype(np.float32)
    found = shifts(forces.assign(lap=("elapsed_time", lap, {"units": "1"})))
    assert list(found["lap"].to_numpy()) == ["1", "2"]
    assert found["lap_impulse_lost"].to_numpy() == pytest.approx(found["impulse_lost"].to_numpy())


def test_the_finding_and_the_words(answer: xr.Dataset) -> None:
    lines = shifts_summary(answer)
    assert lines[0].startswith("Of 2 shifts shift ")
    assert " m/s: the drive was below half for " in lines[0]
    text = " ".join(" ".join(lines).split())
    assert "shift 1: drive below 90 % from " in text
    assert "then shuffle of the driveline at " in text
    assert "all shifts of launch 1: " in text
    assert "nan" not in text


def test_a_low_bandwidth_hides_hop_and_says_so() -> None:
    found = shifts(launch_day()[0], bandwidth=8.0)
    assert "at 8 Hz hop at 12 Hz would show nothing" in found.attrs["not_given"]


def test_a_shift_in_a_gap_of_the_log_is_not_lost_in_silence() -> None:
    forces, _ = launch_day()
    start = float(shifts(forces)["gap_start"][0])
    time = forces["elapsed_time"].to_numpy()
    gapped = forces.copy(deep=True)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        gapped[name].values[(time > start) & (time < start + 0.3)] = np.nan
    found = shifts(gapped)
    assert found.sizes["shift"] == 1
    assert f"shifts in or beside {start:.1f}" in found.attrs["not_given"]
    assert f" to {start + 0.3:.1f}" in found.attrs["not_given"]
    assert "the forward force is not known there" in found.attrs["not_given"]


def test_one_tyre_of_the_driven_axle_does_not_tell_what_a_shift_cost_the_car(
    answer: xr.Dataset,
) -> None:
    forces = launch_day()[0].copy(deep=True)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        forces[name].loc[{"corner": "RR"}] = np.nan
    alone = shifts(forces)
    own = answer["tyre_impulse_lost"].sel(corner="RL").to_numpy()
    assert alone["impulse_lost"].to_numpy() == pytest.approx(own, rel=0.01)
    lines = shifts_summary(alone)
    assert lines[0].startswith(f"Of 2 shifts shift 1 cost most, {own[0]:.0f} +-")
    assert " N s of RL: the drive was below half for " in lines[0]
    assert "m/s" not in " ".join(lines)  # half of the impulse would make half of the speed
    assert np.isnan(alone["speed_lost"]).all()
    assert np.isnan(alone["launch_speed_lost"]).all()
    assert "speed lost by the car: RL alone cannot tell it" in alone.attrs["not_given"]
    panel = plot_shifts(forces, alone).axes[1]
    assert panel.get_xlabel() == "impulse lost [N s]"
    assert [bar.get_width() for bar in panel.patches] == pytest.approx(list(own), rel=0.01)


def test_a_drive_without_a_shift_is_refused() -> None:
    with pytest.raises(DataError, match="nowhere is the drive force gone"):
        shifts(day().forces)


def test_a_bandwidth_without_sense_is_refused() -> None:
    with pytest.raises(DataError, match="bandwidth = -3 Hz asked for"):
        shifts(launch_day()[0], bandwidth=-3.0)


def test_a_shift_by_hand_where_the_drive_never_goes_is_refused() -> None:
    forces, _ = launch_day()
    first = sections_of(find_sections(forces), "shift")[0]
    at = GivenSection("shift 1", "shift", first.start, first.end)
    assert shifts(forces, sections=find_sections(forces, [at])).sizes["shift"] == 1  # twin
    beside = GivenSection("shift 1", "shift", first.start - 0.8, first.start - 0.5)
    said = rf"section shift 1: a shift from {first.start - 0.8:g} to .*never below half"
    with pytest.raises(DataError, match=f"(?s){said}"):
        shifts(forces, sections=find_sections(forces, [beside]))
