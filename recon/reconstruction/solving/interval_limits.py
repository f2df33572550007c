"""95 % limits: symmetric where nothing is bounded, conditional at the bound of Fz.

Where the vertical force is held at zero, or lies within its uncertainty of it, the limits are
those of a normal distribution cut off at zero (Fz >= 0 is known): lower limit zero, upper
limit the 95 % point of what is left.  The cut is known physics, so the interval is stated as
conditional on contact forces that only push.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import COVERAGE_FACTOR


def limits_of(
    force: Floats, u: Floats, free_vertical: Floats, *, bounded: bool = True
) -> tuple[Floats, Floats]:
    """Lower and upper 95 % limits (..., 3) of `force` with `u` (..., 3) [N], z last.

    `free_vertical` (...) [N] is Fz before the bound.  Unless Fz >= 0 is held, `bounded`, limits are
    symmetric everywhere.
    """
    half = COVERAGE_FACTOR * u
    lower, upper = force - half, force + half
    near = (free_vertical < half[..., 2]) & bounded
    if np.any(near):
        from scipy.special import log_ndtr, ndtri_exp

        m, s = free_vertical[near], u[near][..., 2]
        # P(F > f | F > 0) = 0.05; logarithms keep digits however far below zero.
        beyond = np.log(0.05) + log_ndtr(m / s)
        upper[near, 2] = np.maximum(m - s * ndtri_exp(beyond), 0.0)
        lower[near, 2] = 0.0
    return lower, upper
