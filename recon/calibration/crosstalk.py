"""H(q) = K G(q): indication per unit wrench at the contact, at any travel and rack."""

from __future__ import annotations

import numpy as np

from recon.base.errors import DataError, nearest
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import WRENCH_COMPONENTS
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import member_matrix, road_columns


@public
def crosstalk(
    calibration: Calibration,
    car: Vehicle,
    corner: str,
    *,
    travel: float = 0.0,
    rack: float = 0.0,
    wheel_held: bool = True,
) -> xr.Dataset:
    """Map from the wrench at the contact to indications.

    Forces of the road on the tyre, vehicle axes, moments about the contact centre.

    Parameters
    ----------
    calibration : Calibration
    car : Vehicle
    corner : str
    travel, rack : float
        Pose, bump and left positive; of a tied axle both wheels' travel. [m]
    wheel_held : bool
        The wheel is held by an outboard brake: the whole moment reaches the upright.
        Otherwise its part about the spin axis stays in the wheel.

    Returns
    -------
    Dataset
        `crosstalk`, `u_crosstalk` (gauge, wrench_component) in each gauge's unit per N or N m,
        the devices' gains included; never its inverse.

    Raises
    ------
    DataError
        The corner was not calibrated; the message lists those that were.
    """
    assembly = assembly_of(car, corner) if corner in car.corners else None
    if assembly is None or assembly.name not in calibration.corners:
        there = [c for c in car.corners if assembly_of(car, c).name in calibration.corners]
        raise DataError(
            where=f"calibration of {calibration.vehicle}",
            found=f"no corner '{corner}'",
            needed=nearest(corner, there),
            do="Name a corner that was calibrated.",
        )
    fitted = calibration.corners[assembly.name]
    at = posed(assembly, travel, rack)
    own = slice(6 * assembly.wheel(corner), 6 * assembly.wheel(corner) + 6)
    members = member_matrix(at)
    loads = (members @ road_columns(at, hub_passes_spin=wheel_held))[:, own]
    # T is no component of the contact's wrench; My is what it stands for where the wheel is held.
    loads[:, 4] = members[:, own][:, 4] if wheel_held else 0.0
    by_gain = fitted.gain_effect.reshape(-1, *fitted.K.shape) @ loads  # (device, gauge, component)
    variance = np.einsum("wgg->gw", fitted.covariance_at(loads.T)) + np.sum(by_gain**2, axis=0)
    dims = ("gauge", "wrench_component")
    words = {"units": "gauge unit per N or N m"}
    return xr.Dataset(
        {
            "crosstalk": (dims, fitted.K @ loads, words | {"long_name": "indication per wrench"}),
            "u_crosstalk": (dims, np.sqrt(variance), words | {"long_name": "its uncertainty"}),
        },
        coords={
            "gauge": np.asarray(fitted.gauges, dtype=str),
            "wrench_component": np.asarray(WRENCH_COMPONENTS, dtype=str),
        },
    )
