"""Motion that is too fast for a slow log: told, and allowed for in the forces."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataWarning
from recon.conditioning.condition import condition
from tests.raw_logs import ZERO, log_of, noisy
from tests.small_car import small_car

TARES = replace(ZERO, sd=np.full(8, 1e-3))  # mV/V, as `noisy` makes it
SHAKING = 55.0  # Hz, which shows as 45 Hz at 100 Hz


def shaken(gauges: int, rate: float) -> np.ndarray:
    """White noise, and in the first gauges, which are of one corner, a shaking of 55 Hz [mV/V]."""
    values = noisy(4000)
    time = np.arange(len(values)) / rate
    sizes = np.array([0.02, -0.018, 0.0, 0.0]) * (np.arange(4) < gauges)
    values += sizes * np.sin(2 * np.pi * SHAKING * time)[:, None]
    return values


def told(values: np.ndarray, rate: float) -> tuple[list[str], xr.Dataset]:
    """Warnings of folded motion, and the conditioned log."""
    with warnings.catch_warnings(record=True) as all_of_them:
        warnings.simplefilter("always")
        out = condition(log_of(values, rate), small_car(), TARES)
    found = [str(w.message) for w in all_of_them if issubclass(w.category, DataWarning)]
    return [words for words in found if "just below" in words], out


def test_gauges_that_shake_just_below_half_the_rate_are_told() -> None:
    words, _ = told(shaken(2, rate=100.0), rate=100.0)
    assert len(words) == 1
    assert words[0].startswith(
        "drive.csv: 2 of 4 gauges shake just below 50 Hz, half the sampling rate, G1 most"
    )
    assert "have the logger filter at 40 Hz or below" in words[0]


@pytest.mark.parametrize(
    ("gauges", "rate"),
    [
        pytest.param(0, 100.0, id="noise alone"),
        pytest.param(1, 100.0, id="one gauge has noise of its own"),
        pytest.param(2, 200.0, id="a log that is fast enough shows it as it is"),
    ],
)
def test_what_is_no_folded_motion_is_not_told(gauges: int, rate: float) -> None:
    assert not told(shaken(gauges, rate), rate)[0]


def test_white_noise_keeps_its_size() -> None:
    """What it is compared with is the noise of single samples, filtered alike."""
    values = noisy(40_000, seed=3)
    _, out = told(values, 100.0)
    seen = np.std(out["quick_indication"].to_numpy(), axis=0)
    assert seen == pytest.approx(out["noise"].to_numpy(), rel=0.03)


def test_a_fast_log_needs_no_room_for_it() -> None:
    assert "quick_indication" not in told(noisy(), 500.0)[1]
