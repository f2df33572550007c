"""Stretches of a drive of each kind, found by thresholds on its motion."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.quantities import STANDARD_GRAVITY
from recon.base.words import enumerated
from recon.evaluation.sections.car_motion import Course

Mask = NDArray[np.bool_]
# Thresholds are the usual ones of the trade (common practice, no source), in g or s.
STANDING_SPEED = 0.5  # m/s
START_SPEED = 2.0  # m/s
LAUNCH_SPEED = 4.0  # m/s, reached by every launch; slower starts are moves in a queue
LAUNCHED, PULLING = 0.15, 0.05  # g: a launch begins above the first, lasts above the second
SHORTEST_LAUNCH = 0.5
SHIFT = (0.04, 1.2)  # s, shortest and longest gap of a shift
HALF = 0.5  # of the force before: below it the force is gone
BRAKING, STRAIGHT_BRAKING = 0.3, 0.2  # g, at least along and at most sideways
CORNERING, TURN_IN = 0.4, 0.15  # g: a corner reaches the first and lasts above the second
SHORTEST_STOP, SHORTEST_CORNER, SHORTEST_STRAIGHT = 0.3, 0.4, 1.0
MIDDLE = 0.85  # of the peak of a corner: above it is its middle
ALTERNATIONS = 6  # half-waves that make a slalom
LONGEST_HALF_WAVE = 2.5  # s; slower alternation is corners
MOST_GAPS = 4  # stretches without forces that are listed
NO_GEAR = (
    "whether the gear changed or the throttle was lifted: log gear, a constant if there is one"
)
LOOK_BACK = 0.3  # s before a shift in which the force before it is read


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples `first` to `last` (exclusive) of one kind, why they were taken, and what is open."""

    kind: str
    first: int
    last: int
    reason: str
    undecided: str = ""
    parent: int = -1  # position of the stretch that this is a part of
    name: str = ""  # that somebody gave it


def _long(found: list[tuple[int, int]], least: float, rate: float) -> list[tuple[int, int]]:
    return [(a, b) for a, b in found if b - a >= least * rate]


def standstills(course: Course) -> list[Stretch]:
    """Stretches in which the car stands."""
    if not course.has_speed:
        return []
    still = np.abs(course.speed) < STANDING_SPEED
    reason = f"speed below {STANDING_SPEED:g} m/s"
    return [Stretch("standstill", a, b, reason) for a, b in _long(runs(still), 0.3, course.rate)]


def launches(course: Course) -> list[Stretch]:
    """Starts from rest, up to where the car no longer accelerates; gaps of shifts are inside."""
    g = STANDARD_GRAVITY
    pulling = closed(course.along > PULLING * g, SHIFT[1], course.rate)
    out = []
    for a, b in _long(runs(pulling), SHORTEST_LAUNCH, course.rate):
        if not (course.along[a:b] > LAUNCHED * g).any():
            continue
        undecided = ""
        if course.has_speed:
            speed = np.abs(course.speed[a:b])
            starts = (speed < START_SPEED).any() and (speed >= LAUNCH_SPEED).any()
            if not starts or not _gained(course, a, b) > 0:
                continue
        elif _pushed_before(course, a):
            continue
        else:
            undecided = "whether the car stood still before: log speed or wheel speeds"
        reason = f"from rest, forward force above {LAUNCHED:g} of the weight"
        out.append(Stretch("launch", a, b, reason, undecided))
    return out


def _pushed_before(course: Course, first: int) -> bool:
    """Whether in the second before these samples the car was pushed as none that stands is."""
    before = slice(max(first - int(course.rate), 0), first)
    pushes = np.abs([course.along[before], course.sideways[before]])
    return bool((pushes > LAUNCHED * STANDARD_GRAVITY).any())


def _gained(course: Course, first: int, last: int) -> float:
    """How much faster [m/s] the car is at the end of these samples; backwards it is fast as well.

    A car that brakes while it rolls backwards is pushed forwards.  NaN where no speed is known.
    """
    speed = np.abs(course.speed[first:last])
    known = speed[np.isfinite(speed)]
    return float(known[-1] - known[0]) if known.size else float("nan")


def shifts(course: Course, gear: Floats | None) -> list[Stretch]:
    """Gaps of the forward force while the car accelerates; `gear` (sample,) [1] where logged."""
    g, rate = STANDARD_GRAVITY, course.rate
    level = _level_before(course.quick, rate)
    gone = (course.quick < HALF * level) & (level > LAUNCHED * g)
    out = []
    for a, b in runs(gone):
        back = course.quick[b : b + int(LOOK_BACK * rate)]
        long_enough = SHIFT[0] * rate <= b - a <= SHIFT[1] * rate
        if not long_enough or not back.size or back.max() < HALF * level[a]:
            continue
        if course.quick[a:b].min() < -BRAKING * g:
            continue
        told = gear is not None and np.ptp(gear[max(a - int(rate), 0) : b + int(rate)]) > 0
        if gear is not None and not told:
            continue
        reason = "forward force below half of that before, then back"
        if told:
            reason += ", and the gear changed"
        undecided = "" if told else NO_GEAR
        out.append(Stretch("shift", a, b, reason, undecided))
    return out


def without_force(course: Course, kinds: str) -> list[str]:
    """A sentence on where `kinds` of sections cannot be found, as no forward force is known there.

    Shorter gaps than any shift hide none; empty if there are no longer ones.
    """
    gaps = _long(runs(~np.isfinite(course.along)), SHIFT[0], course.rate)
    if not gaps:
        return []
    most = [f"{course.time[a]:.2f} to {course.time[b - 1]:.2f}" for a, b in gaps[:MOST_GAPS]]
    more = len(gaps) - MOST_GAPS
    where = enumerated([*most, *([f"{more} more stretches"] if more > 0 else [])])
    return [f"{kinds} in or beside {where} s: the forward force is not known there"]


