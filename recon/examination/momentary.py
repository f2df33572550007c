"""Faults that come and go: stretches in which a drive disagrees with itself, looked at alone.

Comparisons of a whole drive hardly notice what lasts a second of twenty minutes.  A gauge that
steps to and fro, and no other with it, is named by its own steps.  Short means every half second
show where gauges, or sums of forces, differ from the rest of the drive; where no gauge steps, what
lies around such a stretch is examined like a drive of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import NO_CAUSE, Doubt
from recon.base.late import xr
from recon.examination.edges import Edge, edges
from recon.examination.judge import Judge
from recon.examination.loose_gauges import loose
from recon.examination.view import WINDOWS, View, view_of
from recon.examination.whole_car import whole_of

EVERY = 0.5  # s between short means; what is shorter is found by its steps alone
AROUND = 10.0  # s before and after a stretch that are examined with it, and join two stretches
SHORTEST = 4.0 * AROUND  # s; what lies around a stretch would be all of a shorter drive
# Standard uncertainties by which gauges, or sums of forces, differ from the middle of the drive in
# a stretch that is looked at.  Sound drives over kerbs reach 6 and 3 at single means; no source.
GAUGE, SUM = 6.5, 3.5
MOST = 0.1  # share of a drive; a fault of more of it is one of the whole drive
# Times these by which a stretch must differ to be doubted where no comparison sees it.
PLAIN = 2.0
LOOK = "Look for a loose plug or cable: what is wrong comes and goes."
# Causes that come and go; others would have been there for the whole drive.
CAUSES = ("jumping", "noise alone", "dead", "stuck", "intermittent", "clipped")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a drive, from `start` to `end` [s], that disagrees with itself.

    It does so by `size` times what is looked at [1], most in `corners`, at `count` short means, and
    single gauges step at its `edges`.
    """

    start: float
    end: float
    size: float
    corners: tuple[str, ...]
    count: int
    edges: tuple[Edge, ...] = ()

    @property
    def gauge(self) -> str:
        """The gauge that steps, alone, where the stretch begins or ends; "" if there is none."""
        names = {one.gauge for one in self.edges}
        lasts = self.count > 1 or len(self.edges) > 1
        return names.pop() if len(names) == 1 and lasts else ""


def momentary_doubts(
    view: View, judge: Judge, until: float = np.inf, known: tuple[Doubt, ...] = ()
) -> tuple[Doubt, ...]:
    """Doubts about stretches of a drive that differ from the rest of it.

    From `until` [s] on, and where an ordinary channel is `known` to be wrong, gauges alone are
    looked at.
    """
    found = list(_joined((*_edges_of(view), *_differing(view, until, known))))
    if sum(one.end - one.start for one in found) > MOST * (view.end - view.start):
        return ()
    return tuple(doubt for one in found for doubt in _doubts(view, one, judge, until, known))


def outside(view: View, doubts: tuple[Doubt, ...]) -> View:
    """A drive without its short means within the time of these doubts."""
    time = view.elapsed
    within = [(time >= doubt.start - EVERY) & (time <= doubt.end + EVERY) for doubt in doubts]
    return view.but(np.any(within, axis=0)) if within else view


def _edges_of(view: View) -> Iterator[Stretch]:
    """Steps of single gauges, each as a stretch of no length."""
    of = {gauge: part.corners for part in view.parts.values() for gauge in part.gauges}
    for edge in edges(view.whole, list(of)):
        yield Stretch(edge.time, edge.time, 0.0, of[edge.gauge], 0, (edge,))


def _differing(view: View, until: float, known: tuple[Doubt, ...]) -> Iterator[Stretch]:
    """Short means at which gauges or sums differ from the middle of the drive, each a stretch."""
    until = min(until, view.end)
    if until - view.start < SHORTEST or not view.parts:
        return
    windows = max(WINDOWS, int((until - view.start) / EVERY) + 1)
    short = outside(view_of(view.prepared, view.whole_until(until), windows), known)
    sizes, corners = zip(*_differences(short), strict=True)
    size = np.nan_to_num(np.array(sizes))
    worst = size.max(axis=0)
    for k in np.flatnonzero(worst > 1.0):
        since, to = short.elapsed[k] - EVERY, short.elapsed[k] + EVERY
        own = float(max(since, view.start)), float(min(to, until))
        yield Stretch(*own, float(worst[k]), corners[int(np.argmax(size[:, k]))], 1)


