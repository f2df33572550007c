"""Tests for few runs: exchange within blocks, equivalence, several metrics, resolvable difference.

All of them are textbook methods, here for runs in blocks:

- exchange (permutation) test: R. A. Fisher, The Design of Experiments, 1935;
- equivalence by two one-sided tests: D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657;
- several metrics: S. Holm, Scand. J. Statist. 6 (1979) 65;
- distribution of a mean of few runs beside a known uncertainty: JCGM 101:2008, 6.4.9 and 5.2.

Citations are from memory.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, islice, product
from math import comb, prod

import numpy as np

from recon.base.arrays import Floats
from recon.evaluation.runs.linear_model import WEAK, Design

LEVEL = 0.05  # probability of a false claim
POWER = 0.80  # probability with which the smallest resolvable difference is resolved
MOST_EXCHANGES = 20_000  # above it, as many are drawn at random (with a fixed seed)
MOST_RUNS = 200  # of one set-up, that anybody could think of
NOTHING = 1e-200  # stands for an uncertainty of zero where it divides
SAME = 1e-9  # relative difference below which two test statistics are equal


@lru_cache(maxsize=MOST_RUNS)
def _variance_shares(degrees: float) -> tuple[Floats, Floats]:
    """Chi-square over its degrees (node,) and their weights (node,), for averages over it.

    Gauss-Legendre nodes of the probability, drawn to both ends, where the integrand is steep; 80
    of them give tails of t to 1e-9 of themselves (3e-3 for one degree and a tail of 5e-6).
    """
    from scipy.stats import chi2

    at, weights = np.polynomial.legendre.leggauss(80)
    at, weights = (at + 1) / 2, weights / 2
    probability = at**3 * (10 - 15 * at + 6 * at**2)
    return chi2.ppf(probability, degrees) / degrees, weights * 30 * (at * (1 - at)) ** 2


@dataclass(frozen=True, slots=True)
class Spread:
    """Uncertainty of an effect: `runs` by the scatter of runs with `degrees`, `common` beside it.

    `common` is the part that all runs of a set-up share: more runs do not reduce it.
    """

    runs: float
    degrees: float
    common: float = 0.0

    @property
    def u(self) -> float:
        """Combined standard uncertainty; never zero, also if all runs are the same."""
        return max(float(np.hypot(self.runs, self.common)), NOTHING)

    def tail(self, distance: float) -> float:
        """Probability that the error is above `distance`.

        The error is a scaled t variable (the runs) plus a normal one (the common part): a normal
        variable of uncertain variance, averaged over the chi-square that the variance follows.
        Unlike effective degrees of freedom, a common part can then never narrow the interval.
        """
        from scipy.special import ndtr

        share, weights = _variance_shares(self.degrees)
        deviations = np.maximum(np.sqrt(self.common**2 + self.runs**2 / share), NOTHING)
        return float(weights @ ndtr(-distance / deviations))

    def distance(self, probability: float) -> float:
        """Distance that the error exceeds with `probability`; NaN without degrees."""
        from scipy.optimize import brentq

        if np.isnan(self.tail(0.0)):
            return float("nan")
        far = self.u
        while self.tail(far) > probability:
            far *= 2
        return float(brentq(lambda x: self.tail(x) - probability, 0.0, far, xtol=1e-12 * far))

    def half(self, coverage: float = 1 - LEVEL) -> float:
        """Half width of the two-sided interval with this coverage."""
        return self.distance((1 - coverage) / 2)

    def p_value(self, effect: float) -> float:
        """Probability of an effect at least as large if there were none (two-sided)."""
        return 2 * self.tail(abs(effect))

    def equivalence(self, effect: float, margin: float) -> float:
        """Probability of an effect as small if the true one were at the margin (larger of two)."""
        return self.tail(margin - abs(effect))

    def resolvable(self) -> float:
        """Smallest difference that is resolved in `POWER` of such tests."""
        return self.half() + self.distance(1 - POWER)

    def with_runs(self, factor: float) -> Spread:
        """The spread with `factor` times as many runs of the same design."""
        return Spread(self.runs / np.sqrt(factor), self.degrees * factor, self.common)


def more_runs(spread: Spread, of_each: int, effect: float) -> int | None:
    """Number of further runs of each set-up that would resolve `effect`; None if none would."""
    counts = range(of_each, MOST_RUNS + 1)

    def enough(n: int) -> bool:
        return spread.with_runs(n / of_each).resolvable() <= abs(effect)

    if not enough(MOST_RUNS):
        return None
    return bisect_left(counts, True, key=enough)


def holm(p_values: Floats) -> Floats:
    """Probabilities (metric,) [1] that stand for the whole family, by Holm's method."""
    order = np.argsort(p_values)
    steps = p_values[order] * np.arange(len(p_values), 0, -1)
    out = np.empty(len(p_values))
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out


