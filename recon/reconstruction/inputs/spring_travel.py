"""Travel of a wheel from the load of its spring and the spring's stated rate.

A spring of rate k whose load per vertical newton at the wheel centre is g shortens by the change
of its load over k, and the wheel rises by g times that (virtual work):

    travel = (g / k) (s - s_design),    s = load of the spring, tension positive.          (1)

The load at design height is that of the car at rest.  Only corners that stand alone and have one
spring with a stated rate: where an axle ties two wheels, springs share the load with a bar.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import DAMPER
from recon.mechanics.statics import load_matrix, road_columns
from recon.planning.unknowns import UNKNOWNS
from recon.reconstruction.estimator.linear_estimator import KNOWN_ROWS
from recon.reconstruction.solving.solver import Solver

# Standard uncertainties, common practice without a source: weight of the day, of the load at rest;
# of the travel, where the spring has a gauge of its own, and where a bar that the vehicle file
# does not describe may act on the same rocker.  Dampers are part of both.
U_WEIGHT_SHARE = 0.05
U_OWN_SHARE, U_SHARED_SHARE = 0.15, 0.3


@dataclass(frozen=True, slots=True)
class StatedSpring:
    """The only spring, with a stated rate, of a corner that stands alone, by equation (1).

    `per_force` (4,) [N/N, N/(N m)] and `per_hub` (3,) [kg] are its load per Fx, Fy, Fz, T of the
    tyre and per specific force of the hub, `at_rest` [N] its load when the car stands, `per_load`
    [m/N] the travel per load.  `share` is their uncertainty, relative.
    """

    per_force: Floats
    per_hub: Floats
    at_rest: float
    per_load: float
    share: float

    @classmethod
    def of(cls, solver: Solver) -> StatedSpring | None:
        """That of an assembly, if it has one."""
        row = stated_spring(solver)
        if row is None:
            return None
        (corner,), (reference,) = solver.assembly.corners, solver.estimator.references
        mechanism, design = solver.assembly.mechanism, solver.estimator.design
        loads = load_matrix(design)[row]
        per_unknown = loads @ road_columns(design, hub_passes_spin=[False])
        per_unknown = per_unknown @ solver.estimator.columns
        weight = corner.unsprung_mass * STANDARD_GRAVITY
        name = mechanism.row_names[row]
        spring = corner.supports[corner.support_index(name)]
        own = U_OWN_SHARE if name in solver.assembly.gauged else U_SHARED_SHARE
        return cls(
            per_force=per_unknown[list(KNOWN_ROWS)],
            per_hub=-corner.unsprung_mass * loads[:3],
            at_rest=float(
                per_unknown[UNKNOWNS.index("Fz")] * reference.vertical - loads[2] * weight
            ),
            per_load=float(loads[2] * mechanism.compliance[row]),
            share=float(np.hypot(own, spring.u_compliance / spring.compliance)),
        )

    def travel(self, force: Floats, hub: Floats) -> Floats:
        """Travel (sample,) [m] by Fx, Fy, Fz, T (4, sample) and specific force (3, sample)."""
        load = self.per_force @ force + self.per_hub @ hub
        return self.per_load * (load - self.at_rest)

    def u(self, size: float) -> float:
        """Standard uncertainty [m] of travels whose root mean square is `size` [m]."""
        return float(np.hypot(U_WEIGHT_SHARE * self.per_load * self.at_rest, self.share * size))


def stated_spring(solver: Solver) -> int | None:
    """Row of the only spring with a stated rate of a corner that stands alone, else None."""
    mechanism = solver.assembly.mechanism
    if len(solver.assembly.corners) > 1:
        return None
    springs = [
        row for row, support in enumerate(mechanism.owner) if mechanism.kinds[support] == "spring"
    ]
    if len(springs) != 1 or not 0 < mechanism.compliance[springs[0]] < DAMPER:
        return None
    return springs[0]
