"""Zeros that drift together: most gauges moved in one direction between the tares.

Gauges that warm themselves, an amplifier that warms up or a lead that all bridges share move all
zeros alike.  The course of such a drift is one unknown for all gauges, whose effects on a force do
not average out.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr

# Gauges that moved up less those that moved down, over the square root of their number: zeros that
# drift each by itself exceed this in one drive of a thousand (binomial distribution).
TOGETHER = 3.3


def drift_together(log: xr.Dataset, gauges: tuple[str, ...]) -> Floats | None:
    """Standard uncertainty (gauge,) [gauge unit] of zeros that drift together, with their signs.

    None if the gauges of the conditioned log (elapsed_time, gauge) moved each by itself, or have
    no tares.  The share of a zero's change that is open is that of the gauges' own zeros.
    """
    if "zero_change" not in log:
        return None
    direction = np.sign(log["zero_change"].to_numpy())
    direction = direction[np.isfinite(direction)]
    if abs(direction.sum()) <= TOGETHER * np.sqrt(len(direction)):
        return None
    own = log[["zero_change", "u_zero"]].sel(gauge=list(gauges))
    change, u_zero = own["zero_change"].to_numpy(), own["u_zero"].to_numpy()
    alike = (np.sign(change) == np.sign(direction.sum())) & (u_zero > 0)
    if not alike.any():
        return None
    share = 1 / np.sqrt(np.mean((change[alike] / u_zero[alike]) ** 2))
    return np.where(alike, share * change, 0.0)