def _level_before(along: Floats, rate: float) -> Floats:
    """Median of the acceleration over the time before each sample, held while it is lower."""
    from scipy.ndimage import maximum_filter1d, median_filter

    size = max(int(LOOK_BACK * rate) | 1, 3)
    step = max(size // 15, 1)  # the median of some samples of the window is as good
    thin = median_filter(along[::step], size=max(size // step | 1, 3), mode="nearest")
    middle = np.interp(np.arange(len(along)), np.arange(0, len(along), step), thin)
    # The highest level within the longest gap before: the origin shifts the window backwards.
    reach = int((SHIFT[1] + LOOK_BACK) * rate) | 1
    return np.asarray(maximum_filter1d(middle, reach, mode="nearest", origin=reach // 2))


def stops(course: Course) -> list[Stretch]:
    """Straight braking."""
    g = STANDARD_GRAVITY
    sideways = np.abs(course.sideways)
    straight = (sideways < STRAIGHT_BRAKING * g) | np.isnan(sideways)
    mask = (course.along < -BRAKING * g) & straight
    undecided = "" if np.isfinite(sideways).any() else "whether it was straight: Fy is not known"
    reason = f"braking above {BRAKING:g} g, less than {STRAIGHT_BRAKING:g} g sideways"
    found = _long(runs(closed(mask, 0.1, course.rate)), SHORTEST_STOP, course.rate)
    # A car that starts backwards is pushed backwards and gains speed.
    slower = [(a, b) for a, b in found if not _gained(course, a, b) > 0]
    return [Stretch("straight braking", a, b, reason, undecided) for a, b in slower]


@dataclass(frozen=True, slots=True)
class _Wave:
    """Samples `first` to `last` (exclusive) of lateral force to one side; `side` +1 is left."""

    first: int
    last: int
    side: int
    peak: float  # m/s2


def _waves(course: Course) -> list[_Wave]:
    """Stretches of lateral force to one side; short dips within one are bridged."""
    sideways = np.nan_to_num(course.sideways)
    out = []
    for side in (1, -1):
        mask = closed(side * sideways > TURN_IN * STANDARD_GRAVITY, LOOK_BACK, course.rate)
        for a, b in runs(mask):
            out.append(_Wave(a, b, side, float((side * sideways[a:b]).max())))
    least = CORNERING * STANDARD_GRAVITY
    return sorted((w for w in out if w.peak > least), key=lambda w: w.first)


def turns(course: Course) -> list[Stretch]:
    """Slaloms (lateral force that alternates at least six times) and corners with their parts."""
    waves, out = _waves(course), []
    for group in _alternating(waves, course.rate):
        if len(group) >= ALTERNATIONS:
            reason = f"lateral force alternates {len(group)} times"
            out.append(Stretch("slalom", group[0].first, group[-1].last, reason))
            waves = [wave for wave in waves if wave not in group]
    for wave in waves:
        if wave.last - wave.first < SHORTEST_CORNER * course.rate:
            continue
        side = "left" if wave.side > 0 else "right"
        reason = f"more than {CORNERING:g} g to the {side}, above {TURN_IN:g} g throughout"
        out.append(Stretch(f"{side} corner", wave.first, wave.last, reason))
    return sorted(out, key=lambda stretch: stretch.first)


def _alternating(waves: list[_Wave], rate: float) -> list[list[_Wave]]:
    """Groups of quick half-waves that follow each other to alternate sides."""
    groups: list[list[_Wave]] = [[]]
    for wave in waves:
        quick = wave.last - wave.first <= LONGEST_HALF_WAVE * rate
        last = groups[-1][-1] if groups[-1] else None
        follows = last is None or (
            wave.side == -last.side and wave.first - last.last <= 0.5 * LONGEST_HALF_WAVE * rate
        )
        if not (quick and follows):
            groups.append([])
        if quick:
            groups[-1].append(wave)
    return groups


def thirds(course: Course, corner: Stretch) -> list[tuple[str, int, int]]:
    """Entry, middle and exit of a corner: name, first and last (exclusive) sample."""
    size = np.abs(course.sideways[corner.first : corner.last])
    high = np.flatnonzero(size >= MIDDLE * np.nanmax(size))
    in_, out = corner.first + int(high[0]), corner.first + int(high[-1]) + 1
    parts = (("entry", corner.first, in_), ("middle", in_, out), ("exit", out, corner.last))
    return [(f"corner {name}", a, b) for name, a, b in parts if b > a]


def straights(course: Course, taken: list[Stretch]) -> list[Stretch]:
    """Stretches that are neither turned nor braked nor taken by another kind."""
    g = STANDARD_GRAVITY
    calm = np.abs(np.nan_to_num(course.sideways)) < TURN_IN * g
    calm &= course.along > -BRAKING * g
    for stretch in taken:
        calm[stretch.first : stretch.last] = False
    reason = f"less than {TURN_IN:g} g sideways and no braking above {BRAKING:g} g"
    found = _long(runs(calm), SHORTEST_STRAIGHT, course.rate)
    return [Stretch("straight", a, b, reason) for a, b in found]


def closed(mask: Mask, gap: float, rate: float) -> Mask:
    """The mask (sample,) with gaps up to `gap` seconds bridged."""
    out = mask.copy()
    for (_, a), (b, _) in pairwise(runs(mask)):
        if b - a <= gap * rate:
            out[a:b] = True
    return out
