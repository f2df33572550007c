"""One gear shift measured: gap of the driving force, impulse lost, and what follows it.

The gap begins where the force falls below 90 % of that before, and ends where it rises above
10 % of that after: there the drive is back.  What was lost is counted from the beginning until
90 % of the force after is reached, against a straight line from the force before to that after.

A low-pass moves the passage of a level up a sudden step by a share of the period of its bandwidth,
and up a slow rise hardly.  At half the bandwidth a passage moves once more by that much, or hardly
again: between nothing and all of that is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats, sampling_interval
from recon.conditioning.filters import low_pass
from recon.evaluation.common.alternatives import DRAWS, Drive
from recon.evaluation.common.estimate import Estimate, stacked
from recon.evaluation.launch import hop
from recon.evaluation.launch.drive_force import RISE, U_TIME, crossing, integral, u_crossing
from recon.evaluation.launch.driven_tyres import DrivenTyres
from recon.evaluation.launch.oscillation import Band, Oscillation, decaying_wave, oscillations
from recon.evaluation.sections.find_sections import Section

BEFORE = (0.3, 0.03)  # s before the gap between which the force before is read
AFTER = (0.1, 0.5)  # s after the gap between which the force after is read
AROUND = 0.6  # s before a gap that are looked at
FOLLOWS = 2.0  # s after a gap in which an oscillation belongs to it
OVERSHOOT = 0.4  # s after the force is back, in which it may overshoot
HALF = 0.5
SHUFFLE = Band(2.0, hop.LOW, 150.0, 1.5)  # Hz; usual for a driveline (common practice, no source)
LEFT_OF_HOP = 0.25  # of its amplitude, below which nothing slower is told from it
# Of a period of the bandwidth, beside that, by steps and ramps of up to 60 ms; and the same where a
# gap is shorter than `SHORT` such periods, so that its ends reach into each other.
U_SMOOTHED, U_SHORT, SHORT = 0.025, 0.1, 1.2
U_EVEN = 1.0 / np.sqrt(12.0)  # of the width of an even distribution
U_UNSEEN = 0.5 / np.sqrt(DRAWS + 2)  # cycles: half a cycle in one of two draws more
QUANTITIES = (
    *("gap_start", "gap_end", "time_below_half"),
    *("force_before", "force_after", "impulse_lost", "overshoot"),
)
TIMES = 3  # of these
# Of shuffle, then of hop; `reading` is the uncertainty of the frequency beside that of the force.
AFTERWARDS = ("frequency", "amplitude", "cycles", "decay", "reading")
FREQUENCY, READING = AFTERWARDS.index("frequency"), AFTERWARDS.index("reading")


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift: `QUANTITIES` of all driven tyres together, then the impulse lost by each.

    `afterwards` holds `AFTERWARDS` of the shuffle and of the hop that follow, in Hz, N, 1 and
    per cycle.  `limit` [s] is where what follows belongs to something else.
    """

    section: Section
    quantities: Estimate
    afterwards: Estimate
    limit: float
    samples: int


@dataclass(frozen=True, slots=True)
class _Gap:
    """Times [s] and forces [N] of a gap; `fallen` and `risen` are the passages of half.

    `end` and `back` are NaN where the force after is not known.
    """

    start: float
    fallen: float
    risen: float
    end: float
    back: float
    before: float
    after: float


def measure(
    drive: Drive, tyres: DrivenTyres, section: Section, limit: float, bandwidth: float
) -> Shift:
    """Measure the shift of a section; what follows it is looked at up to `limit` [s].

    Forces are read at `bandwidth` [Hz], times at all that the forces have.
    """
    limit = min(limit, section.end + FOLLOWS)
    alternatives, step = tyres.between(drive, section.start - AROUND, limit, bandwidth, "x")
    t = alternatives.time

    def quantities(force: Floats) -> Floats:
        driven = force[:, tyres.corners, 0]
        total = driven.sum(axis=1)
        gap = _gap(t, total, section)
        return np.concatenate(
            [_gap_quantities(t, driven, section, gap), _follows(t, total, section, gap)]
        )

    every = alternatives.estimate(quantities)
    count = len(QUANTITIES) - TIMES + len(tyres.corners)
    afterwards = every.at(slice(count, None))
    known = np.isfinite(alternatives.best[:, tyres.corners, 0]).all(axis=1)
    return Shift(
        section,
        stacked(_times(drive, tyres, section, limit), every.at(slice(0, count))),
        afterwards.plus_noise(u_following(afterwards)),
        limit,
        int(known.sum()) * step,
    )


def _times(drive: Drive, tyres: DrivenTyres, section: Section, limit: float) -> Estimate:
    """`TIMES` of a gap [s] at the bandwidth of the forces, corrected for what that moves."""
    band, end = drive.bandwidth, section.end + AFTER[1]
    alternatives, _ = tyres.between(drive, section.start - AROUND, end, band, "x")
    t = alternatives.time
    own = t <= limit

    def times(total: Floats) -> Floats:
        gap = _gap(t[own], total[own], section)
        if gap is None:
            return np.full(TIMES, np.nan)
        return np.array([gap.start, gap.end, gap.risen - gap.fallen])

    found = alternatives.estimate(lambda force: times(force[:, tyres.corners, 0].sum(axis=1)))
    total = alternatives.best[:, tyres.corners, 0].sum(axis=1, keepdims=True)
    smoother = times(low_pass(total, band / 2, 1.0 / sampling_interval(t))[:, 0])
    moved = np.nan_to_num(smoother - found.value)
    beside = (U_SMOOTHED if found.value[-1] * band > SHORT else U_SHORT) / band
    reading = np.hypot(u_crossing(t, band), U_TIME)
    reading_each = [reading, reading, u_crossing(t, band, halfway=True)]
    u = np.sqrt((U_EVEN * moved) ** 2 + beside**2 + np.square(reading_each))
    return replace(found, value=found.value - moved / 2).plus_noise(u)


