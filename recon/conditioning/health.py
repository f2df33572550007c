"""Flat, clipped and missing channels, sample by sample, before anything is filtered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FLAT_TIME = 0.5  # s of one and the same number
FLAT_SHARE = 8.0  # times the length of the longest run that the channel's quiet half shows
CLIPPED_RUN = 5  # equal samples at the very end of the channel's range


def runs_of_equal(values: Floats) -> NDArray[np.int64]:
    """Length of the run of equal numbers to which each sample belongs, (sample, channel)."""
    n, channels = values.shape
    out = np.ones((n, channels), dtype=np.int64)
    same = values[1:] == values[:-1]
    for k in np.flatnonzero(same.any(axis=0)):
        edges = np.flatnonzero(np.concatenate([[True], ~same[:, k], [True]]))
        lengths = np.diff(edges)
        out[:, k] = np.repeat(lengths, lengths)
    return out


def flat_samples(values: Floats, rate: float) -> NDArray[np.bool_]:
    """Samples of a channel that stands still while it should at least show its noise.

    A run of equal numbers counts where it lasts longer than `FLAT_TIME` and much longer than
    the runs that the channel's own resolution makes elsewhere.
    """
    runs = runs_of_equal(values)
    usual = np.quantile(runs, 0.5, axis=0)
    needed = np.maximum(FLAT_TIME * rate, FLAT_SHARE * usual)
    moves = np.nanmax(values, axis=0) > np.nanmin(values, axis=0)
    # A channel that never moved is flat from end to end, whatever its usual run.
    return np.where(moves, runs >= needed, runs >= FLAT_TIME * rate)


def clipped_samples(values: Floats, full_scale: Floats) -> NDArray[np.bool_]:
    """Samples at the end of the range: at the stated full scale, or runs at the extreme value."""
    known = np.isfinite(full_scale)
    out = np.abs(values) >= np.where(known, full_scale, np.inf)
    runs = None
    for extreme in (np.nanmax(values, axis=0), np.nanmin(values, axis=0)):
        at_end = (values == extreme) & ~known
        if np.any(np.count_nonzero(at_end, axis=0) >= CLIPPED_RUN):
            runs = runs_of_equal(values) if runs is None else runs
            out |= at_end & (runs >= CLIPPED_RUN)
    return out
