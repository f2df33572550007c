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

    `loads` (..., member, 6) per unknown and `hub_loads` (..., member, 3) per newton at the wheel
    centre; `H` (..., gauge, 6) and `hub` (..., gauge, 3) the same as indications; `W`
    (..., 6, gauge), `C` (..., 6, 6) the covariance of the unknowns.
    """

    loads: Floats
    hub_loads: Floats
    H: Floats
    W: Floats
    C: Floats
    hub: Floats

    @property
    def prior(self) -> Floats:
        """I - W H: shift of the answer per shift of the priors, (..., 6, 6)."""
        return np.eye(6) - self.W @ self.H


def loads_of(at: Pose, columns: Floats, mode: str) -> tuple[Floats, Floats]:
    """Loads per unknown (..., member, 6) and per newton at the wheel centre (..., member, 3)."""
    members = member_matrix(at)
    B = road_columns(at, hub_passes_spin=mode == "locked")
    return members @ B @ columns, members[..., :3]


def estimator(
    K: Floats, at: Pose, columns: Floats, mode: str, weights: tuple[Floats, Floats]
) -> AtPose:
    """Equation (1) at the poses; `weights` are V (gauge, gauge) and the priors' u (6,)."""
    V, u = weights
    loads, hub_loads = loads_of(at, columns, mode)
    H = K @ loads
    root = np.linalg.cholesky(np.linalg.inv(V)).T
    whitened = root @ H * u  # unknowns in units of their priors keep the normal matrix tame
    normal = np.swapaxes(whitened, -1, -2) @ whitened + np.eye(6)
    C = np.linalg.inv(normal)
    W = u[:, None] * (C @ np.swapaxes(whitened, -1, -2) @ root)
    return AtPose(loads, hub_loads, H, W, C * np.outer(u, u), K @ hub_loads)


def gauge_covariance(
    calibration: CornerCalibration, loads: Floats, u_gauge: Floats, reference: Reference
) -> Floats:
    """V (gauge, gauge): noise and zeros, and what K's uncertainty does at typical loads.

    `loads` (member, 6) are those per unknown at design height.
    """
    gauges, members = calibration.K.shape
    tensor = calibration.covariance.reshape(gauges, members, gauges, members)
    size = reference.vertical
    typical = size * np.array(
        [[0.5, 0, 1, 0, 0, 0], [-0.8, 0, 1, 0, 0, 0], [0, 1, 1, 0, 0, 0], [0, -1, 1, 0, 0, 0]]
    )
    V = np.diag(u_gauge**2)
    for load in typical @ loads.T:
        V += np.einsum("m,gmhn,n->gh", load, tensor, load) / len(typical)
    return V
