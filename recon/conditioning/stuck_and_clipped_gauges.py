"""Find flat and clipped samples of each channel, before any filtering."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.records.scratch import room

FLAT_TIME = 0.5  # s; shorter runs of equal numbers are never flat
FLAT_SHARE = 8.0  # a flat run is at least this many times as long as the run of a median sample
# At coarse resolution a smooth peak stays about 2.4 times longer on its top step than on the next.
CREST = 4
FEWEST_CLIPPED = 20  # samples at the largest or smallest value of the channel
BEYOND, SOME = 2.0, 10_000  # times the full scale; samples by which a usual reading is judged
LEVELS = 3  # next to that value, with which it is compared


def flat_samples(values: Floats, rate: float) -> NDArray[np.bool_]:
    """Mask (sample, channel) of samples at which a channel stays constant without even noise.

    A run of equal numbers is flat if it lasts longer than `FLAT_TIME` and much longer than the
    usual runs of that channel, which its resolution causes.  `values` (sample, channel) are raw
    indications [any unit], `rate` their sampling rate [Hz].
    """
    least = FLAT_TIME * rate
    out = room(values.shape[::-1], np.bool_).T
    out[:] = False
    for k in range(values.shape[1]):
        if not _may_stand(values[:, k], least):
            continue  # the usual case: no run is long enough
        lengths = np.diff(_edges(values[:, k]))
        if lengths.max(initial=0) < least:
            continue
        needed = least
        if len(lengths) > 1:
            # The median over samples, not over runs: the length of a typical sample's run. The
            # longest run is judged by the others, as it may be most of the log.
            others = np.sort(lengths)[:-1]
            usual = others[np.searchsorted(np.cumsum(others), 0.5 * others.sum())]
            needed = max(least, FLAT_SHARE * usual)
        out[:, k] = np.repeat(lengths >= needed, lengths)
    return out


def _may_stand(column: Floats, least: float) -> bool:
    """Whether there may be a run of `least` equal numbers; it would fill a piece of half its size.

    Much cheaper than all runs, and with hardly any memory.
    """
    size = max(int(least) // 2 - 1, 1)
    count = (len(column) - 1) // size
    if count < 1:
        return True
    same = column[1:] == column[:-1]
    return bool(same[: count * size].reshape(count, size).all(axis=1).any())


def _edges(column: Floats) -> NDArray[np.int64]:
    """Indices at which runs of equal numbers begin, then the number of samples."""
    changes = np.flatnonzero(column[1:] != column[:-1]) + 1
    return np.concatenate([[0], changes, [len(column)]])


def clipped_samples(values: Floats, full_scale: Floats) -> NDArray[np.bool_]:
    """Mask (sample, channel) of samples at the end of a channel's range.

    These are samples at or beyond the stated full scale, and those at the channel's largest or
    smallest value, if they are many times as many as those at the next levels.  `values`
    (sample, channel) are raw indications [unit], `full_scale` (channel,) is NaN if not stated.
    """
    out = room(values.shape[::-1], np.bool_).T
    out[:] = False
    for k, limit in enumerate(full_scale):
        column = values[:, k]
        if np.isfinite(limit):
            out[:, k] = np.abs(column) >= limit
        for end in (np.fmax, np.fmin):
            at_end = column == end.reduce(column)
            if _crowded(column, at_end, end):
                out[:, k] |= at_end
    return out


def require_in_range(
    values: Floats, full_scale: Floats, names: tuple[str, ...], where: str
) -> None:
    """Refuse a log most of whose gauges read beyond their stated range, which no channel can.

    `values` (sample, channel) are raw indications [unit], `full_scale` (channel,) is NaN if not
    stated; `where` is the file.

    Raises DataError: the message has file, gauge, its usual reading and its full scale.
    """
    some = np.abs(values[:: max(len(values) // SOME, 1)])
    read = np.where(np.isfinite(full_scale), np.isfinite(some).any(axis=0), False)
    usual = np.full(len(full_scale), np.nan)
    usual[read] = np.nanmedian(some[:, read], axis=0)
    with np.errstate(invalid="ignore"):
        beyond = np.flatnonzero(usual > BEYOND * full_scale)
    if 2 * len(beyond) <= np.count_nonzero(np.isfinite(full_scale)):
        return
    k = int(beyond[0])
    others = f", and {len(beyond) - 1} other gauges likewise" if len(beyond) > 1 else ""
    raise DataError(
        where,
        f"{names[k]} usually at {usual[k]:.4g}, where its full_scale is {full_scale[k]:g}{others}",
        "readings within the range of the channel",
        "Most likely the log is in another unit than stated (uV/V for mV/V): correct the unit in "
        "the header, the units row or the column map, or full_scale in the vehicle file.",
    )


def _crowded(column: Floats, at_end: NDArray[np.bool_], end: np.ufunc) -> bool:
    """Whether far more samples (sample,) stand at the end of a channel than at levels before it.

    `end` is `np.fmax` or `np.fmin`.  Whatever moves freely is there less often the farther out.
    """
    count = np.count_nonzero(at_end)
    if count < FEWEST_CLIPPED:
        return False  # the usual case
    beyond = at_end.copy()
    nothing = -np.inf if end is np.fmax else np.inf
    for _ in range(LEVELS):
        level = end.reduce(column, where=~beyond, initial=nothing)
        if not np.isfinite(level):
            return False  # nothing but the end: a constant
        at_level = column == level
        if count < CREST * np.count_nonzero(at_level):
            return False
        beyond |= at_level
    return True
