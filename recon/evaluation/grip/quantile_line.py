"""Straight lines that leave a stated share of weighted points below them: quantile regression."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats

STEPS = 60  # at most, of the search; it mostly ends after six
REACHED = 1e-12  # of the loss: so near to a bound that it is the bound
SLOPE, INTERCEPT, LOSS, RISE = range(4)  # rows of `_best`


def quantile_line(
    x: Floats,
    y: Floats,
    weight: Floats,
    share: float,
    slopes: tuple[Floats | float, Floats | float],
) -> tuple[Floats, Floats]:
    """Intercepts and slopes (line,) of the lines that are the quantile `share` of y at every x.

    `x`, `y` and `weight` (point,) or (line, point) are points of each line in any units [1];
    weights are not negative, and `share` [1] of the weight lies below the line.  The slope is
    searched in the range `slopes`.  Results have no axis for the points of one line, and are NaN if
    no point has weight.

    Notes
    -----
    Source: R. Koenker and G. Bassett, Econometrica 46 (1978) 33-50.  For a given slope the best
    intercept is a weighted quantile; the loss that is left is convex in the slope and made of
    straight pieces.  Where the tangents at both ends of a range meet, no loss can be less: a loss
    that is no more has been found to be the least (J. E. Kelley, Journal of SIAM 8 (1960) 703-712;
    from memory).  All lines are searched at once.
    """
    shape = y.shape[:-1]
    if not y.size:
        return np.full(shape, np.nan), np.full(shape, np.nan)
    x, y, weight = (np.atleast_2d(values) for values in (x, y, weight))
    low, high = (_best(x, y, weight, share, np.broadcast_to(s, len(y))) for s in slopes)
    open_ = np.flatnonzero((low[RISE] < 0.0) & (high[RISE] > 0.0))
    for _ in range(STEPS):
        if not open_.size:
            break
        a, b = low[:, open_], high[:, open_]
        ahead = b[SLOPE] - a[SLOPE]
        step = (b[LOSS] - a[LOSS] - b[RISE] * ahead) / (a[RISE] - b[RISE])
        step = np.clip(step, 0.0, ahead)
        new = _best(x[open_], y[open_], weight[open_], share, a[SLOPE] + step)
        found = new[LOSS] <= (a[LOSS] + a[RISE] * step) * (1.0 + REACHED)
        falls = new[RISE] < 0.0
        low[:, open_] = np.where(found | falls, new, a)
        high[:, open_] = np.where(found | ~falls, new, b)
        open_ = open_[~found & (high[RISE, open_] > 0.0)]
    # Where all points stand at one x, every slope is as good, and rounding must not choose.
    best = np.where((low[RISE] >= 0.0) | (low[LOSS] <= high[LOSS]), low, high)
    best = np.where(weight.sum(axis=1) > 0.0, best, np.nan)
    return best[INTERCEPT].reshape(shape), best[SLOPE].reshape(shape)


def _best(x: Floats, y: Floats, weight: Floats, share: float, slope: Floats) -> Floats:
    """The best lines of given slopes (line,) through points (line, point), as rows (4, line).

    Rows are slope, intercept, the loss that is left, and its rise by slope; the intercept is a
    weighted quantile.
    """
    rest = y - slope[:, None] * x
    line = np.arange(len(y))
    order = np.argsort(rest, axis=1)
    x, weight, rest = (values[line[:, None], order] for values in (x, weight, rest))
    below = np.cumsum(weight, axis=1)
    at = np.minimum(np.sum(below < share * below[:, -1:], axis=1), y.shape[1] - 1)
    intercept = rest[line, at]
    place = np.arange(y.shape[1]) - at[:, None]
    # The point on the line holds the balance of all others, as the best intercept needs it to.
    pull = weight * np.where(place < 0, share - 1.0, np.where(place > 0, share, 0.0))
    loss = np.einsum("lp,lp->l", pull, rest - intercept[:, None])
    rise = np.einsum("lp,lp->l", pull, x[line, at][:, None] - x)
    return np.stack([slope, intercept, loss, rise])
