"""Signs that a drive is not that of a car on a road, in sentences with the numbers.

Cheap looks at the whole drive that catch a channel that is stuck, an accelerometer whose gravity
somebody took off, and a car that weighs something else.  Limits are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY

if TYPE_CHECKING:
    import xarray as xr

    from recon.car.vehicle import Vehicle

GRAVITY_OFF = 3.0  # m/s2 between the mean of a hub's vertical channel and gravity
STUCK = 1e-5  # m; a travel that varies less over a drive does not move
ENOUGH_SAMPLES = 1_000_000  # of a long drive, for a mean
WEIGHT_OFF = 0.15  # of the car's weight; fuel and downforce of ordinary cars stay below


def implausible(forces: xr.Dataset, log: xr.Dataset, car: Vehicle) -> tuple[str, ...]:
    """Sentences about a drive that does not add up, empty where all is well.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    log : Dataset
        The log that it was made from.
    car : Vehicle
    """
    corners = [str(c) for c in forces["corner"].to_numpy()]
    return (*_stuck(log, corners), *_without_gravity(log, corners), *_weight(forces, car))


def _stuck(log: xr.Dataset, corners: list[str]) -> list[str]:
    out = []
    for name in corners if "travel" in log else []:
        travel = log["travel"].sel(corner=name).to_numpy()
        high, low = np.fmax.reduce(travel), np.fmin.reduce(travel)
        if high - low < STUCK:
            out.append(
                f"travel_{name} stands at {1e3 * low:.2f} mm throughout. A stuck sensor, or "
                "a column of zeros? Leave it out of the log and the widening for it is stated."
            )
    return out


def _without_gravity(log: xr.Dataset, corners: list[str]) -> list[str]:
    out = []
    for name in corners if "hub_acceleration" in log else []:
        vertical = _some(log["hub_acceleration"].sel(corner=name, component="z").to_numpy())
        good = vertical[np.isfinite(vertical)]
        if len(good) and abs(np.mean(good) - STANDARD_GRAVITY) > GRAVITY_OFF:
            out.append(
                f"hub_acceleration_{name}_z has a mean of {np.mean(good):.2f} m/s2, gravity "
                f"included it is near {STANDARD_GRAVITY:.1f}. Gravity taken off by the logger, "
                "another unit, or an axis turned round?"
            )
    return out


def _some(values: Floats) -> Floats:
    """Samples (sample, ...) spread evenly over a long drive, enough for its mean."""
    return values[:: max(len(values) // ENOUGH_SAMPLES, 1)]


def _weight(forces: xr.Dataset, car: Vehicle) -> list[str]:
    vertical = forces["tyre_force_intermediate"].sel(component="z").to_numpy()
    vertical = _some(vertical).astype(float)
    whole = np.isfinite(vertical).all(axis=1)
    if vertical.shape[1] < 4 or not np.any(whole):
        return []
    mean, weight = float(np.mean(vertical[whole].sum(axis=1))), car.mass * STANDARD_GRAVITY
    if abs(mean - weight) <= max(WEIGHT_OFF * weight, 3 * car.u_mass * STANDARD_GRAVITY):
        return []
    return [
        f"the four vertical forces add up to {mean:.0f} N in the mean, the car weighs "
        f"{weight:.0f} N. A zero that is off, a tare in another state than written, another "
        "load cell's unit, or strong downforce?"
    ]
