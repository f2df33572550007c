"""Quantile regression against the linear program that defines it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.evaluation.grip.quantile_line import quantile_line
from tests.envelope_definition import regression_quantile


@pytest.mark.parametrize("share", [0.5, 0.9, 0.975])
def test_weighted_points_against_a_linear_program(share: float) -> None:
    rng = np.random.default_rng(3)
    x = rng.uniform(-1, 1, 200)
    y = 0.8 * x + rng.gumbel(size=200) * (1 + 0.5 * x)
    weight = rng.uniform(0.1, 3.0, 200)
    found = quantile_line(x, y, weight, share, (-3.0, 3.0))
    expected = regression_quantile(x, y, weight, share, (None, None))
    assert_allclose(found, expected, rtol=1e-6, atol=1e-6)  # the search ends at 2e-7 of its range
    plain = quantile_line(x, y, np.ones(200), share, (-3.0, 3.0))
    assert not np.allclose(plain, expected, rtol=0.01)  # twin: weights matter


def test_points_without_weight_have_no_line() -> None:
    assert np.isnan(quantile_line(np.ones(3), np.ones(3), np.zeros(3), 0.9, (0.0, 1.0))).all()
