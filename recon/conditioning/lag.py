"""The first offset between two clocks: the lag at which signals of both logs correlate best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.conditioning.carrying import Channel, reach_of
from recon.conditioning.filters import low_pass
from recon.conditioning.shared_signals import Shared

GRID = 0.02  # s; signals are averaged over so much, motions of a car are slower
COMPARED = 8.0  # Hz, up to which signals of different sensors are compared
COARSE = 2.0  # Hz, for the first offset; a drift of a tenth of a second does not hide it
LEAST_OVERLAP = 5.0  # s, or 30 % of the shorter log
LIKE = 0.5  # share of the variance that must be explained
EXACT = 1e-3  # share of the variance that no two sensors agree on
FEWEST = 16  # independent samples to compare for each signal of the first log
COMPONENTS_COARSE = 4
COMPONENTS_KEPT = 8  # of the gauges: with fewer, forces leave a lag of some 50 ms unexplained
OUT_OF_NOISE = 4.0  # times the variance of its noise: a channel with less hardly moves
AMBIGUOUS = 0.97  # a second offset that fits so nearly as well is as good as the first


@dataclass(frozen=True, slots=True)
class Fit:
    """The second log's signal as the first log's makes it: `weights` times signals plus `bias`.

    `misfit` (point,) is zero and `expected` (point,) NaN where the first log has no signal.
    """

    misfit: Floats
    expected: Floats
    weights: Floats
    bias: float = float("nan")

    @property
    def gain(self) -> float:
        """Ratio of the first log's signal to the second's, NaN where several signals make one."""
        return 1.0 / float(self.weights[0]) if len(self.weights) == 1 else float("nan")


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair of signals, averaged: the first log's `smooth` signals, the second's samples.

    `time` [s] and `values` of the second are both (point,), in the unit of its channel.
    """

    shared: Shared
    smooth: tuple[Channel, ...]
    time: Floats
    values: Floats

    @property
    def lacks(self) -> str:
        """How many samples are too few to compare, in words; empty if there are enough.

        Below the compared bandwidth, samples closer together than half a period are no more of
        them.
        """
        step = Channel.of(self.time, self.values, "").step if len(self.time) > 1 else 0.0
        independent = int(len(self.time) * min(1.0, 2.0 * COMPARED * step))
        fewest = FEWEST * len(self.smooth)
        return f"{independent} of {self.shared.label}" if independent <= fewest else ""

    @property
    def moves(self) -> bool:
        """Whether there are samples enough to compare, and motion in them beside the noise."""
        if self.lacks or not np.std(self.values) > 0:
            return False
        single = [(self.shared.first, self.smooth[0].values)] * (len(self.smooth) == 1)
        both = [*single, (self.shared.second, self.values)]
        return all(np.var(smooth) > OUT_OF_NOISE * _noise_left(*raw) for raw, smooth in both)

    def at(self, times: Floats) -> Floats:
        """The first log's signals (signal, point) at times (point,) of its clock [s], else NaN."""
        return np.stack([one.at(times, reach_of(one.step)) for one in self.smooth])

    def fitted(self, times: Floats, sigma: float = 1.0) -> Fit:
        """Least squares of the second log's signal on the first log's, misfit in units of `sigma`.

        `times` (point,) [s] are those of the second log's samples on the first log's clock.
        """
        signals = self.at(times)
        good = np.isfinite(signals).all(axis=0)
        misfit, expected = np.zeros(len(times)), np.full(len(times), np.nan)
        nothing = Fit(misfit, expected, np.full(len(signals), np.nan))
        if good.sum() < 3 * len(signals) or not np.ptp(signals[:, good]) > 0:
            return nothing
        columns = np.vstack([signals[:, good], np.ones(good.sum())]).T
        *weights, bias = np.linalg.lstsq(columns, self.values[good], rcond=None)[0]
        expected[good] = columns @ [*weights, bias]
        misfit[good] = (self.values[good] - expected[good]) / sigma
        return Fit(misfit, expected, np.array(weights), float(bias))

    def unexplained(self, times: Floats) -> float:
        """Share of the variance of the second log's signal that the first does not explain.

        `times` (point,) [s] as for `fitted`.
        """
        fit = self.fitted(times)
        good = np.isfinite(fit.expected)
        if good.sum() <= 3:
            return 1.0
        return float(np.var(fit.misfit[good]) / np.var(self.values[good]))


