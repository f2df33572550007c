"""Ordinary channels that disagree with the others for a moment: a loose plug, a lost signal.

A channel has a part in several comparisons, each with other channels.  The one that has a part in
most of what fails in a stretch, and in the least of what holds, is the one that is wrong there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.doubt import NO_CAUSE, Doubt
from recon.base.words import enumerated
from recon.examination.comparison import Comparison
from recon.examination.ordinary import STEER, comparisons
from recon.examination.spoilt_corners import spoilt_by
from recon.examination.thinning import WINDOW_TIME
from recon.examination.view import View, view_of

# Standard uncertainties by which two channels differ, from how they differ usually: in two short
# means in a row, and on average over a second.  Sound drives of virtual and independent cars reach
# 2.3 and 1.3, hubs .8 in a second: a wheel cannot run away from its body.  No source.
STRAYS, STRAYS_LONG, HUB_STRAYS_LONG = 3.0, 2.0, 1.2
LONG = 8  # short means, about a second
STAYS = 1.0  # as long as they differ by more than this, the fault lasts
JOINED = 1.0  # s between two stretches of one fault
FEWEST = 40  # short means of a drive that shows what is usual
MOST = 0.3  # share of a drive; a fault of more of it is one of the whole drive
# Of what is expected in a stretch, so much must have been found at other times, with so little of
# the difference.  Otherwise a wrong sign or unit would seem to come and go with every turn.
AS_MUCH, AS_LITTLE = 0.6, 0.25
NAMED_RIGHT = 0.96  # 26 of 26 in campaigns; source: rule of succession, from memory
# A slide or a wheel that locks or spins is no fault of a channel, and enters no force.
NO_WITNESS = (STEER, "wheel speed of")


@dataclass(frozen=True, slots=True)
class _Witness:
    """Evidence of a comparison of some `channels` at each of n short means, and nothing besides.

    `apart` (n,) [1] is by how much they differ, `far` (n,) where that is more than on a sound
    drive, and `moved` (n,) how much they moved, in their unit.
    """

    name: str
    channels: tuple[str, ...]
    apart: Floats
    far: NDArray[np.bool_]
    moved: Floats


def interrupted_channels(view: View, until: float = np.inf) -> tuple[Doubt, ...]:
    """Doubts about stretches in which an ordinary channel disagrees with the others.

    From `until` [s] on one of them is known to say nothing.
    """
    count = int((min(view.end, until) - view.start) / WINDOW_TIME)
    if count < FEWEST or not view.parts:
        return ()
    # Gauges are no witnesses here: one assembly is enough to turn accelerations level.
    name, part = next(iter(view.parts.items()))
    alone = view.without([other for other in view.parts if other != name])
    short = view_of(alone.prepared, view.whole_until(until).sel(gauge=list(part.gauges)), count)
    # A long drive has many short means: of each comparison only what is needed stays.
    witnesses = [
        _witness(one)
        for one in comparisons(short)
        if np.isfinite(one.seen - one.expected).any() and not one.name.startswith(NO_WITNESS)
    ]
    found = list(_found(view, short.elapsed, witnesses)) if witnesses else []
    if sum(doubt.end - doubt.start for doubt in found) > MOST * (view.end - view.start):
        return ()
    return tuple(found)


def _witness(one: Comparison) -> _Witness:
    apart = _apart(one)
    # The channel that is wrong may be on either side, and show more than there is.
    each = (np.abs(side - np.nanmedian(side)) for side in (one.seen, one.expected))
    moved = np.nan_to_num(np.minimum(*each))
    return _Witness(one.name, one.channels, np.abs(apart), _far(apart, one.name), moved)


def _apart(one: Comparison) -> Floats:
    """Difference (n,) [1] of two channels from their usual one, in standard uncertainties."""
    size = (one.seen - one.expected) / one.u
    known = size[np.isfinite(size)]
    return np.nan_to_num(size - (np.median(known) if known.size else 0.0))


def _far(apart: Floats, name: str) -> NDArray[np.bool_]:
    """Short means (n,) at which two channels are further `apart` than on a sound drive."""
    limit = HUB_STRAYS_LONG if "of hub" in name and "body" in name else STRAYS_LONG
    out = np.zeros(len(apart), dtype=bool)
    twice = np.minimum(np.abs(apart[1:]), np.abs(apart[:-1])) > STRAYS
    long = np.abs(np.convolve(apart, np.full(LONG, 1.0 / LONG), "valid")) > limit
    for shown, count in ((twice, 2), (long, LONG)):
        for first in np.flatnonzero(shown):
            out[first : first + count] = True
    return out


def _found(view: View, elapsed: Floats, witnesses: list[_Witness]) -> Iterator[Doubt]:
    """A doubt about each stretch in which some of the witnesses (m,) are far."""
    apart = np.array([one.apart for one in witnesses])
    far = np.array([one.far for one in witnesses])
    hits = np.flatnonzero(far.any(axis=0))
    for own in np.split(hits, np.flatnonzero(np.diff(elapsed[hits]) > JOINED) + 1):
        if not len(own):
            continue
        failing = far[:, own].any(axis=1)
        worst = int(np.argmax(np.where(far, apart, 0.0)[:, own].max(axis=1)))
        first, last = _most_of(apart[failing].max(axis=0), max(own[0] - LONG, 0), own[-1] + LONG)
        at = first + int(np.argmax(apart[worst, first : last + 1]))
        sound = np.logical_not(far.any(axis=0))
        if _holds_elsewhere(witnesses[worst], at, sound):
            size = np.where(failing, apart[:, first : last + 1].max(axis=1), 0.0)
            span = elapsed[first] - WINDOW_TIME, elapsed[last] + WINDOW_TIME
            yield _doubt(view, witnesses, size, span)


def _most_of(apart: Floats, first: int, last: int) -> tuple[int, int]:
    """First and last short mean of the stretch within these in which two channels stay `apart`.

    Source: cumulative sums, from memory.
    """
    own = apart[first : last + 1]
    usual = float(np.median(own[own > 0.5 * own.max()]))
    level = np.append(0.0, np.cumsum(own - min(STAYS, 0.5 * usual)))
    end = int(np.argmax(level[1:] - np.minimum.accumulate(level[:-1])))
    return first + int(np.argmin(level[: end + 1])), first + end


def _holds_elsewhere(one: _Witness, at: int, sound: NDArray[np.bool_]) -> bool:
    """Whether as much as is expected at a short mean was expected, and found, at other times."""
    like = sound & (one.moved >= AS_MUCH * one.moved[at])
    return bool(like.any()) and float(np.median(one.apart[like])) < AS_LITTLE * one.apart[at]


def _doubt(view: View, witnesses: list[_Witness], size: Floats, span: tuple[float, float]) -> Doubt:
    """The doubt about the channel that explains what fails, or about all that have a part in it.

    `size` (m,) of the witnesses that fail is by how much [1], and zero of those that hold.
    """
    worst = int(np.argmax(size))
    named = _likeliest(witnesses, size, witnesses[worst].channels)
    failing = (one.channels for one, own in zip(witnesses, size, strict=True) if own)
    anyone = tuple(dict.fromkeys(channel for channels in failing for channel in channels))
    start, end = max(span[0], view.start), min(span[1], view.end)
    return Doubt(
        corners=spoilt_by(view, named or anyone),
        cause="interrupted" if named else NO_CAUSE,
        channels=named,
        probability=NAMED_RIGHT if named else float("nan"),
        start=start,
        end=end,
        found=f"{witnesses[worst].name} differs by {size[worst]:.1f} standard uncertainties from "
        f"{start:.2f} to {end:.2f} s, and not at other times.",
        do=f"Look for a loose plug or cable, and for lost samples, "
        f"of {enumerated(named or anyone)}.",
    )


def _likeliest(
    witnesses: list[_Witness], size: Floats, channels: tuple[str, ...]
) -> tuple[str, ...]:
    """The one of some channels that alone explains what fails by `size` (m,), () if none does.

    Where it has a part, it makes a witness fail: one that holds speaks against it.
    """
    score = {
        channel: sum(
            1 if own else -1
            for one, own in zip(witnesses, size, strict=True)
            if channel in one.channels
        )
        for channel in channels
    }
    best = [channel for channel, own in score.items() if own == max(score.values())]
    return (best[0],) if len(best) == 1 else ()
