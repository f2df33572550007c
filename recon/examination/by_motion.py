"""Evidence in the motion of the car about a fault in a gauge: a constant, a step, another gain.

A comparison of a whole drive has to allow for anything, and takes ten differences.  A fault of one
gauge has a shape, and how much of that shape is in the forces is one number with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.examination.axle import axles_of
from recon.examination.comparison import Comparison
from recon.examination.view import Part, View
from recon.examination.wheels import across_axle, of_axle, of_wheel
from recon.examination.whole_car import whole_of


def by_motion(
    view: View, part: Part, shapes: Floats, *, agreeing: bool = False
) -> tuple[Floats, Floats]:
    """Evidence about faults of some shapes in each gauge of an assembly.

    `shapes` (k, gauge, n) are changes of each gauge's indication by a fault of size one, in the
    gauge's unit.  With `agreeing`, comparisons are used only if none of them contradicts as a
    whole: what is wrong there may be in any gauge of the car.  Returns the score (k gauge,),
    information times the most likely sizes, and the information (k gauge, k gauge), the inverse
    covariance of the sizes; zero where nothing speaks of them.
    """
    k, gauges, n = shapes.shape
    score, information = np.zeros(k * gauges), np.zeros((k * gauges, k * gauges))
    for compared in _used(view, agreeing):
        own = _own_weights(compared, part)
        if own.any():
            change = np.tensordot(own, part.lever) * shapes
            more = compared.along(change.reshape(k * gauges, n))
            score, information = score + more[0], information + more[1]
    return score, information


def one_by_motion(
    view: View, changes: Mapping[str, Floats], *, agreeing: bool
) -> tuple[float, float]:
    """Evidence about one fault in all gauges of some assemblies: score and information.

    `changes` (gauge, n) of the indications by a fault of size one [mV/V], by the name of the
    assembly; `agreeing` as for `by_motion`.
    """
    score = information = 0.0
    moved = {
        name: np.einsum("wcgn,gn->wcn", view.parts[name].lever, change)
        for name, change in changes.items()
    }
    for compared in _used(view, agreeing):
        change = sum(
            np.einsum("wc,wcn->n", _own_weights(compared, view.parts[name]), of)
            for name, of in moved.items()
        )
        more = compared.along(np.asarray(change)[None])
        score, information = score + float(more[0][0]), information + float(more[1][0, 0])
    return score, information


def _own_weights(compared: Comparison, part: Part) -> Floats:
    """Weights (w, 3) [1] that a comparison gives to the forces of an assembly."""
    at = [CORNERS.index(c) for c in part.corners]
    return np.zeros((len(at), 3)) if compared.weights is None else compared.weights[at]


def _used(view: View, agreeing: bool) -> list[Comparison]:
    """Comparisons that hardly share what may differ; none where one contradicts, if `agreeing`."""
    used = independent(view)
    return [] if agreeing and any(compared.contradicts for compared in used) else used


def independent(view: View) -> list[Comparison]:
    """Comparisons of forces with motion that hardly share what may differ on a sound drive."""
    if "independent" not in view.worked_out:
        view.worked_out["independent"] = _independent(view)
    found: list[Comparison] = view.worked_out["independent"]
    return found


def _independent(view: View) -> list[Comparison]:
    whole = whole_of(view)
    if whole is None:
        return []
    axles = list(axles_of(whole))
    if len(axles) == 2:
        across = [one for axle in axles for one in across_axle(axle)]
        return [*whole.sums, *whole.loads, *whole.yaw, *across]
    paired = {name for axle in axles for name in axle.names}
    alone = [corner for corner in view.corners if corner not in paired]
    return [
        *(one for axle in axles for one in of_axle(axle)),
        *(one for corner in alone for one in of_wheel(whole, corner)),
    ]