def pair_of(shared: Shared) -> Pair:
    """Average both signals and low-pass them, so that different sensors can be compared."""
    time, values = shared.first
    columns = values.reshape(len(time), -1)
    whole = np.isfinite(columns).all(axis=1)
    first = [_averaged(time[whole], column[whole]) for column in columns.T]
    second = _averaged(*shared.second)
    if min(len(first[0].time), len(second.time)) < 2:
        return Pair(shared, tuple(first), second.time, second.values)
    smooth = tuple(_smoothed(one) for one in first)
    second = _smoothed(second)
    return Pair(shared, _principal(smooth), second.time, second.values)


def _noise_left(time: Floats, values: Floats) -> float:
    """Variance that white noise of a channel (sample,) leaves after smoothing, in its unit squared.

    The noise shows in the second differences of its samples; a channel too slow to be smoothed
    counts as free of it.
    """
    own = Channel.of(time, values.reshape(len(time), -1)[:, 0], "")
    if len(own.time) < 3 or own.step > 0.25 / COMPARED:
        return 0.0
    bends = np.diff(own.values, n=2)
    noise = 1.4826 * float(np.median(np.abs(bends))) / np.sqrt(6.0)
    return float(noise**2 * 2.0 * COMPARED * own.step)


def _principal(signals: tuple[Channel, ...]) -> tuple[Channel, ...]:
    """The few principal components of many signals, largest first; a single one as it is."""
    if len(signals) == 1:
        return signals
    values = np.stack([one.values - one.values.mean() for one in signals], axis=1)
    values /= np.maximum(values.std(axis=0), 1e-300)
    components = np.linalg.svd(values, full_matrices=False)[0][:, :COMPONENTS_KEPT]
    return tuple(Channel(signals[0].time, column) for column in components.T)


def _averaged(time: Floats, values: Floats) -> Channel:
    """Means over cells of time that are no shorter than the own step, where there are samples."""
    own = Channel.of(time, values, "")
    if len(own.time) < 2:
        return own
    cell = np.floor(own.time / max(GRID, own.step)).astype(np.int64)
    starts = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    count = np.diff(np.append(starts, len(cell)))
    return Channel(
        np.add.reduceat(own.time, starts) / count, np.add.reduceat(own.values, starts) / count
    )


def _smoothed(channel: Channel) -> Channel:
    """The channel below the compared bandwidth; no filter runs across its gaps.

    A channel too slow for that is left as it is: its samples are those of single instants.
    """
    if len(channel.time) < 64 or channel.step > 0.25 / COMPARED:
        return channel
    cuts = np.flatnonzero(np.diff(channel.time) > 3 * channel.step) + 1
    parts = [slice(a, b) for a, b in zip([0, *cuts], [*cuts, len(channel.time)], strict=True)]
    passed = low_pass(channel.values[:, None], COMPARED, 1.0 / channel.step, parts)[:, 0]
    return Channel.of(channel.time, passed, "")


