"""Oscillations of a force: found by their reversals, half-wave by half-wave.

Reversals, and not the envelope of a band-pass filter: such a filter rings for a cycle or two at
every step of the force, which is what a gear shift is, and blurs where an oscillation begins.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs, sampling_interval

SLACK = 1.1  # of the ends of a band, for a single cycle within an oscillation
TOO_LARGE = 2.0  # times the amplitude next to it: a step of the force
FEWEST_FITTED = 6  # reversals of a wave that is fitted
EVALUATIONS = 15  # of that fit; a wave takes half of them, and a rough road is none
CONVERGED = (1, 2, 3, 4)  # answers of `scipy.optimize.leastsq`
FEWEST_FOR_TREND = 4  # half-waves through which growth or decay is fitted


@dataclass(frozen=True, slots=True)
class Band:
    """Limits of an oscillation.

    Frequencies `low` to `high` [Hz], amplitudes from `least` [N], and at least `cycles`.
    """

    low: float
    high: float
    least: float
    cycles: float


@dataclass(frozen=True)
class Oscillation:
    """A stretch of alternating force: `time` [s] and `value` [N] of its reversals.

    `start` and `end` [s] are where its amplitude passes the least one of its band; `frequency`
    [Hz] is that of the wave between the first and the last reversal.
    """

    time: Floats
    value: Floats
    start: float
    end: float
    frequency: float

    @cached_property
    def swing(self) -> Floats:
        """Half of the way between two reversals, (half_wave,) [N]."""
        return np.abs(np.diff(self.value)) / 2

    @property
    def scatter(self) -> float:
        """Standard deviation of the reversals' times [1], as a share of a cycle.

        Crests and troughs may each lie evenly in themselves.
        """
        count = np.arange(len(self.time))
        rows = np.column_stack([np.ones(len(count)), count, (-1.0) ** count])
        rest = self.time - rows @ np.linalg.lstsq(rows, self.time, rcond=None)[0]
        return float(self.frequency * np.sqrt(np.sum(rest**2) / max(len(count) - 3, 1)))

    @property
    def cycles(self) -> float:
        """Number of cycles: half of the number of reversals."""
        return len(self.time) / 2

    @property
    def largest(self) -> float:
        """Largest amplitude, mean of two half-waves of one cycle [N]."""
        return float(np.max((self.swing[1:] + self.swing[:-1]) / 2))

    def trends(self) -> tuple[float, float]:
        """Growth per cycle up to the largest half-wave and decay per cycle after it.

        Logarithmic decrement as a share: 0.05 is 5 % per cycle.  NaN with fewer than
        `FEWEST_FOR_TREND` half-waves.
        """
        top = int(np.argmax(self.swing))
        rise, fall = _per_cycle(self.swing[: top + 1]), _per_cycle(self.swing[top:])
        return float(np.expm1(rise)), float(-np.expm1(fall))

    def steepness(self) -> tuple[float, float]:
        """Growth at the start and decay at the end, per cycle [1], as logarithms of the amplitude.

        Of the outermost `FEWEST_FOR_TREND` half-waves; NaN with fewer.
        """
        start, end = self.swing[:FEWEST_FOR_TREND], self.swing[-FEWEST_FOR_TREND:]
        return _per_cycle(start), -_per_cycle(end)


def _per_cycle(swing: Floats) -> float:
    """Slope of ln(amplitude) per cycle of half-waves (half_wave,) [any unit]."""
    if len(swing) < FEWEST_FOR_TREND:
        return float("nan")
    cycle = (np.arange(len(swing)) - (len(swing) - 1) / 2) / 2
    return float(cycle @ np.log(swing) / (cycle @ cycle))


def reversals(time: Floats, force: Floats, least: float) -> tuple[Floats, Floats]:
    """Times (reversal,) [s] and values [N] of crests and troughs, at least `least` [N] apart.

    `time` and `force` (sample,) [s, N] have no NaN; smaller wiggles than `least` are passed over.
    Each reversal is the vertex of the parabola through the extreme sample and its neighbours.
    """
    slope = np.sign(np.diff(force))
    places: NDArray[np.int64] = np.flatnonzero(slope[1:] * slope[:-1] <= 0).astype(np.int64) + 1
    values = force[places].tolist()
    kept: list[int] = []
    way, top = 0, 0  # direction of the last swing that counts, position of its extreme so far
    low = high = 0
    for i, value in enumerate(values):
        if way == 0:
            low, high = (i if value < values[low] else low), (i if value > values[high] else high)
            if values[high] - values[low] >= least:
                way = 1 if high > low else -1
                kept.append(low if way > 0 else high)
                top = i
        elif way * (value - values[top]) >= 0:
            top = i
        elif way * (values[top] - value) >= least:
            kept.append(top)
            way, top = -way, i
    if way:
        kept.append(top)
    return _vertices(time, force, places[kept])


def _vertices(time: Floats, force: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Time and value of the parabola's vertex around each sample `at` (reversal,)."""
    at = np.clip(at, 1, len(force) - 2)
    before, here, after = force[at - 1], force[at], force[at + 1]
    bend = before - 2 * here + after
    safe = np.where(bend == 0, 1.0, bend)
    shift = np.clip(np.where(bend == 0, 0.0, 0.5 * (before - after) / safe), -0.5, 0.5)
    step = sampling_interval(time)
    return time[at] + shift * step, here - 0.25 * (before - after) * shift