def _gap_quantities(time: Floats, force: Floats, section: Section, gap: _Gap | None) -> Floats:
    """Rest of `QUANTITIES` of the sum of `force` (sample, tyre) [N]; impulse lost by each tyre."""
    total = force.sum(axis=1)
    if gap is None:
        return np.full(len(QUANTITIES) - TIMES + force.shape[1], np.nan)
    back = (time >= gap.back) & (time <= gap.back + OVERSHOOT)
    each = [_lost(time, column, section, gap) for column in force.T]
    over = total[back].max() - gap.after if back.any() else np.nan
    return np.array([gap.before, gap.after, sum(each), over, *each])


def _levels(time: Floats, force: Floats, section: Section) -> tuple[float, float]:
    """Force before and after a gap (medians) [N]; the one after is NaN where `time` ends."""
    ahead = (time >= section.start - BEFORE[0]) & (time <= section.start - BEFORE[1])
    later = (time >= section.end + AFTER[0]) & (time <= section.end + AFTER[1])
    return (
        float(np.median(force[ahead])) if ahead.any() else np.nan,
        float(np.median(force[later])) if later.any() else np.nan,
    )


def _gap(time: Floats, total: Floats, section: Section) -> _Gap | None:
    """The gap of the force (sample,) [N] of all driven tyres; None where there is none."""
    before, after = _levels(time, total, section)
    middle = int(np.searchsorted(time, (section.start + section.end) / 2))
    above = np.flatnonzero(total[:middle] >= HALF * before)
    over = np.flatnonzero(total[middle:] >= HALF * before)
    if not above.size or not over.size or not before > 0:
        return None
    fall, rise = int(above[-1]) + 1, middle + int(over[0])
    if fall == rise:  # no sample below half
        return None
    full = np.flatnonzero(total[:fall] >= RISE[1] * before)
    if not full.size:
        return None
    end, back = _return(time, total, rise, after)
    return _Gap(
        crossing(time, total, RISE[1] * before, int(full[-1]) + 1),
        crossing(time, total, HALF * before, fall),
        crossing(time, total, HALF * before, rise),
        end,
        back,
        before,
        after,
    )


def _return(time: Floats, total: Floats, rise: int, after: float) -> tuple[float, float]:
    """Times [s] at which a tenth of the force after and nine tenths of it are back, else NaN."""
    gone = np.flatnonzero(total[:rise] <= RISE[0] * after)
    if not after > 0 or not gone.size:
        return np.nan, np.nan
    back = rise + int(np.argmax(total[rise:] >= RISE[1] * after))
    return (
        crossing(time, total, RISE[0] * after, int(gone[-1]) + 1),
        crossing(time, total, RISE[1] * after, back),
    )


def _lost(time: Floats, force: Floats, section: Section, gap: _Gap) -> float:
    """Impulse [N s] that a force (sample,) [N] lost against a straight line across the gap."""
    before, after = _levels(time, force, section)
    own = float(integral(time, force, gap.start, gap.back))
    return (gap.back - gap.start) * (before + after) / 2 - own


def _follows(time: Floats, total: Floats, section: Section, gap: _Gap | None) -> Floats:
    """`AFTERWARDS` of the shuffle and of the hop of the force (sample,) [N] of all driven tyres."""
    later = time >= (section.end if gap is None or np.isnan(gap.back) else gap.back)
    rate = 1.0 / sampling_interval(time)
    hopping = oscillations(
        time[later], total[later], Band(hop.LOW, hop.HIGH, hop.LEAST, hop.CYCLES)
    )
    slow = low_pass(total[:, None], SHUFFLE.high, rate)[:, 0]
    # The filter leaves a tenth of hop, whose beginning and end would look like shuffle.
    least = max([SHUFFLE.least, *(LEFT_OF_HOP * one.largest for one in hopping)])
    shuffling = oscillations(time[later], slow[later], replace(SHUFFLE, least=least))
    shuffle = _first(shuffling)
    if shuffling and not hopping:
        # The filter carries the step of the force into the first half-wave, which then looks short.
        frequency, u = decaying_wave(time[later], total[later], shuffling[0].time)
        if np.isfinite(frequency):
            shuffle[FREQUENCY], shuffle[READING] = frequency, u
    return np.concatenate([shuffle, _first(hopping)])


def _first(found: list[Oscillation]) -> Floats:
    if not found:
        return np.full(len(AFTERWARDS), np.nan)
    one = found[0]
    reading = hop.u_frequency(one.frequency, one.cycles, one.scatter)
    return np.array([one.frequency, one.largest, one.cycles, one.trends()[1], reading])


def u_following(afterwards: Estimate) -> Floats:
    """Standard uncertainty of `AFTERWARDS`, twice, from reading them, beside the forces' errors.

    Shape (2 n,), in the units of `AFTERWARDS` [Hz, N, 1, 1, Hz].

    These change a count by whole half cycles, and so hold what rounding does to it.  A change that
    no draw of the noise shows may still happen: by the rule of succession (Laplace, from memory) as
    often as once in two draws more.
    """
    out = np.zeros(len(afterwards.value))
    for first in (0, len(AFTERWARDS)):
        frequency, _, _, _, reading = afterwards.value[first : first + len(AFTERWARDS)]
        if np.isfinite(frequency):
            counted = first + AFTERWARDS.index("cycles")
            out[first] = reading
            out[counted] = np.sqrt(max(U_UNSEEN**2 - afterwards.u[counted] ** 2, 0.0))
    return out
