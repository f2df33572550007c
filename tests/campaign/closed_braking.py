"""Truth of force per line pressure: the engine of a virtual car brakes, and the answer may not see.

An answer from true forces has the same braking of the engine in it as one from reconstructed
forces, so that it cannot say whether the interval allows for that.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from recon.evaluation.braking.stops import BrakedDrive
from recon.virtual.tyre_forces import ENGINE_DRAG, engine_drag


def braking_in_closed_form(
    ideal: xr.Dataset, true: xr.Dataset, sections: xr.Dataset, geared: bool
) -> xr.Dataset:
    """An answer on braking from true forces without what the engine adds to the force per pressure.

    `true` are these forces and `sections` theirs; a `geared` engine drags by gear and speed.  Where
    the drag while coasting was seen it is taken off already.
    """
    drive = BrakedDrive(true)
    gear, drag = drive.channel("gear"), np.full(len(drive.course.time), ENGINE_DRAG)
    if geared and gear is not None:
        drag = engine_drag(gear, drive.course.speed)
    by_stop = [float(drag[stop.at].mean()) for stop in drive.stops(sections)]
    adds = np.isnan(ideal["coasting_force"].to_numpy()) & drive.driven
    unseen = np.multiply.outer(by_stop, adds.astype(float))
    ratio = ideal["force_per_pressure"] * (1.0 - unseen / ideal["braking_force"])
    change = ideal["force_per_pressure_change"].copy()
    for a, own in enumerate(ratio.to_numpy().T):
        known = own[np.isfinite(own)]
        if len(known) > 1:
            change[a] = known[-1] / known[0] - 1.0
    return ideal.assign(force_per_pressure=ratio, force_per_pressure_change=change)
