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

from recon.car.motion import Pose
from recon.car.statics import member_matrix, road_columns

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.unknowns import Reference

Floats = NDArray[np.float64]


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
