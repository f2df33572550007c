"""One gain of all gauges of a corner, an axle or a car that has changed since the pulls.

Another range of an amplifier, or another excitation, makes all forces too large or too small alike,
and the tares with them.  The gauges do not contradict each other then: only the weight of the car,
its acceleration and its brakes do.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from math import sqrt

import numpy as np

from recon.examination.by_motion import independent
from recon.examination.comparison import Comparison
from recon.examination.lateness import groups
from recon.examination.loads import load_comparisons
from recon.examination.single_faults import LIMIT as ALONE
from recon.examination.single_faults import single_faults
from recon.examination.term import FOUND, Candidate
from recon.examination.view import View

# What ranges and excitations (5 and 10 V) differ by; common practice, no source.
FACTORS = (2.0, 0.5)
RARE = -2.0  # nats; as rare as a wrong unit of all gauges
STEP = 0.1  # by which a common gain is varied
MOST_GAIN = 0.5  # largest change that is looked for; no source


def common_gain_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Twice or half the gain in all gauges of some assemblies, in log and tares."""
    for names in together(view):
        parts = [view.parts[name] for name in names]
        corners = tuple(corner for part in parts for corner in part.corners)
        if not set(corners) & set(doubted):
            continue
        for factor in FACTORS:
            yield Candidate(
                "gain changed",
                corners,
                tuple(gauge for part in parts for gauge in part.gauges),
                partial(times, names=names, factor=factor),
                f"Compare range and excitation of the amplifier with those at the pulls: all "
                f"gauges of {', '.join(corners)} seem to show {1 / factor:g} times what they "
                "should, in log and tares.",
                weight=RARE,
            )


def times(view: View, *, names: tuple[str, ...], factor: float) -> View:
    """The view with all indications of some assemblies times a factor, tares included."""
    for name in names:
        part = view.parts[name]
        view = view.with_part(part.changed(factor * part.samples.indication, factor * part.zero))
    return view


def hidden_gains(view: View) -> Iterator[tuple[tuple[str, ...], float]]:
    """Assemblies with the change of their common gain [1] that a comparison finds with 95 %.

    Comparisons, and the gain of each gauge by all of them together, change in proportion to it.
    """
    for names in together(view):
        larger = times(view, names=names, factor=1.0 + STEP)
        yield names, min(STEP / times_found(view, larger), MOST_GAIN)


def together(view: View) -> tuple[tuple[str, ...], ...]:
    """Each assembly, those of each axle, and all of them."""
    return tuple(dict.fromkeys([*groups(view), tuple(view.parts)]))


def times_found(view: View, changed: View) -> float:
    """How many times the change of a drive is what a comparison finds with 95 % probability.

    `view` is the drive, `changed` the same with a fault in gauges or masses.
    """
    before = {(one.place, one.name): one for one in _compared(view)}
    found = [1e-9, *(before[one.place, one.name].times_found(one) for one in _compared(changed))]
    return max(found + [_found_in_gauges(view, changed, name) for name in view.parts])


def _compared(view: View) -> Iterator[Comparison]:
    yield from independent(view)
    yield from load_comparisons(view)


def _found_in_gauges(view: View, larger: View, name: str) -> float:
    """The same of what all comparisons together say of each single gauge of an assembly."""
    old, new = (single_faults(of, of.parts[name]) for of in (view, larger))
    if old is None or new is None:
        return 0.0
    change = np.abs(new.size - old.size)[1:] / old.u[1:]  # without delays
    return float(np.max(change) / (sqrt(ALONE) + FOUND))
