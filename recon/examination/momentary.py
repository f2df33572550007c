"""Faults that come and go: stretches in which a drive disagrees with itself, looked at alone.

Comparisons of a whole drive hardly notice what lasts a second of twenty minutes.  Short means every
half second show where gauges, or sums of forces, differ from the rest of the drive; what lies
around such a stretch is then examined like a drive of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import NO_CAUSE, Doubt
from recon.base.late import xr
from recon.examination.judge import Judge
from recon.examination.view import WINDOWS, View, view_of
from recon.examination.whole_car import whole_of

EVERY = 0.5  # s between short means; what is shorter may slip through
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

    It does so by `size` times what is looked at [1], most in `corners`, at `count` short means.
    """

    start: float
    end: float
    size: float
    corners: tuple[str, ...]
    count: int


def momentary_doubts(view: View, judge: Judge) -> tuple[Doubt, ...]:
    """Doubts about stretches of a drive that differ from the rest of it."""
    if view.end - view.start < SHORTEST or not view.parts:
        return ()
    windows = max(WINDOWS, int((view.end - view.start) / EVERY) + 1)
    found = list(_stretches(view_of(view.prepared, view.whole, windows)))
    if sum(one.end - one.start for one in found) > MOST * (view.end - view.start):
        return ()
    return tuple(doubt for one in found for doubt in _examined(view, one, judge))


def outside(view: View, doubts: tuple[Doubt, ...]) -> View:
    """A drive without its short means within the time of these doubts."""
    time = view.elapsed
    within = [(time >= doubt.start - EVERY) & (time <= doubt.end + EVERY) for doubt in doubts]
    return view.but(np.any(within, axis=0)) if within else view


def _stretches(view: View) -> Iterator[Stretch]:
    """Stretches in which gauges or sums differ from the middle of the drive."""
    sizes, corners = zip(*_differences(view), strict=True)
    size = np.nan_to_num(np.array(sizes))
    worst, time = size.max(axis=0), view.elapsed
    apart = np.flatnonzero(np.diff(time[worst > 1.0], prepend=-np.inf) > AROUND)
    hits = np.flatnonzero(worst > 1.0)
    for own in np.split(hits, apart[1:]):
        if len(own):
            k = int(own[np.argmax(worst[own])])
            yield Stretch(
                start=max(float(time[own[0]]) - EVERY, view.start),
                end=min(float(time[own[-1]]) + EVERY, view.end),
                size=float(worst[k]),
                corners=corners[int(np.argmax(size[:, k]))],
                count=len(own),
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


def _examined(view: View, stretch: Stretch, judge: Judge) -> Iterator[Doubt]:
    """The doubts of what lies around a stretch, for as long as that lasts."""
    piece = view_of(view.prepared, _around(view.whole, stretch))
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
