"""Flat, clipped and missing channels, sample by sample, before anything is filtered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats

FLAT_TIME = 0.5  # s of one and the same number
FLAT_SHARE = 8.0  # times the length of the longest run that the channel's quiet half shows
# A smooth crest in coarse digits stands some 2.4 times longer on its top step than on the next.
CREST = 4
CLIPPED_RUN = 5  # equal samples at the very end of the channel's range


def runs_of_equal(column: Floats) -> NDArray[np.int64]:
    """Length of the run of equal numbers to which each sample of a channel belongs, (sample,)."""
    lengths = np.diff(_edges(column))
    return np.repeat(lengths, lengths)


def flat_samples(values: Floats, rate: float) -> NDArray[np.bool_]:
    """Samples of a channel that stands still while it should at least show its noise.

    A run of equal numbers counts where it lasts longer than `FLAT_TIME` and much longer than
    the runs that the channel's own resolution makes elsewhere.
    """
    least = FLAT_TIME * rate
    out = np.zeros_like(values, dtype=bool)
    for k in range(values.shape[1]):
        edges = _edges(values[:, k])
        lengths = np.diff(edges)
        if lengths.max(initial=0) < least:
            continue  # the usual case: no run is long enough to ask further
        needed = least
        if len(lengths) > 1:
            # The median over samples, not over runs: how long a sample's run usually is.
            order = np.sort(lengths)
            usual = order[np.searchsorted(np.cumsum(order), 0.5 * len(values))]
            needed = max(least, FLAT_SHARE * usual)
        out[:, k] = np.repeat(lengths >= needed, lengths)
    return out


def _edges(column: Floats) -> NDArray[np.int64]:
    """Where runs of equal numbers begin, and the end."""
    changes = np.flatnonzero(column[1:] != column[:-1]) + 1
    return np.concatenate([[0], changes, [len(column)]])


def clipped_samples(values: Floats, full_scale: Floats) -> NDArray[np.bool_]:
    """Samples at the end of the range: at the stated full scale, or runs at the extreme value."""
    out = np.zeros_like(values, dtype=bool)
    for k, limit in enumerate(full_scale):
        column = values[:, k]
        if np.isfinite(limit):
            out[:, k] = np.abs(column) >= limit
            continue
        for extreme in (np.nanmax(column), np.nanmin(column)):
            at_end = column == extreme
            if np.count_nonzero(at_end) >= CLIPPED_RUN:
                runs = runs_of_equal(column)
                elsewhere = int(runs[~at_end].max(initial=1))
                out[:, k] |= at_end & (runs >= max(CLIPPED_RUN, CREST * elsewhere))
    return out
