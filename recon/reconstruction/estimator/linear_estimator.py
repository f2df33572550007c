"""The linear estimator of one assembly at given poses: gauges and priors to forces.

Per pose, with V the covariance of the indications and U that of the priors:

    W = (H' V^-1 H + U^-1)^-1 H' V^-1,      H = K G(q) B(q)                       (1)

Unknowns of each wheel are Fx, Fy, Fz, Mx, T, Mz in vehicle axes at the contact centre; T is the
moment that the hub gives the upright about the spin axis.  Mx and Mz are the deviations from
their means, which follow Fy (columns of H).  The prior of a force is as wide as the wheel's usual
load: it adds nothing where gauges see the force, and keeps a force that none sees from spoiling
the others.  A wrong prior shifts the answer by (I - W H), which is how priors enter the intervals.
The two wheels of a tied axle are solved together.

Source: generalised least squares with prior information, e.g. JCGM 102:2011, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.live_axle import hub_columns, inside_of, shaft_columns
from recon.mechanics.motion import Pose
from recon.mechanics.statics import member_matrix, road_columns

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

    def part(self, at: int | slice) -> AtPose:
        """The same at some of the poses."""
        return AtPose(*(getattr(self, name)[at] for name in self.__dataclass_fields__))

    @property
    def prior(self) -> Floats:
        """I - W H: shift of the answer per shift of the priors, (..., 6 w, 6 w) [1; N; N m]."""
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
        """Forces per indication, (..., 3 w, gauge) [N/unit]."""
        return self.W[..., self.force_rows, :]


class Loads(NamedTuple):
    """Loads per unknown (..., member, 6 w) and per newton at wheel centres (..., member, 3 w)."""

    per_unknown: Floats
    at_hub: Floats


class Weights(NamedTuple):
    """Covariance V (gauge, gauge) of the indications, standard uncertainty u (6 w,) of priors."""

    V: Floats
    u: Floats


def loads_of(
    at: Pose,
    columns: Floats,
    mode: tuple[str, ...],
    members: Floats | None = None,
    inside: Floats | None = None,
) -> Loads:
    """Loads per unknown and per newton of unsprung masses, at every pose.

    `columns` (6 w, 6 w) are means of Mx and Mz that follow Fy, wheel after wheel, see
    `tyre_columns`; `mode` is one of `MODES` per wheel; `members` (..., member, 6 w) is
    `member_matrix(at)` where it is at hand, `inside` the same between the sections of an axle,
    which is `members` if they are given alone: no section is among them.
    """
    if members is None:
        members = member_matrix(at)
        inside = inside_of(at, members)
    inside = members if inside is None else inside
    B = road_columns(at, hub_passes_spin=[m == "locked" for m in mode])
    shaft = shaft_columns(at, [m == "rolling" for m in mode])
    B[..., np.any(shaft, axis=tuple(range(shaft.ndim - 1)))] = 0.0
    per_unknown = members @ B @ columns + inside @ shaft
    return Loads(per_unknown, hub_columns(at.mechanism, members, inside))


def estimator(K: Floats, loads: Loads, weights: Weights) -> AtPose:
    """Equation (1) at every pose of `loads`.

    K (gauge, member) [unit/N], or per newton metre for moments.
    """
    V, u = weights
    per_unknown, at_hub = loads
    H = K @ per_unknown
    root = np.linalg.cholesky(np.linalg.inv(V)).T
    whitened = root @ H * u  # unknowns in units of their priors keep the normal matrix tame
    normal = np.swapaxes(whitened, -1, -2) @ whitened + np.eye(len(u))
    C = np.linalg.inv(normal)
    W = u[:, None] * (C @ np.swapaxes(whitened, -1, -2) @ root)
    return AtPose(per_unknown, at_hub, H, W, C * np.outer(u, u), K @ at_hub)
