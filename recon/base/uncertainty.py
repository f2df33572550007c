"""Statistics that several stages share, each with its source."""

from __future__ import annotations

import math

import numpy as np

from recon.base.arrays import Floats

OTHER_UNIT = 30.0  # mV/V and microstrain lie some thousand apart, volts and counts as much
COVERAGE_FACTOR = 1.959964  # two-sided 95 % of a normal distribution, tables


def fewest_samples(share: float) -> int:
    """Samples without which the quantile `share` is no more than the largest of them."""
    return math.ceil(round(1.0 / (1.0 - share), 6))


def noise_corrected_quantile(values: Floats, u_noise: Floats, share: float) -> float:
    """High quantile of a signal of which only noisy values are known.

    Noise stretches a distribution, so the quantile of noisy values lies too high.  Adding the
    same noise once more shows by how much: q = 2 q(values) - q(values + noise), exact to first
    order in the noise's variance.  The second quantile is found on the smoothed distribution
    itself, so that nothing is drawn at random.

    Parameters
    ----------
    values, u_noise : (sample,)
        Noisy values and the standard uncertainty of each sample's noise.
    share : float
        Of the distribution below the quantile, 0 to 1.

    Returns
    -------
    float
        NaN where there are less than `fewest_samples` of the share.

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
    u = np.maximum(u_noise, 1e-12 * max(float(np.max(np.abs(values))), 1.0))

    def above(x: float) -> float:
        return float(np.mean(ndtr((x - values) / u))) - share

    low, high = float(np.min(values - 8 * u)), float(np.max(values + 8 * u))
    return 2 * plain - float(brentq(above, low, high, xtol=1e-6 * max(abs(plain), 1e-6)))


def common_scale(largest: Floats) -> Floats:
    """Scale of each gauge, (gauge,), that makes gauges of different units comparable.

    Gauges of one unit differ by a few times and keep the scale 1; one whose largest indication
    lies more than `OTHER_UNIT` times from the middle of its corner has another unit.
    """
    share = largest / max(float(np.median(largest)), 1e-300)
    other = (share > OTHER_UNIT) | (share < 1 / OTHER_UNIT)
    return np.where(other, np.maximum(share, 1e-300), 1.0)
