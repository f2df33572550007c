"""Effect of a changed channel on the acceleration of the wheels where that was inferred.

Yaw moves a wheel centre against the body.  It is logged, or follows from speed and sideways
acceleration, so a mend of any of these moves the wheels too.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import corner_names, with_values
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.conditioning.hub_motion import SLOWEST, YAW_BY_SPEED, arm_of, turning
from recon.examination.thinning import SLOPE

INFERRED = "relative_acceleration"


def yaw_channels(log: xr.Dataset) -> tuple[str, ...]:
    """Channels of a thinned log that the inferred acceleration of the wheels follows by yaw."""
    if INFERRED not in log:
        return ()
    if "yaw_rate" in log:
        return ("yaw_rate",)
    return ("speed", "acceleration") if YAW_BY_SPEED in log else ()


def turned_again(new: xr.Dataset, old: xr.Dataset, car: Vehicle) -> xr.Dataset:
    """A changed log with the acceleration of the wheels (n, corner, 3) [m/s2] that its yaw makes.

    `old` is the thinned log before the change.
    """
    if all(new.variables[n].equals(old.variables[n]) for n in yaw_channels(old)):
        return new
    before = _yaw(old)
    after = _yaw(new) if "yaw_rate" in old else _followed(before, new, old)
    wheels = old[INFERRED].to_numpy().copy()
    for k, corner in enumerate(corner_names(old)):
        arm = arm_of(car, corner)
        wheels[:, k, :2] += turning(*after, arm) - turning(*before, arm)
    return with_values(new, {INFERRED: wheels})


def _yaw(log: xr.Dataset) -> tuple[Floats, Floats]:
    """Yaw rate [rad/s] and its change [rad/s2], (n,) each; 0 where a channel has no value."""
    name = "yaw_rate" if "yaw_rate" in log else YAW_BY_SPEED
    yaw, change = (np.nan_to_num(log[f"{of}{name}"].to_numpy()) for of in ("", SLOPE))
    return yaw, change


def _followed(
    before: tuple[Floats, Floats], new: xr.Dataset, old: xr.Dataset
) -> tuple[Floats, Floats]:
    """The yaw rate by speed and sideways acceleration of a changed log, from that `before`.

    It is their quotient as conditioning found it: that of the old speed to the new one is a factor,
    and more acceleration comes on top.
    """
    (yaw, change), (speed, gain), (was, gained) = before, _speed(new), _speed(old)
    aside, jerk = (
        new[f"{of}acceleration"].to_numpy()[:, 1] - old[f"{of}acceleration"].to_numpy()[:, 1]
        for of in ("", SLOPE)
    )
    ratio, more = was / speed, aside / speed
    drift, rise = (gained - ratio * gain) / speed, (jerk - more * gain) / speed
    return np.nan_to_num(yaw * ratio + more), np.nan_to_num(change * ratio + yaw * drift + rise)


def _speed(log: xr.Dataset) -> tuple[Floats, Floats]:
    """Speed [m/s] that a yaw rate is divided by, and its change [m/s2], (n,) each."""
    speed = np.maximum(log["speed"].to_numpy(), SLOWEST)
    return speed, np.where(speed > SLOWEST, log[f"{SLOPE}speed"].to_numpy(), 0.0)
