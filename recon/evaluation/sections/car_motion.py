"""Motion of the car over a drive as far as forces and channels tell it, for finding sections."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from recon.base.arrays import Floats
from recon.base.kept_results import shared
from recon.base.labelled import require_attributes
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.filters import low_pass
from recon.records.forces import MAKE_AGAIN

SMOOTH = 5.0  # Hz; slower than wheel hop
QUICK = 15.0  # Hz; quick enough for the shortest gear shift
LIGHTEST = 200.0  # N, of a car, so that a load that is wrong divides nothing


@dataclass(frozen=True)
class Course:
    """Accelerations (sample,) [m/s2] forward and to the left, and what else is known.

    `along` and `sideways` are at the bandwidth `SMOOTH`; `quick` is the one forward at `QUICK`.
    `u_along` and `u_sideways` are standard uncertainties.  `speed` [m/s] is NaN throughout where
    the log has neither speed nor wheel speeds.  `source` says where the accelerations come from.
    """

    time: Floats
    rate: float
    along: Floats
    sideways: Floats
    quick: Floats
    u_along: Floats
    u_sideways: Floats
    speed: Floats
    source: str

    @cached_property
    def has_speed(self) -> bool:
        """Whether the log has any speed."""
        return bool(np.isfinite(self.speed).any())


@shared
def course_of(forces: xr.Dataset) -> Course:
    """Motion of the car from all its forces, or from those of the corners that are known.

    The sum of horizontal forces over the mass where all four corners are known.  Otherwise the
    horizontal over the vertical force of the known tyres, times gravity: tyres of one car work
    alike enough to find sections by, not to measure an acceleration.
    """
    require_attributes(forces, ("rate_Hz",), MAKE_AGAIN)
    rate = float(forces.attrs["rate_Hz"])
    force = forces["tyre_force_intermediate"].to_numpy()
    u_force = forces["u_tyre_force_intermediate"].to_numpy()
    known = np.asarray(np.isfinite(force).mean(axis=0) > 0.5)
    whole = bool(known[:, :2].all()) and len(known) == 4
    if whole:
        weight = np.maximum(float(forces["vehicle_mass"]) * STANDARD_GRAVITY, LIGHTEST)
        source = "sum of the horizontal forces of all tyres over the mass of the car"
    else:
        load, source = _loads(forces, force, known)
        known[:, :2] &= np.isfinite(load).any(axis=0, keepdims=True).T
        used = known[:, :2].any(axis=1)  # a force is compared with the load of the same tyre
        total = np.nansum(np.where(used, load, 0.0), axis=1)
        weight = np.maximum(low_pass(total[:, None].astype(float), 1.0, rate)[:, 0], LIGHTEST)
    found = [_acceleration(force, u_force, known, k, weight) for k in (0, 1)]
    motion = np.column_stack([value for value, _ in found])
    along, sideways = low_pass(motion, min(SMOOTH, 0.2 * rate), rate).T
    quick = low_pass(motion[:, :1], min(QUICK, 0.2 * rate), rate)[:, 0]
    time = forces["elapsed_time"].to_numpy()
    u_along, u_sideways = (u for _, u in found)
    speed = speed_of(forces)
    return Course(time, rate, along, sideways, quick, u_along, u_sideways, speed, source)


def _loads(forces: xr.Dataset, force: Floats, known: Floats) -> tuple[Floats, str]:
    """Load of each tyre (sample, corner) [N], and words for what forces are compared with."""
    load = force[..., 2].astype(float)
    if known[:, 2].any():
        return load, "horizontal over vertical force of the known tyres"
    ahead = forces["contact_point"].to_numpy()[:, 0] - float(forces["centre_of_mass"][0])
    # Half of the weight of one axle; with one axle in the file the other is as far away.
    base = np.ptp(ahead) or 2.0 * np.abs(ahead).max()
    share = 0.5 * np.asarray(np.clip(1.0 - np.abs(ahead) / base, 0.1, 0.9))
    static = share * float(forces["vehicle_mass"]) * STANDARD_GRAVITY
    return np.broadcast_to(static, load.shape), "horizontal force over the weight on each tyre"


def _acceleration(
    force: Floats, u_force: Floats, known: Floats, axis: int, weight: Floats
) -> tuple[Floats, Floats]:
    """Acceleration along one axis and its standard uncertainty, (sample,) [m/s2]."""
    some = np.flatnonzero(known[:, axis])
    if not some.size:
        return np.full(len(force), np.nan), np.full(len(force), np.nan)
    scale = STANDARD_GRAVITY / weight
    total = force[:, some, axis].sum(axis=1)
    # Fixed errors of corners may be alike: the sum of all of them is cautious.
    return total * scale, u_force[:, some, axis].sum(axis=1) * scale


def speed_of(forces: xr.Dataset) -> Floats:
    """Speed (sample,) [m/s]: logged, or of the slowest wheel; NaN where neither is logged."""
    if "speed" in forces:
        return np.asarray(forces["speed"].to_numpy(), dtype=float)
    if "wheel_speed" in forces:
        radius = forces["loaded_radius"].to_numpy()
        with np.errstate(invalid="ignore"):
            wheels = np.abs(forces["wheel_speed"].to_numpy()) * radius
        undriven = np.flatnonzero(forces["driven"].to_numpy() == 0)
        rolling = wheels[:, undriven] if undriven.size else wheels
        # Locked wheels are slow and spinning wheels fast; of undriven ones the fastest rolls.
        pick = np.fmax if undriven.size else np.fmin
        return np.asarray(pick.reduce(rolling, axis=1), dtype=float)
    return np.full(forces.sizes["elapsed_time"], np.nan)
