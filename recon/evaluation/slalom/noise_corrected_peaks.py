"""Peaks of many half-waves at once: quantiles corrected for noise, with what is open about them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.noise_corrected_quantile import fewest_samples

SHARE = 0.98  # of a half-wave below its peak; a half sine then reads 0.05 % low
KNOWN_SHARE = 0.8  # of a half-wave's samples; with less its peak may lie in the gap
REACH = 5.0  # standard uncertainties that noise never exceeds, to 1e-6
LEAST = 1e-9  # N
HALVINGS = 24


@dataclass(frozen=True, slots=True)
class Peaks:
    """Peaks of half-waves, towards their side, NaN where too little is known.

    `height` (wave,) [N]; `u_noise` (wave,) [N] of noise and ripple; `top` (wave, place) marks the
    samples at the top, and `middle` (wave,) is the place in the middle of them.
    """

    height: Floats
    u_noise: Floats
    top: NDArray[np.bool_]
    middle: NDArray[np.int64]

    @property
    def found(self) -> NDArray[np.bool_]:
        """Half-waves (wave,) that have a peak."""
        return np.isfinite(self.height)


def enough(values: Floats, there: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Half-waves (wave,) of which enough is known for a peak.

    `values` (wave, place) in any unit are NaN where not known; `there` are the places in use.
    """
    known = np.isfinite(values).sum(axis=1)
    return (known >= KNOWN_SHARE * there.sum(axis=1)) & (known >= fewest_samples(SHARE))


def peaks_of(values: Floats, noise: Floats, there: NDArray[np.bool_]) -> Peaks:
    """Noise-corrected high quantile of each half-wave.

    `values` (wave, place) [N] are forces towards the side, NaN where not known, `noise` (wave,
    place) [N] their standard uncertainties due to noise; `there` (wave, place) marks the places
    that belong to the half-wave.

    The quantile is that of `base.noise_corrected_quantile`.  The standard uncertainty is that of
    one sample, for the quantile averages over its neighbourhood, and the ripple on the crest: the
    peak lies somewhere up to the largest sample.
    """
    good = enough(values, there)
    values = np.where(good[:, None], values, 0.0)  # has no peak, whatever stands there
    known = np.isfinite(values)
    count = np.maximum(known.sum(axis=1), 1)
    order = np.sort(np.where(known, values, np.inf), axis=1)
    place = (count - 1) * SHARE
    below = np.floor(place).astype(np.int64)
    rows = np.arange(len(values))
    low = order[rows, below]
    high = order[rows, np.minimum(below + 1, count - 1)]
    plain = low + (place - below) * (high - low)
    widened = _widened(values, noise, plain, count)
    height = np.where(good, 2 * plain - widened, np.nan)
    largest = order[rows, count - 1]
    square = np.where(known, noise, 0.0) ** 2
    u = np.sqrt(square.sum(axis=1) / count + (largest - height) ** 2 / 3.0)
    top = known & (values >= plain[:, None])
    last = top.shape[1] - 1 - np.argmax(top[:, ::-1], axis=1)
    return Peaks(height, u, top, (np.argmax(top, axis=1) + last) // 2)


def _widened(values: Floats, noise: Floats, plain: Floats, count: NDArray[np.int64]) -> Floats:
    """Quantile (wave,) [N] of each half-wave with its noise added once more."""
    from scipy.special import ndtr

    known = np.isfinite(values)
    u = np.where(known, np.maximum(noise, LEAST), LEAST)
    largest = np.max(u, axis=1)
    low, high = plain - largest, np.nanmax(np.where(known, values, plain[:, None]), axis=1)
    high = high + REACH * largest
    # Only samples that noise may lift across the quantile are looked at; the rest lie below.
    near = np.nan_to_num(values, nan=-np.inf) >= (low - REACH * largest)[:, None]
    columns = int(near.sum(axis=1).max(initial=1))
    first = np.argsort(~near, axis=1, kind="stable")[:, :columns]
    some = np.where(
        np.take_along_axis(near, first, 1), np.take_along_axis(values, first, 1), -np.inf
    )
    wide = np.take_along_axis(u, first, 1)
    outside = columns - near.sum(axis=1)  # columns that hold no sample count as below
    certain = count - near.sum(axis=1) - outside
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        share = (certain + ndtr((middle[:, None] - some) / wide).sum(axis=1)) / count
        high = np.where(share > SHARE, middle, high)
        low = np.where(share > SHARE, low, middle)
    return 0.5 * (low + high)