def oscillations(time: Floats, force: Floats, band: Band) -> list[Oscillation]:
    """Every oscillation of a force within a band, in the order of time.

    `time` and `force` (sample,) [s, N]; unknown samples end an oscillation.  An oscillation is a
    run of reversals whose every full cycle has a period within the band.
    """
    known = np.isfinite(force)
    found = []
    for first, last in runs(known):
        if (last - first) > 4:
            found += _in_stretch(time[first:last], force[first:last], band)
    return found


def _in_stretch(time: Floats, force: Floats, band: Band) -> list[Oscillation]:
    when, value = reversals(time, force, 2 * band.least)
    if len(when) < 3:
        return []
    period = when[2:] - when[:-2]
    inside = (period * band.high * SLACK >= 1) & (period * band.low <= SLACK)
    found = []
    for begin, end in runs(inside):
        first, last = _without_steps(value, begin, end + 2, band.least)
        # Reversals at both ends stand for a quarter of a cycle outside them.
        if last - first < max(2 * band.cycles, 3):
            continue
        one = _with_ends(time, force, when[first:last], value[first:last], band)
        if band.low <= one.frequency <= band.high:
            found.append(one)
    return found


def _without_steps(value: Floats, first: int, last: int, least: float) -> tuple[int, int]:
    """The run of reversals without those at its ends that are a step of the force, or a ripple.

    Each is measured from the middle of the wave inside of it.
    """

    def belongs(outer: Floats) -> bool:
        middle = _middle(outer[1:4])
        own, inner = abs(outer[:2] - middle)
        return bool(least <= own <= TOO_LARGE * inner)

    while last - first > 3 and not belongs(value[first : first + 4]):
        first += 1
    while last - first > 3 and not belongs(value[last - 4 : last][::-1]):
        last -= 1
    return first, last


def _middle(value: Floats) -> float:
    """Middle [N] of a wave by three reversals (3,) in turn, whose amplitude changes by a factor.

    Aitken's delta-squared process, which is exact for such a sequence; from memory.
    """
    before, here, after = value.tolist()
    bend = before - 2 * here + after
    if bend == 0:
        return float(here)
    middle = before - (here - before) ** 2 / bend
    return float(min(max(middle, min(before, here, after)), max(before, here, after)))


def _with_ends(time: Floats, force: Floats, when: Floats, value: Floats, band: Band) -> Oscillation:
    """Oscillation whose start and end are where the amplitude passes the least one."""
    half = float(np.mean(np.diff(when)))
    start = when[0] - half * _beyond(time, force, when[0] - half, value[:3], band.least)
    end = when[-1] + half * _beyond(time, force, when[-1] + half, value[:-4:-1], band.least)
    return Oscillation(when, value, start, end, _frequency(time, force, when))


def _beyond(time: Floats, force: Floats, place: float, value: Floats, least: float) -> float:
    """How far beyond its outermost reversal an oscillation reaches, in half-waves.

    `value` (3,) [N] are the outermost reversals, from the end inwards; half a wave beyond them,
    at `place` [s], there would be one more.  Between both the amplitude changes evenly.
    """
    middle, way = _middle(value), np.sign(value[1] - value[0])
    own = abs(value[0] - middle)
    one_more = max(way * (float(np.interp(place, time, force)) - middle), 0.0)
    if one_more >= min(least, own):  # a step of the force: a quarter of a cycle lies outside
        return 0.5
    return float(np.clip((own - least) / (own - one_more), 0.0, 1.0))


