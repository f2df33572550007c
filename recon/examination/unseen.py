"""Faults that a drive would not show, and how wrong forces may be by them.

A comparison finds a fault of one shape with 95 % probability if it is as large as the comparison's
limit and 1.645 standard uncertainties more.  For each gauge these are a zero that moved since its
tare, one that moves in mid-drive, another gain, a delay of its own; for each assembly and axle,
gauges that are late together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isfinite, sqrt

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import UNSEEN
from recon.examination import late_or_unsteady_gauges, single_faults, tares
from recon.examination.lateness import all_later, gauges_on_time, later
from recon.examination.term import Term, Test
from recon.examination.view import Part, View
from recon.examination.wheels import wheels_agree
from recon.examination.whole_car import sums_agree

FOUND = 1.645  # standard uncertainties beyond a limit that 95 % of normal errors do not take back
# Largest faults that are looked for.  Common practice, no source.
MOST_ZERO = 3000.0  # N of a gauge's own load
MOST_GAIN = 0.5
MOST_DELAY = 0.05  # s, of all gauges of an assembly or axle
MOST_OWN_DELAY = 0.05  # s, of one gauge that has another filter
USUAL = 0.95  # share of the drive during which an error stays below the one stated


@dataclass(frozen=True, slots=True)
class Fault:
    """The smallest fault of a kind in one gauge that the drive's comparisons find with 95 %.

    `change` (n,) is that of the indication of gauge `i`, in its unit.
    """

    kind: str
    part: Part
    i: int
    change: Floats

    @property
    def spoiled(self) -> Part:
        """The assembly with this fault."""
        y = self.part.samples.indication.copy()
        y[self.i] += self.change
        return self.part.with_indication(y)


@dataclass(frozen=True, slots=True)
class Unseen:
    """The error of forces that faults of one kind may hide.

    `error` (corner, component) [N], exceeded for a twentieth of the drive, and the `gauge` of each
    (corner,) that may hide most; "" where none can.
    """

    kind: str
    error: Floats
    gauge: tuple[str, ...]


def unseen(view: View, terms: Iterable[Term]) -> tuple[Unseen, ...]:
    """Errors that faults of each kind may hide in a drive with these comparisons."""
    largest = {kind: _Largest(view.corners) for kind in UNSEEN}
    for fault in faults(view):
        known = ~fault.part.solver.outputs.lost_of_wheels()
        change = np.abs(fault.part.lever[:, :, fault.i] * fault.change)
        for k, corner in enumerate(fault.part.corners):
            error = _usual(np.where(known[k][:, None], change[k], np.nan))
            largest[fault.kind].take(corner, error, fault.part.gauges[fault.i])
    for names, delay in _late_together(view, terms):
        for part in (view.parts[name] for name in names):
            moved = part.with_indication(later(view, part, delay))
            for k, corner in enumerate(part.corners):
                error = _usual(np.abs(moved.force[k] - part.force[k]))
                largest["late"].take(corner, error, corner)
    return tuple(Unseen(kind, found.error, tuple(found.gauge)) for kind, found in largest.items())


class _Largest:
    """The largest error (corner, component) [N] so far, and the gauge behind each corner's."""

    def __init__(self, corners: tuple[str, ...]) -> None:
        self.corners = corners
        self.error = np.zeros((len(corners), 3))
        self.gauge = [""] * len(corners)

    def take(self, corner: str, error: Floats, gauge: str) -> None:
        """Note an error (component,) [N] of a corner."""
        k = self.corners.index(corner)
        if error.max() > self.error[k].max():
            self.gauge[k] = gauge
        self.error[k] = np.fmax(self.error[k], error)


def _usual(change: Floats) -> Floats:
    """Quantile over the samples of changes (3, n) [N]; zero of a force that is not known."""
    known = np.isfinite(change).any(axis=1)
    out = np.zeros(3)
    out[known] = np.nanquantile(change[known], USUAL, axis=1)
    return out


def faults(view: View) -> Iterator[Fault]:
    """The smallest fault of each kind in each gauge that would be found."""
    for part in view.parts.values():
        ones = np.ones(part.samples.indication.shape[1])
        slope = part.solver.estimator.calibration.main_slope
        u = tares.single_shifts(view, part, agreeing=True).u
        zero = np.fmin((sqrt(tares.ZERO_LIMIT) + FOUND) * u, MOST_ZERO * slope)
        for i, size in enumerate(zero):
            yield Fault("zero", part, i, size * ones)
        found = single_faults.single_faults(view, part, agreeing=True)
        course = late_or_unsteady_gauges.own_course(view, part)
        if found is None or course is None:
            continue
        sizes = (sqrt(single_faults.LIMIT) + FOUND) * found.u
        for i, newton in enumerate(slope):
            for k in range(1, len(sizes)):
                kind, most = (
                    ("gain", MOST_GAIN)
                    if k < late_or_unsteady_gauges.FIRST_STEP
                    else ("jump", MOST_ZERO * newton)
                )
                yield Fault(kind, part, i, min(sizes[k, i], most) * found.shapes[k, i])
            delay = (sqrt(late_or_unsteady_gauges.LATE_LIMIT) + FOUND) * np.hypot(
                course.u_delay[i], late_or_unsteady_gauges.FLOOR
            )
            if course.u_delay[i] > late_or_unsteady_gauges.LONGEST:
                delay = MOST_OWN_DELAY
            yield Fault("late gauge", part, i, min(delay, MOST_OWN_DELAY) * found.shapes[0, i])


def _late_together(view: View, terms: Iterable[Term]) -> Iterator[tuple[tuple[str, ...], float]]:
    """Assemblies, and axles, with the largest common delay [s] that no comparison sees."""
    before = {(term.place, term.name): term for term in terms}
    ends = [tuple(n for n, p in view.parts.items() if p.corners[0][0] == end) for end in "FR"]
    for names in dict.fromkeys([*((n,) for n in view.parts), *(n for n in ends if n)]):
        spoiled = all_later(view, names=names, delay=MOST_DELAY)
        share = _hidden(spoiled, (sums_agree, wheels_agree, gauges_on_time), before)
        yield names, share * MOST_DELAY


def _hidden(spoiled: View, tests: tuple[Test, ...], before: dict[tuple[str, str], Term]) -> float:
    """Largest share of a fault that no comparison sees, at most 1.

    Sizes grow with the square of a fault.  With a comparison of size s and the limit L, and the
    fault alone of size c: from s + c + 2 r, r^2 <= s c, follows that what is seen at the latest is
    (sqrt(L) + sqrt(s)) / sqrt(c).
    """
    share = 1.0
    for test in tests:
        for term in test(spoiled):
            old = before.get((term.place, term.name))
            if old is None or old is term or not isfinite(old.size) or not isfinite(term.size):
                continue
            sound, limit = sqrt(max(old.size, 0.0)), sqrt(term.limit)
            alone = sqrt(max(term.size, 0.0)) - sound
            if alone > 0:
                share = min(share, (limit + sound) / alone)
    return share
