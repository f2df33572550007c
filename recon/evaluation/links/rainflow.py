"""Cycles of a load by rainflow counting, on whole arrays instead of point after point.

Source: ASTM E1049-85, rainflow counting, 5.4.4; the four-point form counts the same, because each
half cycle that it leaves over is what the standard counts as a half (C. McInnes and P. Meehan,
International Journal of Fatigue 30 (2008) 547-559, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats


def reversals(load: Floats) -> Floats:
    """First, last and turning points of a load (sample,), without NaN and without repetitions.

    Any unit.
    """
    known = load[np.isfinite(load)]
    steps = np.diff(known)
    if len(known) and not steps.all():  # some repeat the one before
        known, steps = known[np.concatenate([[True], steps != 0.0])], steps[steps != 0.0]
    if len(known) < 3:
        return known
    up = steps > 0.0
    return np.asarray(known[np.concatenate([[True], up[1:] != up[:-1], [True]])])


def cycle_ranges(load: Floats) -> tuple[Floats, Floats]:
    """Ranges (cycle,) [unit of the load] of the cycles in a load, and how often each was counted.

    NaN in `load` (sample,) is passed over.  Counts (cycle,) [1] are 1 for cycles and 0.5 for the
    half cycles that are left over.
    """
    points, found = reversals(load), [np.zeros(0)]
    while len(points) > 3:
        ranges = np.abs(np.diff(points))
        closed = _every_second((ranges[1:-1] <= ranges[:-2]) & (ranges[1:-1] <= ranges[2:]))
        if not len(closed):
            break
        found.append(ranges[closed + 1])
        points = np.delete(points, np.concatenate([closed + 1, closed + 2]))
    cycles, halves = np.concatenate(found), np.abs(np.diff(points))
    counts = np.concatenate([np.ones(len(cycles)), np.full(len(halves), 0.5)])
    return np.concatenate([cycles, halves]), counts


def _every_second(found: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Places (place,) that are true; of neighbours, which share a point, every second one."""
    places = np.flatnonzero(found)
    first = np.concatenate([[True], np.diff(places) > 1]) if len(places) else np.zeros(0, bool)
    start = np.maximum.accumulate(np.where(first, np.arange(len(places)), 0))
    return places[(np.arange(len(places)) - start) % 2 == 0]
