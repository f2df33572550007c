"""Dropped samples, gaps and slow channels: what is bridged, marked and filled, and what is not."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataWarning
from recon.base.status import BIT
from recon.conditioning.carrying import u_of_hub, widened
from recon.conditioning.condition import condition
from tests.raw_logs import RATE, ZERO, log_of, noisy, timed
from tests.small_car import small_car

CORNER = ("elapsed_time", "corner")


def waves(n: int = 4000) -> np.ndarray:
    """A slow wave with noise on four gauges."""
    time = np.arange(n) / RATE
    return np.sin(2 * np.pi * 0.5 * time)[:, None] + 20 * noisy(n)


def without(log: xr.Dataset, lost: np.ndarray) -> xr.Dataset:
    return log.isel(elapsed_time=np.setdiff1d(np.arange(log.sizes["elapsed_time"]), lost))


def one_in_twenty(n: int = 4000) -> np.ndarray:
    """Irregular samples, never two beside each other."""
    rng = np.random.default_rng(4)
    return 20 * np.arange(1, n // 20) + rng.integers(0, 19, n // 20 - 1)


def marked(out: xr.Dataset, flag: str) -> np.ndarray:
    return np.flatnonzero((out["gauge_status"].to_numpy()[:, 0] & BIT[flag]) > 0)


def test_one_dropped_sample_in_twenty_is_bridged_and_marked() -> None:
    log, lost = log_of(waves()), one_in_twenty()
    with pytest.warns(DataWarning, match=r"drive.csv: 199 samples \(5 %\) were dropped .* 0.01"):
        out = condition(without(log, lost), small_car(), ZERO)
    whole = condition(log, small_car(), ZERO)
    np.testing.assert_allclose(out["elapsed_time"], whole["elapsed_time"], atol=1e-9)
    assert marked(out, "bridged").tolist() == lost.tolist()
    error = (out["indication"] - whole["indication"].to_numpy()).to_numpy()
    noise = whole["noise"].to_numpy()
    # A line between two noisy samples is wrong by sqrt(1.5) of their noise, the filter passes 0.8.
    assert np.sqrt(np.mean(error[lost] ** 2)) < 1.5 * noise.mean()
    kept = np.setdiff1d(np.arange(len(error)), lost)
    assert np.sqrt(np.mean(error[kept] ** 2)) < 0.5 * noise.mean()


def test_a_gap_is_marked_at_both_ends_and_the_drive_goes_on() -> None:
    values = waves()
    log = without(log_of(values), np.arange(1000, 1030))
    with pytest.warns(DataWarning, match=r"no straight line bridges 1 gap of 0.155 s"):
        out = condition(log, small_car(), ZERO)
    step = 1 / RATE
    ends = out["elapsed_time"].to_numpy()[marked(out, "missing_input")]
    np.testing.assert_allclose(ends, [1000 * step, 1029 * step], atol=1e-9)
    assert not marked(out, "bridged").size
    known = np.isfinite(out["indication"].to_numpy())
    assert known.sum() == values.size - 30 * 4


def test_a_gap_that_gauges_share_counts_once() -> None:
    values = waves()
    values[1000:1030, :2] = np.nan
    values[1000:1020, 2] = np.nan
    with pytest.warns(DataWarning, match="no straight line bridges 2 gaps of 0.105 to 0.155 s"):
        condition(log_of(values), small_car(), ZERO)


def test_a_low_bandwidth_bridges_longer_gaps_unless_the_signal_moves_too_fast() -> None:
    lost = np.arange(1000, 1006)
    with pytest.warns(DataWarning, match=r"6 samples .* bridged"):
        slow = condition(without(log_of(waves()), lost), small_car(), ZERO, bandwidth=8.0)
    assert marked(slow, "bridged").tolist() == lost.tolist()
    hop = waves() + 0.5 * np.sin(2 * np.pi * 12.0 * np.arange(4000) / RATE)[:, None]
    with pytest.warns(DataWarning, match=r"no straight line bridges 1 gap of 0.035 s"):
        fast = condition(without(log_of(hop), lost), small_car(), ZERO, bandwidth=8.0)
    assert not marked(fast, "bridged").size


def test_an_empty_cell_of_one_gauge_is_bridged_in_that_gauge_alone() -> None:
    values = waves()
    values[500, 0] = np.nan
    with pytest.warns(DataWarning, match=r"1 samples .* bridged"):
        out = condition(log_of(values), small_car(), ZERO)
    assert marked(out, "bridged").tolist() == [500]
    assert not (out["gauge_status"].to_numpy()[:, 1:] & BIT["bridged"]).any()


def test_a_line_from_a_clipped_sample_is_as_bad_as_that_sample() -> None:
    values = waves()
    values[500:520, 0], values[510, 0] = 9.0, np.nan
    with pytest.warns(DataWarning, match=r"1 samples .* bridged"):
        out = condition(log_of(values), small_car(), ZERO)
    assert 510 in marked(out, "channel_clipped")
    assert np.isnan(out["indication"].to_numpy()[510, 0])


def test_a_slow_channel_is_filled_within_its_own_steps_and_no_further() -> None:
    time = np.arange(4000) / RATE
    true = 0.01 * np.sin(2 * np.pi * 0.5 * time)
    travel = np.full((4000, 2), np.nan)
    travel[::20, 0] = true[::20]
    travel[1000:1400, 0] = np.nan  # the slow logger stopped for 2 s
    gear = np.full(4000, np.nan)
    gear[::20] = 2.0 + (time[::20] > 10.0)
    log = log_of(waves(), travel=(CORNER, travel), gear=(("elapsed_time",), gear))
    with pytest.warns(DataWarning, match=r"travel every 0\.1 s \(filled within .* m,"):
        out = condition(log, small_car(), ZERO)
    filled = out["travel"].to_numpy()[:, 0]
    lost = np.isnan(filled)
    assert np.flatnonzero(lost).tolist() == list(range(981, 1400))
    attributes = out["travel"].attrs
    assert attributes["own_step"] == pytest.approx(0.1)
    error = np.sqrt(np.mean((filled[~lost] - true[~lost]) ** 2))
    # The stated error is that of samples twice as far apart, so an upper limit.
    assert 0 < error < attributes["u_filled"] < 0.05 * 0.01
    assert np.isnan(out["travel"].to_numpy()[:, 1]).all()
    stated = small_car().sensors
    wider = np.hypot(stated.u_travel, attributes["u_filled"])
    assert widened(stated, out) == replace(stated, u_travel=wider)
    assert set(np.unique(out["gear"])) == {2.0, 3.0}


@pytest.mark.parametrize("bandwidth", [4.0, 12.0, 70.0])
def test_each_axis_of_a_slow_hub_has_its_own_error_below_the_bandwidth(bandwidth: float) -> None:
    """At 50 Hz: x moves with the car, z hops and shakes."""
    time = np.arange(4000) / RATE
    true = np.zeros((4000, 2, 3))
    true[:, :, 0] = 5.0 * np.sin(2 * np.pi * 0.7 * time)[:, None]
    hop = 3.0 * np.sin(2 * np.pi * 10.3 * time) + 1.5 * np.sin(2 * np.pi * 17.0 * time)
    true[:, 0, 2] = hop
    slow = np.full_like(true, np.nan)
    slow[::4] = true[::4]
    dims = (*CORNER, "component")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DataWarning)
        filled, exact = (
            condition(log_of(waves(), hub_acceleration=(dims, one)), small_car(), ZERO,
                      bandwidth=bandwidth)["hub_acceleration"]
            for one in (slow, true)
        )  # fmt: skip
    inner = slice(100, -100)
    wrong = filled.to_numpy()[inner, 0] - exact.to_numpy()[inner, 0]
    wrong = np.sqrt(np.mean(wrong**2, axis=0))
    each = np.array(filled.attrs["u_filled_each"])
    assert np.all(wrong <= each + 1e-9)
    assert each[0] < 0.05
    assert each[2] == filled.attrs["u_filled"]
    assert (0.2 if bandwidth < 10 else 1.0) > each[2] / 3.0 > 0.0
    stated = small_car().sensors
    log = xr.Dataset({"hub_acceleration": filled})
    assert_allclose(u_of_hub(stated, log), np.hypot(stated.u_hub_acceleration, each))
    assert widened(stated, log).u_hub_acceleration == stated.u_hub_acceleration


def test_a_complete_log_is_left_alone() -> None:
    log = log_of(waves())
    out = condition(log, small_car(), ZERO)
    np.testing.assert_array_equal(out["elapsed_time"], log["elapsed_time"])
    assert not marked(out, "bridged").size


def test_half_a_rate_that_is_not_round_is_a_bandwidth_without_filter() -> None:
    values = noisy(300)
    log = timed(log_of(values), np.arange(300) / 100.0000002)
    out = condition(log, small_car(), ZERO, bandwidth=50.0)
    np.testing.assert_array_equal(out["indication"], values)
    elapsed = np.arange(300) / 100.0000002 + 0.05 * (np.arange(300) // 20)
    with pytest.warns(DataWarning, match="14 gaps"):
        short = condition(timed(log_of(values), elapsed), small_car(), ZERO, bandwidth=50.0)
    # Stretches of 20 samples: too short for a filter, but there is none.
    assert np.isfinite(short["indication"].sel(elapsed_time=elapsed)).all()
