"""Travels that are far from design height all the time: counted from somewhere else."""

from __future__ import annotations

import warnings

import numpy as np

from recon.base.errors import DataWarning, warn
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.records.corrections import correction_line

# Cars are this near to the height at which their points were measured, whatever the day's fuel,
# springs and air; and counted from droop as near to their droop travel.  No source.
FAR, NEAR = 0.025, 0.012  # m
ANOTHER_UNIT = 0.15  # m; travels beyond it are in another unit, which other comparisons name
MOVES = 0.002  # m (rms), of a wheel of a car that drives; one that is posed may stand anywhere
STUCK = 1e-4  # m (rms); a travel that moves less is named elsewhere
UPRIGHT, FEWEST = 1.5, 200  # m/s2 along and sideways, below which a car hardly leans; samples


def warn_of_travel_zero(log: xr.Dataset, car: Vehicle) -> None:
    """Note travels whose median lies far from design height, where the car does not lean.

    `log` (elapsed_time, gauge) as `condition` returns it.

    Warns DataWarning: channels with their medians, and whether droop as zero explains them.
    """
    if "travel" not in log.variables or "u_travel" in log.variables:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a travel without a number
        travel = log.variables["travel"].to_numpy()
        if "acceleration" in log.variables:  # a part of a drive may be one bend
            sideways = np.abs(log.variables["acceleration"].to_numpy()[:, :2]).max(axis=1)
            travel = travel[sideways < UPRIGHT]
        if len(travel) < FEWEST:
            return
        usual, spread = np.nanmedian(travel, axis=0), np.nanstd(travel, axis=0)
        moves = (spread > STUCK) & (np.nanmax(spread) > MOVES)  # some wheels more than others
    medians = dict(zip(corner_names(log), np.where(moves, usual, 0.0).tolist(), strict=True))
    far = {c: t for c, t in medians.items() if c in car.corners and FAR < abs(t) < ANOTHER_UNIT}
    if not far:
        return
    droop = {c: car.corners[c].droop_travel for c in far}
    hung = all(abs(t + droop[c]) < NEAR for c, t in far.items())
    alike: dict[str, list[str]] = {}
    for c, depth in droop.items():
        alike.setdefault(f"{1e3 * depth:.0f} mm", []).append(f"travel_{c}")
    lines = " and ".join(correction_line(names, add=add) for add, names in alike.items())
    why = (
        f"as they would if they were counted from full droop ({' and '.join(alike)}). If so, add "
        f"to the column map, below [corrections]: {lines}"
        if hung
        else "where it is 0 at design height, at which the points were measured. Zero the sensors "
        "there, or correct them in the column map by add"
    )
    warn(
        f"{log.attrs.get('path', 'log')}: "
        + ", ".join(f"travel_{c} is usually {1e3 * t:+.0f} mm" for c, t in far.items())
        + f", {why}. The forces depend on it, and their intervals hold only what u_travel_mm says.",
        DataWarning,
    )
