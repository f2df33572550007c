"""95 % limits, and that those at the bound are what they say."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import truncnorm

from recon.base.quantities import COVERAGE_FACTOR
from recon.reconstruction.solving.interval_limits import limits_of


def vertical(free: float, u: float = 50.0) -> tuple[float, float]:
    """Limits of the vertical force for an unbounded estimate `free`."""
    force = np.array([[10.0, 20.0, max(free, 0.0)]])
    lower, upper = limits_of(force, np.full((1, 3), u), np.array([free]))
    return float(lower[0, 2]), float(upper[0, 2])


@pytest.mark.parametrize("free", [-400.0, -150.0, -50.0, 0.0, 40.0, 90.0])
def test_upper_limit_at_the_bound_against_the_cut_normal_distribution(free: float) -> None:
    lower, upper = vertical(free)
    assert lower == 0.0
    expected = truncnorm.ppf(0.95, -free / 50.0, np.inf, loc=free, scale=50.0)
    assert upper == pytest.approx(expected, rel=1e-6)  # two libraries' tails


@pytest.mark.parametrize("free", [-1000.0, -1800.0, -3000.0])
def test_far_below_zero_the_limit_shrinks_to_the_bound(free: float) -> None:
    """20 to 60 standard uncertainties: an exponential of scale u^2 / |free|."""
    lower, upper = vertical(free)
    assert lower == 0.0
    assert np.isfinite(upper)
    assert 0.0 <= upper <= 50.0**2 / abs(free) * np.log(20) * 1.05
    if free > -1500.0:
        assert upper == pytest.approx(50.0**2 / abs(free) * np.log(20), rel=0.01)  # first order


def test_far_from_the_bound_limits_are_symmetric() -> None:
    half = COVERAGE_FACTOR * 50.0
    assert vertical(500.0) == (pytest.approx(500.0 - half), pytest.approx(500.0 + half))
    force = np.array([[100.0, -200.0, 0.0]])
    u = np.array([[10.0, 20.0, 30.0]])
    lower, upper = limits_of(force, u, np.array([-500.0]))
    # The other components keep their limits, whatever the vertical one does.
    assert_allclose(lower[0, :2], (force - COVERAGE_FACTOR * u)[0, :2], rtol=1e-15)
    assert_allclose(upper[0, :2], (force + COVERAGE_FACTOR * u)[0, :2], rtol=1e-15)


def test_without_the_bound_limits_are_symmetric_below_zero_too() -> None:
    force, u = np.array([[100.0, -200.0, -70.0]]), np.array([[10.0, 20.0, 30.0]])
    lower, upper = limits_of(force, u, np.array([-70.0]), bounded=False)
    assert_allclose(lower, force - COVERAGE_FACTOR * u, rtol=1e-15)
    assert_allclose(upper, force + COVERAGE_FACTOR * u, rtol=1e-15)
    assert limits_of(force, u, np.array([-70.0]))[0][0, 2] == 0.0  # twin: with the bound


def test_limits_hold_their_share_of_forces_that_only_push() -> None:
    """Every force up to 6 u is equally likely, seen with noise: conditional limits hold 95 %."""
    rng = np.random.default_rng(12)
    n, u = 200_000, 50.0
    true = rng.uniform(0, 6 * u, n)
    seen = true + u * rng.standard_normal(n)
    force = np.column_stack([np.zeros(n), np.zeros(n), np.maximum(seen, 0)])
    lower, upper = limits_of(force, np.full((n, 3), u), seen)
    inside = (lower[:, 2] <= true) & (true <= upper[:, 2])
    # One-sided and symmetric limits both hold 95 % given what was seen; the flat range ends at 6 u,
    # which only those near its end feel.
    near = seen < COVERAGE_FACTOR * u
    assert inside[near].mean() == pytest.approx(0.95, abs=0.004)  # 70 000: 0.08 %, and the end
    middle = (seen > COVERAGE_FACTOR * u) & (seen < 4 * u)
    assert inside[middle].mean() == pytest.approx(0.95, abs=0.01)
