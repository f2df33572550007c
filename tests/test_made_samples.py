"""Channels that are slower than their log, and were repeated or joined by lines at every row."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.conditioning.condition import condition
from tests.days import day
from tests.raw_logs import RATE, ZERO, log_of, noisy
from tests.small_car import small_car

SAMPLES = 2000
Made = Callable[[np.ndarray, float], np.ndarray]
TIME = np.arange(SAMPLES) / RATE


def roll(seed: int = 1, digits: float = 1e-9) -> np.ndarray:
    """Rolling at 0.5 Hz with noise, written in steps of `digits` [rad]."""
    noise = np.random.default_rng(seed).standard_normal(SAMPLES)
    shown = 0.03 * np.sin(np.pi * TIME) + 3e-4 * noise
    return np.asarray(np.round(shown / digits) * digits)


def conditioned(values: np.ndarray) -> tuple[xr.Dataset, list[str]]:
    """The conditioned log with this roll, and its notes on channels of their own rate."""
    log = log_of(noisy(SAMPLES), roll=("elapsed_time", values))
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        out = condition(log, small_car(), ZERO)
    return out, [str(w.message) for w in told if "whose samples" in str(w.message)]


def held(values: np.ndarray, step: float) -> np.ndarray:
    return values[np.rint((np.arange(SAMPLES) / step).astype(int) * step).astype(int)]


def in_lines(values: np.ndarray, step: float) -> np.ndarray:
    own = np.rint(np.arange(0, SAMPLES, step)).astype(int)
    return np.interp(TIME, TIME[own], values[own])


@pytest.mark.parametrize("step", [2, 4, 10])
@pytest.mark.parametrize("made", [held, in_lines])
def test_made_samples_are_those_of_a_slow_channel(made: Made, step: int) -> None:
    found, told = conditioned(made(roll(), step))
    slow = np.full(SAMPLES, np.nan)
    slow[::step] = roll()[::step]
    expected, _ = conditioned(slow)
    inner = slice(step, -step)  # of the own samples at either end nothing shows that they are
    assert_allclose(found["roll"][inner], expected["roll"][inner], rtol=0, atol=1e-4)
    assert found["roll"].attrs["own_step"] == pytest.approx(step / RATE)
    assert len(told) == 1
    assert f"roll. One of {step} rows" in told[0]


@pytest.mark.parametrize("step", [2.5, 8.3])
@pytest.mark.parametrize("made", [held, in_lines])
def test_a_rate_that_does_not_divide_that_of_the_log_is_found(made: Made, step: float) -> None:
    found, told = conditioned(made(roll(), step))
    assert found["roll"].attrs["own_step"] == pytest.approx(step / RATE, abs=1 / RATE)
    assert len(told) == 1


@pytest.mark.parametrize("digits", [1e-6, 3e-4, 1e-3])  # rad; noise is 3e-4
def test_a_number_that_comes_twice_by_chance_is_no_slow_channel(digits: float) -> None:
    found, told = conditioned(roll(digits=digits))
    assert not told
    assert "own_step" not in found["roll"].attrs


def test_a_car_that_stands_has_no_slow_channel() -> None:
    found, told = conditioned(np.where(TIME < 5, 0.0, roll()))
    assert not told
    assert np.isfinite(found["roll"]).all()


def test_channels_at_the_rate_of_their_log_stay_as_they_are() -> None:
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        condition(day().log, day().car, day().tares)
    assert not [w for w in told if "whose samples" in str(w.message)]
