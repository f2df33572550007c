"""The linear estimator of one unit at given poses: gauges and priors to forces.

Per pose, with V the covariance of the indications and U that of the priors:

    W = (H' V^-1 H + U^-1)^-1 H' V^-1,      H = K G(q) B(q)                       (1)

Unknowns of each wheel are Fx, Fy, Fz, Mx, T, Mz in vehicle axes at the contact centre; T is the
moment that the hub gives the upright about the spin axis.  Mx and Mz are what is left beside
their means, which follow Fy (columns of H).  Forces are about as large as a wheel's usual load:
that says nothing beside gauges that see them, and bounds what the others take from one that none
sees.  A wrong prior shifts the answer by (I - W H), which is how priors enter the intervals.  The
two wheels of a tied axle are solved together.

Source: generalised least squares with prior information, e.g. JCGM 102:2011, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.motion import Pose
from recon.mechanics.statics import member_matrix, road_columns

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.planning.unknowns import Reference

# Of what a bar, a beam or bound links take from the springs: twist by steer and by wheels that
# hang unevenly, rates that are not as stated, springs that do not pull by one law; no source.
SPLIT = 0.3
# The same of wheels that hang: droop of both known to 3 mm twists a bar to some 250 N; no source.
TARE_SPLIT = 0.15
# A wheel's force beforehand, of its usual load: shifts an answer known to 50 N by one in some 5000
# and keeps what no gauge sees from being any number; no source.
SIZE = 1.0
FORCE_ROWS = (0, 1, 2)  # of the six unknowns of a wheel
KNOWN_ROWS = (0, 1, 2, 4)  # Fx, Fy, Fz, T


def rows_of_wheels(rows: tuple[int, ...], unknowns: int) -> list[int]:
    """Places of the same unknowns of every wheel among all `unknowns`, wheel after wheel."""
    return [6 * k + r for k in range(unknowns // 6) for r in rows]


@dataclass(frozen=True, slots=True)
class AtPose:
    """Everything of one mode at a batch of poses; w wheels.

    `loads` (..., member, 6 w) per unknown and `hub_loads` (..., member, 3 w) per newton at the
    wheel centres; `H` (..., gauge, 6 w) and `hub` (..., gauge, 3 w) the same as indications; `W`
    (..., 6 w, gauge), `C` (..., 6 w, 6 w) the covariance of the unknowns.
    """

    loads: Floats
    hub_loads: Floats
    H: Floats
    W: Floats
    C: Floats
    hub: Floats

    @property
    def prior(self) -> Floats:
        """I - W H: shift of the answer per shift of the priors, (..., 6 w, 6 w)."""
        return np.eye(self.W.shape[-2]) - self.W @ self.H

    @property
    def force_rows(self) -> list[int]:
        """Places of the forces among the unknowns, (3 w,)."""
        return rows_of_wheels(FORCE_ROWS, self.W.shape[-2])

    @property
    def known_rows(self) -> list[int]:
        """Places of Fx, Fy, Fz, T of every wheel among the unknowns, (4 w,)."""
        return rows_of_wheels(KNOWN_ROWS, self.W.shape[-2])

    @property
    def forces(self) -> Floats:
        """Forces per indication, (..., 3 w, gauge)."""
        return self.W[..., self.force_rows, :]


def loads_of(
    at: Pose, columns: Floats, mode: tuple[str, ...], members: Floats | None = None
) -> tuple[Floats, Floats]:
    """Loads per unknown (..., member, 6 w) and per newton at the wheel centres (..., member, 3 w).

    `mode` names what each hub passes; `members` is `member_matrix(at)` where it is at hand.
    """
    members = member_matrix(at) if members is None else members
    B = road_columns(at, hub_passes_spin=[m == "locked" for m in mode])
    centres = rows_of_wheels(FORCE_ROWS, members.shape[-1])
    return members @ B @ columns, members[..., centres]


def estimator(K: Floats, loads: tuple[Floats, Floats], weights: tuple[Floats, Floats]) -> AtPose:
    """Equation (1) for `loads_of`; `weights` are V (gauge, gauge) and the priors' u (6 w,)."""
    V, u = weights
    per_unknown, at_hub = loads
    H = K @ per_unknown
    root = np.linalg.cholesky(np.linalg.inv(V)).T
    whitened = root @ H * u  # unknowns in units of their priors keep the normal matrix tame
    normal = np.swapaxes(whitened, -1, -2) @ whitened + np.eye(len(u))
    C = np.linalg.inv(normal)
    W = u[:, None] * (C @ np.swapaxes(whitened, -1, -2) @ root)
    return AtPose(per_unknown, at_hub, H, W, C * np.outer(u, u), K @ at_hub)


def gauge_covariance(
    calibration: CornerCalibration,
    loads: Floats,
    shared: tuple[Floats, Floats],
    u_gauge: Floats,
    references: list[Reference],
) -> Floats:
    """V (gauge, gauge): noise and zeros, K's uncertainty at typical loads, and splits of load.

    `loads` (member, 6 w) are those per unknown at design height, `shared` the part of them whose
    split is unsure, see `spring_share`, and loads (member, k) of a bar that is twisted at the tare.
    """
    size = np.repeat([r.vertical for r in references], 6)
    one = [[0.5, 0, 1, 0, 0, 0], [-0.8, 0, 1, 0, 0, 0], [0, 1, 1, 0, 0, 0], [0, -1, 1, 0, 0, 0]]
    typical = np.tile(np.array(one), len(references)) * size
    V = np.diag(u_gauge**2)
    V += calibration.covariance_at(typical @ loads.T).mean(axis=0)
    driving, twist = shared
    for k in range(len(references)):
        own = slice(6 * k, 6 * k + 6)
        split = SPLIT * calibration.K @ driving[:, own] @ typical[:, own].T
        V += split @ split.T / len(typical)
    return np.asarray(V + calibration.covariance_at(twist.T).sum(axis=0))


def unsure_indications(calibration: CornerCalibration, load: Floats) -> Floats:
    """Indications (gauge, k) of `load` (member,) that K's covariance leaves open, as columns."""
    values, vectors = np.linalg.eigh(calibration.covariance_at(load))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def tare_split(hanging: Floats, references: list[Reference]) -> Floats:
    """Loads (member, w) that bar or beam and springs may have against each other at the tare.

    `hanging` (member, 6 w) are loads whose split is unsure where the wheels hang, per newton; a
    share of what they are under the usual load.
    """
    vertical = TARE_SPLIT * np.array([r.vertical for r in references])
    return hanging[:, rows_of_wheels((2,), hanging.shape[-1])] * vertical
