"""Highest friction use of each tyre that the drive demonstrated, for the force plane of a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recon.analysis.friction import friction_use
from recon.base.errors import DataError

if TYPE_CHECKING:
    import xarray as xr


def envelopes(forces: xr.Dataset) -> dict[str, dict[str, float]]:
    """Highest demonstrated use [1] and its standard uncertainty by corner; none where not known."""
    try:
        found = friction_use(forces)
    except DataError:
        return {}
    names = ("highest_demonstrated_use", "u_highest_demonstrated_use")
    use, u = (found[name].to_numpy() for name in names)
    return {
        str(corner): {"use": round(float(use[k]), 3), "u": round(float(u[k]), 3)}
        for k, corner in enumerate(found["corner"].to_numpy())
        if np.isfinite(use[k])
    }