def first_lag(pairs: list[Pair], where: str) -> float:
    """Lag [s] to add to the second clock at which all pairs correlate best.

    Raises DataError: no lag explains enough of the second log's channels, or two lags do equally
    well.
    """
    from scipy.signal import find_peaks

    step = max(GRID, *(pair.smooth[0].step for pair in pairs))
    found = [_correlation(pair, step) for pair in pairs]
    low = min(lags[0] for lags, _, _ in found)
    high = max(lags[-1] for lags, _, _ in found)
    lags = np.arange(low, high + 0.5 * step, step)
    like, likelihood = np.zeros(len(lags)), np.zeros(len(lags))
    for own, square, overlap in found:
        on_lags = np.interp(lags, own, square, left=0.0, right=0.0)
        shared = np.interp(lags, own, overlap, left=0.0, right=0.0)
        like = np.maximum(like, on_lags)
        likelihood -= shared / shared.max(initial=1.0) * np.log(1.0 - on_lags + EXACT)
    best = int(np.argmax(likelihood))
    if like[best] < LIKE:
        names = ", ".join(pair.shared.label for pair in pairs)
        raise DataError(
            where,
            f"channels that do not agree at any offset ({names}; {100 * like[best]:.0f} % of the "
            "variance at best)",
            f"at least {100 * LIKE:.0f} %",
            "Check that both files are of one drive, and the columns of these channels.",
        )
    peaks = find_peaks(np.pad(likelihood, 1))[0] - 1
    rivals = [
        p
        for p in peaks
        if abs(p - best) * step > 0.5 and likelihood[p] > AMBIGUOUS * likelihood[best]
    ]
    if rivals:
        raise DataError(
            where,
            f"two offsets of the clocks that fit equally well, {lags[best]:.2f} s and "
            f"{lags[rivals[0]]:.2f} s",
            "a drive whose motion does not repeat itself exactly",
            "Log more of the drive with both loggers, or one more channel with both.",
        )
    return float(lags[best])


def _correlation(pair: Pair, step: float) -> tuple[Floats, Floats, Floats]:
    """Lags [s], share of the variance explained at each, and the overlap [s] if it is long enough.

    The shares of several signals of the first log add up, because these are orthogonal.
    """
    from scipy.signal import correlation_lags

    b, mask_b, start_b = _on_grid(Channel(pair.time, pair.values), step)
    share: Floats | float = 0.0
    for one in pair.smooth[:COMPONENTS_COARSE]:
        a, mask_a, start_a = _on_grid(one, step)
        more, overlap = _squared(a, mask_a, b, mask_b, step)
        share = share + more
    lags = correlation_lags(len(a), len(b)) * step + start_a - start_b
    return np.asarray(lags), np.clip(share, 0, 1), overlap


def _squared(
    a: Floats, mask_a: Floats, b: Floats, mask_b: Floats, step: float
) -> tuple[Floats, Floats]:
    """Squared correlation at every lag, and the overlap [s] where it is long enough."""
    from scipy.signal import correlate

    product, energy_a, energy_b, overlap = (
        correlate(x, y, method="fft")
        for x, y in ((a, b), (a**2, mask_b), (mask_a, b**2), (mask_a, mask_b))
    )
    least = min(LEAST_OVERLAP, 0.3 * step * min(mask_a.sum(), mask_b.sum()))
    # Where little of the motion lies in the overlap, a correlation says nothing.
    enough = (overlap * step >= least) & (energy_a > 0.1 * (a**2).sum())
    size = np.maximum(energy_a, 0) * np.maximum(energy_b, 0)
    square = np.divide(product**2, size, out=np.zeros_like(size), where=enough & (size > 0))
    return square, np.where(enough, overlap * step, 0.0)


def _on_grid(channel: Channel, step: float) -> tuple[Floats, Floats, float]:
    """Low-passed, centred values on even steps, a mask of those that are known, the first time."""
    times = np.arange(channel.time[0], channel.time[-1], step)
    values = channel.at(times, max(1.5 * channel.step, 0.5))
    values = low_pass(values[:, None], COARSE, 1.0 / step)[:, 0] if len(values) > 64 else values
    known = np.isfinite(values)
    values = np.where(known, values - np.nanmean(values), 0.0)
    return values, known.astype(float), float(times[0])
