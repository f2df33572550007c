"""Evidence in the motion of the car about a fault in a gauge: a constant, a step, another gain.

A comparison of a whole drive has to allow for anything, and takes ten differences.  A fault of one
gauge has a shape, and how much of that shape is in the forces is one number with its uncertainty.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.examination.comparison import Comparison
from recon.examination.view import Part, View
from recon.examination.wheels import axles_of, of_axle, of_wheel
from recon.examination.whole_car import whole_of


def by_motion(
    view: View, part: Part, shapes: Floats, *, agreeing: bool = False
) -> tuple[Floats, Floats]:
    """Evidence about faults of some shapes in each gauge of an assembly.

    Parameters
    ----------
    shapes : (k, gauge, n)
        Change of each gauge's indication by a fault of size one, in the gauge's unit.
    agreeing : bool
        Use the comparisons only if none of them contradicts as a whole: what is wrong there may be
        in any gauge of the car.

    Returns
    -------
    score : (k gauge,)
        Information times the most likely sizes.
    information : (k gauge, k gauge)
        Inverse covariance of the sizes; zero where nothing speaks of them.
    """
    k, gauges, n = shapes.shape
    score, information = np.zeros(k * gauges), np.zeros((k * gauges, k * gauges))
    at = [CORNERS.index(c) for c in part.corners if c in CORNERS]
    used = _independent(view)
    if agreeing and any(compared.term.contradicts for compared in used):
        return score, information
    for compared in used:
        own = None if compared.weights is None else compared.weights[at]
        if own is None or not own.any():
            continue
        change = np.einsum("wc,wcgn,kgn->kgn", own, part.lever, shapes, optimize=True)
        more = compared.along(change.reshape(k * gauges, n))
        score, information = score + more[0], information + more[1]
    return score, information


def _independent(view: View) -> list[Comparison]:
    """Comparisons of forces with motion that hardly share what may differ on a sound drive."""
    whole = whole_of(view)
    if whole is None:
        return []
    axles = list(axles_of(whole))
    if len(axles) == 2:
        across = [of_axle(axle)[-1] for axle in axles]
        return [*whole.sums, *whole.loads, *whole.yaw, *across]
    paired = {name for axle in axles for name in axle.names}
    alone = [corner for corner in view.corners if corner not in paired]
    return [
        *(one for axle in axles for one in of_axle(axle)),
        *(one for corner in alone for one in of_wheel(whole, corner)),
    ]
