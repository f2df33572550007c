"""Delays of gauges by sums of forces, on a drive that is quiet here and loud there."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from recon.examination.lateness import _evidence

SAMPLES, QUIET, LOUD = 400, 2.0, 60.0  # of a drive; N, on its straights and in its only corners


@pytest.mark.parametrize("late", [0.0, 0.02])
def test_a_delay_is_as_unsure_as_the_samples_that_show_it(late: float) -> None:
    """Forces change in a tenth of the drive, and are rough there; the rest is quiet."""
    rng, wrong = np.random.default_rng(8), []
    turning = np.arange(SAMPLES) % 10 == 0
    for _ in range(200):
        slopes = np.where(turning, rng.normal(0.0, 3000.0, (2, SAMPLES)), 0.0)
        rough = rng.normal(0.0, np.where(turning, LOUD, QUIET))
        seen = -late * slopes[0] + rough
        compared: Any = SimpleNamespace(seen=seen, expected=np.zeros(SAMPLES), effects=())
        found = _evidence(compared, slopes)
        assert found is not None
        information, score = found
        delay = np.linalg.solve(information, score) - [late, 0.0]
        wrong.append(delay @ information @ delay / 2)
    # Below 1 by `ALIKE`; 90 by the scatter of all samples, most of which say nothing of a delay.
    assert 0.3 < np.mean(wrong) < 1.0
