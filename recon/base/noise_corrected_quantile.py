"""High quantile of a noisy signal with the noise taken off: how a peak is read."""

from __future__ import annotations

import math

import numpy as np

from recon.base.arrays import Floats

REACH = 8.0  # standard uncertainties that noise never exceeds, to 1e-15


def fewest_samples(share: float) -> int:
    """Smallest number of samples whose quantile `share` lies below the largest sample."""
    return math.ceil(round(1.0 / (1.0 - share), 6))


def noise_corrected_quantile(values: Floats, u_noise: Floats, share: float) -> float:
    """High quantile of a signal, estimated from noisy values, in their unit.

    Noise widens a distribution, so a high quantile of noisy values is too high.  Adding the same
    noise once more shows by how much: q = 2 q(values) - q(values + noise), exact to first order in
    the noise's variance.  The second quantile is calculated from the smoothed distribution, without
    random numbers.

    `values` (sample,) are in any unit, `u_noise` (sample,) [the same unit] are their standard
    uncertainties due to noise; the quantile has the `share` [1] of the distribution below it.  NaN
    with fewer than `fewest_samples(share)` samples.

    Notes
    -----
    Source: simulation extrapolation, J. R. Cook and L. A. Stefanski, Journal of the American
    Statistical Association 89 (1994) 1314-1328, first-order form; from memory.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr

    if len(values) < fewest_samples(share):
        return float("nan")
    plain = float(np.quantile(values, share))
    least = 1e-12 * max(float(np.max(values)), -float(np.min(values)), 1.0)
    size = np.maximum(u_noise, least)
    lifted = values + REACH * size
    high = float(np.max(lifted))

    def above(x: float) -> float:
        return (certain + float(np.sum(ndtr((x - some) / u_some)))) / len(values) - share

    # Noise hardly ever lowers a high quantile: the lower end is needed where it does.
    for low in (plain, plain - REACH * float(np.max(size))):
        near = lifted >= low  # from `low` upwards, all others are below for certain
        some, u_some = values[near].astype(float), size[near].astype(float)
        certain = len(values) - len(some)
        if above(low) <= 0:
            break
    return 2 * plain - float(brentq(above, low, high, xtol=1e-6 * max(abs(plain), 1e-6)))