@dataclass(frozen=True, slots=True)
class Exchange:
    """Result of exchanging set-ups within blocks: p, and the smallest p that could be."""

    p_value: float
    smallest: float


def exchange_test(values: Floats, design: Design, *, most: int = MOST_EXCHANGES) -> Exchange:
    """Share of exchanges of the set-ups within blocks that give an effect at least as large.

    In blocks of two runs an exchange turns the sign of their difference.  The effect of `values`
    (run,), in any unit [1], is measured in its own standard uncertainties, with the same covariates
    in every exchange.  Up to `most` exchanges all are tried; of more, as many are drawn.
    """
    every = exchanges_of(design)
    labels = _all(design) if every <= most else _drawn(design, most)
    statistic = _statistics(np.array(list(islice(labels, most))), values, design)
    own = _statistics(design.second[None], values, design)[0]
    as_large = int(np.sum(statistic >= own * (1 - SAME)))
    if every <= most:
        return Exchange(as_large / every, _smallest(design, every))
    return Exchange((as_large + 1) / (most + 1), 1 / (most + 1))


def exchanges_of(design: Design) -> int:
    """Number of ways to deal out the set-ups within blocks."""
    sizes = [(len(labels), int(labels.sum())) for labels in _by_block(design)]
    return prod(comb(n, k) for n, k in sizes)


def _smallest(design: Design, every: int) -> float:
    """The smallest p that can be: in balanced blocks, exchanging all A for B changes nothing."""
    balanced = all(2 * labels.sum() == len(labels) for labels in _by_block(design))
    return (2 if balanced else 1) / every


def _by_block(design: Design) -> list[Floats]:
    return [design.second[design.block == b] for b in np.unique(design.block)]


def _all(design: Design) -> Iterator[Floats]:
    places = [np.flatnonzero(design.block == b) for b in np.unique(design.block)]
    choices = [combinations(at, int(design.second[at].sum())) for at in places]
    for chosen in product(*choices):
        labels = np.zeros(design.runs)
        labels[[place for part in chosen for place in part]] = 1.0
        yield labels


def _drawn(design: Design, count: int) -> Iterator[Floats]:
    rng = np.random.default_rng(1)
    for _ in range(count):
        labels = design.second.copy()
        for b in np.unique(design.block):
            at = design.block == b
            labels[at] = rng.permutation(labels[at])
        yield labels


def _statistics(labels: Floats, values: Floats, design: Design) -> Floats:
    """Share of the scatter that each choice of labels (choice, run) explains, (choice,) [1].

    It grows with the size of Student's t, and orders the choices in the same way.
    """
    from scipy.linalg import orth

    basis = orth(design.others)
    left = values - basis @ (basis.T @ values)
    moved = labels - (labels @ basis) @ basis.T
    size = np.sum(moved**2, axis=1)
    share = (moved @ left) ** 2 / np.maximum(size, WEAK)
    return np.where(size > WEAK, share, 0.0)  # nothing is known of labels that others explain