def _joined(found: Iterable[Stretch]) -> Iterator[Stretch]:
    """Stretches that are near each other joined."""
    near: list[Stretch] = []
    for one in sorted(found, key=lambda one: one.start):
        if near and one.start - near[-1].end > AROUND:
            yield _all_of(near)
            near = []
        near.append(one)
    if near:
        yield _all_of(near)


def _all_of(near: list[Stretch]) -> Stretch:
    """One stretch of several; an edge near its start or end is more exact than short means."""
    worst = max(near, key=lambda one: one.size)
    steps = tuple(edge for one in near for edge in one.edges)
    start, end = min(one.start for one in near), max(one.end for one in near)
    first = [edge.time for edge in steps if edge.time < start + 2.0 * EVERY]
    last = [edge.time for edge in steps if edge.time > end - 2.0 * EVERY]
    return Stretch(
        start=min(first, default=start),
        end=max(last, default=end),
        size=worst.size,
        corners=worst.corners,
        count=sum(one.count for one in near),
        edges=steps,
    )


def _differences(view: View) -> Iterator[tuple[Floats, tuple[str, ...]]]:
    """Each gauge and each sum (n,) less its median, over what is looked at, with its corners."""
    for part in view.parts.values():
        for against in part.contradiction.T:
            yield np.abs(against - _middle(against)) / GAUGE, part.corners
    whole = whole_of(view)
    for one in (*whole.sums, *whole.loads, *whole.yaw) if whole else ():
        apart = (one.seen - one.expected) / np.hypot(one.u, one.spread)
        yield np.abs(apart - _middle(apart)) / SUM, one.corners


def _middle(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _doubts(
    view: View, stretch: Stretch, judge: Judge, until: float, known: tuple[Doubt, ...]
) -> Iterator[Doubt]:
    """The doubts about a stretch: about the gauge that steps, or what its short means show."""
    if stretch.gauge:
        yield loose(view, stretch.gauge, stretch.edges, (stretch.start, stretch.end))
    elif stretch.count and stretch.end < until:
        piece = outside(view_of(view.prepared, _around(view.whole, stretch)), known)
        yield from _examined(piece, stretch, judge)


def _examined(piece: View, stretch: Stretch, judge: Judge) -> Iterator[Doubt]:
    """The doubts of what lies around a stretch, for as long as that lasts."""
    doubts = [_lasting(doubt, stretch, piece) for doubt in judge.doubts(piece, judge.terms(piece))]
    # What is left without the first cause has hardly a fault of its own in so short a time.
    named = [doubt for doubt in doubts[:1] if _comes_and_goes(doubt, stretch)]
    yield from named
    others = [doubt for doubt in doubts[len(named) :] if not doubt.is_within(named)]
    if stretch.count == 1:
        return  # a kerb
    if others:
        yield _unnamed(others, stretch)
    elif not doubts and stretch.size > PLAIN:
        yield _plain(stretch)


def _comes_and_goes(doubt: Doubt, stretch: Stretch) -> bool:
    """Whether the cause of a doubt comes and goes, and came with the stretch."""
    return doubt.cause in CAUSES and doubt.start >= stretch.start - EVERY


def _lasting(doubt: Doubt, stretch: Stretch, piece: View) -> Doubt:
    """The doubt from its own start, or that of the stretch, to the end of the stretch."""
    start = doubt.start if doubt.start > piece.start else stretch.start
    return replace(doubt, start=start, end=max(stretch.end, start))


def _around(log: xr.Dataset, stretch: Stretch) -> xr.Dataset:
    time = log["elapsed_time"].to_numpy()
    ends = np.searchsorted(time, [stretch.start - AROUND, stretch.end + AROUND])
    return log.isel(elapsed_time=slice(*ends))


def _unnamed(doubts: list[Doubt], stretch: Stretch) -> Doubt:
    """One doubt without a cause about a stretch, instead of those whose causes do not fit it."""
    return replace(
        doubts[0],
        corners=tuple(dict.fromkeys(corner for doubt in doubts for corner in doubt.corners)),
        cause=NO_CAUSE,
        channels=(),
        probability=float("nan"),
        start=stretch.start,
        do=f"{LOOK} It lasts from about {stretch.start:.1f} to {stretch.end:.1f} s.",
    )


def _plain(stretch: Stretch) -> Doubt:
    """The doubt about a stretch that is too short for a comparison, and plain all the same."""
    found = f"Gauges and motion of the car differ for a moment by {stretch.size:.1f} times what "
    found += "they do at most on a sound drive."
    own = (stretch.corners, NO_CAUSE, (), float("nan"), stretch.start, stretch.end, found, "")
    return _unnamed([Doubt(*own)], stretch)
