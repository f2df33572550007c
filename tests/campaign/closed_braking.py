"""Truth of force per line pressure: the engine of a virtual car brakes, and the answer may not see.

An answer from true forces has the same braking of the engine in it as one from reconstructed
forces, so that it cannot say whether the interval allows for that.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from recon.car.vehicle import SIDES, Vehicle
from recon.virtual.tyre_forces import ENGINE_DRAG


def braking_in_closed_form(ideal: xr.Dataset, truth: Vehicle) -> xr.Dataset:
    """An answer on braking from true forces without what the engine adds to the force per pressure.

    `truth` is the drawn car.  Where the drag while coasting was seen it is taken off already.
    """
    driven = [any(truth.corners[w].driven for w in wheels) for wheels in SIDES.values()]
    unseen = np.where(np.isnan(ideal["coasting_force"]) & driven, ENGINE_DRAG, 0.0)
    ratio = ideal["force_per_pressure"] * (1.0 - unseen / ideal["braking_force"])
    change = ideal["force_per_pressure_change"].copy()
    for a, own in enumerate(ratio.to_numpy().T):
        known = own[np.isfinite(own)]
        if len(known) > 1:
            change[a] = known[-1] / known[0] - 1.0
    return ideal.assign(force_per_pressure=ratio, force_per_pressure_change=change)
