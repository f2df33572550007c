"""Travel of a wheel from the load of its spring and the spring's stated rate.

A spring of rate k whose load per vertical newton at the wheel centre is g shortens by the change
of its load over k, and the wheel rises by g times that (virtual work):

    travel = (g / k) (s - s_design),    s = load of the spring, tension positive.          (1)

The load at design height is that of the car at rest.  Only corners that stand alone and have one
spring with a stated rate: where an axle ties two wheels, springs share the load with a bar.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.mechanics.statics import load_matrix, road_columns
from recon.planning.unknowns import UNKNOWNS
from recon.reconstruction.estimator.linear_estimator import KNOWN_ROWS
from recon.reconstruction.solving.solve import Samples, forces_of
from recon.reconstruction.solving.solver import Solver

# Standard uncertainties, common practice without a source: weight of the day, of the load at rest;
# of the travel, where the spring has a gauge of its own, and where a bar that the vehicle file
# does not describe may act on the same rocker.  Dampers are part of both.
U_WEIGHT_SHARE = 0.05
U_OWN_SHARE, U_SHARED_SHARE = 0.15, 0.3


class SpringTravel(NamedTuple):
    """Travel (sample,) [m] and its standard uncertainty [m]."""

    travel: Floats
    u: float


def stated_spring(solver: Solver) -> int | None:
    """Row of the only spring with a stated rate of a corner that stands alone, else None."""
    mechanism = solver.assembly.mechanism
    if len(solver.assembly.corners) > 1:
        return None
    springs = [
        row for row, support in enumerate(mechanism.owner) if mechanism.kinds[support] == "spring"
    ]
    if len(springs) != 1 or not mechanism.compliance[springs[0]] > 0:
        return None
    return springs[0]


def spring_travel(solver: Solver, samples: Samples, row: int) -> SpringTravel:
    """Travel of a lone corner by equation (1), with the spring of load row `row`."""
    (corner,), (reference,) = solver.assembly.corners, solver.estimator.references
    design = solver.estimator.design
    loads = load_matrix(design)[row]
    per_unknown = loads @ road_columns(design, hub_passes_spin=[False]) @ solver.estimator.columns
    force, _ = forces_of(solver, samples)
    load = per_unknown[list(KNOWN_ROWS)] @ force[0].astype(float)
    load -= corner.unsprung_mass * loads[:3] @ samples.hub
    weight = corner.unsprung_mass * STANDARD_GRAVITY
    at_rest = per_unknown[UNKNOWNS.index("Fz")] * reference.vertical - loads[2] * weight
    per_load = loads[2] * solver.assembly.mechanism.compliance[row]
    travel = per_load * (load - at_rest)
    gauged = solver.assembly.mechanism.row_names[row] in solver.assembly.gauged
    spring = corner.supports[corner.support_index(solver.assembly.mechanism.row_names[row])]
    share = np.hypot(
        U_OWN_SHARE if gauged else U_SHARED_SHARE, spring.u_compliance / spring.compliance
    )
    size = float(np.sqrt(np.nanmean(np.square(travel))))
    u = float(np.hypot(U_WEIGHT_SHARE * per_load * at_rest, share * size))
    return SpringTravel(np.clip(travel, *corner.travel_range), u)
