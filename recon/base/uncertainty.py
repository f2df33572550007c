"""Statistics that several stages share, each with its source."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
COVERAGE_FACTOR = 1.959964  # two-sided 95 % of a normal distribution, tables


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

    Notes
    -----
    Source: simulation extrapolation, J. R. Cook and L. A. Stefanski, Journal of the American
    Statistical Association 89 (1994) 1314-1328, first-order form; from memory.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr

    plain = float(np.quantile(values, share))
    u = np.maximum(u_noise, 1e-12 * max(float(np.max(np.abs(values))), 1.0))

    def above(x: float) -> float:
        return float(np.mean(ndtr((x - values) / u))) - share

    low, high = float(np.min(values - 8 * u)), float(np.max(values + 8 * u))
    return 2 * plain - float(brentq(above, low, high, xtol=1e-6 * max(abs(plain), 1e-6)))
