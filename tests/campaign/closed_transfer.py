"""Truth of load transfer: what the virtual car was made with, instead of a fit to its forces.

A fit to true forces has the same samples, the same shaking of the road and the same assumed inertia
of the body as one to reconstructed forces, so that it cannot say whether the interval allows for
these.  Loads of a circuit or a launch follow from moments about the centre of mass, and those from
the accelerations.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from recon.analysis.load_transfer import AIR_DENSITY
from recon.base.quantities import CORNERS
from recon.car.vehicle import Vehicle
from recon.virtual.stance import stance_of, vertical
from recon.virtual.tyre_forces import AIR_DRAG, DOWNFORCE

AXLES = np.array([[1.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 1.0]])  # of corners FL, FR, RL, RR
HALVES = np.array([[-0.5, 0.5, 0.0, 0.0], [0.0, 0.0, -0.5, 0.5]])  # right less left, by axle
FITTED = ("load_per_lateral_acceleration", "load_per_longitudinal_acceleration",
          "transfer_per_lateral_acceleration", "front_share", "downforce_per_speed_squared",
          "downforce_area", "cross_weight", "transfer")  # fmt: skip


def transfer_in_closed_form(ideal: xr.Dataset, truth: Vehicle, drive: str) -> xr.Dataset:
    """An answer on load transfer from true forces with the figures of the virtual car.

    `truth` is the drawn car.  Bodies in a slalom have no moments of inertia, which an answer takes
    off, so nothing fitted is judged there.
    """
    if drive == "slalom":
        unknown = {name: ideal[name] * np.nan for name in FITTED if name in ideal}
        return ideal.assign(unknown)
    values = _values(truth, ideal["bin_acceleration"].to_numpy())
    there = [CORNERS.index(name) for name in map(str, ideal["corner"].to_numpy())]
    values |= {name: values[name][there] for name in FITTED if "corner" in ideal[name].dims}
    return ideal.assign(
        {name: ideal[name].copy(data=np.where(np.isnan(ideal[name]), np.nan, values[name]))
         for name in FITTED}
    )  # fmt: skip


def _values(truth: Vehicle, middles: np.ndarray) -> dict[str, np.ndarray]:
    stance = stance_of(truth, "a drive")
    none, one = np.zeros(1), np.ones(1)
    lever = stance.height * stance.mass * one
    static = vertical(stance, none, none)[0]
    sideways = vertical(stance, none, lever)[0] - static
    along = vertical(stance, lever, none)[0] - static
    pushed_down = DOWNFORCE * np.array([stance.to_rear, stance.to_front])[[0, 0, 1, 1]]
    air = vertical(stance, stance.height * AIR_DRAG * one, none)[0] - static
    air += pushed_down / (2 * stance.base)
    transfer = HALVES @ sideways
    moment = transfer * stance.track
    return {
        "load_per_lateral_acceleration": sideways,
        "load_per_longitudinal_acceleration": along,
        "transfer_per_lateral_acceleration": transfer,
        "front_share": moment[0] / moment.sum(),
        "downforce_per_speed_squared": AXLES @ air,
        "downforce_area": air.sum() / (0.5 * AIR_DENSITY),
        "cross_weight": static[[0, 3]].sum() / static.sum(),
        "transfer": middles[:, None] * transfer,
    }
