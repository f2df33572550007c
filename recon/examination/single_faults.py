"""One gauge against all others and the motion of the car: another gain, or a zero that moves.

Every comparison alone has to allow for anything.  A fault of one gauge has a shape, and how much
of it is in all comparisons together is one number with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.examination.by_motion import by_motion
from recon.examination.late_or_unsteady_gauges import FIRST_STEP, own_course
from recon.examination.term import Term
from recon.examination.view import Part, View

LIMIT = 10.0  # square of a fault over its variance; of 220 sound drives 6 exceed 9, 4 exceed 10


@dataclass(frozen=True, slots=True)
class SingleFaults:
    """Faults in single gauges of an assembly, each as if it were the only one.

    `shapes` (shape, gauge, n) are changes of indications by a fault of size one; `size` and `u`
    (shape, gauge) the most likely size and its standard uncertainty.
    """

    shapes: Floats
    size: Floats
    u: Floats

    @property
    def square(self) -> Floats:
        """Squares of the sizes over their variance, (shape, gauge) [1]."""
        return np.asarray((self.size / self.u) ** 2)


def single_faults(view: View, part: Part, *, agreeing: bool = False) -> SingleFaults | None:
    """Evidence about faults in single gauges; None with too few samples.

    Motion says nothing where it contradicts and `agreeing` is true, see `by_motion`.
    """
    key = f"single faults {part.name} {agreeing}"
    if key not in view.worked_out:
        view.worked_out[key] = _single_faults(view, part, agreeing)
    found: SingleFaults | None = view.worked_out[key]
    return found


def _single_faults(view: View, part: Part, agreeing: bool) -> SingleFaults | None:
    course = own_course(view, part)
    if course is None:
        return None
    score, information = by_motion(view, part, course.shapes, agreeing=agreeing)
    of_all = course.information + np.diag(information).reshape(course.score.shape)
    size = (course.score + score.reshape(course.score.shape)) / of_all
    return SingleFaults(course.shapes, size, of_all**-0.5)


def single_faults_absent(view: View) -> Iterator[Term]:
    """Gain and steadiness of every gauge against all that speaks of it.

    These terms only raise the alarm: what they are made of is counted by the others.
    """
    for part in view.parts.values():
        found = single_faults(view, part, agreeing=True)
        if found is None:
            continue
        square = found.square
        square[0] = 0.0  # delays have comparisons of their own
        for g, k in enumerate(np.argmax(square, axis=0)):
            yield Term(
                place=part.gauges[g],
                corners=part.corners,
                name="gain and steadiness against other gauges and motion",
                size=float(square[k, g]),
                count=0,
                limit=LIMIT,
                words=_found(part.gauges[g], k, found.size[k, g], found.u[k, g]),
            )


def _found(gauge: str, k: int, size: float, u: float) -> str:
    if k < FIRST_STEP:
        return (
            f"{gauge} seems to show {1.0 + size:.2f} +- {2 * u:.2f} times what other gauges and "
            "the motion of the car expect."
        )
    return (
        f"The zero of {gauge} seems to move by {size:+.4g} +- {2 * u:.2g}, in its unit, in the "
        "course of the drive."
    )
