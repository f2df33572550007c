"""Time derivatives of noisy channels, and how wrong they are.

A derivative of order n multiplies noise by (2 pi f)^n.  The channel is therefore filtered at a
frequency c, and what lies above is missing from the derivative:

    u^2 = integral of N up to c  +  integral of S from c to the bandwidth                 (1)

N and S are noise and signal of the derivative.  S is what the spectrum has beyond N, so c is the
frequency at which noise below and signal above add up to the least, or the highest that a channel
slower than the log can show.  The noise is taken as white in the channel itself; its density is
read off above 0.3 of the rate, of a slow channel above 0.3 of its own rate, and wherever a channel
falls less steeply than a signal can: means of samples, and values between them, have their noise
below.  Above c the signal cannot be told from the noise; it is taken to stay what it is at c up to
wheel hop, and to fall with the third power of frequency from there.  What it is at c is found by
fitting this law to the power just above c.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from recon.base.arrays import Floats
from recon.conditioning.filters import ORDER, SHORTEST, Band, low_pass

QUIET = (0.3, 0.48)  # of the sampling rate: channels of a car show nothing but noise here
BANDS = 3  # of `QUIET`, in each of which noise is read off; its largest density counts
SHOWN = 0.3  # of its own sampling rate: a slow channel, filled by a curve, shows no more
# Of the density of white noise, what the curve through a slow channel's samples leaves in `QUIET`:
# its median, the same at 2 to 20 values per sample.  Taken for the noise, it makes the other half
# of it look like signal.
FILLED = 0.48
WINDOW = 2.0  # s, of the spectra
NEAR = 1.25  # ratio of frequencies over which the level of a spectrum is found
# Motion of wheels falls off above wheel hop, as the tyre filters the road.  Found on an invented
# car between 15 and 60 Hz; a rigid tyre on a usual road would give 2.
HOP, FALL = 12.0, 3.0  # Hz; power of frequency
LAWFUL = 1.5  # times `HOP`, from where signals surely fall so
WIDTH = 1.5  # ratio of the edges of a band, by whose power the fall of a spectrum is found
SMOOTHED = 2.0  # times the noise of `QUIET`; what scatters about it in short drives is less
LEAST_SAMPLES = 4 * SHORTEST
FIVE = {1: (1, -8, 0, 8, -1), 2: (-1, 16, -30, 16, -1)}  # twelfths, of central differences


@dataclass(frozen=True, slots=True)
class Derivative:
    """`values` (sample,) of a derivative and their standard uncertainty `u`, in one unit."""

    values: Floats
    u: float

    @property
    def size(self) -> float:
        """Root mean square of the values."""
        return float(np.sqrt(np.nanmean(np.square(self.values))))


def derivative(channel: Floats, order: int, band: Band, own_step: float = 0.0) -> Derivative | None:
    """Derivative of a channel at the bandwidth of the forces.

    `channel` (sample,) is as logged, not filtered, in any unit; `order` 1 for rates, 2 for
    accelerations.  `own_step` [s] is the step of a channel that is slower than the log and was
    filled, 0 if it is not.  The result is in the unit of the channel per second to the power
    `order`; None where the longest stretch between gaps is too short for a spectrum.
    """
    longest = max(band.parts, key=lambda part: part.stop - part.start)
    if longest.stop - longest.start < LEAST_SAMPLES or not np.isfinite(channel[longest]).any():
        return None
    top = min(band.bandwidth, 0.5 * band.rate)
    own_rate = band.rate / band.alike
    own_rate = min(own_rate, 1 / own_step) if own_step > 0 else own_rate
    shown = 0.5 * band.rate if own_rate == band.rate else SHOWN * own_rate
    spectrum = _spectrum(_bridged(channel[longest]), band.rate, own_rate, order)
    cut = spectrum.best_cut(order, shown, top)
    variance = spectrum.variance(order, cut, top)
    own = replace(band, bandwidth=cut)
    values = low_pass(channel[:, None], own.bandwidth, own.rate, own.parts)[:, 0]
    return Derivative(differences(values, order, own), float(np.sqrt(variance)))


def _bridged(channel: Floats) -> Floats:
    good = np.isfinite(channel)
    sample = np.arange(len(channel))
    return np.interp(sample, sample[good], channel[good])


def response(frequency: Floats, edge: float | Floats) -> Floats:
    """Share of an oscillation at `frequency` (f,) that a filter of bandwidth `edge` passes [Hz]."""
    return np.asarray(1 / (1 + (np.sqrt(2) - 1) * (frequency / edge) ** (2 * ORDER)))


@dataclass(frozen=True, slots=True)
class _Spectrum:
    """Power density (frequency,) of a channel at `frequency` [Hz], and that of its noise [1/Hz]."""

    frequency: Floats
    power: Floats
    noise: float

    def best_cut(self, order: int, shown: float, top: float) -> float:
        """Frequency [Hz] up to `top` at which noise passed and signal lost are least together.

        Signal is counted up to `shown` [Hz]: wheel hop above `top` passes its filter in part.
        """
        f, highest = self.frequency[1:], min(shown, top)
        edges = np.append(f[f < highest], highest)
        own, signal = response(f, edges[:, None]), (self.power[1:] - self.noise) * (f <= shown)
        lost = signal * (response(f, top) - own) ** 2
        risk = (self.noise * own**2 + lost) @ f ** (2.0 * order)
        return float(edges[np.argmin(risk)])

    def variance(self, order: int, cut: float, top: float) -> float:
        """Equation (1) with the response of the filters at `cut` and `top` [Hz]."""
        f = self.frequency
        signal = np.where(
            f <= cut, np.maximum(self.power - self.noise, 0.0), self.above(order, cut)
        )
        own = response(f, cut)
        density = self.noise * own**2 + signal * (response(f, top) - own) ** 2
        return float(np.sum((2 * np.pi * f) ** (2 * order) * density) * f[1])

    def above(self, order: int, cut: float) -> Floats:
        """Density (frequency,) [1/Hz] of the signal above `cut` [Hz], by its law.

        The level of the law is fitted by least squares to the power just above the cut.  A mean of
        that power would be half of what the signal has at the cut: it falls with the seventh power.
        """
        beyond = np.maximum(self.frequency / cut, 1.0)
        hop = max(HOP / cut, 1.0)
        law = beyond ** (-2.0 * order) * np.maximum(beyond / hop, 1.0) ** -FALL
        near = (self.frequency > cut) & (self.frequency < NEAR * cut + self.frequency[2])
        if not near.any():
            return self.noise * law
        own = law[near]
        return law * max(own @ (self.power[near] - self.noise) / (own @ own), 0.0)


def _spectrum(channel: Floats, rate: float, own_rate: float, order: int) -> _Spectrum:
    """Spectrum of a channel; one with a rate below that of the log has its noise below as well."""
    from scipy.signal import welch
    from scipy.stats import chi2

    length = min(len(channel), int(WINDOW * rate))
    frequency, power = welch(channel, fs=rate, nperseg=length, detrend="constant")
    # The filter of a logger takes noise off the upper bands, and less off the lowest.
    edges = own_rate * (np.linspace(*QUIET, BANDS + 1) if own_rate == rate else np.array(QUIET))
    bands = [power[(frequency > low) & (frequency < high)] for low, high in pairwise(edges)]
    # The median of a spectrum of few windows, half of each shared, is less than its mean.
    freedoms = 2 * max(2 * len(channel) // length - 1, 1)
    noise = max(float(np.median(band)) for band in bands)
    if own_rate == rate and (below := _unlawful(frequency, power, rate, order)) > SMOOTHED * noise:
        noise = below
    noise *= freedoms / chi2.median(freedoms)
    return _Spectrum(frequency, power, noise / (FILLED if own_rate < rate else 1.0))


def _unlawful(frequency: Floats, power: Floats, rate: float, order: int) -> float:
    """Largest density [1/Hz] that falls less steeply above wheel hop than a signal does.

    By the power of each band less what the law of (1) leaves of the band below it.
    """
    lowest, highest = LAWFUL * HOP, QUIET[1] * rate
    count = int(np.log(max(highest / lowest, 1.0)) / np.log(WIDTH))
    if count < 2:
        return 0.0
    edges = np.geomspace(lowest, highest, count + 1)
    inside = [(frequency > low) & (frequency <= high) for low, high in pairwise(edges)]
    density = np.array([np.median(power[band]) for band in inside])
    left = (edges[1] / edges[0]) ** (-2.0 * order - FALL)
    return float(np.max(density[1:] - left * density[:-1]) / (1 - left))


def differences(values: Floats, order: int, band: Band) -> Floats:
    """First or second differences of `values` (sample, ...) over time, stretch by stretch.

    Of five samples, for those of three are 27 % too small at 15 Hz of 100.
    """
    out = values.copy()
    five = np.array(FIVE[order]) * (band.rate**order / 12)
    for part in band.parts:
        own = values[part]
        if len(own) < len(five):
            out[part] = _of_three(own, order, band.rate)
            continue
        # Only the two samples at either end have too few neighbours for five.
        out[part][:2] = _of_three(own[: len(five)], order, band.rate)[:2]
        out[part][-2:] = _of_three(own[-len(five) :], order, band.rate)[-2:]
        out[part][2:-2] = sum(c * own[k : len(own) - 4 + k] for k, c in enumerate(five))
    return out


def _of_three(values: Floats, order: int, rate: float) -> Floats:
    """Differences of three samples (sample, ...), one-sided at the ends."""
    for _ in range(order if len(values) > 1 else 0):
        values = np.gradient(values, 1 / rate, axis=0)
    return values
