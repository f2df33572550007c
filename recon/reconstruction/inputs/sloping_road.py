"""Roads that slope or bank: roll and pitch against the level are not those against the road.

Forces between tyre and road are wanted along the road. Travels and the lean on the tyres show how
the body stands on it, an attitude sensor how it stands against the level; what differs slowly is
the slope. On a slope of 6 % forces along level axes show 6 % of Fz as Fx.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.car.vehicle import Vehicle
from recon.conditioning.filters import low_pass
from recon.reconstruction.inputs.attitude import has_four_wheels, of_travels, on_tyres
from recon.reconstruction.inputs.logged_channels import logged, specific_force

# Common practice, no source: sensors, springs that settle and a floor that is not level stay below.
SLOPE = 0.025  # rad, 1.4 degrees
SLOW = 0.2  # Hz, below which a road slopes and above which bodies move on their springs
ALIKE = (0.6, 1.6)  # change of a sound channel per change of the body's lean on the road
MOVED = 0.002  # rad (rms): a body that leans less shows no sign and no unit of its channel


def along_the_road(log: xr.Dataset, car: Vehicle) -> xr.Dataset:
    """A conditioned log without `roll` and `pitch` where these show that the road slopes.

    They are then taken from the four travels, which is the attitude against the road.  The log is
    returned itself where it lacks a channel, or where the channels do not follow the body.

    Warns DataWarning: largest slope along and across, and the time of it.
    """
    force = specific_force(log) if {"roll", "pitch"} <= set(log) else None
    if force is None or "u_travel" in log or not has_four_wheels(car):
        return log
    if not all(logged(log, "travel", corner) for corner in CORNERS):
        return log
    travel = {name: log["travel"].sel(corner=name).to_numpy() for name in CORNERS}
    stands = of_travels(car, travel) + on_tyres(car, force)
    rate, elapsed = float(log.attrs["rate"]), log["elapsed_time"].to_numpy()
    found = []
    for name, lean in (("roll", stands.roll), ("pitch", stands.pitch)):
        slope = slope_of(log[name].to_numpy(), lean, rate)
        steep = np.abs(slope) > SLOPE
        if steep.any():
            found.append(_words(name, slope, steep, elapsed))
    if not found:
        return log
    warn(
        f"{log.attrs.get('path', 'log')}: the road {' and '.join(found)}, by roll and pitch "
        "against the travels of the wheels. Roll and pitch are left out and taken from the travels "
        "instead, so that forces are along the road. If it is level there, correct the zero of the "
        "channel.",
        DataWarning,
    )
    return log.drop_vars(["roll", "pitch"])


def slope_of(level: Floats, lean: Floats, rate: float) -> Floats:
    """Slope (sample,) [rad] of the road, by the body's angle to the level and to the road [rad].

    Zero where the two do not move alike, as with another sign or unit: no road does that.
    """
    slow = low_pass(np.column_stack([level, lean]), SLOW, rate)
    quick = np.nan_to_num(np.column_stack([level, lean]) - slow)
    square = float(np.mean(quick[:, 1] ** 2))
    if not square > MOVED**2:
        return np.zeros(len(level))
    low, high = ALIKE
    if not low < float(np.mean(quick[:, 0] * quick[:, 1])) / square < high:
        return np.zeros(len(level))
    slope = slow[:, 0] - slow[:, 1]
    return np.nan_to_num(slope - np.nanmedian(slope))


def _words(name: str, slope: Floats, steep: NDArray[np.bool_], elapsed: Floats) -> str:
    """Slope or bank of the road in words, with its largest angle and when."""
    most, first, last = np.degrees(np.abs(slope).max()), *elapsed[steep][[0, -1]]
    verb = {"roll": "banks", "pitch": "slopes"}[name]
    return f"{verb} by up to {most:.1f} degrees ({first:.0f} to {last:.0f} s)"
