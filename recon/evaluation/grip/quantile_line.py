"""Straight line that leaves a stated share of weighted points below it: quantile regression."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats

STEPS = 60  # at most, of the search; it mostly ends after six
REACHED = 1e-12  # of the loss: so near to a bound that it is the bound


def quantile_line(
    x: Floats, y: Floats, weight: Floats, share: float, slopes: tuple[float, float]
) -> tuple[float, float]:
    """Intercept and slope of the line that is the quantile `share` of y at every x.

    Parameters
    ----------
    x, y, weight : (point,)
        Points in any units; weights are not negative.
    share : float
        Share of the weight below the line, 0 to 1.
    slopes : (float, float)
        Range in which the slope is searched.

    Returns
    -------
    (float, float)
        Intercept and slope; NaN if no point has weight.

    Notes
    -----
    Source: R. Koenker and G. Bassett, Econometrica 46 (1978) 33-50.  For a given slope the best
    intercept is a weighted quantile; the loss that is left is convex in the slope and made of
    straight pieces.  Where the tangents at both ends of a range meet, no loss can be less: a loss
    that is no more has been found to be the least (J. E. Kelley, Journal of SIAM 8 (1960) 703-712;
    from memory).
    """
    some = weight > 0.0
    x, y, weight = x[some], y[some], weight[some]
    if not len(x):
        return np.nan, np.nan
    low, high = (_best(x, y, weight, share, slope) for slope in slopes)
    for _ in range(STEPS):
        if low.rise >= 0.0 or high.rise <= 0.0:
            break
        ahead = high.slope - low.slope
        step = (high.loss - low.loss - high.rise * ahead) / (low.rise - high.rise)
        new = _best(x, y, weight, share, low.slope + min(max(step, 0.0), ahead))
        if new.loss <= (low.loss + low.rise * step) * (1.0 + REACHED):
            return new.intercept, new.slope
        low, high = (new, high) if new.rise < 0.0 else (low, new)
    best = min(low, high, key=lambda one: one.loss)
    return best.intercept, best.slope


@dataclass(frozen=True, slots=True)
class _Best:
    """The best line of a slope: its intercept, the loss that is left, and its rise by slope."""

    slope: float
    intercept: float
    loss: float
    rise: float


def _best(x: Floats, y: Floats, weight: Floats, share: float, slope: float) -> _Best:
    """The best line of a slope through points (point,); its intercept is a weighted quantile."""
    rest = y - slope * x
    order = np.argsort(rest)
    below = np.cumsum(weight[order])
    at = min(int(np.searchsorted(below, share * below[-1])), len(rest) - 1)
    intercept = float(rest[order[at]])
    pull = (share - 1.0) * weight
    pull[order[at:]] += weight[order[at:]]
    pull[order[at]] = 0.0
    loss = float(pull @ (rest - intercept))
    # The point on the line holds the balance of all others, as the best intercept needs it to.
    return _Best(slope, intercept, loss, float(pull.sum() * x[order[at]] - pull @ x))
