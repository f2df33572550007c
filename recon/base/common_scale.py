"""Scale that makes gauges in different units comparable."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats

# Ratio of indications above which two gauges must differ in unit: those of mV/V and microstrain
# differ about a thousandfold, those of volts and counts as much.
OTHER_UNIT = 30.0


def common_scale(largest: Floats) -> Floats:
    """Scale of each gauge (gauge,) that makes indications in different units comparable.

    `largest` (gauge,) is the largest indication of each gauge in its own unit.  Gauges of one
    unit differ only by a few times and get the scale 1; a gauge more than `OTHER_UNIT` times
    above or below the median of its corner has another unit and gets its ratio to the median.
    """
    share = largest / max(float(np.median(largest)), 1e-300)
    other = (share > OTHER_UNIT) | (share < 1 / OTHER_UNIT)
    return np.where(other, np.maximum(share, 1e-300), 1.0)
