"""Wheel hop: oscillations of the tyres' longitudinal and vertical forces at 8 to 16 Hz.

Hop of the tyres of one axle at the same time is one event.  Vertical forces are taken against
their mean over a quarter of a second; longitudinal ones as they are, for they have steps, and a
step less its own mean looks like a cycle.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs, sampling_interval
from recon.base.late import xr
from recon.conditioning.filters import low_pass
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.launch.oscillation import FEWEST_FITTED, Band, Oscillation, oscillations
from recon.evaluation.sections.find_sections import sections_of

Mask = NDArray[np.bool_]
LOW, HIGH = 8.0, 16.0  # Hz; wheel hop of cars is at 10 to 15 Hz (common practice, no source)
USUAL = 12.0  # Hz
LEAST, CYCLES = 300.0, 3.0  # N and 1: smaller and shorter ones are not called hop
RIDE = 4.0  # Hz; slower changes of the vertical force are motion of the body
SAME = 0.25  # s; oscillations that are no further apart are one event
ABOVE_ROAD = 4.5  # times the standard deviation that the road causes
FEWEST_ROAD = 2.0  # s of driving from which the road is judged
FEWEST_REST = 1.0  # s of a launch beside hop, from which the road is judged too
NEAR, FEWEST_NEAR = 1.0, 0.3  # s before and after hop, in which the road at its ends is judged
MEDIAN_OF_NORMAL = 0.6745  # of the size of normal numbers, in standard deviations
AROUND = 20.0  # s around a launch in which the road is judged
CLEAR = 0.5  # s from a launch or shift, where its oscillations have died away
SUDDEN = 2.0  # times the least amplitude: a first half-wave that did not grow
# Standard deviations of the road by which it lifts or cancels a half-wave; no source.
MOST_ROAD = 3.0
# Of a cycle: least scatter of reversals where few are seen, and by how much a fit and a periodogram
# differ from end to end of 400 waves without any error that grow and die away.
FEW_SCATTER, UNSTEADY = 0.05, 0.016
BY_CHANCE, SEED = 1000, 20263  # draws of several ends, of which the outermost is looked for
COMPONENTS = (0, 2)  # x and z
QUANTITIES = ("start", "end", "frequency", "cycles", "largest", "mean", "growth", "decay")
# After `QUANTITIES`: amplitudes of the first and last half-wave [N], scatter of reversals [1],
# growth at the start and decay at the end, per cycle [1].
SHAPE = ("first", "last", "scatter", "rising", "falling")


@dataclass(frozen=True, slots=True)
class Hop:
    """One event of hop, by the signal (corner, component) that has most cycles."""

    start: float
    end: float
    signal: tuple[int, int]
    frequency: float
    crests: Floats  # times of the crests of that signal, (cycle,) [s]


def signals_of(time: Floats, force: Floats) -> Floats:
    """Forces (sample, corner, component) [N] of x and z in which hop is looked for, the same."""
    out = force[..., COMPONENTS].copy()
    rate = 1.0 / sampling_interval(time)
    out[..., 1] -= low_pass(out[..., 1], RIDE, rate)
    return out


def road_level(time: Floats, force: Floats) -> Floats:
    """Standard deviation (corner, component) [N] of both forces at 8 to 16 Hz.

    `force` (sample, corner, component) [N] are those of driving without launch and shift.
    """
    return np.asarray(np.nanstd(_banded(time, force[..., COMPONENTS]), axis=0))


def _banded(time: Floats, signals: Floats) -> Floats:
    """Part at 8 to 16 Hz of signals (sample, corner, component) [N]."""
    rate = 1.0 / sampling_interval(time)
    flat = signals.reshape(len(signals), -1)
    band = low_pass(flat, HIGH, rate) - low_pass(flat, LOW, rate)
    return np.asarray(band.reshape(signals.shape))


def found_in(
    time: Floats, signals: Floats, least: Floats
) -> dict[tuple[int, int], list[Oscillation]]:
    """Oscillations of every signal, by corner and component (0 is x, 1 is z).

    `time` (sample,) [s] and `signals` (sample, corner, component) [N] are as in `signals_of`;
    `least` (corner, component) [N] is the smallest amplitude that counts.
    """
    return {
        (k, j): oscillations(time, signals[:, k, j], Band(LOW, HIGH, float(least[k, j]), CYCLES))
        for k in range(signals.shape[1])
        for j in range(signals.shape[2])
    }


def happened(time: Floats, signals: Floats, least: Floats, busy: Mask) -> list[Hop]:
    """Events of hop: oscillations of any tyre that overlap or follow each other at once.

    `time` (sample,) [s] and `signals` (sample, corner, component) [N] are as in `signals_of`.
    `least` (corner, component) [N] is the amplitude that an oscillation must reach to be no effect
    of the road; at `busy` samples (sample,) the road cannot be judged: at rest, in the gap of a
    shift.
    """
    found = events(found_in(time, signals, np.full_like(least, LEAST)))
    if not found:
        return []
    rest = ~busy
    for event in found:
        rest &= (time < event.start - SAME) | (time > event.end + SAME)
    step = sampling_interval(time)
    if rest.sum() * step >= FEWEST_REST:
        level = np.median(np.abs(_banded(time, signals)[rest]), axis=0) / MEDIAN_OF_NORMAL
        least = np.maximum(least, ABOVE_ROAD * level)
    sure = events(found_in(time, signals, least))
    return [e for e in found if any(s.start < e.end and s.end > e.start for s in sure)]


def events(found: dict[tuple[int, int], list[Oscillation]]) -> list[Hop]:
    """Oscillations of any tyre as events: those that overlap or follow each other at once."""
    every = sorted(
        ((one, signal) for signal, some in found.items() for one in some), key=lambda x: x[0].start
    )
    groups: list[list[tuple[Oscillation, tuple[int, int]]]] = []
    for one, signal in every:
        if groups and one.start <= max(o.end for o, _ in groups[-1]) + SAME:
            groups[-1].append((one, signal))
        else:
            groups.append([(one, signal)])
    return [_event(group) for group in groups]


def _event(group: list[tuple[Oscillation, tuple[int, int]]]) -> Hop:
    longest, signal = max(group, key=lambda x: x[0].cycles)
    crest = longest.value[0] > longest.value[1]
    return Hop(
        min(one.start for one, _ in group),
        max(one.end for one, _ in group),
        signal,
        longest.frequency,
        longest.time[0 if crest else 1 :: 2],
    )


def measured(
    found: dict[tuple[int, int], list[Oscillation]], event: Hop, signals: Sequence[tuple[int, int]]
) -> Floats:
    """`QUANTITIES`, then `SHAPE`, of every signal of an event, (signal, quantity); NaN for none.

    Times [s], frequency [Hz], amplitudes [N], growth and decay per cycle as a share [1].
    """
    out = np.full((len(signals), len(QUANTITIES) + len(SHAPE)), np.nan)
    for i, signal in enumerate(signals):
        some = [o for o in found[signal] if o.end > event.start - SAME / 2
                and o.start < event.end + SAME / 2]  # fmt: skip
        if not some:
            continue
        longest = max(some, key=lambda o: o.cycles)
        swing = np.concatenate([o.swing for o in some])
        growth, decay = longest.trends()
        out[i] = (
            some[0].start,
            some[-1].end,
            longest.frequency,
            sum((o.end - o.start) * o.frequency for o in some),
            max(o.largest for o in some),
            swing.mean(),
            growth,
            decay,
            swing[0],
            swing[-1],
            longest.scatter,
            some[0].steepness()[0],
            some[-1].steepness()[1],
        )
    return out


def u_reading(quantities: Floats, least: float, road: Floats) -> Floats:
    """Standard uncertainty (quantity,) of a row of `measured` from reading reversals alone.

    An oscillation begins and ends within an eighth of a cycle; within a quarter where its last
    half-wave is small, because it dies away slowly or was cut off.  Where it dies away the `road`
    (2,) [N], at the beginning and at the end, lifts or cancels half-waves for as long as growth or
    decay takes for its size, at most a cycle.  One that dies away and is gone before it has become
    small may last until then, where the road cancels it: also at most a cycle, and not if it would
    still be large a cycle later.  One that does not die away and stops while no road could cancel
    its half-waves was cut off; not if they are small against its largest, which the road then
    lifted.  Cycles are as unsure as both ends.
    Amplitudes are read from the force alone, whose errors hold what half waves that come and go
    change.
    """
    _, _, frequency, cycles, largest, *_, first, last, scatter, rising, falling = quantities
    out = np.zeros(len(quantities))
    if np.isfinite(frequency):
        outermost, steep = np.array([first, last]), np.array([rising, falling])
        size = road / least
        # So that the road does not hide it, and within a cycle.
        dies = (steep > size) & (outermost * np.exp(-steep) < SUDDEN * least)
        cut = ~dies & (SUDDEN * outermost > largest)
        clear = np.where(cut, np.minimum(SUDDEN, 1.0 + MOST_ROAD * size), SUDDEN)
        slow, small = outermost < clear * least, outermost < SUDDEN * least
        late = np.where(dies, size / np.where(dies, steep, 1.0), 1.0)  # cycles
        rest = np.log(outermost / least) / np.where(dies, steep, np.inf) / np.sqrt(3.0)
        late = np.where(slow, late, np.minimum(rest, 1.0))
        late[np.isnan(steep)] = 0.0
        edge = np.where(small, 0.25, 0.125)  # cycles
        out[:2] = np.hypot(edge, late) / frequency
        out[2] = u_frequency(frequency, cycles, scatter)
        out[3] = frequency * np.hypot(*out[:2])
    return out


def road_beside(time: Floats, signals: Floats, event: Hop, busy: Mask) -> Floats:
    """Standard deviation (end, corner, component) [N] that the road causes before and after hop.

    `time` (sample,) [s] and `signals` (sample, corner, component) [N] are as in `signals_of`;
    `busy` samples (sample,), those of hop as well, do not count.  An end without enough samples
    takes the other one, and both what is the least to be told from the road.
    """
    banded, step, out = _banded(time, signals), sampling_interval(time), []
    for away in (event.start - time, time - event.end):
        beside = (away > 0) & (away < NEAR) & ~busy
        enough = beside.sum() * step >= FEWEST_NEAR
        out.append(np.std(banded[beside], axis=0) if enough else np.full(signals.shape[1:], np.nan))
    known = np.array(out)
    return np.nan_to_num(np.where(np.isnan(known), known[::-1], known), nan=LEAST / ABOVE_ROAD)


def u_frequency(frequency: float, cycles: float, scatter: float) -> float:
    """Standard uncertainty [Hz] of a frequency beside that of the force.

    Reversals that scatter, by a share of a cycle, show a wave that is not of one frequency: another
    one lies beside it, or its phase wanders.  Its frequency is as unsure as the slope through them.
    Few of them show little of their scatter.  A wave that grows and dies away has no one frequency
    either: how it is read matters, by the less the longer it lasts.
    """
    few = FEW_SCATTER if 2 * cycles < FEWEST_FITTED else 0.0
    slope = 2 * max(scatter, few) * np.sqrt(12.0 / (2 * cycles) ** 3)
    return float(frequency * np.hypot(slope, UNSTEADY / cycles))


def shared_frequency(quantities: Floats) -> Floats:
    """Share (signal,) [1] that each signal has in the frequency of its event.

    `quantities` (signal, quantity) are rows of `measured`, NaN where a signal has no hop.  The
    frequency of a wave in noise is known the better the larger and the longer it is: its variance
    goes with 1 / (amplitude^2 duration^3) (Cramer-Rao bound, from memory).  Of the signal with most
    cycles alone, chance would choose between sides that hop alike.
    """
    weight = np.nan_to_num(quantities[:, 5] ** 2 * quantities[:, 3] ** 3)
    return np.asarray(weight / weight.sum())


def outermost(ends: Estimate, way: float) -> Estimate:
    """The latest of several ends (signal,) [s], or the earliest where `way` is -1."""
    latest = ends.at(int(np.nanargmax(way * ends.value)))
    later, spread = by_chance(way * ends.value, ends.u)
    more = np.sqrt(np.maximum(spread**2 - latest.u**2, 0.0))
    return replace(latest, value=latest.value - way * later).plus_noise(more)


def by_chance(ends: Floats, u: Floats) -> tuple[float, float]:
    """How much later the latest of unsure ends (signal,) [s] is found than it is, and its u [s].

    The largest of several values with errors `u` (signal,) [s] is mostly one that is too large.
    Ends drawn once more with the same errors show by how much (parametric bootstrap), and how far
    it scatters: more than the one found latest, where another is less sure.
    """
    known = np.isfinite(ends)
    drawn = np.random.default_rng(SEED).standard_normal((BY_CHANCE, int(known.sum())))
    latest = np.max(ends[known] + u[known] * drawn, axis=1)
    return float(np.mean(latest) - np.max(ends[known])), float(np.std(latest))


def least_of(forces: xr.Dataset, sections: xr.Dataset, corners: list[int]) -> Floats:
    """Smallest amplitudes (corner, component) [N] that are called hop, for x and z.

    `LEAST`, or `ABOVE_ROAD` times what the road causes within `AROUND` of the launches, where the
    drive has at least `FEWEST_ROAD` of driving beside launches and shifts.
    """
    time = forces["elapsed_time"].to_numpy()
    starts, busy = sections_of(sections, "launch"), np.zeros(len(time), dtype=bool)
    near = np.zeros(len(time), dtype=bool)
    for one in starts:
        near |= np.abs(time - one.start) < AROUND
    for one in sections_of(sections, "launch", "shift", "standstill"):
        busy |= (time > one.start - CLEAR) & (time < one.end + CLEAR)
    rate = float(forces.attrs["rate_Hz"])
    out = np.full((len(corners), len(COMPONENTS)), LEAST)
    free = near & ~busy
    if free.sum() < FEWEST_ROAD * rate:
        return out
    force = forces["tyre_force_intermediate"].to_numpy()
    levels = [
        road_level(time[a:b], force[a:b, corners].astype(float))
        for a, b in runs(free)
        if b - a >= FEWEST_ROAD * rate
    ]
    return np.maximum(out, ABOVE_ROAD * np.max(levels, axis=0)) if levels else out


def without_accelerometer(forces: xr.Dataset, corners: Iterable[int]) -> list[str]:
    """Names of those `corners` whose hub has no accelerometer."""
    logged = forces["hub_acceleration"].to_numpy() if "hub_acceleration" in forces else None
    names = forces["corner"].to_numpy()
    return [str(names[k]) for k in corners
            if logged is None or not np.isfinite(logged[:, k, 2]).any()]  # fmt: skip


def hidden(forces: xr.Dataset, corners: list[int], happened: list[Hop]) -> list[str]:
    """Sentence on the inertia of the wheel, in newtons, where the hub has no accelerometer."""
    names = without_accelerometer(forces, corners)
    if not names:
        return []
    frequency = float(np.median([event.frequency for event in happened] or [USUAL]))
    mass = float(np.mean(forces["unsprung_mass"].to_numpy()[corners]))
    per_mm = mass * (2 * np.pi * frequency) ** 2 * 1e-3
    return [
        f"amplitude of hop without the inertia of the wheel: {' and '.join(names)} have no "
        f"accelerometer at the hub; at {frequency:.1f} Hz each millimetre of hop turns "
        f"{per_mm:.0f} N of a {mass:.0f} kg wheel into inertia that only travel, or nothing, "
        "shows; log the acceleration of the hub (channel hub_acceleration)"
    ]
