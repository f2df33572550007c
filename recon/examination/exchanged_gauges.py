"""Causes in the plugs of gauges: two exchanged, or all plugs of two assemblies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import combinations

import numpy as np

from recon.examination.plugs import exchange, replugged
from recon.examination.term import Candidate
from recon.examination.view import Part
from recon.records.corrections import correction_line

SINCE = {  # by whether the tares were taken so too
    False: "since the tare: exchange the two columns of the log",
    True: "in the tares too: exchange the two gauges in log and tares",
}
BOTH = ("log", "tare table")  # files whose column maps a correction belongs to


def exchanged_within(part: Part) -> Iterator[Candidate]:
    """Two gauges of one assembly exchanged, since the tare or before it."""
    for i, j in combinations(range(len(part.gauges)), 2):
        yield from _two(part, i, part, j)


def exchanged_between(first: Part, second: Part) -> Iterator[Candidate]:
    """One gauge of each assembly exchanged, or all of them, in the order of their gauges."""
    for i in range(len(first.gauges)):
        for j in range(len(second.gauges)):
            yield from _two(first, i, second, j)
    if len(first.gauges) == len(second.gauges):
        every = range(len(first.gauges))
        for tares_too, where in ((False, "log"), (True, "log and of the tare table")):
            do = (
                f"All plugs of {first.name} and {second.name} seem exchanged: compare them, or "
                f"exchange the columns of the {where}."
            )
            yield _exchanged(first, every, second, every, do, tares_too=tares_too)


def _two(first: Part, i: int, second: Part, j: int) -> Iterator[Candidate]:
    """Gauge `i` of one assembly and gauge `j` of another or the same one, exchanged."""
    for tares_too, what in SINCE.items():
        if tares_too or np.isfinite([first.zero[i], second.zero[j]]).all():
            do = f"Compare the plugs of {first.gauges[i]} and {second.gauges[j]} ({what})."
            yield _exchanged(first, [i], second, [j], do, tares_too=tares_too)


def _exchanged(
    first: Part, own: Sequence[int], second: Part, its: Sequence[int], do: str, *, tares_too: bool
) -> Candidate:
    """The gauges `own` of the first assembly in the plugs of the gauges `its` of the second."""
    pairs = list(zip(own, its, strict=True))
    plugs = [p for i, j in pairs for p in exchange(first, i, second, j, tares_too=tares_too)]
    names = [(first.gauges[i], second.gauges[j]) for i, j in pairs]
    return Candidate(
        "exchanged",
        tuple(dict.fromkeys((*first.corners, *second.corners))),
        (*(one for one, _ in names), *(two for _, two in names)),
        partial(replugged, plugs=plugs),
        do,
        weight=0.0 if first is second else -1.0,
        lines=tuple(correction_line([one], exchanged_with=two) for one, two in names),
        files=BOTH if tares_too else ("log",),
    )
