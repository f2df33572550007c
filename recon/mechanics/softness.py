"""What the uncertainty of stated compliances does to loads that supports share.

Where equilibrium leaves a split open, it follows the stated compliances (see `balance`), and so
the loads are no better known than these.  A corner whose supports are just enough does not
depend on them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.mechanics.motion import pose
from recon.mechanics.statics import member_matrix

if TYPE_CHECKING:
    from recon.mechanics.assembly import Assembly
    from recon.mechanics.motion import Pose

NEGLIGIBLE = 1e-6  # of the largest entry of the member matrix; far above rounding


def soft_changes(assembly: Assembly, at: Pose) -> dict[str, Floats]:
    """Change of `member_matrix` per standard uncertainty of each compliance that matters.

    Half the difference of the loads with the compliance moved up and down by its standard
    uncertainty (JCGM 100:2008, 5.1.3, note 2; from memory), down by half of it at most.  Each is
    a cause by itself: a rate that was read from one catalogue for both sides would be one cause
    for two supports, but nobody states that.

    Returns
    -------
    dict of support to ndarray (..., member, 6 * wheel)
        At the travels and racks of `at`; empty where equilibrium alone gives all loads.
    """
    mechanism = at.mechanism
    if not mechanism.shares_loads:
        return {}
    stated = [(i, s) for i, s in enumerate(assembly.supports) if s.u_compliance > 0]
    if not stated:
        return {}
    travels = at.hubs[..., 2] - mechanism.centres[:, 2]

    def loads(own: NDArray[np.bool_], value: float) -> Floats:
        compliance = np.where(own, value, mechanism.compliance)
        moved = replace(mechanism, compliance=compliance)
        return member_matrix(pose(moved, travels, at.rack))

    out = {}
    for i, support in stated:
        own, u = mechanism.owner == i, support.u_compliance
        low = max(support.compliance - u, 0.5 * support.compliance)
        high = support.compliance + u
        out[support.name] = (loads(own, high) - loads(own, low)) * (u / (high - low))
    least = NEGLIGIBLE * float(np.max(np.abs(member_matrix(at))))
    return {name: change for name, change in out.items() if np.max(np.abs(change)) > least}
