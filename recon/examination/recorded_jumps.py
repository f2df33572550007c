"""Jumps of a gauge to and fro by its own record at full rate, whatever other gauges say of it.

Hardly anything checks the gauge that alone carries the load of a wheel.  But no load of a car
changes as often by one amount, to and fro, and within the reach of a filter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.examination.thinning import WINDOW_TIME
from recon.examination.view import View

MOST = 40  # times that a gauge may jump
APART = 0.05  # s, within which a second change belongs to the first
# Jumps are alike within this factor, and larger than any other change by this one; no source.
ALIKE, LARGER = 1.4, 1.5


def recorded_levels(view: View, gauge: str) -> tuple[Floats, float]:
    """Share of each short mean (n,) at a gauge's other level, and how far that is away [unit].

    All zero if its record shows no two levels.
    """
    times, sizes = _jumps(view, gauge)
    if not len(times):
        return np.zeros(len(view.elapsed)), 0.0
    ends = np.array([view.start - WINDOW_TIME, *times, view.end + WINDOW_TIME])
    spent = np.append(0.0, np.cumsum(np.diff(ends) * (np.arange(len(times) + 1) % 2)))
    until, since = (np.interp(view.elapsed + w * WINDOW_TIME, ends, spent) for w in (0.5, -0.5))
    share, step = (until - since) / WINDOW_TIME, float(np.mean(sizes[::2]))
    # The level at which it stands more of the time is the sound one.
    return (1.0 - share, -step) if np.mean(share) > 0.5 else (share, step)


def _jumps(view: View, gauge: str) -> tuple[Floats, Floats]:
    """Times (k,) [s] and sizes (k,) [unit] of jumps to and fro; empty if there are none."""
    log = view.whole
    record, time = log["indication"].sel(gauge=gauge).to_numpy(), log["elapsed_time"].to_numpy()
    reach = int(np.ceil(log.attrs["rate"] / log.attrs["bandwidth"]))
    change = np.nan_to_num(record[reach:] - record[:-reach])
    places = _largest(np.abs(change), int(APART * log.attrs["rate"]) + 1)
    sizes = np.abs(change[places])
    for count in range(MOST, 1, -1):
        at = np.sort(places[:count])
        to_and_fro = np.all(np.sign(change[at[1:]]) == -np.sign(change[at[:-1]]))
        alike = sizes[0] < ALIKE * sizes[count - 1]
        if to_and_fro and alike and sizes[count - 1] > LARGER * sizes[count]:
            return time[at + reach // 2], change[at]
    return np.empty(0), np.empty(0)


def _largest(size: Floats, apart: int) -> NDArray[np.int64]:
    """Places (MOST + 1,) of the largest of some sizes (n,), none of them nearer than `apart`."""
    left, out = size.copy(), np.zeros(MOST + 1, dtype=np.int64)
    for k in range(len(out)):
        out[k] = at = int(np.argmax(left))
        left[max(at - apart, 0) : at + apart + 1] = 0.0
    return out
