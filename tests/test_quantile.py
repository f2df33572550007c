"""Quantiles of few values, which answers take in every one of their alternatives."""

from __future__ import annotations

import numpy as np
import pytest

from recon.base.arrays import quantile


@pytest.mark.parametrize("count", [1, 2, 5, 64])
@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.6, 1.0])
def test_a_quantile_is_that_of_numpy(count: int, share: float) -> None:
    values = np.random.default_rng(count).standard_normal(count)
    assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)), rel=1e-14)


def test_a_quantile_of_a_value_that_is_not_known_is_not_known() -> None:
    assert np.isnan(quantile(np.array([1.0, np.nan, 2.0]), 0.5))
