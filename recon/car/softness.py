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

from recon.car.statics import member_matrix

if TYPE_CHECKING:
    from recon.car.mechanism import Unit
    from recon.car.motion import Pose

Floats = NDArray[np.float64]
NEGLIGIBLE = 1e-6  # of the largest entry of the member matrix; far above rounding


def soft_changes(unit: Unit, at: Pose) -> dict[str, Floats]:
    """Change of `member_matrix` per standard uncertainty of each compliance that matters.

    Half the difference of the loads with the compliance moved up and down by its standard
    uncertainty (JCGM 100:2008, 5.1.3, note 2; from memory), down by half of it at most.  Each is
    a cause by itself: a rate that was read from one catalogue for both sides would be one cause
    for two supports, but nobody states that.

    Returns
    -------
    dict of support to ndarray (..., member, 6 * wheel)
        Empty where equilibrium alone gives all loads.  The poses are those of `at`: what moved
        compliances do to them, where rigid supports bind, is some hundredths of a millimetre.
    """
    mechanism = at.mechanism
    if not mechanism.shares_loads:
        return {}
    stated = [(i, s) for i, s in enumerate(unit.supports) if s.u_compliance > 0]
    if not stated:
        return {}
    compliance = np.tile(mechanism.compliance, (2, len(stated), 1))
    width = np.empty(len(stated))
    for k, (i, support) in enumerate(stated):
        low = max(support.compliance - support.u_compliance, 0.5 * support.compliance)
        high = support.compliance + support.u_compliance
        compliance[0, k, mechanism.owner == i] = low
        compliance[1, k, mechanism.owner == i] = high
        width[k] = (high - low) / support.u_compliance
    batch = at.rack.ndim
    compliance = compliance.reshape(2, len(stated), *(batch * (1,)), -1)
    low, high = member_matrix(replace(at, mechanism=replace(mechanism, compliance=compliance)))
    changes = (high - low) / width.reshape(-1, *(batch * (1,)), 1, 1)
    size = np.max(np.abs(high))
    return {
        support.name: change
        for (_, support), change in zip(stated, changes, strict=True)
        if np.max(np.abs(change)) > NEGLIGIBLE * size
    }
