"""Effect of uncertain compliances on loads that supports share.

Where equilibrium alone does not determine the loads, they follow from the stated compliances (see
`balance`) and are no better known than these.  Other loads do not depend on compliances.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import Pose, pose
from recon.mechanics.statics import member_matrix

USUAL_COMPLIANCE = 1e-5  # m/N, or rad/(N m): any will do to see whether it matters
APART = 0.02  # m, of the travels of both wheels
NEGLIGIBLE = 1e-6  # of the largest entry of the member matrix; far above rounding


def soft_changes(assembly: Assembly, at: Pose) -> dict[str, Floats]:
    """Change of `member_matrix` per standard uncertainty of each compliance that matters.

    Half the difference of the loads with the compliance raised and lowered by its standard
    uncertainty, lowered by half its value at most.  Each compliance is a cause of its own: a rate
    from one catalogue for both sides would be a common cause, but the vehicle file cannot say so.

    Returns arrays (..., member, 6 * wheel) [N per N, N per N m] at the poses `at` by the name of
    the support; none if equilibrium alone determines all loads.

    Notes
    -----
    Source: JCGM 100:2008, 5.1.3, note 2, from memory.
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


def sharing_supports(assembly: Assembly) -> set[str]:
    """Names of the supports whose compliances share out loads that K describes.

    Each compliance is doubled, at design height and with the wheels of an axle apart.  One that is
    not stated is taken as `USUAL_COMPLIANCE`; where K describes nothing for the lack of it, all do.
    """
    mechanism = assembly.mechanism
    if not mechanism.shares_loads:
        return set()
    stated = np.where(np.isnan(mechanism.compliance), USUAL_COMPLIANCE, mechanism.compliance)
    apart = np.where(np.arange(len(mechanism.wheels)) % 2, -APART, APART)
    travels = np.array([0.0 * apart, apart])

    def loads(compliance: Floats) -> Floats:
        return member_matrix(pose(replace(mechanism, compliance=compliance), travels, 0.0))

    before = loads(stated)
    if not before.size:
        return {support.name for support in assembly.supports}
    least = NEGLIGIBLE * float(np.max(np.abs(before)))
    return {
        support.name
        for i, support in enumerate(assembly.supports)
        if np.max(np.abs(loads(np.where(mechanism.owner == i, 2.0, 1.0) * stated) - before)) > least
    }
