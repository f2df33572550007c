"""Samples that a logger lost and wrote as one constant, and the resolution of its numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.errors import DataWarning, warn
from recon.base.late import xr
from recon.conditioning.stuck_and_clipped_gauges import FLAT_TIME
from recon.conditioning.zero import ENOUGH_SAMPLES
from recon.records.scratch import copied

# Of the usual step between neighbours: a lost sample lies farther from those beside it.  Loads of a
# kerb reach many samples and never the same number twice.
FAR = 15.0
FEWEST = 5  # lost samples that make a constant
REPEAT = 0.5  # of the samples: as many different numbers have digits enough
FEWEST_LEVELS, EVEN = 8, 0.5  # numbers that show a step, and share of them that are one step apart
SAME = 1e-9  # of a channel's span: smaller steps are rounding


def without_lost(log: xr.Dataset, rate: float) -> xr.Dataset:
    """The log (elapsed_time, gauge) with NaN where a gauge's sample was lost [unit].

    `rate` is that of sampling [Hz].

    Warns DataWarning: gauge, count and the constant that was written instead.
    """
    raw = log["indication"].to_numpy()
    found = {k: lost_in(raw[:, k], FLAT_TIME * rate) for k in range(raw.shape[1])}
    lost = {k: mask for k, mask in found.items() if mask is not None}
    if not lost:
        return log
    out = copied(raw)
    told = []
    for k, mask in lost.items():
        told.append(f"{log['gauge'].to_numpy()[k]} {mask.sum()} times {raw[mask, k][0]:g}")
        out[mask, k] = np.nan
    warn(
        f"{log.attrs.get('path', 'log')}: numbers that stand alone, far from those beside them, as "
        f"a logger writes them for lost samples: {', '.join(told)}. They are taken as empty cells. "
        "Export empty cells instead, and check plug and wire.",
        DataWarning,
    )
    return log.assign(indication=(log["indication"].dims, out, log["indication"].attrs))


def lost_in(column: Floats, longest: float) -> NDArray[np.bool_] | None:
    """Mask (sample,) of lost samples of a channel (sample,) [any unit], None if there are none.

    A channel with the constant at `longest` samples in a row stands still, see `flat_samples`.
    """
    if len(column) < 2 * FEWEST:
        return None
    step = np.abs(column[1:-1] - 0.5 * (column[:-2] + column[2:]))
    every = max(len(step) // ENOUGH_SAMPLES, 1)
    limit = FAR * max(_usual(step[::every]), resolution_of(column))
    # A channel that was resampled goes straight from number to number, and has corners.
    plain = max(limit, FAR * _usual(np.abs(column[1::every] - column[:-1:every])))
    alone = np.flatnonzero(step > plain) + 1
    if len(alone) < FEWEST:
        return None  # the usual case
    values, counts = np.unique(column[alone], return_counts=True)
    constant = values[int(np.argmax(counts))]
    if constant != 0 and constant in (np.nanmin(column), np.nanmax(column)):
        return None  # the end of the channel's range
    at = column == constant
    others = np.flatnonzero(~at & np.isfinite(column))
    if counts.max() < FEWEST or not len(others):
        return None
    here = np.flatnonzero(at)
    away = np.zeros(len(column), dtype=bool)
    after = np.clip(np.searchsorted(others, here), 1, len(others) - 1)
    # Far from both sides; where two logs were joined a sample is far from one.
    far = np.abs(constant - column[others[np.stack([after - 1, after])]]).min(axis=0)
    if np.count_nonzero(far > plain) < FEWEST:
        return None
    away[here] = far > limit
    for first, end in runs(away):
        if end - first >= longest:
            away[first:end] = False
    return away if np.count_nonzero(away) >= FEWEST else None


def _usual(steps: Floats) -> float:
    """Median of `steps` (step,) [any unit]; a dead channel has none."""
    some = steps[steps > 0]
    return float(np.median(some)) if len(some) else 0.0


def resolution_of(column: Floats) -> float:
    """Step between numbers of a channel (sample,) of few digits, in its unit [any unit].

    Zero where numbers hardly repeat, or do not lie at even steps: these have digits enough.
    """
    some = column[:: max(len(column) // ENOUGH_SAMPLES, 1)]
    some = some[np.isfinite(some)]
    levels = np.unique(some)
    if not FEWEST_LEVELS <= len(levels) <= REPEAT * len(some):
        return 0.0
    steps = np.diff(levels)
    step = float(np.min(steps[steps > SAME * np.ptp(levels)]))
    return step if np.mean(np.abs(steps - step) < 0.01 * step) > EVEN else 0.0


def u_of_rounding(values: Floats) -> Floats:
    """Standard uncertainty (channel,) of numbers (sample, channel) that were rounded [any unit].

    They err alike over many samples, which no filter takes off.
    """
    return np.array([resolution_of(column) for column in values.T]) / np.sqrt(12.0)
