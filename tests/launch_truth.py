"""Launches and shifts worked out from true forces, by definitions of their own.

Nothing here comes from the package: filters are products of spectra, reversals come from
`scipy.signal.find_peaks`, frequencies from the periodogram.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks, hilbert

Floats = NDArray[np.float64]
G = 9.80665


def smooth(values: Floats, rate: float, bandwidth: float = 30.0) -> Floats:
    """Series (sample, ...) without what is faster than the bandwidth, zero phase."""
    pad = 400
    wide = np.concatenate([np.repeat(values[:1], pad, 0), values, np.repeat(values[-1:], pad, 0)])
    frequency = np.fft.rfftfreq(len(wide), 1 / rate)
    # Both passes of a fourth-order Butterworth, 3 dB down at the bandwidth, bilinear.
    ratio = np.tan(np.pi * frequency / rate) / np.tan(np.pi * bandwidth / rate)
    gain = 1 / (1 + (np.sqrt(2) - 1) * ratio**8)
    shape = (-1,) + (1,) * (values.ndim - 1)
    return np.fft.irfft(np.fft.rfft(wide, axis=0) * gain.reshape(shape), len(wide), axis=0)[
        pad:-pad
    ]


def passage(time: Floats, values: Floats, level: float, i: int) -> float:
    """Time at which values pass the level between samples i and i + 1."""
    a, b = values[i], values[i + 1]
    return float(time[i] + (level - a) / (b - a) * (time[i + 1] - time[i]))


@dataclass(frozen=True)
class Pull:
    """What a launch was, by one tyre or axle."""

    start: float
    peak: float
    plateau: float
    rise: float
    catch: float
    slipping: float


def pull(
    time: Floats, force: Floats, slip: Floats, begin: float, end: float, threshold: float = 0.15
) -> Pull:
    """Rise, plateau, slip and catch of a force between two times; `slip` (sample, wheel)."""
    inside = (time >= begin) & (time <= end)
    t, x, s = time[inside], force[inside], slip[inside]
    plateau = float(np.quantile(x, 0.6))
    for _ in range(4):
        first = int(np.flatnonzero(x >= 0.9 * plateau)[0])
        plateau = float(np.median(x[first:]))
    low = int(np.flatnonzero(x[:first] < 0.1 * plateau)[-1])
    start, up = passage(t, x, 0.1 * plateau, low), passage(t, x, 0.9 * plateau, first - 1)
    over = (s > threshold).any(axis=1) & (t >= start)
    falls = np.flatnonzero(over[:-1] & ~over[1:])
    catch = np.nan
    if falls.size:
        i = int(falls[-1])
        wheel = int(np.argmax(s[i]))
        gone = passage(t, s[:, wheel], threshold, i)
        later = np.flatnonzero((t >= gone) & (x >= 0.95 * plateau))
        if later.size:
            at = int(later[0])
            catch = max(passage(t, x, 0.95 * plateau, at - 1), gone) if x[at - 1] < 0.95 * plateau \
                else gone  # fmt: skip
    return Pull(start, float(x.max()), plateau, up - start, catch - start,
                float(over.sum() * np.median(np.diff(t))))  # fmt: skip


@dataclass(frozen=True)
class Waves:
    """An oscillation: ends [s], frequency [Hz], cycles, largest and mean amplitude [N]."""

    start: float
    end: float
    frequency: float
    cycles: float
    largest: float
    mean: float


def waves(
    time: Floats, force: Floats, low: float = 8.0, high: float = 16.0, least: float = 300.0
) -> list[Waves]:
    """Runs of at least three cycles of extremes that are twice `least` apart."""
    tops, bottoms = (find_peaks(way * force, prominence=2 * least)[0] for way in (1, -1))
    places = np.sort(np.concatenate([tops, bottoms]))
    if len(places) < 6:
        return []
    t, x = time[places], force[places]
    fits = np.abs(1 / (t[2:] - t[:-2]) - (low + high) / 2) < (high - low) / 2 * 1.15
    out, i = [], 0
    while i < len(fits):
        j = i
        while j < len(fits) and fits[j]:
            j += 1
        if j - i >= 4:
            out.append(_wave(time, force, t[i : j + 2], x[i : j + 2]))
        i = j + 1
    return out


def _wave(time: Floats, force: Floats, t: Floats, x: Floats) -> Waves:
    swing = np.abs(np.diff(x)) / 2
    count = len(t)
    frequency = (count - 1) / 2 / (t[-1] - t[0])
    inside = (time >= t[0] - 0.25 / frequency) & (time <= t[-1] + 0.25 / frequency)
    part = force[inside] - np.polyval(np.polyfit(time[inside], force[inside], 2), time[inside])
    grid = np.arange(0.9 * frequency, 1.1 * frequency, 0.005)
    turn = np.exp(-2j * np.pi * grid[:, None] * time[inside])
    frequency = float(grid[np.argmax(np.abs(turn @ (part * np.hanning(len(part)))))])
    both = (swing[1:] + swing[:-1]) / 2
    start, end = (_edge(time, force, *ends, 1 / frequency) for ends in ((t, 1), (t[::-1], -1)))
    cycles = (end - start) * frequency
    return Waves(start, end, frequency, cycles, float(both.max()), float(swing.mean()))


def _edge(
    time: Floats, force: Floats, t: Floats, way: int, period: float, least: float = 300.0
) -> float:
    """Where a wave with reversals at `t`, outermost first, passes `least`; `way` +1 at its start.

    A quarter of a period outside of the first reversal if it is large at once, otherwise where
    the envelope passes, by the analytic signal between 4 and 16 Hz.
    """
    x = np.interp(t[:2], time, force)
    if abs(x[0] - x[1]) / 2 > 2 * least:
        return float(t[0] - way * period / 4)
    rate = 1 / float(np.median(np.diff(time)))
    size = np.abs(hilbert(smooth(force, rate, 16.0) - smooth(force, rate, 4.0)))
    i = int(np.argmin(np.abs(time - t[2])))
    while size[i - way] > least:
        i -= way
    share = (size[i] - least) / (size[i] - size[i - way])
    return float(time[i] - way * share * (time[1] - time[0]))


@dataclass(frozen=True)
class Gap:
    """What a shift was."""

    start: float
    end: float
    below_half: float
    before: float
    after: float
    lost: float


def gap(time: Floats, force: Floats, begin: float, end: float) -> Gap:
    """The gap of a drive force that is gone somewhere between two times."""
    ahead = force[(time > begin - 0.30) & (time < begin - 0.03)]
    later = force[(time > end + 0.10) & (time < end + 0.50)]
    before, after = float(np.median(ahead)), float(np.median(later))
    middle = int(np.searchsorted(time, (begin + end) / 2))

    def last(level: float, of: slice, above: bool) -> int:
        return int(np.flatnonzero((force[of] >= level) == above)[-1]) + (of.start or 0)

    half = last(before / 2, slice(0, middle), True)
    ninety = last(0.9 * before, slice(0, half + 1), True)
    up = middle + int(np.flatnonzero(force[middle:] >= before / 2)[0])
    ten = last(0.1 * after, slice(middle, up), False)
    full = up + int(np.flatnonzero(force[up:] >= 0.9 * after)[0])
    start, back = (
        passage(time, force, 0.9 * before, ninety),
        passage(time, force, 0.9 * after, full - 1),
    )
    fine = np.linspace(start, back, 4001)
    line = np.linspace(before, after, 4001)
    lost = float(np.trapezoid(line - np.interp(fine, time, force), fine))
    return Gap(
        start,
        passage(time, force, 0.1 * after, ten),
        passage(time, force, before / 2, up - 1) - passage(time, force, before / 2, half),
        before,
        after,
        lost,
    )
