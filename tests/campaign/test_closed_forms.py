"""Closed forms of gaps and of the brakes: what a filter and an engine hide from true forces."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.analysis.braking import braking
from recon.evaluation.sections.find_sections import find_sections
from recon.virtual.tyre_forces import ENGINE_DRAG
from tests.campaign.closed_braking import braking_in_closed_form
from tests.campaign.closed_forms import in_closed_form
from tests.test_braking import coasting, faded


def driven_by(time: np.ndarray, total: np.ndarray) -> xr.Dataset:
    """Truth of a drive whose rear axle has a force of `total` (sample,) [N], with a shift."""
    force = np.zeros((len(time), 2, 3))
    force[..., 0] = total[:, None] / 2
    return xr.Dataset(
        {"tyre_force_intermediate": (("elapsed_time", "corner", "component"), force),
         "event_kind": ("event", ["standstill", "shift"]),
         "event_start": ("event", [0.0, 2.0]), "event_end": ("event", [1.0, 2.4])},
        coords={"elapsed_time": time, "corner": ["RL", "RR"], "component": ["x", "y", "z"]},
    )  # fmt: skip


def test_times_of_a_gap_are_those_of_the_force_before_any_filter() -> None:
    time = np.arange(0.0, 5.0, 0.01)
    # 4 kN fall to nothing within 0.1 s from 2.0 s on and are back to 3 kN from 2.3 to 2.4 s.
    total = np.interp(time, [2.0, 2.1, 2.3, 2.4], [4000.0, 0.0, 0.0, 3000.0])
    truth = driven_by(time, total)
    filtered = {"gap_start": [1.99, 4.0], "gap_end": [2.29, 4.3], "time_below_half": [0.31, 0.3]}
    ideal = xr.Dataset({name: ("shift", values) for name, values in filtered.items()})
    ideal = ideal.assign_coords(corner=["RL", "RR"])
    closed = in_closed_form(ideal, truth, ideal)
    # Halves at 2.05 and 2.3 + 0.1 * 2/3 s; the spline rounds corners by less than 0.2 ms.
    expected = {"gap_start": 2.01, "gap_end": 2.31, "time_below_half": 2.3 + 0.2 / 3 - 2.05}
    for name, value in expected.items():
        assert closed[name].to_numpy() == pytest.approx([value, np.nan], abs=2e-4, nan_ok=True)


def test_a_launch_starts_where_the_force_before_any_filter_rises() -> None:
    time = np.arange(0.0, 5.0, 0.01)
    truth = driven_by(time, np.interp(time, [2.0, 2.2, 4.0, 4.1], [0.0, 4000.0, 4000.0, 0.0]))
    truth["event_start"][1] = 4.0
    ideal = xr.Dataset({"launch_start": ("launch", [1.99, 4.5])}, coords={"corner": ["RL", "RR"]})
    closed = in_closed_form(ideal, truth, ideal)["launch_start"].to_numpy()
    # A tenth of the plateau; the second launch has no shift.
    assert closed == pytest.approx([2.02, np.nan], abs=5e-4, nan_ok=True)


@pytest.mark.parametrize("geared", [False, True])
def test_an_engine_that_no_coasting_shows_is_no_force_of_the_brakes(geared: bool) -> None:
    car = faded(0.0)  # its rear axle alone is driven
    car.channels |= {"gear": np.full(len(car.time), 3.0), "speed": np.full(len(car.time), 20.0)}
    true = car.forces()
    ideal, sections = braking(true), find_sections(true)
    closed = braking_in_closed_form(ideal, true, sections, geared)
    left = (closed["force_per_pressure"] / ideal["force_per_pressure"]).to_numpy()
    drag = (1.0 - left) * ideal["braking_force"].to_numpy()
    # Third gear turns the engine 5.4 / 7.2 times as fast as second.
    expected = ENGINE_DRAG * 0.75 * (0.5 + 0.375 * 20.0 / 15.0) if geared else ENGINE_DRAG
    assert drag == pytest.approx(np.array([[0.0, expected]] * 2), rel=1e-6)
    change = closed["force_per_pressure_change"].to_numpy()[1]
    assert change == pytest.approx(left[1, 1] / left[0, 1] - 1.0, abs=1e-3)  # the same stop twice


def test_an_engine_that_coasting_shows_is_taken_off_already() -> None:
    true = coasting().forces()
    ideal = braking(true)
    closed = braking_in_closed_form(ideal, true, find_sections(true), geared=False)
    assert closed["force_per_pressure"].equals(ideal["force_per_pressure"])
