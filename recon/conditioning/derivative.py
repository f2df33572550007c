"""Time derivatives of noisy channels, and how wrong they are.

A derivative of order n multiplies noise by (2 pi f)^n.  The channel is therefore filtered at a
frequency c, and what lies above is missing from the derivative:

    u^2 = integral of N up to c  +  integral of S from c to the bandwidth                 (1)

N and S are noise and signal of the derivative.  S is what the spectrum has beyond N, so c is the
frequency at which noise below and signal above add up to the least, or the highest that a channel
slower than the log can show.  The noise is taken as white in the channel itself; its density is
read off above 0.3 of the rate.  Above c the signal cannot be told from the noise; it is taken to
stay what it is at c up to wheel hop, and to fall with the third power of frequency from there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.conditioning.filters import SHORTEST, Band, low_pass

QUIET = (0.3, 0.48)  # of the sampling rate: channels of a car show nothing but noise here
SHOWN = 0.3  # of its own sampling rate: a slow channel, filled by a curve, shows no more
WINDOW = 2.0  # s, of the spectra
NEAR = 1.25  # ratio of frequencies over which a spectrum is averaged
# Motion of wheels falls off above wheel hop, as the tyre filters the road.  Found on an invented
# car between 15 and 60 Hz; a rigid tyre on a usual road would give 2.
HOP, FALL = 12.0, 3.0  # Hz; power of frequency
LEAST_SAMPLES = 4 * SHORTEST


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
    own_rate = min(band.rate, 1 / own_step) if own_step > 0 else band.rate
    shown = top if own_rate == band.rate else min(top, SHOWN * own_rate)
    spectrum = _spectrum(_bridged(channel[longest]), band.rate, own_rate)
    cut = spectrum.best_cut(order, shown)
    weight = (2 * np.pi * cut) ** (2 * order)
    variance = weight * spectrum.noise * cut / (2 * order + 1)  # both integrals of equation (1)
    variance += weight * spectrum.signal_above(cut) * _width_above(cut, top)
    own = replace(band, bandwidth=cut)
    values = low_pass(channel[:, None], own.bandwidth, own.rate, own.parts)[:, 0]
    return Derivative(differences(values, order, own), float(np.sqrt(variance)))


def _width_above(cut: float, top: float) -> float:
    """Integral [Hz] of the signal from `cut` to `top` [Hz], over its density at `cut`."""
    bend = min(max(cut, HOP), top)
    return bend - cut + bend * (1 - (bend / top) ** (FALL - 1)) / (FALL - 1)


def _bridged(channel: Floats) -> Floats:
    good = np.isfinite(channel)
    sample = np.arange(len(channel))
    return np.interp(sample, sample[good], channel[good])


@dataclass(frozen=True, slots=True)
class _Spectrum:
    """Power density (frequency,) of a channel at `frequency` [Hz], and that of its noise [1/Hz].

    `averages` is the number of independent spectra that `power` is the mean of.
    """

    frequency: Floats
    power: Floats
    noise: float
    averages: float

    def best_cut(self, order: int, top: float) -> float:
        """Frequency [Hz] up to `top` at which noise below and signal above are least together."""
        within = self.frequency <= top
        weight = self.frequency[within] ** (2 * order)
        gained = np.cumsum((self.power[within] - 2 * self.noise) * weight)
        return min(float(self.frequency[int(np.argmax(gained)) + 1]), top)

    def signal_above(self, cut: float) -> float:
        """Density [1/Hz] of the signal just above `cut` [Hz], with its standard uncertainty."""
        near = self.power[
            (self.frequency > cut) & (self.frequency < NEAR * cut + self.frequency[2])
        ]
        if not len(near):
            return self.noise
        u = np.sqrt(np.sum(np.square(near)) / self.averages) / len(near)
        return float(max(near.mean() - self.noise, 0.0) + u)


def _spectrum(channel: Floats, rate: float, own_rate: float) -> _Spectrum:
    """Spectrum of a channel; one with a rate below that of the log has its noise below as well."""
    from scipy.signal import welch

    length = min(len(channel), int(WINDOW * rate))
    frequency, power = welch(channel, fs=rate, nperseg=length, detrend="constant")
    quiet = (frequency > QUIET[0] * own_rate) & (frequency < QUIET[1] * own_rate)
    noise = float(np.median(power[quiet]))
    return _Spectrum(frequency, power, noise, len(channel) / length)


def differences(values: Floats, order: int, band: Band) -> Floats:
    """Central differences of `values` (sample, ...) over time, stretch by stretch."""
    out = values.copy()
    for part in band.parts:
        for _ in range(order if part.stop - part.start > 1 else 0):
            out[part] = np.gradient(out[part], 1 / band.rate, axis=0)
    return out
