"""Causes in the plugs of gauges: two exchanged, or all plugs of two assemblies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np

from recon.examination.term import Candidate
from recon.examination.view import Part, View
from recon.records.corrections import correction_line

BOTH = ("log", "tare table")  # files whose column maps a correction belongs to


def exchanged_within(part: Part) -> Iterator[Candidate]:
    """Two gauges of one assembly exchanged, since the tare or before it."""
    since = {
        False: "since the tare: exchange the two columns of the log",
        True: "in the tares too: exchange the two gauges in log and tares",
    }
    for i, j in combinations(range(len(part.gauges)), 2):
        channels = (part.gauges[i], part.gauges[j])
        for with_tares, do in since.items():
            if with_tares or np.isfinite(part.zero[[i, j]]).all():
                yield Candidate(
                    "exchanged",
                    part.corners,
                    channels,
                    partial(_mend_within, name=part.name, i=i, j=j, with_tares=with_tares),
                    f"Compare the plugs of {channels[0]} and {channels[1]} ({do}).",
                    lines=(correction_line(channels[:1], exchanged_with=channels[1]),),
                    files=BOTH if with_tares else ("log",),
                )


def _mend_within(view: View, *, name: str, i: int, j: int, with_tares: bool) -> View:
    part = view.parts[name]
    y, zero = part.samples.indication.copy(), part.zero.copy()
    off = 0.0 if with_tares else part.zero[j] - part.zero[i]
    y[i], y[j] = y[j] + off, y[i] - off
    if with_tares:
        zero[[i, j]] = zero[[j, i]]
    return view.with_part(part.changed(y, zero))


def exchanged_between(first: Part, second: Part) -> Iterator[Candidate]:
    """One gauge of each assembly exchanged, or all of them, in the order of their gauges."""
    for i, one in enumerate(first.gauges):
        for j, two in enumerate(second.gauges):
            do = f"Compare the plugs of {one} and {two}, or exchange the two columns of the log."
            yield _between(_Plugs(first, [i]), _Plugs(second, [j]), do, with_tares=False)
    if len(first.gauges) == len(second.gauges):
        every = range(len(first.gauges))
        for with_tares, where in ((False, "log"), (True, "log and of the tare table")):
            do = (
                f"All plugs of {first.name} and {second.name} seem exchanged: compare them, or "
                f"exchange the columns of the {where}."
            )
            yield _between(_Plugs(first, every), _Plugs(second, every), do, with_tares=with_tares)


@dataclass(frozen=True, slots=True)
class _Plugs:
    """Gauges at the positions `at` of an assembly."""

    part: Part
    at: Sequence[int]

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self.part.gauges[i] for i in self.at)


def _between(first: _Plugs, second: _Plugs, do: str, *, with_tares: bool) -> Candidate:
    pairs = zip(first.channels, second.channels, strict=True)
    return Candidate(
        "exchanged",
        (*first.part.corners, *second.part.corners),
        (*first.channels, *second.channels),
        partial(_mend_between, first=first, second=second, with_tares=with_tares),
        do,
        weight=-1.0,
        lines=tuple(correction_line([one], exchanged_with=other) for one, other in pairs),
        files=BOTH if with_tares else ("log",),
    )


def _mend_between(view: View, *, first: _Plugs, second: _Plugs, with_tares: bool) -> View:
    one, two = view.parts[first.part.name], view.parts[second.part.name]
    i, j = list(first.at), list(second.at)
    y, z = one.samples.indication.copy(), two.samples.indication.copy()
    zeros = one.zero.copy(), two.zero.copy()
    off = np.zeros(len(i)) if with_tares else np.nan_to_num(two.zero[j] - one.zero[i])
    y[i], z[j] = z[j] + off[:, None], y[i] - off[:, None]
    if with_tares:
        zeros[0][i], zeros[1][j] = two.zero[j], one.zero[i]
    return view.with_part(one.changed(y, zeros[0])).with_part(two.changed(z, zeros[1]))
