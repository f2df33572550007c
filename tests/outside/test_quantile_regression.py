"""Quantile regression against the example of a statistics library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.evaluation.grip.quantile_line import quantile_line

DATA = Path(__file__).parent / "data"
# Share, intercept and slope as the library's own fit of its example prints them.
PRINTED = [
    (0.05, 124.880099, 0.343361),
    (0.25, 95.483539, 0.474103),
    (0.50, 81.482256, 0.560181),
    (0.75, 62.396584, 0.644014),
    (0.95, 64.103964, 0.709069),
    (0.975, 70.564284, 0.716437),
]


def households() -> tuple[np.ndarray, np.ndarray]:
    income, food = np.loadtxt(DATA / "engel.csv", delimiter=",", comments=("#", "i"), unpack=True)
    return income, food


@pytest.mark.source("ENGEL: quantile regression of food expenditure on income")
@pytest.mark.parametrize(("share", "intercept", "slope"), PRINTED)
def test_food_expenditure_of_households(share: float, intercept: float, slope: float) -> None:
    income, food = households()
    assert len(income) == 235
    found = quantile_line(income, food, np.ones(235), share, (0.0, 2.0))
    assert_allclose(found[1], slope, rtol=2e-5)  # the library iterates to about 1e-6
    assert_allclose(found[0], intercept, rtol=2e-4)  # slope's digits at a mean income of 980
    least_squares = np.polyfit(income, food, 1)
    assert abs(least_squares[0] - slope) > 0.01  # twin
