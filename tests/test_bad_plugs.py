"""Gauges that fail now and then are named for what they do: jumping, open, clipped."""

from __future__ import annotations

import numpy as np
import pytest

from tests.days import day
from tests.slow_repeats import some_quick
from tests.spoiled_days import GAUGES, examined

COUNT = len(day().log["elapsed_time"])
STRETCHES = (slice(COUNT // 5, COUNT // 3), slice(COUNT // 2, 2 * COUNT // 3))
START = float(day().log["elapsed_time"][STRETCHES[0].start])


@pytest.mark.parametrize("i", some_quick([0, 11], 0))
def test_a_gauge_that_jumps_between_two_levels_is_named_with_its_start(i: int) -> None:
    def spoil(raw: np.ndarray) -> None:
        step = 0.5 * np.ptp(raw[:, i])
        for part in STRETCHES:
            raw[part, i] += step

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("jumping", (GAUGES[i],))
    assert "2 times" in doubt.do
    assert doubt.start == pytest.approx(START, abs=0.2)  # short means last 0.125 s


def test_a_gauge_that_is_open_now_and_then_is_intermittent() -> None:
    rng = np.random.default_rng(4)

    def spoil(raw: np.ndarray) -> None:
        for part in STRETCHES:
            raw[part, 0] = rng.normal(0, 1e-4, part.stop - part.start)

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("intermittent", (GAUGES[0],))
    assert doubt.start == pytest.approx(START, abs=0.2)


@pytest.mark.parametrize("share", [0.7, 0.95])
def test_a_gauge_that_is_clipped_below_its_stated_range_is_called_clipped(share: float) -> None:
    def spoil(raw: np.ndarray) -> None:
        low, high = np.quantile(raw[:, 3], [1 - share, share])
        raw[:, 3] = np.clip(raw[:, 3], low, high)

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("clipped", (GAUGES[3],))
    assert "the end of its range" in doubt.found
