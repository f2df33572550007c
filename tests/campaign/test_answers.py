"""The campaign of answers: a day's errors are as large as stated, and its table counts them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from recon.evaluation.sections.find_sections import find_sections
from recon.virtual.phases import Hop
from tests.campaign.answer_days import late_by
from tests.campaign.answers import lines_of, run_metrics, table
from tests.campaign.closed_forms import hop_ends, in_closed_form
from tests.days import day


def line(day: int, error: list[float]) -> dict[str, Any]:
    return {"day": day, "metric": "braking.front_share", "error": error, "u": [1.0] * len(error)}


def test_the_table_counts_quantities_and_takes_days_as_trials() -> None:
    apart = table(line(day, [0.5, -3.0]) for day in range(20)).splitlines()[1].split()
    assert apart[1:4] == ["20", "40", "50.0%"]
    assert float(apart[7]) == pytest.approx(np.sqrt((0.25 + 9) / 2), abs=0.005)
    # All of a day inside or outside: limits are those of 20 trials, not of 40.
    alike = table(line(day, [3.0 * (day % 2)] * 2) for day in range(20)).splitlines()[1].split()
    assert alike[3] == "50.0%"
    low, high = (float(word.rstrip("%")) for word in alike[4:6])
    assert (low, high) == pytest.approx((29.9, 70.1), abs=0.1)  # Wilson, 10 of 20


def test_a_width_over_errors_has_the_limits_of_days_that_chance_has_chosen() -> None:
    rng = np.random.default_rng(5)
    hold = []
    for _ in range(200):  # of 30 days with four errors each, all of a day alike
        days = [line(day, [rng.standard_normal()] * 4) for day in range(30)]
        ratio, low, high = map(float, table(days).splitlines()[1].split()[8:])
        assert low < ratio < high
        hold.append(low < 1.96 < high)
    assert 0.86 < np.mean(hold) < 0.99
    exact = table(line(day, [0.0]) for day in range(3)).splitlines()[1].split()
    assert exact[8:] == ["inf", "0.00", "inf"]


def test_ends_of_hop_and_limits_of_tyres_are_those_of_the_virtual_driver() -> None:
    figures = {"start": 3.0, "growth": 5.0, "decay": 4.0, "frequency": 11.5, "amplitude": 2000.0}
    load = np.linspace(500.0, 4000.0, 20)
    truth = xr.Dataset(
        {"event_kind": ("event", ["hop"]),
         "tyre_force_intermediate": (("elapsed_time", "corner", "component"), load[:, None, None]),
         "tyre_limit": (("elapsed_time", "corner"), 1.1 * load[:, None] ** 0.9)}
        | {f"event_{name}": ("event", [value]) for name, value in figures.items()},
        coords={"corner": ["RL"], "component": ["z"]},
    )  # fmt: skip
    begin, end = hop_ends(truth)
    hop = Hop(3.4, 11.5, 1.0, 5.0, 4.0, 0.0)  # the peak is 2 / growth after the start
    assert 2000 * hop.envelope(np.array([begin, end]) - 3.4) == pytest.approx([300, 300], rel=1e-3)
    ideal = xr.Dataset(
        {"available_force": (("corner", "direction", "load"), np.zeros((1, 2, 1))),
         "hop_begin": (("hop", "corner", "component"), [[[2.9, 2.9]]])},
        coords={"corner": ["RL"], "load": [2500.0]},
    )  # fmt: skip
    closed = in_closed_form(ideal, truth, ideal)
    assert closed["available_force"].to_numpy() == pytest.approx(1.1 * 2500**0.9, rel=1e-6)
    assert closed["hop_begin"].to_numpy().ravel() == pytest.approx([np.nan, begin], nan_ok=True)


def test_the_end_of_hop_in_any_tyre_is_judged_where_it_is_one_of_fz() -> None:
    figures = {"start": 3.0, "growth": 5.0, "decay": 4.0, "frequency": 11.5, "amplitude": 2000.0}
    truth = xr.Dataset(
        {"event_kind": ("event", ["hop"])}
        | {f"event_{name}": ("event", [value]) for name, value in figures.items()}
    )
    end = hop_ends(truth)[1]
    ends = np.array([[[3.8, 3.85], [3.7, 3.86]], [[3.8, 3.85], [3.9, 3.86]]])  # Fx is last
    ideal = xr.Dataset({"hop_end": ("hop", ends.max(axis=(1, 2))),
                        "hop_finish": (("hop", "corner", "component"), ends)})  # fmt: skip
    closed = in_closed_form(ideal, truth, ideal)["hop_end"].to_numpy()
    assert closed == pytest.approx([end, np.nan], nan_ok=True)


def test_the_frequency_of_hop_is_read_in_another_way_than_by_the_answer() -> None:
    time = np.arange(0.0, 6.0, 0.01)
    wave = 800 * np.exp(-(((time - 3.0) / 0.4) ** 2)) * np.cos(2 * np.pi * 12.3 * time)
    force = np.zeros((len(time), 2, 3))
    force[:, 0, 2], force[:, 1, 2] = 3000 + wave, 3000 + 300 * time  # no hop in the second one
    hop = {"kind": "hop", "start": 2.4, "growth": 5.0, "decay": 5.0, "frequency": 12.3,
           "amplitude": 800.0}  # fmt: skip
    truth = xr.Dataset(
        {"tyre_force_intermediate": (("elapsed_time", "corner", "component"), force)}
        | {f"event_{name}": ("event", [value]) for name, value in hop.items()},
        coords={"elapsed_time": time, "corner": ["RL", "RR"]},
    )
    by_force, count = ("hop", "corner", "component"), np.array([[[np.nan, 1.0], [np.nan, np.nan]]])
    figures = {"hop_begin": 2.6, "hop_finish": 3.4, "hop_frequency": 12.0, "hop_cycles": 9.0,
               "hop_mean_amplitude": 500.0}  # fmt: skip
    ideal = xr.Dataset(
        {name: (by_force, value * count) for name, value in figures.items()}
        | {"hop_event_frequency": ("hop", [12.0]), "hop_event_cycles": ("hop", [9.0])},
        coords={"corner": ["RL", "RR"]}, attrs={"bandwidth_Hz": 30.0},
    )  # fmt: skip
    closed = in_closed_form(ideal, truth, ideal)
    assert closed["hop_frequency"].to_numpy().ravel() == pytest.approx(
        [np.nan, 12.3, np.nan, np.nan], abs=0.05, nan_ok=True
    )
    assert closed["hop_event_frequency"].to_numpy() == pytest.approx([12.3], abs=0.05)
    first, last = hop_ends(truth)
    assert closed["hop_cycles"].to_numpy().ravel() == pytest.approx(
        [np.nan, 12.3 * (last - first), np.nan, np.nan], nan_ok=True
    )
    assert closed["hop_event_cycles"].to_numpy() == pytest.approx([12.3 * (last - first)])
    elsewhere = in_closed_form(ideal.assign(hop_begin=ideal["hop_begin"] + 2.0), truth, ideal)
    assert np.isnan(elsewhere["hop_event_frequency"]).all()
    of_shifts = xr.Dataset({"hop_frequency": ("shift", [11.0])})
    assert float(in_closed_form(of_shifts, truth, of_shifts)["hop_frequency"][0]) == 11.0


def test_exponents_are_judged_where_neither_is_assumed() -> None:
    found, ideal = (
        xr.Dataset({"exponent": (("corner", "direction"), [values])})
        for values in ([0.7, 0.85, 0.7, 0.5, 1.0, 0.5], [0.85, 0.7, 0.75, 0.5, 1.0, 1.0])
    )
    closed = in_closed_form(ideal, xr.Dataset(), found)["exponent"].to_numpy()
    expected = [[np.nan, np.nan, 0.75, np.nan, np.nan, 1.0]]
    assert closed == pytest.approx(np.array(expected), nan_ok=True)


def test_a_heavier_car_does_not_change_the_load_that_a_run_is_judged_at() -> None:
    forces = day().forces.isel(elapsed_time=slice(0, 2500))
    heavier = forces.assign(vehicle_mass=forces["vehicle_mass"] * 1.05)
    found = dict(run_metrics(forces, heavier, find_sections(forces)))
    assert found["run.force_at_load"][0] == pytest.approx([0.0], abs=1e-9)


def test_a_late_sample_keeps_the_size_of_hop() -> None:
    time = np.arange(0, 4, 0.01)
    wave = np.sin(2 * np.pi * 12 * time)
    late = late_by(time, wave, 0.7e-3)[50:-50]
    assert late == pytest.approx(np.sin(2 * np.pi * 12 * (time - 0.7e-3))[50:-50], abs=4e-3)
    assert late_by(time, wave, 0.0) == pytest.approx(wave)


@pytest.mark.slow(12)
def test_answers_of_a_day_are_wrong_by_about_their_uncertainty(tmp_path: Path) -> None:
    found = list(lines_of(0, tmp_path))
    answers = {one["metric"].partition(".")[0] for one in found}
    assert answers == {"launch", "shifts", "slalom", "friction", "load_transfer", "grip",
                       "braking", "balance", "run"}  # fmt: skip
    inside = [abs(e) < 1.96 * u for one in found for e, u in zip(one["error"], one["u"],
                                                                strict=True)]  # fmt: skip
    assert np.mean(inside) > 0.8  # one day is one draw of the calibration
