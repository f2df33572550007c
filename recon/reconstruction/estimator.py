"""The linear estimator of one corner at given poses: gauges and priors to forces.

Per pose, with V the covariance of the indications and U that of the priors:

    W = (H' V^-1 H + U^-1)^-1 H' V^-1,      H = K G(q) B(q)                       (1)

Unknowns are Fx, Fy, Fz, Mx, T, Mz in vehicle axes at the contact centre; T is the moment that
the hub gives the upright about the spin axis.  Mx and Mz are what is left beside their means,
which follow Fz and Fy (columns of H).  A wrong prior shifts the answer by (I - W H), which is
how priors enter the intervals.

Source: generalised least squares with prior information, e.g. JCGM 102:2011, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.quantities import STANDARD_GRAVITY
from recon.car.motion import Pose
from recon.car.statics import member_matrix, road_columns

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.vehicle import Corner, Tyre, Vehicle

Floats = NDArray[np.float64]

# What the hub passes about the spin axis: nothing but drag; the caliper's torque; what the
# road asks for (wheel at rest or locked).
MODES = ("rolling", "braked", "locked")
BEARING_DRAG = 5.0  # N m, common practice, no source
LOCKED_FLOOR = 10.0  # N m, wheel about to turn, common practice, no source
OPEN_FORCE = 1e5  # N, no prior on forces: shifts an answer known to 10 N by one in 1e8
T_COLUMN = 4


@dataclass(frozen=True, slots=True)
class Reference:
    """Typical size of a corner's load [N] and torque [N m], where the priors' widths are stated."""

    vertical: float
    torque: float


def reference_of(car: Vehicle, corner: Corner) -> Reference:
    """Static vertical force of the corner from mass and centre of mass, or a quarter of it all."""
    x = {name: c.wheel.centre[0] for name, c in car.corners.items()}
    front = [v for n, v in x.items() if n.startswith("F")]
    rear = [v for n, v in x.items() if n.startswith("R")]
    share = 0.5
    if front and rear:
        share = float((car.centre_of_mass[0] - np.mean(rear)) / (np.mean(front) - np.mean(rear)))
        share = share if corner.name.startswith("F") else 1 - share
    vertical = float(0.5 * share * car.mass * STANDARD_GRAVITY)
    return Reference(vertical, vertical * corner.wheel.loaded_radius)


def tyre_columns(tyre: Tyre, vertical: float) -> Floats:
    """(6, 6): means of Mz and Mx that follow Fy at the reference vertical force."""
    out = np.eye(6)
    out[5, 1] = -tyre.trail
    out[3, 1] = tyre.shift_per_force * vertical
    return out


def prior_u(corner: Corner, tyre: Tyre, reference: Reference, mode: str) -> Floats:
    """Standard uncertainty of the priors of Fx, Fy, Fz, Mx, T, Mz in that mode, (6,)."""
    factor = corner.brake.torque_per_pressure
    relative = corner.brake.u_torque_per_pressure / factor if factor > 0 else np.nan
    torque = {
        "rolling": BEARING_DRAG,
        "locked": LOCKED_FLOOR,
        "braked": reference.torque * (relative if np.isfinite(relative) else 1.0),
    }[mode]
    return np.array(
        [
            OPEN_FORCE,
            OPEN_FORCE,
            OPEN_FORCE,
            np.hypot(tyre.u_shift * reference.vertical, tyre.floor_moment),
            torque,
            np.hypot(tyre.u_trail * reference.vertical, tyre.floor_moment),
        ]
    )


@dataclass(frozen=True, slots=True)
class AtPose:
    """Everything of one mode at a batch of poses.

    `H` (..., gauge, 6), `W` (..., 6, gauge),
    `C` (..., 6, 6) the covariance of the unknowns, `hub` (..., gauge, 3) indications per newton
    at the wheel centre.
    """

    H: Floats
    W: Floats
    C: Floats
    hub: Floats

    @property
    def prior(self) -> Floats:
        """I - W H: shift of the answer per shift of the priors, (..., 6, 6)."""
        return np.eye(6) - self.W @ self.H


def forward(K: Floats, at: Pose, columns: Floats, mode: str) -> tuple[Floats, Floats]:
    """H (..., gauge, 6) and hub part (..., gauge, 3) at the poses."""
    members = member_matrix(at)
    B = road_columns(at, hub_passes_spin=mode == "locked")
    return K @ members @ B @ columns, K @ members[..., :3]


def estimator(
    K: Floats, at: Pose, columns: Floats, mode: str, weights: tuple[Floats, Floats]
) -> AtPose:
    """Equation (1) at the poses; `weights` are V (gauge, gauge) and the priors' u (6,)."""
    V, u = weights
    H, hub = forward(K, at, columns, mode)
    root = np.linalg.cholesky(np.linalg.inv(V)).T
    whitened = root @ H * u  # unknowns in units of their priors keep the normal matrix tame
    normal = np.swapaxes(whitened, -1, -2) @ whitened + np.eye(6)
    C = np.linalg.inv(normal)
    W = u[:, None] * (C @ np.swapaxes(whitened, -1, -2) @ root)
    return AtPose(H, W, C * np.outer(u, u), hub)


def gauge_covariance(
    calibration: CornerCalibration, H: Floats, u_gauge: Floats, reference: Reference
) -> Floats:
    """V (gauge, gauge): noise and zeros, and what K's uncertainty does at typical loads."""
    gauges, members = calibration.K.shape
    tensor = calibration.covariance.reshape(gauges, members, gauges, members)
    size = reference.vertical
    typical = size * np.array(
        [[0.5, 0, 1, 0, 0, 0], [-0.8, 0, 1, 0, 0, 0], [0, 1, 1, 0, 0, 0], [0, -1, 1, 0, 0, 0]]
    )
    loads = np.linalg.lstsq(calibration.K, H @ typical.T, rcond=None)[0]
    V = np.diag(u_gauge**2)
    for load in loads.T:
        V += np.einsum("m,gmhn,n->gh", load, tensor, load) / len(typical)
    return V
