"""Estimates of quantities with their errors, cause by cause, and functions of estimates.

Errors that several quantities have in common keep their sign, so that shares, differences and
sums of estimates of one result cancel what they share.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from recon.base.arrays import Floats
from recon.base.quantities import COVERAGE_FACTOR

STEP = 1e-3  # of the standard uncertainty of an estimate, for slopes


@dataclass(frozen=True, slots=True)
class Estimate:
    """Some quantities (quantity,), each in its own unit, with their errors.

    `by_cause` (cause, quantity) is the effect per standard uncertainty of each cause, signed;
    causes stand in the order of the result of the reconstruction, followed by rows of what has
    no sign.  `noise` (quantity,) is a standard uncertainty that no other quantity shares.
    """

    value: Floats
    by_cause: Floats
    noise: Floats

    @property
    def u(self) -> Floats:
        """Standard uncertainty (quantity,) [unit of the value]."""
        fixed = np.sum(self.by_cause**2, axis=0)
        return np.where(np.isnan(self.value), np.nan, np.sqrt(fixed + self.noise**2))

    @property
    def upper(self) -> Floats:
        """Upper 95 % limit (quantity,) [unit of the value]."""
        return self.value + COVERAGE_FACTOR * self.u

    def plus_noise(self, u: ArrayLike) -> Estimate:
        """The same with one more independent standard uncertainty (quantity,), in its unit."""
        return replace(self, noise=np.hypot(self.noise, u))

    def at(self, places: int | slice | list[int]) -> Estimate:
        """Some of the quantities alone."""
        some = np.atleast_1d(np.arange(len(self.value))[places])
        return Estimate(self.value[some], self.by_cause[:, some], self.noise[some])


def independent(value: ArrayLike, u: ArrayLike, causes: int = 0) -> Estimate:
    """Values (quantity,) that share no cause of error, with their standard uncertainties [unit]."""
    one, u = np.ravel(np.asarray(value, dtype=float)), np.ravel(np.asarray(u, dtype=float))
    return Estimate(one, np.zeros((causes, one.size)), u)


def combined(function: Callable[..., ArrayLike], *estimates: Estimate) -> Estimate:
    """Propagate the errors of estimates through a function of them.

    `function` takes the values (quantity,) of each estimate and returns (new quantity,), in any
    units [1].  The `estimates` are of one result of the reconstruction, so that their causes are
    the same.  Linear propagation by central differences, JCGM 100:2008, 5.1 and 5.2; noise of the
    quantities is independent.
    """
    return combined_each(
        lambda *f: np.atleast_2d(function(*(of[0] for of in f))), *([e] for e in estimates)
    )[0]


def combined_each(
    function: Callable[..., Floats], *estimates: Sequence[Estimate]
) -> list[Estimate]:
    """`combined` for many alike: the function takes and returns arrays (place, quantity) [any].

    Each sequence holds one estimate for each place; a place has nothing to do with the others.
    """
    sizes = [len(own[0].value) for own in estimates]
    together = [stacked(*own) for own in zip(*estimates, strict=True)]
    values, by_cause, noise = (
        np.stack([getattr(one, name) for one in together])
        for name in ("value", "by_cause", "noise")
    )
    ends = np.cumsum([0, *sizes])
    places = [slice(first, last) for first, last in pairwise(ends)]

    def of(point: Floats) -> Floats:
        return np.asarray(function(*(point[:, place] for place in places)), dtype=float)

    total = np.sqrt(np.sum(by_cause**2, axis=1) + noise**2)
    steps = np.where(total > 0, STEP * total, STEP * np.fmax(np.abs(values), 1.0))
    best = of(values)
    slopes = np.empty((*values.shape, best.shape[1]))
    for i in range(values.shape[1]):
        move = np.zeros_like(values)
        move[:, i] = steps[:, i]
        slopes[:, i] = (of(values + move) - of(values - move)) / (2 * steps[:, [i]])
    # What is not known must not spoil what is made of it.
    slopes = np.where(np.isnan(best)[:, None], 0.0, slopes)
    own = np.sqrt((noise[:, None] ** 2 @ slopes**2)[:, 0])
    return [Estimate(*one) for one in zip(best, by_cause @ slopes, own, strict=True)]


def mean_of(estimates: Sequence[Estimate], weights: ArrayLike) -> Estimate:
    """Weighted mean of estimates of one result, quantity by quantity; `weights` (estimate,) [1]."""
    share = np.asarray(weights, dtype=float) / np.sum(weights)
    value = np.tensordot(share, [one.value for one in estimates], 1)
    by_cause = sum(own * one.by_cause for own, one in zip(share, estimates, strict=True))
    noise = np.sqrt(np.tensordot(share**2, [one.noise**2 for one in estimates], 1))
    known = ~np.isnan(value)
    return Estimate(value, np.where(known, by_cause, 0.0), np.where(known, noise, 0.0))


def stacked(*estimates: Estimate) -> Estimate:
    """Several estimates of one result side by side, as one."""
    return Estimate(
        np.concatenate([estimate.value for estimate in estimates]),
        np.concatenate([estimate.by_cause for estimate in estimates], axis=1),
        np.concatenate([estimate.noise for estimate in estimates]),
    )
