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


def test_many_lines_at_once_are_each_the_line_of_its_own_points() -> None:
    rng = np.random.default_rng(4)
    x, y = rng.uniform(-1, 1, 60), rng.normal(size=(5, 60))
    weight = rng.uniform(0.1, 3.0, (5, 60)) * (rng.uniform(size=(5, 60)) > 0.3)
    weight[3] = 0.0  # no line at all
    slopes = (np.array([-3.0, -3.0, 0.2, -3.0, 0.0]), np.array([3.0, 3.0, 0.2, 3.0, 0.1]))
    every = quantile_line(np.broadcast_to(x, y.shape), y, weight, 0.9, slopes)
    for k, (own, mass) in enumerate(zip(y, weight, strict=True)):
        some = mass > 0
        low, high = (float(end[k]) for end in slopes)
        alone = quantile_line(x[some], own[some], mass[some], 0.9, (low, high))
        assert_allclose([found[k] for found in every], alone, rtol=1e-12)
    assert np.isnan(every[0]).tolist() == [False, False, False, True, False]
    assert len(np.unique(every[1][[0, 1, 2, 4]])) == 4  # twin: the lines differ


def test_points_at_one_place_take_the_lowest_slope() -> None:
    rng = np.random.default_rng(5)
    y, weight = rng.normal(size=(20, 50)), rng.uniform(0.1, 1.0, (20, 50))
    _, slope = quantile_line(np.full(y.shape, 0.3), y, weight, 0.975, (0.5, 1.0))
    assert np.all(slope == 0.5)  # rounding does not choose among slopes that are all as good
