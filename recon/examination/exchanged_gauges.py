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

BOTH = ("log", "tare table")  # files whose column maps a correction belongs to


def exchanged_within(part: Part) -> Iterator[Candidate]:
    """Two gauges of one assembly exchanged, since the tare or before it."""
    since = {
        False: "since the tare: exchange the two columns of the log",
        True: "in the tares too: exchange the two gauges in log and tares",
    }
    for i, j in combinations(range(len(part.gauges)), 2):
        for tares_too, what in since.items():
            if tares_too or np.isfinite(part.zero[[i, j]]).all():
                do = f"Compare the plugs of {part.gauges[i]} and {part.gauges[j]} ({what})."
                yield _exchanged(part, [i], part, [j], do, tares_too=tares_too)


def exchanged_between(first: Part, second: Part) -> Iterator[Candidate]:
    """One gauge of each assembly exchanged, or all of them, in the order of their gauges."""
    for i, one in enumerate(first.gauges):
        for j, two in enumerate(second.gauges):
            do = f"Compare the plugs of {one} and {two}, or exchange the two columns of the log."
            yield _exchanged(first, [i], second, [j], do, tares_too=False)
    if len(first.gauges) == len(second.gauges):
        every = range(len(first.gauges))
        for tares_too, where in ((False, "log"), (True, "log and of the tare table")):
            do = (
                f"All plugs of {first.name} and {second.name} seem exchanged: compare them, or "
                f"exchange the columns of the {where}."
            )
            yield _exchanged(first, every, second, every, do, tares_too=tares_too)


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
