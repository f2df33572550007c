"""Statistics of few runs against known examples, each with a twin that the check would catch."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from recon.evaluation.runs.equivalence_tests import (
    Spread,
    exchange_test,
    exchanges_of,
    holm,
    more_runs,
)
from recon.evaluation.runs.linear_model import Design, degrees_of, fitted, slope_of, weights_of

# Differences of 15 pairs of plants, crossed less self-fertilised, in eighths of an inch.
PAIRS = np.array([6, 8, 14, 16, 23, 24, 28, 29, 41, -48, 49, 56, 60, -67, 75], dtype=float)
MALES, FEMALES = [19, 22, 16, 29, 24], [20, 11, 17, 12]


def in_pairs(differences: np.ndarray) -> tuple[np.ndarray, Design]:
    """Values of two runs in each block whose difference is given, second set-up last."""
    n = len(differences)
    values = np.column_stack([np.zeros(n), differences]).ravel() + np.repeat(np.arange(n) * 7.0, 2)
    return values, Design(np.tile([0.0, 1.0], n), np.repeat(np.arange(float(n)), 2))


def two_groups() -> tuple[np.ndarray, Design]:
    values = np.array([*MALES, *FEMALES], dtype=float)
    return values, Design(np.repeat([0.0, 1.0], [5, 4]), np.zeros(9))


@pytest.mark.source("L1: t test and sign flips of pairs")
def test_blocks_of_two_are_the_test_of_pairs() -> None:
    values, design = in_pairs(PAIRS)
    fit = fitted(values, design)
    spread = Spread(fit.u, fit.degrees)
    assert fit.degrees == 14
    assert fit.effect / fit.u == pytest.approx(2.148, abs=5e-4)  # as printed
    assert spread.p_value(fit.effect) == pytest.approx(0.0497, abs=5e-5)  # as printed
    flips = exchange_test(values, design, most=2**15)
    assert flips.p_value == 1726 / 32768  # as counted by Fisher
    assert flips.smallest == 2 / 32768


def test_a_check_of_pairs_would_see_one_that_is_turned() -> None:
    turned = PAIRS.copy()
    turned[9] *= -1
    values, design = in_pairs(turned)
    assert exchange_test(values, design, most=2**15).p_value != 1726 / 32768
    # Two groups instead of pairs hide the effect behind the differences between blocks.
    values, design = in_pairs(PAIRS)
    grouped = fitted(values, Design(design.second, np.zeros(30)))
    assert grouped.effect / grouped.u != pytest.approx(2.148, abs=0.1)


@pytest.mark.source("L2: t test of two groups")
def test_one_block_is_the_test_of_two_groups() -> None:
    values, design = two_groups()
    fit = fitted(values, design)
    spread = Spread(fit.u, fit.degrees)
    assert fit.degrees == 7
    assert fit.effect / fit.u == pytest.approx(-2.239334696520584, rel=1e-12)
    # The example is one-sided.
    assert spread.p_value(fit.effect) == pytest.approx(2 * 0.030068441095757924, rel=1e-9)


def test_exchanges_in_one_block_are_those_of_scipy() -> None:
    values, design = two_groups()
    theirs = stats.permutation_test(
        (MALES, FEMALES), lambda x, y: np.mean(x) - np.mean(y), vectorized=False, n_resamples=np.inf
    )
    found = exchange_test(values, design)
    assert exchanges_of(design) == 126
    # scipy doubles the smaller tail; ours counts both, which differs where groups are unequal.
    ours = np.abs(theirs.null_distribution) >= abs(theirs.statistic) * (1 - 1e-9)
    assert found.p_value == pytest.approx(np.mean(ours), rel=1e-12)
    shuffled = exchange_test(values[::-1].copy(), design)
    assert shuffled.p_value != found.p_value


def test_exchanges_within_blocks_are_fewer_than_across() -> None:
    rng = np.random.default_rng(3)
    second, block = np.tile([0.0, 1.0, 1.0, 0.0], 3), np.repeat([0.0, 1.0, 2.0], 4)
    values = 10 * block + second + 0.2 * rng.standard_normal(12)
    within = exchange_test(values, Design(second, block))
    across = exchange_test(values, Design(second, np.zeros(12)))
    assert within.p_value == within.smallest == 2 / 216  # the effect stands out in each block
    assert across.p_value > 0.5  # blocks hide it


def test_many_exchanges_are_drawn_and_never_give_zero() -> None:
    second, block = np.tile([0.0, 1.0, 1.0, 0.0], 10), np.zeros(40)
    values = 5 * second + 0.01 * np.arange(40)
    found = exchange_test(values, Design(second, block), most=500)
    assert found.p_value == found.smallest == 1 / 501


def test_a_covariate_is_taken_off() -> None:
    rng = np.random.default_rng(7)
    second, block = np.tile([0.0, 1.0, 1.0, 0.0], 3), np.repeat([0.0, 1.0, 2.0], 4)
    warm = rng.normal(60.0, 3.0, 12)
    values = 100 + 2.0 * second + 0.5 * warm + 3 * block
    design = Design(second, block, {"tyre temperature": warm[:, None]})
    fit = fitted(values, design)
    assert fit.effect == pytest.approx(2.0, abs=1e-10)  # rounding
    assert fit.scatter == pytest.approx(0.0, abs=1e-10)
    assert fit.degrees == 12 - 3 - 1 - 1
    without = fitted(values, Design(second, block))
    assert abs(without.effect - 2.0) > 0.1


def test_weights_are_those_of_the_effect_and_cancel_what_is_common() -> None:
    second, block = np.tile([0.0, 1.0, 1.0, 0.0], 3), np.repeat([0.0, 1.0, 2.0], 4)
    weights = weights_of(Design(second, block))
    assert weights.sum() == pytest.approx(0.0, abs=1e-12)
    assert weights @ second == pytest.approx(1.0)
    hidden = Design(second, second)  # each block holds one set-up
    assert np.isnan(weights_of(hidden)).all()
    assert degrees_of(hidden) == 10


def test_equivalence_is_the_worse_of_two_one_sided_tests() -> None:
    values, design = two_groups()
    fit = fitted(values, design)
    spread, margin = Spread(fit.u, fit.degrees), 15.0
    below = stats.ttest_ind(np.add(FEMALES, margin), MALES, alternative="greater").pvalue
    above = stats.ttest_ind(np.subtract(FEMALES, margin), MALES, alternative="less").pvalue
    assert spread.equivalence(fit.effect, margin) == pytest.approx(max(below, above), rel=1e-9)
    assert spread.equivalence(fit.effect, margin) != pytest.approx(min(below, above), rel=1e-3)


def test_holm_by_hand() -> None:
    found = holm(np.array([0.01, 0.04, 0.03, 0.005]))
    assert found == pytest.approx([0.03, 0.06, 0.06, 0.02])  # 3 x, 2 x 0.03, 2 x, 4 x
    assert holm(np.array([0.4, 0.7])) == pytest.approx([0.8, 0.8])
    assert holm(np.array([])).size == 0


def test_the_resolvable_difference_is_resolved_in_eight_of_ten_trials() -> None:
    rng = np.random.default_rng(11)
    second, block = np.tile([0.0, 1.0, 1.0, 0.0], 3), np.repeat([0.0, 1.0, 2.0], 4)
    design = Design(second, block)
    true = Spread(np.sqrt(1 / 3), degrees_of(design)).resolvable()  # one run scatters by 1
    trials = 2000
    resolved = 0
    for _ in range(trials):
        fit = fitted(true * second + rng.standard_normal(12), design)
        resolved += Spread(fit.u, fit.degrees).p_value(fit.effect) <= 0.05
    # 80 % less four standard deviations of such a count, and a little for the t approximation
    assert 0.76 < resolved / trials < 0.86


def test_more_runs_help_against_scatter_and_not_against_calibration() -> None:
    spread = Spread(0.6, 7.0)
    more = more_runs(spread, 6, 1.1)
    assert more is not None
    assert 8 <= more <= 14
    enough = spread.with_runs((6 + more) / 6)
    assert enough.resolvable() <= 1.1 < spread.with_runs((5 + more) / 6).resolvable()
    assert more_runs(spread, 6, 5.0) == 0
    assert more_runs(Spread(0.6, 7.0, common=0.6), 6, 1.1) is None
    assert more_runs(spread, 6, 0.0) is None


@pytest.mark.parametrize("degrees", [1.0, 3.0, 12.0, 400.0])
def test_without_a_common_part_the_interval_is_that_of_t(degrees: float) -> None:
    alone = Spread(2.0, degrees)
    assert alone.half() == pytest.approx(2.0 * stats.t.ppf(0.975, degrees), rel=1e-8)
    assert alone.p_value(9.0) == pytest.approx(2 * stats.t.sf(4.5, degrees), rel=1e-6)
    assert Spread(0.0, degrees, common=2.0).half() == pytest.approx(2.0 * stats.norm.ppf(0.975))


def test_a_common_part_always_widens_the_interval() -> None:
    """Also where few degrees of freedom make the interval of the runs alone wide."""
    rng = np.random.default_rng(3)
    for common in (0.1, 0.5, 1.0, 3.0):
        both = Spread(1.0, 3.0, common)
        draws = rng.standard_t(3, 400_000) + common * rng.standard_normal(400_000)
        assert both.half() > max(Spread(1.0, 3.0).half(), Spread(0.0, 3.0, common).half())
        assert both.half() == pytest.approx(np.quantile(np.abs(draws), 0.95), rel=0.01)


def test_the_slope_of_a_covariate_is_found_beside_the_set_up() -> None:
    """2 % by the set-up and 0.5 % per kelvin, exactly; blocks differ as they like."""
    second = np.array([0.0, 1, 1, 0, 0, 1, 1, 0])
    block = np.repeat([0.0, 1.0], 4)
    warm = np.array([60.0, 62, 61, 66, 63, 61, 65, 64])
    values = 1.0 + 0.02 * second + 0.005 * warm + 0.3 * block
    design = Design(second, block, {"tyre temperature": warm[:, None]})
    slope, u = slope_of(values, design, "tyre temperature")
    assert slope == pytest.approx(0.005, rel=1e-9)
    assert u < 1e-9
    scattered = values + 0.01 * np.array([1, -1, 0, 1, -1, 1, 0, -1])
    slope, u = slope_of(scattered, design, "tyre temperature")
    assert abs(slope - 0.005) < 3 * u
    even = Design(second, block, {"tyre temperature": 60.0 + block[:, None]})
    assert np.isnan(slope_of(values, even, "tyre temperature")).all()
