"""The sampling interval of times, from the first of them."""

from __future__ import annotations

import numpy as np
import pytest

from recon.base.arrays import sampling_interval


def test_a_gap_does_not_change_the_sampling_interval() -> None:
    time = np.arange(5000) / 500
    time[3:] += 7.0
    assert sampling_interval(time) == pytest.approx(1 / 500, rel=1e-9)
    assert np.mean(np.diff(time)) > 1.5 / 500  # twin: a mean is no help
    assert np.isnan(sampling_interval(time[:1]))
