"""Even steps of time for a log: dropped samples are bridged, gaps are marked, slow channels filled.

A straight line bridges the samples that a logger dropped, as long as the bandwidth of the forces
leaves the indications nothing to do in between that noise would not do anyway.  A longer gap gets
rows without numbers, so that nothing is known there, and no filter runs across it.  An ordinary
channel that is logged more slowly than the gauges is carried at its own rate and filled between
its own samples.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.base.late import xr
from recon.conditioning.carrying import (
    BANDS,
    BELOW,
    Channel,
    at_bandwidth,
    between,
    filled_attributes,
    reach_of,
)
from recon.records.logs import VARIABLES, log_at_rows
from recon.records.scratch import at_rows, copied
from recon.records.time_checks import GAP_STEPS, steps_of

# A run of lost samples can be recovered from a signal of bandwidth B if the time between the
# samples around it stays below some 0.75 / B: beyond that the noise of the samples around it is
# multiplied (the eigenvalues of the time-limited band-limiting operator; 1.5 at 0.75 / B).
PERIODS = 0.75
# A straight line may be wrong, in the middle of the gap, by so many times what noise alone makes
# of it, or by this share of the standard deviation of the channel.
NOISE_TIMES, SPREAD_SHARE = 2.0, 0.002
ENOUGH_PLACES = 20_000  # of a long log, at which a straight line is tried


@dataclass(frozen=True, slots=True)
class TimeBase:
    """A log on even steps: `parts` are its stretches between gaps, as slices of samples.

    `bridged` (sample, gauge) marks indications that a straight line replaces, None if there are
    none; `longest` [s] is the longest gap that was bridged.
    """

    log: xr.Dataset
    parts: list[slice]
    bridged: NDArray[np.bool_] | None = None
    longest: float = 0.0


@dataclass(frozen=True, slots=True)
class _Rows:
    """New rows of a log: their `elapsed` time [s] and the old row of each, all (row,).

    `added` marks rows that the log does not have; where there are none, it and `source` are empty.
    `starts` are rows at which stretches begin.  Each row that marks the end of a gap is a stretch
    of its own, too short for any filter.
    """

    elapsed: Floats
    source: NDArray[np.int64]
    added: NDArray[np.bool_]
    starts: NDArray[np.int64]

    @property
    def parts(self) -> list[slice]:
        """Stretches between gaps."""
        ends = [*self.starts[1:].tolist(), len(self.elapsed)]
        return [slice(a, b) for a, b in zip(self.starts.tolist(), ends, strict=True)]


def on_time_base(log: xr.Dataset, rate: float, bandwidth: float) -> TimeBase:
    """Bridge dropped samples, mark gaps and fill slow channels.

    `log` (elapsed_time, gauge) is as `read_log` returns it, `rate` [Hz] its sampling rate,
    `bandwidth` [Hz] that of the forces.

    Returns the log itself if nothing is missing.  Otherwise one with a row for each dropped sample
    and a row without numbers at both ends of each longer gap.  Channels that were filled have the
    attributes `own_step` [s], the longest interval between two of their samples that was filled,
    and `u_filled`, the standard uncertainty of filled values in the channel's unit.

    Warns DataWarning: samples were bridged, or gaps are too long for it.
    """
    elapsed, raw = log["elapsed_time"].to_numpy(), log["indication"].to_numpy()
    lost = _lost_lengths(elapsed, raw, rate)
    reach = _reach(raw, rate, bandwidth, lost)
    rows = _rows(elapsed, rate, reach)
    bridged, even = None, log
    if rows.added.any():
        even = _with_rows(log, rows)
    if lost.size:
        values = even["indication"].to_numpy()
        filled = _bridged(rows.elapsed, values, reach)
        bridged = np.isnan(values) & np.isfinite(filled)
        even = even.assign(indication=(log["indication"].dims, filled, log["indication"].attrs))
    even = _with_channels(even, rows, max(reach, GAP_STEPS / rate))
    even = _with_errors(even, bandwidth)
    base = TimeBase(even, rows.parts)
    if bridged is not None and bridged.any():
        base = replace(base, bridged=bridged, longest=float(lost[lost < reach * rate][-1] / rate))
    sentences = [*_of_gaps(log, lost, rate, base), *_of_slow_channels(log, even)]
    for sentence in sentences:
        text = f"{log.attrs.get('path', 'log')}: {sentence}."
        warn(text, DataWarning)
    return replace(base, log=even.assign_attrs(time_base=sentences))


def _lost_lengths(elapsed: Floats, raw: Floats, rate: float) -> NDArray[np.int64]:
    """Lengths [steps] of all gaps, from the sample before to the sample after, sorted.

    Gaps are steps in time that are too long, and runs of samples without a number in any gauge;
    one that several gauges share counts once.
    """
    steps = steps_of(elapsed)
    long = steps[steps > GAP_STEPS / rate]
    lengths = [np.maximum(np.rint(long * rate).astype(np.int64), 2)]
    if np.isnan(raw.sum()):
        ends = set()
        for column in raw.T:
            there = np.flatnonzero(np.isfinite(column))
            at = np.flatnonzero(np.diff(there) > 1)
            ends |= set(zip(there[at].tolist(), there[at + 1].tolist(), strict=True))
        taken = [(elapsed[end] - elapsed[start]) * rate for start, end in ends]
        lengths.append(np.rint(taken).astype(np.int64))
    return np.sort(np.concatenate(lengths))


def _reach(raw: Floats, rate: float, bandwidth: float, lost: NDArray[np.int64]) -> float:
    """Longest time [s] between two samples that a straight line may bridge."""
    allowed = 1
    for steps in np.unique(lost[lost <= PERIODS / bandwidth * rate]):
        if not _straight_enough(raw, -(-int(steps) // 2)):
            break
        allowed = int(steps)
    return (allowed + 0.5) / rate if allowed > 1 else 0.0


def _straight_enough(raw: Floats, half: int) -> bool:
    """Whether straight lines over twice `half` steps are wrong by noise only, in most gauges."""
    at = np.arange(half, len(raw) - half, max(len(raw) // ENOUGH_PLACES, 1))
    if not at.size:
        return False
    here = at_rows(raw, at)
    wrong = here - 0.5 * (at_rows(raw, at - half) + at_rows(raw, at + half))
    near = here - 0.5 * (at_rows(raw, at - 1) + at_rows(raw, at + 1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # gauges without a number
        size = np.sqrt(np.nanmean(wrong**2, axis=0))
        noise = 1.4826 * np.nanmedian(np.abs(near), axis=0)
        allowed = np.maximum(NOISE_TIMES * noise, SPREAD_SHARE * np.nanstd(here, axis=0))
    known = np.isfinite(size)
    return bool(np.mean(size[known] <= allowed[known]) >= 0.5) if known.any() else False


def _rows(elapsed: Floats, rate: float, reach: float) -> _Rows:
    """Rows with those added that bridge or mark gaps; a gap gets one at each of its ends."""
    step = steps_of(elapsed)
    gap = step > GAP_STEPS / rate
    if not gap.any():  # the usual log; a long one has no room to spare
        none = np.zeros(0, dtype=np.int64)
        return _Rows(elapsed, none, np.zeros(0, dtype=bool), np.zeros(1, dtype=np.int64))
    bridge = gap & (step <= reach)
    lost = np.maximum(np.rint(step * rate).astype(np.int64) - 1, 1)
    new = np.where(bridge, lost, np.where(gap, np.minimum(lost, 2), 0))
    source = np.repeat(np.arange(len(elapsed)), np.append(1 + new, 1))
    first = np.concatenate([[0], np.cumsum(1 + new)])
    place = np.arange(len(source)) - first[source]
    step, new = np.append(step, 0.0), np.append(new, 0)
    offset = step[source] * place / (new[source] + 1)
    long = np.append(gap & ~bridge, False)
    offset = np.where(long[source] & (place == 1) & (new[source] == 2), 1.0 / rate, offset)
    offset = np.where(long[source] & (place == 2), step[source] - 1.0 / rate, offset)
    mark = long[source] & (place > 0)
    starts = np.flatnonzero(mark[1:] | mark[:-1]) + 1
    return _Rows(elapsed[source] + offset, source, place > 0, np.append(0, starts))


def _with_rows(log: xr.Dataset, rows: _Rows) -> xr.Dataset:
    even = log_at_rows(log, rows.source)
    for variable in even.data_vars.values():
        if variable.dims[:1] == ("elapsed_time",):
            variable.to_numpy()[rows.added] = np.nan
    time = ("elapsed_time", rows.elapsed, log["elapsed_time"].attrs)
    return even.assign_coords(elapsed_time=time)


def _bridged(elapsed: Floats, values: Floats, reach: float) -> Floats:
    """Values (sample, gauge), their short runs of NaN replaced by straight lines."""
    out = copied(values)
    good, near = np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
    for k in np.flatnonzero(np.isnan(values).any(axis=0)):
        there = np.isfinite(values[:, k])
        if not np.array_equal(there, good):  # a dropped row is missing in every gauge
            good, near = there, between(elapsed[there], elapsed, reach) & ~there
        if near.any():
            out[near, k] = np.interp(elapsed[near], elapsed[good], values[good, k])
    return out


# --- ordinary channels ----------------------------------------------------------------------


def _with_channels(log: xr.Dataset, rows: _Rows, reach: float) -> xr.Dataset:
    """Fill every ordinary channel that has samples without a number."""
    for name in VARIABLES:
        if name not in log or not np.isnan(log[name].to_numpy().sum()):
            continue
        channel = log[name]
        out = copied(channel.to_numpy().reshape(len(rows.elapsed), -1))
        own, errors = 0.0, np.zeros((out.shape[1], len(BANDS)))
        for k in range(out.shape[1]):
            good = np.isfinite(out[:, k])
            if good.all() or good.sum() < 2:
                continue
            carried = Channel.of(rows.elapsed, out[:, k], name)
            lost = ~good
            out[lost, k] = carried.at(rows.elapsed[lost], max(reach, reach_of(carried.step)))
            if carried.step > reach:
                own, errors[k] = max(own, carried.step), carried.errors()
        values = out.reshape(channel.shape)
        more = filled_attributes(channel, own, errors) if own else {}
        log = log.assign({name: (channel.dims, values, channel.attrs | more)})
    return log


def _with_errors(log: xr.Dataset, bandwidth: float) -> xr.Dataset:
    """The log with the errors of filled channels at the `bandwidth` [Hz] of the forces."""
    for name in VARIABLES:
        if name in log and BELOW in log[name].attrs:
            attributes = at_bandwidth(log[name].attrs, bandwidth)
            log = log.assign({name: (log[name].dims, log[name].to_numpy(), attributes)})
    return log


# --- words ----------------------------------------------------------------------------------


def _of_gaps(log: xr.Dataset, lost: NDArray[np.int64], rate: float, base: TimeBase) -> list[str]:
    """State how many samples were bridged, and which gaps were not and what would bridge them."""
    sentences = []
    if base.bridged is not None:
        count = int(base.bridged.any(axis=1).sum())
        share = 100 * count / len(base.bridged)
        sentences.append(
            f"{count} samples ({share:.2g} %) were dropped in gaps of up to {base.longest:.3g} s "
            "and are bridged by straight lines; the flag 'bridged' marks them"
        )
    long = np.unique(lost[lost / rate > base.longest + 0.5 / rate])
    if long.size:
        first, last = long[0] / rate, long[-1] / rate
        span = f"{first:.3g} s" if first == last else f"{first:.3g} to {last:.3g} s"
        count = int(np.isin(lost, long).sum())
        gaps = "1 gap" if count == 1 else f"{count} gaps"
        sentences.append(
            f"no straight line bridges {gaps} of {span}: forces are not known there, and no filter "
            f"runs across{_cure(log, long, rate)}"
        )
    return sentences


def _cure(log: xr.Dataset, long: NDArray[np.int64], rate: float) -> str:
    """The bandwidth that would bridge more, as the end of a sentence, or nothing."""
    raw, most = log["indication"].to_numpy(), 0
    for steps in long:
        if not _straight_enough(raw, -(-int(steps) // 2)):
            break
        most = int(steps)
    if not most:
        return ""
    return f" (a bandwidth of {PERIODS * rate / most:.3g} Hz bridges those of {most / rate:.3g} s)"


def _of_slow_channels(log: xr.Dataset, even: xr.Dataset) -> list[str]:
    """Name the channels that were filled here, with their own step and what it costs."""
    slow = [
        f"{name} every {even[name].attrs['own_step']:.3g} s (filled within "
        f"{even[name].attrs['u_filled']:.2g} {VARIABLES[name].units}, standard uncertainty)"
        for name in VARIABLES
        if name in even and "own_step" in even[name].attrs.keys() - log[name].attrs.keys()
    ]
    return [f"channels slower than the gauges: {', '.join(slow)}"] if slow else []
