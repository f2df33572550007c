"""Longitudinal force of driven tyres over time: plateau, rise, catch, gap of a shift."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from recon.base.arrays import Floats, sampling_interval
from recon.conditioning.clocks import U_DELAY

# Of a step between samples, u of a time that is interpolated; also halfway up a rise, where a force
# is nearly straight.  By rises of 2 to 80 ms sampled 160 times as often: 0.015 and 0.006 with 2.86
# samples in a period of the bandwidth, 0.055 and 0.03 with 2, as quick as samples can be.
READ, READ_HALFWAY, READ_FEW, READ_HALFWAY_FEW = 0.016, 0.007, 0.06, 0.033
ENOUGH_PER_PERIOD = 2.8  # samples in a period of the bandwidth
U_TIME = U_DELAY / np.sqrt(2.0)  # s, of gauges against the clock of their log
RISE = (0.1, 0.9)  # of the plateau: from the one to the other is the rise time
# Of a period of the bandwidth: a step that the filter has passed takes so long to rise, about.
STEP_RISE = 0.35
NEWTON, REACHED = 20, 1e-12  # steps at most, and of a sample: the last one
CAUGHT = 0.95  # of the plateau: a tyre that regains it has caught
# Samples at either side that a curve goes through, and its degree, best first.
CURVES = ((6, 5), (2, 3))


@dataclass(frozen=True, slots=True)
class Push:
    """How a driving force rises: plateau and peak [N], times at which it starts and is up [s]."""

    peak: float
    plateau: float
    start: float
    up: float


def push_of(time: Floats, force: Floats, begin: float, end: float) -> Push:
    """Rise of a driving force between two times.

    `time` and `force` (sample,) [s, N], forward positive.  The rise lies after `begin` [s]; plateau
    and peak are read up to `end` [s].  The plateau is the median from where 90 % of it is reached
    first; NaN where the force is not known.
    """
    inside = (time >= begin) & (time <= end) & np.isfinite(force)
    t, x = time[inside], force[inside]
    if len(t) < 4:
        return Push(*[float("nan")] * 4)
    plateau, first = float(np.quantile(x, 0.6)), -1
    for _ in range(3):
        before, first = first, int(np.argmax(x >= RISE[1] * plateau))
        if first == before:
            break
        plateau = float(np.median(x[first:]))
    up = crossing(t, x, RISE[1] * plateau, first)
    below = np.flatnonzero(x[: first + 1] < RISE[0] * plateau)
    start = crossing(t, x, RISE[0] * plateau, int(below[-1]) + 1) if below.size else float(t[0])
    return Push(float(x.max()), plateau, start, up)


def crossing(time: Floats, force: Floats, level: float, at: int) -> float:
    """Time at which a force (sample,) passes `level` between the samples `at - 1` and `at` [s].

    On the spline through some samples at either side; straight lines cut the bends of a force off,
    where it begins to rise or to fall, and a cubic through four samples still half of that.
    """
    if not 0 < at < len(time):
        return float(time[min(max(at, 0), len(time) - 1)])
    before, after = force[at - 1 : at + 1].tolist()
    share = (level - before) / (after - before) if after != before else 1.0
    if 0.0 < share < 1.0:
        share = _on_curve(force, level, at, share)
    return float(time[at - 1] + min(max(share, 0.0), 1.0) * (time[at] - time[at - 1]))


def _on_curve(force: Floats, level: float, at: int, near: float) -> float:
    """Share of the step to sample `at` [1] at which a curve passes the level, next to `near`."""
    for side, degree in CURVES:
        around = force[at - side : at + side] if at >= side else force[:0]
        if len(around) == 2 * side and np.isfinite(around).all():
            return 0.5 + _root((_of_samples(side, degree) @ (around - level)).tolist(), near - 0.5)
    return near


@cache
def _of_samples(side: int, degree: int) -> Floats:
    """From samples (2 side,) to the Taylor series (degree + 1,) of their spline in the middle."""
    from scipy.interpolate import make_interp_spline

    spline = make_interp_spline(np.arange(1.0 - side, 1.0 + side), np.eye(2 * side), k=degree)
    return np.array([spline(0.5, nu=n) / math.factorial(n) for n in range(degree + 1)])


def _root(coefficients: list[float], near: float) -> float:
    """Root of a polynomial, constant first, next to one that is nearly right (Newton)."""
    x = near
    for _ in range(NEWTON):
        value = slope = 0.0
        for one in reversed(coefficients):
            value, slope = value * x + one, slope * x + value
        step = value / slope if slope else 0.0
        x -= step
        if abs(step) < REACHED:
            return x
    return near  # where a force turns at once, the straight line stands


def u_crossing(time: Floats, bandwidth: float, *, halfway: bool = False) -> float:
    """Standard uncertainty [s] of `crossing` from sampling alone, also `halfway` up a rise.

    `time` (sample,) [s]; forces are at `bandwidth` [Hz].
    """
    step = sampling_interval(time)
    enough = step * bandwidth * ENOUGH_PER_PERIOD <= 1.0
    if enough:
        return step * (READ_HALFWAY if halfway else READ)
    return step * (READ_HALFWAY_FEW if halfway else READ_FEW)


def u_start(push: Push, bandwidth: float) -> float:
    """Standard uncertainty [s] of the start of a rise for the filter, which lets it begin early.

    Forces are at `bandwidth` [Hz]; the filter moves no middle of a rise, and squares of rise times
    add up (from memory).
    """
    rise = push.up - push.start
    own = np.sqrt(max(rise**2 - (STEP_RISE / bandwidth) ** 2, 0.0))
    return float(0.5 * (rise - own))


def caught(time: Floats, force: Floats, level: float, since: float) -> float:
    """First time from `since` on at which a force (sample,) [N] is at `level` or above [s]."""
    later = np.flatnonzero((time >= since) & (force >= level))
    if not later.size or np.isnan(since):
        return float("nan")
    at = int(later[0])
    return max(crossing(time, force, level, at), since)


def integral(time: Floats, values: Floats, begin: float, end: float) -> Floats:
    """Integral of `values` (sample, ...) over time [s] from `begin` to `end`, ends interpolated."""
    inner = (time > begin) & (time < end)
    t = np.concatenate([[begin], time[inner], [end]])
    ends = [_at(time, values, x) for x in (begin, end)]
    return np.asarray(
        np.trapezoid(np.concatenate([[ends[0]], values[inner], [ends[1]]]), t, axis=0)
    )


def _at(time: Floats, values: Floats, when: float) -> Floats:
    i = min(max(int(np.searchsorted(time, when)), 1), len(time) - 1)
    share = min(max(float((when - time[i - 1]) / (time[i] - time[i - 1])), 0.0), 1.0)
    return np.asarray(values[i - 1] + share * (values[i] - values[i - 1]))
