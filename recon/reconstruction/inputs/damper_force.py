"""Usual force of the dampers of a tied axle, by the speed of its wheels.

Dampers carry load beside the springs, and no rate tells how much: gauges on springs, bars and drop
links then disagree with what the rates say.  How large it is follows from the travels of the drive.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.conditioning.filters import low_pass
from recon.mechanics.assembly import Assembly
from recon.planning.unknowns import reference_of
from recon.reconstruction.inputs.logged_channels import logged

# Damping of a usual car over the mass that a wheel carries, four pi times ride frequency (2 Hz)
# times damping ratio (0.4): soft cars have half of it, stiff ones twice.
DAMPING = 10.0  # 1/s
BODY_BAND = 8.0  # Hz, in which a body moves on its springs
USUAL_SPEED = 0.05  # m/s of a wheel against the body where no travel is logged; no source
COVERED, K95 = 0.95, 1.96  # share of the samples within 1.96 times the usual force


def usual_damper_force(log: xr.Dataset, car: Vehicle, assembly: Assembly) -> float:
    """Force of a damper at its wheel [N] of which 95 % of a drive stay within 1.96 times.

    Zero where no supports share a load.
    """
    travel = (  # that of a long log is copied where it is asked for
        log["travel"].sel(corner=corner.name).to_numpy()
        if logged(log, "travel", corner.name)
        else np.full(log.sizes["elapsed_time"], np.nan)
        for corner in assembly.corners
    )
    rate = float(log.attrs.get("rate", np.nan))  # without one, no travel has a speed
    return damper_force_by(travel, rate, car, assembly)


def damper_force_by(
    travel: Iterable[Floats], rate: float, car: Vehicle, assembly: Assembly
) -> float:
    """The same by the travels (wheel, sample) [m] at a `rate` [Hz], NaN where nobody knows them."""
    if not assembly.mechanism.shares_loads:
        return 0.0
    return max(
        DAMPING * reference_of(car, corner).vertical / STANDARD_GRAVITY * _speed(own, rate)
        for corner, own in zip(assembly.corners, travel, strict=True)
    )


def _speed(own: Floats, rate: float) -> float:
    """Usual speed of a wheel's travel [m/s], by the quantile that covers 95 % of its samples."""
    if not rate > 2 * BODY_BAND or not np.isfinite(own).any():
        return USUAL_SPEED
    slow = low_pass(np.nan_to_num(own)[:, None], BODY_BAND, rate)[:, 0]
    return float(np.quantile(np.abs(np.gradient(slow) * rate), COVERED) / K95)
