"""Noise of tared indications, found in the pulls themselves (Type A)."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.common_scale import common_scale
from recon.calibration.applied import Pull

FLOOR = 1e-4  # of the largest indication; fewer steps than unknowns cannot show their noise


def largest_indication(pulls: list[Pull]) -> Floats:
    """Largest absolute indication of each gauge over all pulls, (gauge,) [unit]."""
    return np.max([np.abs(p.indication).max(axis=0) for p in pulls], axis=0)


def gauge_scale(pulls: list[Pull]) -> Floats:
    """Scale (gauge,) [1] that makes gauges of different units comparable; see `common_scale`."""
    return common_scale(largest_indication(pulls))


def noise_of(pulls: list[Pull]) -> Floats:
    """Standard uncertainty of one tared indication per gauge, (gauge,) [unit], with a floor."""
    return np.fmax(scatter_of(pulls), FLOOR * largest_indication(pulls))


def scatter_of(pulls: list[Pull]) -> Floats:
    """Scatter of the indications about each pull's own pattern, (gauge,) [unit].

    Each device moves the gauges of a pull along one pattern, whatever its loads; what remains
    across those patterns is noise and drift of the zero.  NaN where the pulls have too few steps
    to show it.
    """
    scale = gauge_scale(pulls)
    square = np.zeros(len(scale))
    freedom = 0.0
    for pull in pulls:
        y = pull.indication / scale
        left, size, right = np.linalg.svd(y, full_matrices=False)
        rank = len(pull.devices)
        rest = y - (left[:, :rank] * size[:rank]) @ right[:rank]
        square += np.sum(rest**2, axis=0)
        freedom += max(y.shape[0] - rank, 0) * max(1 - rank / y.shape[1], 0)
    if freedom < 3:
        return np.full_like(square, np.nan)
    # With few steps per gauge, half of the weight goes to the mean of all gauges of the corner.
    own = square / freedom
    return np.sqrt(0.5 * own + 0.5 * np.mean(own)) * scale
