"""Time derivatives of noisy channels, and how wrong they are.

A derivative of order n multiplies noise by (2 pi f)^n.  The channel is therefore filtered where its
noise outweighs its signal, and what lies above is missing from the derivative:

    u^2 = integral of N up to c  +  integral of S(c) (c / f)^3 from c to the bandwidth     (1)

N and S are noise and signal of the derivative and c the frequency at which they are equal, or
the highest that a channel slower than the log can show.  The
noise is taken as white in the channel itself; its density is read off above 0.3 of the rate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.conditioning.filters import SHORTEST, Band, low_pass

QUIET = (0.3, 0.48)  # of the sampling rate: channels of a car show nothing but noise here
SHOWN = 0.3  # of its own sampling rate: a slow channel, filled by a curve, shows no more
WINDOW = 2.0  # s, of the spectra
SMOOTHED = 1.25  # ratio of frequencies over which a spectrum is averaged
# Motion of wheels falls off above wheel hop (10 to 15 Hz), as the tyre filters the road.  Found on
# an invented car between 15 and 60 Hz; a rigid tyre on a usual road would give 2.
FALL = 3.0
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
    frequency, power, noise = _spectrum(_bridged(channel[longest]), band.rate, own_rate)
    shown = top if own_rate == band.rate else min(top, SHOWN * own_rate)
    cut = _crossing(frequency, power, noise, shown)
    signal = max(float(np.interp(cut, frequency, power)) - noise, noise)
    # Both integrals of equation (1).
    scale = (2 * np.pi) ** (2 * order) * cut ** (2 * order + 1)
    variance = scale * noise / (2 * order + 1)
    variance += scale * signal * (1 - (cut / top) ** (FALL - 1)) / (FALL - 1)
    own = replace(band, bandwidth=cut)
    values = low_pass(channel[:, None], own.bandwidth, own.rate, own.parts)[:, 0]
    return Derivative(differences(values, order, own), float(np.sqrt(variance)))


def _bridged(channel: Floats) -> Floats:
    good = np.isfinite(channel)
    sample = np.arange(len(channel))
    return np.interp(sample, sample[good], channel[good])


def _spectrum(channel: Floats, rate: float, own_rate: float) -> tuple[Floats, Floats, float]:
    """Frequencies [Hz], smoothed power density (frequency,) and density of the noise [1/Hz].

    A channel with a rate of its own below that of the log has its noise below that as well.
    """
    from scipy.signal import welch

    length = min(len(channel), int(WINDOW * rate))
    frequency, power = welch(channel, fs=rate, nperseg=length, detrend="constant")
    quiet = (frequency > QUIET[0] * own_rate) & (frequency < QUIET[1] * own_rate)
    total = np.concatenate([[0.0], np.cumsum(power)])
    low = np.searchsorted(frequency, frequency / SMOOTHED)
    high = np.searchsorted(frequency, frequency * SMOOTHED, side="right")
    return frequency, (total[high] - total[low]) / (high - low), float(np.median(power[quiet]))


def _crossing(frequency: Floats, power: Floats, noise: float, top: float) -> float:
    """Highest frequency [Hz] up to `top` at which the signal is as strong as the noise."""
    strong = np.flatnonzero((power > 2 * noise) & (frequency <= top))
    if not len(strong):
        return float(max(frequency[1], 1e-3 * top))
    last = frequency[min(strong[-1] + 1, len(frequency) - 1)]
    return float(min(last, top))


def differences(values: Floats, order: int, band: Band) -> Floats:
    """Central differences of `values` (sample, ...) over time, stretch by stretch."""
    out = values.copy()
    for part in band.parts:
        for _ in range(order if part.stop - part.start > 1 else 0):
            out[part] = np.gradient(out[part], 1 / band.rate, axis=0)
    return out
