"""Closed forms of gaps and of the brakes: what a filter and an engine hide from true forces."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.virtual.drawing import draw_car
from recon.virtual.tyre_forces import ENGINE_DRAG
from tests.campaign.closed_braking import braking_in_closed_form
from tests.campaign.closed_forms import in_closed_form
from tests.shipped_mechanisms import shipped


def test_times_of_a_gap_are_those_of_the_force_before_any_filter() -> None:
    time = np.arange(0.0, 5.0, 0.01)
    # 4 kN fall to nothing within 0.1 s from 2.0 s on and are back to 3 kN from 2.3 to 2.4 s.
    total = np.interp(time, [2.0, 2.1, 2.3, 2.4], [4000.0, 0.0, 0.0, 3000.0])
    force = np.zeros((len(time), 2, 3))
    force[..., 0] = total[:, None] / 2
    truth = xr.Dataset(
        {"tyre_force_intermediate": (("elapsed_time", "corner", "component"), force),
         "event_kind": ("event", ["standstill", "shift"]),
         "event_start": ("event", [0.0, 2.0]), "event_end": ("event", [1.0, 2.4])},
        coords={"elapsed_time": time, "corner": ["RL", "RR"], "component": ["x", "y", "z"]},
    )  # fmt: skip
    filtered = {"gap_start": [1.99, 4.0], "gap_end": [2.29, 4.3], "time_below_half": [0.31, 0.3]}
    ideal = xr.Dataset({name: ("shift", values) for name, values in filtered.items()})
    ideal = ideal.assign_coords(corner=["RL", "RR"])
    closed = in_closed_form(ideal, truth, ideal)
    # Halves at 2.05 and 2.3 + 0.1 * 2/3 s; the spline rounds corners by less than 0.2 ms.
    expected = {"gap_start": 2.01, "gap_end": 2.31, "time_below_half": 2.3 + 0.2 / 3 - 2.05}
    for name, value in expected.items():
        assert closed[name].to_numpy() == pytest.approx([value, np.nan], abs=2e-4, nan_ok=True)


@pytest.mark.parametrize("seen", [False, True])
def test_an_engine_that_no_coasting_shows_is_no_force_of_the_brakes(seen: bool) -> None:
    truth = draw_car(shipped("club_racer"), 3).truth  # its rear axle alone is driven
    by_stop, by_axle = ("stop", "axle"), ("axle",)
    ideal = xr.Dataset({
        "braking_force": (by_stop, [[4000.0, 2000.0], [2000.0, 1000.0]]),
        "force_per_pressure": (by_stop, [[8e-4, 5e-4], [8e-4, 5e-4]]),
        "force_per_pressure_change": (by_axle, [0.0, 0.0]),
        "coasting_force": (by_axle, [60.0, 300.0] if seen else [np.nan, np.nan]),
    })  # fmt: skip
    closed = braking_in_closed_form(ideal, truth)
    left = 1.0 - (0.0 if seen else ENGINE_DRAG) / np.array([2000.0, 1000.0])
    ratio, change = closed["force_per_pressure"], closed["force_per_pressure_change"]
    assert ratio.to_numpy() == pytest.approx(np.column_stack([[8e-4] * 2, 5e-4 * left]))
    assert change.to_numpy() == pytest.approx([0.0, left[1] / left[0] - 1.0])
