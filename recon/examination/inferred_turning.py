"""Effect of a changed channel on the acceleration of the wheels where that was inferred.

Yaw moves a wheel centre against the body.  It is logged, or follows from speed and sideways
acceleration, so a mend of any of these moves the wheels too.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.conditioning.hub_motion import SLOWEST, arm_of, shows_yaw, turning

INFERRED = "relative_acceleration"
SLOPE = "slope_of_"


def yaw_channels(log: xr.Dataset) -> tuple[str, ...]:
    """Channels of a thinned log that the inferred acceleration of the wheels follows by yaw."""
    if INFERRED not in log or not shows_yaw(log):
        return ()
    return ("yaw_rate",) if "yaw_rate" in log else ("speed", "acceleration")


def turned_again(new: xr.Dataset, old: xr.Dataset, car: Vehicle) -> xr.Dataset:
    """A changed log with the acceleration of the wheels (n, corner, 3) [m/s2] that its yaw makes.

    `old` is the thinned log before the change.
    """
    if all(new.variables[n].equals(old.variables[n]) for n in yaw_channels(old)):
        return new
    before, after = _yaw(old), _yaw(new)
    wheels = old[INFERRED].to_numpy().copy()
    for k, corner in enumerate(corner_names(old)):
        arm = arm_of(car, corner)
        wheels[:, k, :2] += turning(*after, arm) - turning(*before, arm)
    return new.assign({INFERRED: (old[INFERRED].dims, wheels, old[INFERRED].attrs)})


def _yaw(log: xr.Dataset) -> tuple[Floats, Floats]:
    """Yaw rate [rad/s] and its change [rad/s2], (n,) each; 0 where a channel has no value."""
    if "yaw_rate" in log:
        yaw, change = log["yaw_rate"].to_numpy(), log[f"{SLOPE}yaw_rate"].to_numpy()
    else:
        speed = np.maximum(log["speed"].to_numpy(), SLOWEST)
        gains = np.where(speed > SLOWEST, log[f"{SLOPE}speed"].to_numpy(), 0.0)
        aside, jerk = (log[f"{s}acceleration"].to_numpy()[:, 1] for s in ("", SLOPE))
        yaw = aside / speed
        change = (jerk - yaw * gains) / speed
    return np.nan_to_num(yaw), np.nan_to_num(change)
