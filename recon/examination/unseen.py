"""Faults that a drive would not show, and how wrong forces may be by them.

Every comparison has a size that sound drives stay below.  A fault that keeps all of them below is
not seen.  Sizes grow with the square of a fault, so that one look at the drive with a large fault
tells how large one may be at most without being seen: for each gauge a zero that moved since its
tare, one that moved in mid-drive, another gain, a delay of its own, and for each assembly and axle
gauges that are late together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain
from math import isfinite, sqrt

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import UNSEEN
from recon.examination.gauges import gauges_agree
from recon.examination.lateness import gauges_on_time, later
from recon.examination.single_gauges import gauge_earlier, single_gauges_agree
from recon.examination.tares import zeros_hold
from recon.examination.term import Term, Test
from recon.examination.view import Part, View
from recon.examination.wheels import wheels_agree
from recon.examination.whole_car import sums_agree

# Largest faults that are looked for.  Common practice, no source.
MOST_ZERO = 1000.0  # N of a gauge's own load
MOST_GAIN = 0.5
MOST_DELAY = 0.015  # s, of all gauges of an assembly or axle
MOST_OWN_DELAY = 0.05  # s, of one gauge that has another filter
USUAL = 0.95  # share of the drive during which an error stays below the one stated


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of size one in some gauges: the drive with it, and the tests that could see it."""

    kind: str
    gauges: tuple[str, ...]
    largest: float
    spoiled: Callable[[View, float], View]
    tests: tuple[Test, ...]


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
    before = {(term.place, term.name): term for term in terms}
    corners = view.corners
    error = {kind: np.zeros((len(corners), 3)) for kind in UNSEEN}
    gauge = {kind: [""] * len(corners) for kind in UNSEEN}
    for fault in _faults(view):
        spoiled = fault.spoiled(view, fault.largest)
        size = _hidden(fault, spoiled, before)
        touched = [
            part.corners for name, part in spoiled.parts.items() if part is not view.parts[name]
        ]
        for corner in chain.from_iterable(touched):
            k = corners.index(corner)
            change = np.abs(spoiled.force[corner] - view.force[corner])
            if not np.isfinite(change).any():
                continue
            found = size * _usual(change)
            if found.max() > error[fault.kind][k].max():
                gauge[fault.kind][k] = fault.gauges[0] if len(fault.gauges) == 1 else corner
            error[fault.kind][k] = np.fmax(error[fault.kind][k], found)
    return tuple(Unseen(kind, error[kind], tuple(gauge[kind])) for kind in UNSEEN)


def _usual(change: Floats) -> Floats:
    """Quantile over the samples of changes (3, n) [N]; zero of a force that is not known."""
    known = np.isfinite(change).any(axis=1)
    out = np.zeros(3)
    out[known] = np.nanquantile(change[known], USUAL, axis=1)
    return out


def _hidden(fault: Fault, spoiled: View, before: dict[tuple[str, str], Term]) -> float:
    """Largest share of a fault that no comparison sees, at most 1.

    With a comparison of size s and the limit L, and the fault alone of size c: from s + c + 2 r,
    r^2 <= s c, follows that what is seen at the latest is (sqrt(L) + sqrt(s)) / sqrt(c).
    """
    share = 1.0
    for test in fault.tests:
        for term in test(spoiled):
            old = before.get((term.place, term.name))
            if old is None or old is term or not isfinite(old.size) or not isfinite(term.size):
                continue
            sound, limit = sqrt(max(old.size, 0.0)), sqrt(term.limit)
            alone = sqrt(max(term.size, 0.0)) - sound
            if alone > 0:
                share = min(share, (limit + sound) / alone)
    return share


def _faults(view: View) -> Iterator[Fault]:
    forces = (gauges_agree, sums_agree, wheels_agree)
    middle = len(view.elapsed) // 2
    for name, part in view.parts.items():
        slope = part.solver.estimator.calibration.main_slope
        for i, gauge in enumerate(part.gauges):
            moved = partial(_moved, name=name, i=i)
            most = MOST_ZERO * float(slope[i])
            yield Fault("zero", (gauge,), most, moved, (*forces, zeros_hold))
            course = (*forces, single_gauges_agree)
            moves = partial(moved, first=middle)
            yield Fault("jump", (gauge,), most, moves, (*course, zeros_hold))
            yield Fault("gain", (gauge,), MOST_GAIN, partial(_scaled, name=name, i=i), course)
            late = partial(_later, name=name, i=i)
            yield Fault("late gauge", (gauge,), MOST_OWN_DELAY, late, course)
    ends = [tuple(n for n, p in view.parts.items() if p.corners[0][0] == end) for end in "FR"]
    for names in dict.fromkeys([*((n,) for n in view.parts), *(n for n in ends if n)]):
        gauges = tuple(g for name in names for g in view.parts[name].gauges)
        tests = (*forces, gauges_on_time)
        yield Fault("late", gauges, MOST_DELAY, partial(_delayed, names=names), tests)


def _moved(view: View, size: float, *, name: str, i: int, first: int = 0) -> View:
    part = view.parts[name]
    y = part.samples.indication.copy()
    y[i, first:] += size
    return view.with_part(part.with_indication(y))


def _scaled(view: View, size: float, *, name: str, i: int) -> View:
    part = view.parts[name]
    y = part.samples.indication.copy()
    y[i] *= 1.0 + size
    return view.with_part(part.with_indication(y))


def _later(view: View, size: float, *, name: str, i: int) -> View:
    return gauge_earlier(view, name=name, i=i, delay=-size)


def _delayed(view: View, size: float, *, names: tuple[str, ...]) -> View:
    for name in names:
        part: Part = view.parts[name]
        view = view.with_part(part.with_indication(later(view, part, -size)))
    return view
