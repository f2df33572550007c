"""Straight line that leaves a stated share of weighted points below it: quantile regression."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats

GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
STEPS = 32  # of the search: the slope is found to 2e-7 of its range


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
    intercept is a weighted quantile; the loss that is left is convex in the slope, and a golden
    section finds its minimum.
    """
    some = weight > 0.0
    x, y, weight = x[some], y[some], weight[some]
    if not len(x):
        return np.nan, np.nan
    low, high = slopes
    inner = [high - GOLDEN * (high - low), low + GOLDEN * (high - low)]
    losses = [_best_intercept(y - s * x, weight, share)[1] for s in inner]
    for _ in range(STEPS):
        if losses[0] <= losses[1]:
            high, inner[1], losses[1] = inner[1], inner[0], losses[0]
            new = 0
            inner[0] = high - GOLDEN * (high - low)
        else:
            low, inner[0], losses[0] = inner[0], inner[1], losses[1]
            new = 1
            inner[1] = low + GOLDEN * (high - low)
        losses[new] = _best_intercept(y - inner[new] * x, weight, share)[1]
    slope = (low + high) / 2
    return _best_intercept(y - slope * x, weight, share)[0], slope


def _best_intercept(rest: Floats, weight: Floats, share: float) -> tuple[float, float]:
    """Weighted quantile of `rest` (point,), and the loss that is left."""
    order = np.argsort(rest)
    rest, weight = rest[order], weight[order]
    below = np.cumsum(weight)
    at = int(np.searchsorted(below, share * below[-1]))
    middle = rest[min(at, len(rest) - 1)]
    off = rest - middle
    return float(middle), float(np.sum(weight * np.where(off > 0, share * off, (share - 1) * off)))