def _frequency(time: Floats, force: Floats, when: Floats) -> float:
    """Frequency [Hz] of a force (sample,) [N] between reversals at `when` (reversal,) [s].

    A straight line and a wave whose amplitude changes evenly are fitted by least squares.
    """
    from scipy.optimize import leastsq

    turn = np.pi * (len(when) - 1) / (when[-1] - when[0])
    inside = (time >= when[0]) & (time <= when[-1])
    tau, x = time[inside] - (when[0] + when[-1]) / 2, force[inside]
    if len(when) < FEWEST_FITTED:
        return float(turn / (2 * np.pi))

    def residuals(of: Floats) -> Floats:
        """Line and wave less the force (sample,) [N]."""
        level, slope, p, q, growth, turn = of
        swing = p * np.cos(turn * tau) + q * np.sin(turn * tau)
        return np.asarray(level + slope * tau + (1 + growth * tau) * swing - x)

    def slopes(of: Floats) -> Floats:
        """Their changes (parameter, sample) by level, slope, both amplitudes, growth and turn."""
        _, _, p, q, growth, turn = of
        cos, sin, grown = np.cos(turn * tau), np.sin(turn * tau), 1 + growth * tau
        by_growth, by_turn = tau * (p * cos + q * sin), grown * tau * (q * cos - p * sin)
        return np.array([np.ones_like(tau), tau, grown * cos, grown * sin, by_growth, by_turn])

    rows = np.column_stack([np.ones_like(tau), tau, np.cos(turn * tau), np.sin(turn * tau)])
    guess = [*np.linalg.lstsq(rows, x, rcond=None)[0], 0.0, turn]
    fit, *_, found = leastsq(
        residuals, guess, Dfun=slopes, col_deriv=True, maxfev=EVALUATIONS, full_output=True
    )
    # Without a wave of one frequency that of its reversals stands.
    return float((fit[-1] if found in CONVERGED else turn) / (2 * np.pi))


def decaying_wave(time: Floats, force: Floats, when: Floats) -> tuple[float, float]:
    """Frequency [Hz] of a wave that dies away at once, and its standard uncertainty [Hz].

    `time` and `force` (sample,) [s, N]; `when` (reversal,) [s] are the reversals, the first of them
    that of the step which set the wave off.  A level and a wave that decays exponentially are
    fitted by least squares from an eighth of a cycle after it, where the step is over, to half a
    cycle after the last.  The uncertainty is that of the fit, with residuals that last a quarter of
    a cycle.  NaN where the wave is none.
    """
    from scipy.optimize import OptimizeWarning, curve_fit

    half = float(np.mean(np.diff(when)))
    inside = (time >= when[0] + half / 4) & (time <= when[-1] + half)
    tau, x = time[inside] - when[0], force[inside]
    start = np.pi / half
    guess = [np.mean(x) if len(x) else 0.0, np.ptp(x) if len(x) else 0.0, 0.0, 0.0, start]
    nowhere = float("nan"), float("nan")
    if not np.isfinite(x).all() or len(x) < 2 * len(guess):
        return nowhere

    def wave(tau: Floats, level: float, p: float, q: float, rate: float, turn: float) -> Floats:
        """Level and wave (sample,) [N] at `tau` (sample,) [s] after the step."""
        swing = p * np.cos(turn * tau) + q * np.sin(turn * tau)
        return np.asarray(level + np.exp(rate * tau) * swing)

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", OptimizeWarning)  # no covariance: no wave
            fit, covariance = curve_fit(wave, tau, x, guess)
    except (RuntimeError, OptimizeWarning):
        return nowhere
    if not 0.5 < fit[-1] / start < 2.0:
        return nowhere
    lasting = max(half / 2 / sampling_interval(time), 1.0)
    u = np.sqrt(covariance[-1, -1] * lasting)
    return float(fit[-1] / (2 * np.pi)), float(u / (2 * np.pi))


def phase_between(
    time: Floats, one: Floats, other: Floats, frequency: float
) -> tuple[float, float]:
    """Phase by which `one` is ahead of `other` [rad], and how firmly they are coupled (0 to 1).

    `time`, `one` and `other` (sample,) [s, N] are those of the oscillation that both share, at
    `frequency` [Hz].
    """
    turn = np.exp(-2j * np.pi * frequency * time)
    trend = np.column_stack([np.ones(len(time)), time - time.mean()])
    flat = [x - trend @ np.linalg.lstsq(trend, x, rcond=None)[0] for x in (one, other)]
    count = max(int((time[-1] - time[0]) * frequency), 1)
    cycle = np.minimum(((time - time[0]) * frequency).astype(np.int64), count - 1)
    a, b = (
        np.bincount(cycle, (x * turn).real, count) + 1j * np.bincount(cycle, (x * turn).imag, count)
        for x in flat
    )
    cross = np.sum(a * np.conj(b))
    size = np.sqrt(np.sum(np.abs(a) ** 2) * np.sum(np.abs(b) ** 2))
    return float(np.angle(cross)), float(abs(cross) / size) if size > 0 else float("nan")
