"""Samples that a logger made up between those of a slower channel, which it repeated or joined.

A channel that is slower than the gauges is often written at every row all the same: held in steps,
or on straight lines from one of its own samples to the next.  Held, it is late by half its own step
and shakes at each of them; either way its derivatives are not those of the motion.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.base.late import xr
from recon.conditioning.carrying import HELD
from recon.conditioning.zero import ENOUGH_SAMPLES
from recon.records.logs import VARIABLES
from recon.records.scratch import copied

SHARE = 0.4  # of the samples are made at least, where every second one is or more
FEWEST = 30  # own samples that show a step
# Steps from one own sample to the next: some are shorter where rows were lost, and few are so much
# longer.  Chance makes steps of all lengths.
SHORT, LONGER, ALIKE = 0.1, 1.5, 0.6
PART = 20_000  # samples, by which channels are compared with gauges
MORE = 1.2  # times the rows of the gauges have channels that are slower than these
EXACT = 1e-12  # of a channel's size: smaller differences are those of arithmetic
ROUNDED = 2.5  # of its resolution: second differences of a line of rounded numbers are smaller
CLEAR = 10.0  # times that, the corners between two lines


def own_samples(log: xr.Dataset) -> xr.Dataset:
    """The log (elapsed_time, gauge) with NaN for samples that the logger made of their neighbours.

    Channels as fast as the gauges stay as they are: such a log was made as a whole.

    Warns DataWarning: channels and the step of their own samples.
    """
    told, steps = [], []
    part = _middle(log.sizes["elapsed_time"])
    of_gauges = [made_in(column[part]) for column in log["indication"].to_numpy().T]
    fastest = MORE * max((_rows(made) for made in of_gauges if made is not None), default=1.0)
    for name in VARIABLES:
        if name not in log or name in HELD:
            continue
        flat = log[name].to_numpy().reshape(log.sizes["elapsed_time"], -1)
        every = {k: _slowly_made(column, part, fastest) for k, column in enumerate(flat.T)}
        slow = {k: made for k, made in every.items() if made is not None}
        if not slow:
            continue
        out = copied(flat)
        for k, made in slow.items():
            out[made, k] = np.nan
            steps.append(_rows(made))
        told.append(name)
        log = log.assign({name: (log[name].dims, out.reshape(log[name].shape), log[name].attrs)})
    if told:
        low, high = round(min(steps)), round(max(steps))
        rows = f"{low}" if low == high else f"{low} to {high}"
        warn(
            f"{log.attrs.get('path', 'log')}: channels slower than the gauges, whose samples are "
            f"repeated or joined by straight lines: {', '.join(told)}. One of {rows} rows holds a "
            "new number, and only these are used. Log the channels at the rate of the gauges, if "
            "their sensors are as fast.",
            DataWarning,
        )
    return log


def _middle(samples: int) -> slice:
    """`PART` of so many samples, in the middle where a car drives."""
    start = max(samples - PART, 0) // 2
    return slice(start, start + PART)


def _slowly_made(column: Floats, part: slice, fastest: float) -> NDArray[np.bool_] | None:
    """`made_in` of a channel (sample,) whose own samples are farther apart than `fastest` rows.

    A `part` of it shows that as well, unless the channel stands still there.
    """
    some = made_in(column[part])
    still = some is None and np.mean(np.diff(column[part]) == 0.0) >= SHARE
    if not still and (some is None or _rows(some) <= fastest):
        return None
    made = made_in(column)
    return made if made is not None and _rows(made) > fastest else None


def _rows(made: NDArray[np.bool_]) -> float:
    """Rows from one own sample to the next, by the mask (sample,) of samples that are `made`."""
    return len(made) / np.count_nonzero(~made)


def made_in(column: Floats) -> NDArray[np.bool_] | None:
    """Mask (sample,) of samples of a channel that were made; None if all are its own.

    `column` (sample,) is in any unit; samples without a number count as if they were not there.
    """
    there = np.flatnonzero(np.isfinite(column))
    values = column[there] if len(there) < len(column) else column
    if len(values) < 2 * FEWEST:
        return None
    own = _own(values, 1)
    own = own if own is not None else _own(values, 2)
    if own is None:
        return None
    made = np.zeros(len(column), dtype=bool)
    made[there] = True
    made[there[own]] = False
    return made


def _own(values: Floats, order: int) -> NDArray[np.int64] | None:
    """Places (own sample,) where `values` (sample,) leave a level (`order` 1) or a line (2).

    None where these do not follow each other at one step.
    """
    some = _changes(values, order, max(len(values) // ENOUGH_SAMPLES, 1))
    limit = _limit(some, values) if order == 2 else 0.0
    if np.mean(some <= limit) < SHARE:
        return None  # the usual case
    size = np.pad(_changes(values, order), 1)
    new = size > limit
    if order == 2:
        if not new.any() or np.median(size[new]) < CLEAR * limit:
            return None  # noise of few digits
        # A line that ends between two rows has a corner at both; the nearer one is the larger.
        new &= (size >= np.roll(size, 1)) & (size > np.roll(size, -1))
    return _at_one_step(np.flatnonzero(new), len(values))


def _changes(values: Floats, order: int, every: int = 1) -> Floats:
    """Sizes (place,) of the first or second differences of `values` (sample,), or some of them."""
    count = len(values) - order
    if order == 1:
        return np.abs(values[1::every] - values[:count:every])
    before, here, after = values[:count:every], values[1:-1:every], values[2::every]
    return np.abs(after - 2 * here + before)


def _limit(changes: Floats, values: Floats) -> float:
    """Second differences (place,) up to which `values` (sample,) lie on a line."""
    exact = EXACT * max(float(values.max()), -float(values.min()))
    real = changes[changes > exact]
    return max(exact, ROUNDED * float(real.min())) if len(real) else exact


def _at_one_step(places: NDArray[np.int64], count: int) -> NDArray[np.int64] | None:
    """Places of own samples among `count`, those with the number of the one before included.

    None where the steps between `places` are not of one length.
    """
    steps = np.diff(places)
    if len(steps) < FEWEST:
        return None
    short = float(np.quantile(steps, SHORT))
    usual = steps[(steps >= short) & (steps <= LONGER * short)]
    if short < 2 or len(usual) < ALIKE * len(steps):
        return None
    step = float(usual.mean())
    # Numbers that happened to be those before them are own samples too.
    ends = np.maximum(np.append(places[1:], count) - 0.5 * step, places + 1)
    counts = np.ceil((ends - places) / step).astype(np.int64)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    before = np.arange(places[0], -1, -step)[:0:-1]
    every = np.concatenate([before, np.repeat(places, counts) + step * within])
    return np.rint(every).astype(np.int64)
