"""The first offset between two clocks: the lag at which signals of both logs correlate best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.conditioning.carrying import Channel, reach_of
from recon.conditioning.filters import low_pass
from recon.conditioning.shared import Shared

GRID = 0.02  # s; signals are averaged over so much, motions of a car are slower
COMPARED = 8.0  # Hz, up to which signals of different sensors are compared
COARSE = 2.0  # Hz, for the first offset; a drift of a tenth of a second does not hide it
LEAST_OVERLAP = 5.0  # s, or 30 % of the shorter log
LIKE = 0.5  # share of the variance that must be explained
EXACT = 1e-3  # share of the variance that no two sensors agree on
AMBIGUOUS = 0.97  # a second offset that fits so nearly as well is as good as the first


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair of signals, averaged: the first log's smooth channel, the second's samples.

    `time` [s] and `values` of the second are both (point,), in the unit of its channel.
    """

    shared: Shared
    smooth: Channel
    time: Floats
    values: Floats

    def at(self, times: Floats) -> Floats:
        """The first log's signal at times (point,) of its clock [s], NaN where it has none."""
        return self.smooth.at(times, reach_of(self.smooth.step))

    def fitted(self, times: Floats, sigma: float = 1.0) -> tuple[Floats, Floats, float]:
        """Misfit (point,) in units of `sigma`, expected values (point,) and the gain.

        `times` (point,) [s] are those of the second log's samples on the first log's clock.  Gain
        and bias, which turn the first log's signal into the second's, are those of least squares;
        points outside the first log have no misfit.
        """
        model = self.at(times)
        good = np.isfinite(model)
        misfit, expected = np.zeros(len(model)), np.full(len(model), np.nan)
        if good.sum() < 3 or not np.ptp(model[good]) > 0:
            return misfit, expected, np.nan
        gain, bias = np.polyfit(model[good], self.values[good], 1)
        expected[good] = gain * model[good] + bias
        misfit[good] = (self.values[good] - expected[good]) / sigma
        return misfit, expected, float(gain)

    def unexplained(self, times: Floats) -> float:
        """Share of the variance of the second log's signal that the first does not explain.

        `times` (point,) [s] as for `fitted`.
        """
        misfit, expected, _ = self.fitted(times)
        good = np.isfinite(expected)
        return float(np.var(misfit[good]) / np.var(self.values[good])) if good.sum() > 3 else 1.0


def pair_of(shared: Shared) -> Pair:
    """Average both signals, and low-pass them alike so that different sensors can be compared."""
    a, b = (_averaged(*signal) for signal in (shared.first, shared.second))
    band = min(COMPARED, 0.4 / max(a.step, b.step)) if min(len(a.time), len(b.time)) > 1 else 0.0
    a, b = _smoothed(a, band), _smoothed(b, band)
    return Pair(shared, a, b.time, b.values)


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


def _smoothed(channel: Channel, bandwidth: float) -> Channel:
    """The channel below a bandwidth [Hz]; no filter runs across its gaps."""
    if len(channel.time) < 64:
        return channel
    cuts = np.flatnonzero(np.diff(channel.time) > 3 * channel.step) + 1
    parts = [slice(a, b) for a, b in zip([0, *cuts], [*cuts, len(channel.time)], strict=True)]
    passed = low_pass(channel.values[:, None], bandwidth, 1.0 / channel.step, parts)[:, 0]
    return Channel.of(channel.time, passed, "")


def first_lag(pairs: list[Pair], where: str) -> float:
    """Lag [s] to add to the second clock at which all pairs correlate best.

    Raises
    ------
    DataError
        No lag explains enough of the second log's channels, or two lags do equally well.
    """
    from scipy.signal import find_peaks

    step = max(GRID, *(pair.smooth.step for pair in pairs))
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
    """Lags [s], squared correlation at each, and the overlap [s] where it is long enough."""
    from scipy.signal import correlate, correlation_lags

    a, mask_a, start_a = _on_grid(pair.smooth, step)
    b, mask_b, start_b = _on_grid(Channel(pair.time, pair.values), step)
    product, energy_a, energy_b, overlap = (
        correlate(x, y, method="fft")
        for x, y in ((a, b), (a**2, mask_b), (mask_a, b**2), (mask_a, mask_b))
    )
    lags = correlation_lags(len(a), len(b)) * step + start_a - start_b
    least = min(LEAST_OVERLAP, 0.3 * step * min(mask_a.sum(), mask_b.sum()))
    # Where little of the motion lies in the overlap, a correlation says nothing.
    moving = 0.1 * min((a**2).sum(), (b**2).sum() * (a**2).sum() / max((b**2).sum(), 1e-300))
    enough = (overlap * step >= least) & (energy_a > moving)
    size = np.maximum(energy_a, 0) * np.maximum(energy_b, 0)
    square = np.divide(product**2, size, out=np.zeros_like(size), where=enough & (size > 0))
    return np.asarray(lags), np.clip(square, 0, 1), np.where(enough, overlap * step, 0.0)


def _on_grid(channel: Channel, step: float) -> tuple[Floats, Floats, float]:
    """Low-passed, centred values on even steps, a mask of those that are known, the first time."""
    times = np.arange(channel.time[0], channel.time[-1], step)
    values = channel.at(times, max(1.5 * channel.step, 0.5))
    values = low_pass(values[:, None], COARSE, 1.0 / step)[:, 0] if len(values) > 64 else values
    known = np.isfinite(values)
    values = np.where(known, values - np.nanmean(values), 0.0)
    return values, known.astype(float), float(times[0])
