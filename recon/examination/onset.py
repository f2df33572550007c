"""When the fault of a gauge began, by the samples about the short mean that shows it first."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.examination.jumping_or_silent_gauges import too_much_of
from recon.examination.thinning import WINDOW_TIME
from recon.examination.view import View, at_samples

MOST = 400  # samples that are looked at
FEWEST = 5  # of them before and after the moment
BEFORE, AFTER = 3, 1  # short means by which the fault may begin earlier or later than they show


def onset(view: View, gauge: str, near: float) -> float:
    """Time [s] at which a gauge begins to differ from what the others expect of it.

    `near` [s] is the middle of the first short mean that shows it.
    """
    elapsed = view.whole["elapsed_time"].to_numpy()
    apart = float(np.median(np.diff(view.elapsed)))
    since = near - 0.5 * WINDOW_TIME - BEFORE * apart
    until = near + 0.5 * WINDOW_TIME + AFTER * apart
    rows = np.flatnonzero((elapsed >= since) & (elapsed <= until))
    rows = rows[:: -(-len(rows) // MOST) or 1]
    if len(rows) < 2 * FEWEST:
        return near
    parts = at_samples(view, rows).parts.values()
    part = next(part for part in parts if gauge in part.gauges)
    i = part.gauges.index(gauge)
    k = _break(elapsed[rows], too_much_of(part, i), float(part.solver.session.noise[i]))
    return float(0.5 * (elapsed[rows[k - 1]] + elapsed[rows[k]]))


def _break(time: Floats, values: Floats, noise: float) -> int:
    """First of the samples (n,) after the moment at which one line about them becomes another.

    The most likely one, if the scatter about each line is its own; `noise` is the least there is.
    """
    n = len(values)
    k = np.arange(FEWEST, n - FEWEST + 1)
    before = _about_lines(time, values)[k - 1]
    after = _about_lines(time[::-1], values[::-1])[n - k - 1]
    cost = k * np.log(before / k + noise**2) + (n - k) * np.log(after / (n - k) + noise**2)
    return int(k[np.argmin(cost)])


def _about_lines(time: Floats, values: Floats) -> Floats:
    """Sums of squares (n,) about the straight line through the first 1, 2, ... n samples."""
    x, y, count = time - time[0], values - values[0], np.arange(1, len(time) + 1)
    sx, sy = np.cumsum(x), np.cumsum(y)
    xx, xy, yy = (
        np.cumsum(a) - b / count for a, b in ((x * x, sx**2), (x * y, sx * sy), (y * y, sy**2))
    )
    return np.asarray(np.maximum(yy - xy**2 / np.maximum(xx, 1e-300), 0.0))
