"""Launch: how hard each driven tyre pushed, where it slipped and caught, and wheel hop.

Gate: launches among the sections of the drive.  Peak, plateau, slip and catch are read before the
first shift, hop over the whole launch.  Times count from where the force of all driven tyres
together reaches a tenth of its plateau.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, NoAnswerError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.words import enumerated
from recon.evaluation.common.alternatives import drive_of
from recon.evaluation.common.answer_labels import Labelled, answer_attributes, limits, plain
from recon.evaluation.common.estimate import Estimate, combined, independent, stacked
from recon.evaluation.common.short_means import bandwidth_for
from recon.evaluation.launch import hop
from recon.evaluation.launch.best_launch import (
    Timed,
    elsewhere,
    losses,
    lost,
    refuse_unlike,
    traces,
)
from recon.evaluation.launch.drive_force import U_TIME
from recon.evaluation.launch.driven_tyres import DrivenTyres, driven_tyres, hop_unseen
from recon.evaluation.launch.one_launch import BEFORE, QUANTITIES, U_SPEED, Driven, Launch, measure
from recon.evaluation.launch.wheel_slip import Slip, has_wheel_speed, slip_of
from recon.evaluation.sections.car_motion import speed_of
from recon.evaluation.sections.detection import START_SPEED
from recon.evaluation.sections.find_sections import Section, find_sections, sections_of
from recon.records.forces import require_answerable

BANDWIDTH = 30.0  # Hz; about twice the highest frequency of wheel hop
SLIP = 15.0  # %; a tyre that slips more is past its best (common practice, no source)
DISTANCE = 20.0  # m
HOP_NEEDS = 20.0  # Hz; with less, hop at 8 to 16 Hz is damped by more than a tenth
NEEDED = ("tyre_force", "tyre_force_intermediate", "travel", "cause_name")
UNITS = dict(zip(QUANTITIES, ("N", "N", "s", "N s", "N", "s"), strict=True))
WORDS = {
    "peak_drive_force": "largest longitudinal force of the first pull",
    "plateau_drive_force": "longitudinal force on its plateau (median of the first pull)",
    "rise_time": "time in which the longitudinal force rises from 10 % to 90 % of its plateau",
    "drive_impulse": "integral of the longitudinal force over the distance",
    "load_gained": "vertical force on the plateau less that before the launch",
    "catch_time": "time after the start at which the force, after slip, is back at 95 % of its "
    "plateau",
}
HOP_WORDS = {
    "hop_begin": ("s", "elapsed time at which hop begins in this force"),
    "hop_finish": ("s", "elapsed time at which hop ends in this force"),
    "hop_frequency": ("Hz", "frequency of hop"),
    "hop_cycles": ("1", "number of cycles of hop"),
    "hop_amplitude": ("N", "largest amplitude of hop (half of crest to trough)"),
    "hop_mean_amplitude": ("N", "mean amplitude of hop"),
    "hop_growth": ("1", "growth of the amplitude per cycle up to its largest"),
    "hop_decay": ("1", "decay of the amplitude per cycle after its largest"),
}


@public
def launch(
    forces: xr.Dataset,
    *,
    sections: xr.Dataset | None = None,
    bandwidth: float = BANDWIDTH,
    slip: float = SLIP,
    distance: float = DISTANCE,
    others: Sequence[xr.Dataset] | None = None,
) -> xr.Dataset:
    """Launches of a drive: drive force, slip, catch and wheel hop of each driven tyre and axle.

    Forces are those of the road on the tyre in intermediate axes, x along the car's heading.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `find_sections` returns it; found if omitted.
    bandwidth : float
        At which forces are read, -3 dB; never more than that of the forces. [Hz]
    slip : float
        Slip above which a tyre counts as slipping. [%]
    distance : float
        Distance from the start over which impulse and time are given. [m]
    others : sequence of Dataset, optional
        Forces of other drives of the day: the best launch of all is the one to compare with.

    Returns
    -------
    Dataset
        By launch and corner, and with the prefix `axle_` by launch and axle: `peak_drive_force`,
        `plateau_drive_force` [N], `rise_time` [s], `time_in_slip` [s], `catch_time` [s after the
        start], `drive_impulse` [N s], `load_gained` [N].  By launch: `launch_start` [s],
        `time_to_distance` [s]; against the best launch `distance_lost` [m], `time_lost` [s] and
        `impulse_lost` (launch, axle) [N s]; over time since the start `best_drive_force` (corner,
        since_start) [N] and `metres_behind` (launch, since_start) [m].  `left_share` (launch, axle)
        [1].  By hop: `hop_start`, `hop_end` [s], and by corner and component `hop_frequency` [Hz],
        `hop_amplitude` [N] and companions.  All with `u_`, `_lower` and `_upper`.

    Raises
    ------
    DataError
        No forces, another drive that is this one, of other corners or doubted, an option that
        makes no sense, or a launch given by hand in which the car never stands.
    NoAnswerError
        No driven tyre whose longitudinal force is known, or no launch (also in one of the others).

    Warns
    -----
    DataWarning
        The forces have less than that bandwidth.
    """
    asked, others = _Asked(bandwidth, slip, distance), others or ()
    for other in others:
        require_answerable(other, *NEEDED)
        refuse_unlike(forces, other)
    drive = _drive_of(forces, sections, asked)
    found, car, missing = drive.found, drive.car, drive.missing
    apart = [
        Timed(one, other.car, place_of(other.car.forces))
        for other in (_drive_of(each, None, asked) for each in others)
        for one in other.found
    ]
    own = [Timed(one, car) for one in found]
    against = lost(own, apart)
    variables = _by_group(found, car.tyres) | _by_launch(found, car, missing)
    variables |= losses(against, len(found), car) | elsewhere(apart) | traces(against, own)
    variables |= _by_hop(found, car, missing) | _gaps(drive.shifts)
    return xr.Dataset(
        variables,
        coords={
            **plain("launch", [x.section.name for x in found], ("launch",), "", "launch"),
            **plain("corner", car.tyres.names, ("corner",), "", "driven corner"),
            **plain("axle", car.tyres.axles, ("axle",), "", "driven axle"),
            **plain("component", ["x", "z"], ("component",), "", "component"),
        },
        attrs=answer_attributes(
            forces,
            "Launch",
            gate=f"launches up to their first shift, forces at {car.bandwidth:g} Hz; slipping "
            f"above {slip:g} % slip",
            assumed=drive.assumed,
            not_given=missing,
        )
        | {"bandwidth_Hz": car.bandwidth, "slip_percent": slip, "distance_m": distance}
        | {"best_launch": against.best.name if against else ""},
    )


@dataclass(frozen=True, slots=True)
class _Asked:
    """Options of the user: bandwidth [Hz], slip [%], distance [m]."""

    bandwidth: float
    slip: float
    distance: float


@dataclass(frozen=True, slots=True)
class _Drive:
    """Launches of one drive, what was assumed for them, and what is not given."""

    found: list[Launch]
    car: Driven
    shifts: list[Section]
    assumed: list[str]
    missing: list[str]


def _drive_of(forces: xr.Dataset, sections: xr.Dataset | None, asked: _Asked) -> _Drive:
    require_answerable(forces, *NEEDED)
    bandwidth = bandwidth_for(forces, asked.bandwidth, "launches")
    _require_options(forces, asked.slip, asked.distance)
    tyres = driven_tyres(forces)
    sections = find_sections(forces) if sections is None else sections
    starts = sections_of(sections, "launch")
    if not starts:
        raise _no_launch(forces)
    speed = speed_of(forces)
    for one in starts:
        _require_rest(forces, speed, one)
    shifts = sections_of(sections, "shift")
    least = hop.least_of(forces, sections, tyres.corners) if bandwidth >= HOP_NEEDS else None
    missing = list(tyres.missing)
    if unsure := [one.name for one in starts if one.undecided]:
        missing.append(f"whether {enumerated(unsure)} began from rest: log speed or wheel speeds")
    slips, assumed = _slips(forces, tyres, speed, bandwidth, missing)
    if least is None:
        missing.append(hop_unseen(forces, bandwidth, "wheel hop"))
    car = Driven(
        forces, drive_of(forces), tyres, speed, slips, bandwidth, asked.slip / 100, asked.distance,
        least, _in_gap(forces, shifts),
    )  # fmt: skip
    ends = [min([x.end, *(s.start for s in shifts if x.start < s.start < x.end)]) for x in starts]
    found = [measure(car, one, end) for one, end in zip(starts, ends, strict=True)]
    return _Drive(found, car, shifts, assumed, missing)


def _require_options(forces: xr.Dataset, slip: float, distance: float) -> None:
    for name, value, high, unit in (("slip", slip, 1e3, "%"), ("distance", distance, 1e4, "m")):
        if not 0 < value < high:
            found = f"{name} = {value:g} {unit} asked for"
            needed = f"a {name} above 0 {unit} and below {high:g} {unit}"
            raise DataError(place_of(forces), found, needed, "Leave it out for the usual one.")


def _require_rest(forces: xr.Dataset, speed: Floats, start: Section) -> None:
    """Refuse a launch given by hand in which the car never stands: it has no start to count from.

    `speed` (sample,) [m/s] is that of the drive.

    Raises DataError: the car is quicker than at any start, as far as its speed is known.
    """
    time = forces["elapsed_time"].to_numpy()
    at = (time >= start.start - BEFORE) & (time <= start.end)
    slowest = float(np.min(np.abs(speed[at]), initial=np.inf))  # NaN where not known
    if START_SPEED < slowest < np.inf:
        where = f"{place_of(forces)}, section {start.name}"
        raise DataError(
            where,
            f"a launch from {start.start:g} to {start.end:g} s in which the car is never slower "
            f"than {slowest:.1f} m/s",
            f"a start from below {START_SPEED:g} m/s",
            "Correct the times in the table of sections, or call it a part.",
        )


def _no_launch(forces: xr.Dataset) -> NoAnswerError:
    return NoAnswerError(
        place_of(forces),
        "nowhere does the car start from rest and push forward",
        "a start from below 2 m/s with a forward force above 0.15 of the weight",
        "Name the launch by hand in a table of sections if there is one, and log speed.",
    )


def _slips(
    forces: xr.Dataset, tyres: DrivenTyres, speed: Floats, bandwidth: float, missing: list[str]
) -> tuple[Slip | None, list[str]]:
    """Slip of the wheels where speeds are logged, and what was assumed for it."""
    pairs = zip(tyres.corners, tyres.names, strict=True)
    without = [name for k, name in pairs if not has_wheel_speed(forces, k)]
    if without:
        missing.append(f"slip threshold needs wheel speed: {' and '.join(without)} not logged")
    if not np.isfinite(speed).any():
        missing.append("slip and distance need the speed of the car: log speed")
        return None, []
    # Receivers of satellites are often a tenth of a second late (common practice, no source).
    assumed = [
        f"speed right within {100 * U_SPEED:g} % (common practice, no source) and on time: where "
        "it is 0.1 s late, so are ends of slip and the time over the distance"
    ]
    if without:
        return None, assumed
    slips = slip_of(forces, speed, bandwidth)
    return slips, assumed + [words for k, words in slips.assumed.items() if k in tyres.corners]


def _in_gap(forces: xr.Dataset, shifts: list[Section]) -> NDArray[np.bool_]:
    """Samples in and near the gap of a shift, (sample,)."""
    time = forces["elapsed_time"].to_numpy()
    out = np.zeros(len(time), dtype=bool)
    for one in shifts:
        out |= (time > one.start - hop.SAME) & (time < one.end + hop.SAME)
    return out


def _by_group(found: list[Launch], tyres: DrivenTyres) -> Labelled:
    out: Labelled = {}
    count, groups, each = len(tyres.names), len(tyres.groups), len(QUANTITIES)
    for prefix, dim, places in (
        ("", "corner", range(count)),
        ("axle_", "axle", range(count, groups)),
    ):
        shape, dims = (len(found), len(places)), ("launch", dim)
        if not places:
            continue
        for j, name in enumerate(QUANTITIES):
            chosen = [i * each + j for i in places]
            values = stacked(*(one.quantities.at(chosen) for one in found))
            words = f"{WORDS[name]}, by {dim}"
            out |= limits(prefix + name, values, dims, UNITS[name], words, shape)
        slipping = stacked(*(one.in_slip.at(list(places)) for one in found))
        words = f"time in slip before the first shift, by {dim}"
        out |= limits(f"{prefix}time_in_slip", slipping, dims, "s", words, shape)
    return out


def _by_launch(found: list[Launch], car: Driven, missing: list[str]) -> Labelled:
    """Start, time to the distance, distance lost, left share of every axle."""
    place = len(car.tyres.groups) * len(QUANTITIES)
    start = stacked(*(one.quantities.at(place) for one in found)).plus_noise(U_TIME)
    out = limits("launch_start", start, ("launch",), "s", "start of the launch, elapsed time")
    last = [x.window.end for x in found]
    out |= plain("launch_end", last, ("launch",), "s", "end of the launch, elapsed time")
    if car.tyres.axles:
        share = stacked(*(one.quantities.at(slice(place + 1, None)) for one in found))
        words = "share of the left tyre in the impulse of its axle"
        shape = (len(found), len(car.tyres.axles))
        out |= limits("left_share", share, ("launch", "axle"), "1", words, shape)
    took = np.array([one.window.passed - one.window.start for one in found])
    speed = np.isfinite(car.speed).any()
    if np.isnan(took).all():
        missing.append(
            f"impulse, time and distance lost at {car.distance:g} m: "
            + ("never that far; ask for less" if speed else "log speed or wheel speeds")
        )
    u_took = np.hypot(start.u, [one.window.u_passed for one in found])
    words = f"time from the start over {car.distance:g} m"
    out |= limits("time_to_distance", independent(took, u_took), ("launch",), "s", words)
    words = "samples of the launch whose forces are known"
    return out | plain("samples", [x.samples for x in found], ("launch",), "1", words)


def _gaps(shifts: list[Section]) -> Labelled:
    text = "elapsed time at which the drive force is below half of that before, {} of the gap"
    starts, ends = ([getattr(one, end) for one in shifts] for end in ("start", "end"))
    return plain("gap_start", starts, ("gap",), "s", text.format("start")) | plain(
        "gap_end", ends, ("gap",), "s", text.format("end")
    )


def _by_hop(found: list[Launch], car: Driven, missing: list[str]) -> Labelled:
    """Events of hop, and their quantities by corner and component."""
    out: Labelled = {}
    happened = [(i, e, event) for i, x in enumerate(found) for e, event in enumerate(x.events)]
    rows, each = len(happened), len(hop.QUANTITIES) + len(hop.SHAPE)
    corners, axles = len(car.tyres.names), len(car.tyres.axles)
    signals = corners * 2
    names = np.array([found[i].section.name for i, _, _ in happened], dtype=str)
    out |= plain("hop_launch", names, ("hop",), "", "launch in which the hop was")
    crests = np.full((rows, max((len(e.crests) for _, _, e in happened), default=0)), np.nan)
    for row, (_, _, event) in enumerate(happened):
        crests[row, : len(event.crests)] = event.crests
    out |= plain("hop_crest", crests, ("hop", "crest"), "s", "elapsed time of each crest of hop")
    if car.least_hop is not None:
        missing += hop.hidden(car.forces, car.tyres.corners, [event for _, _, event in happened])
    if not happened:
        return out
    per_hop, per_axle = [], []
    for i, e, _ in happened:
        hopping, events = found[i].hopping, len(found[i].events)
        assert hopping is not None
        per_hop.append(hopping.at(slice(e * signals * each, (e + 1) * signals * each)))
        first = events * signals * each + e * axles * 2
        per_axle.append(hopping.at(slice(first, first + axles * 2)))
    every, shape = stacked(*per_hop), (rows, corners, 2)
    for j, (name, (unit, words)) in enumerate(HOP_WORDS.items()):
        values = every.at(list(range(j, rows * signals * each, each)))
        out |= limits(name, values, ("hop", "corner", "component"), unit, words, shape)
    if axles:
        dims = ("hop", "axle", "component")
        words = "phase by which the left side is ahead of the right"
        out |= limits("hop_phase", stacked(*per_axle), dims, "rad", words, (rows, axles, 2))
    return out | _events(every, happened, signals)


def _events(every: Estimate, happened: list[tuple[int, int, hop.Hop]], signals: int) -> Labelled:
    """Start, end, frequency and cycles of every event."""
    each = len(hop.QUANTITIES) + len(hop.SHAPE)
    starts, ends, frequencies, cycles = [], [], [], []
    for row, (_, _, event) in enumerate(happened):
        one = every.at(slice(row * signals * each, (row + 1) * signals * each))
        of = one.value.reshape(signals, each)
        starts.append(hop.outermost(one.at(slice(0, None, each)), -1.0))
        ends.append(hop.outermost(one.at(slice(1, None, each)), 1.0))
        share = hop.shared_frequency(of)
        frequencies.append(
            combined(lambda f, share=share: np.nansum(share * f), one.at(slice(2, None, each)))
        )
        cycles.append(one.at((event.signal[0] * 2 + event.signal[1]) * each + 3))
    out: Labelled = {}
    for name, found, unit, words in (
        ("hop_start", starts, "s", "elapsed time at which hop begins in any tyre"),
        ("hop_end", ends, "s", "elapsed time at which hop ends in the last tyre"),
        ("hop_event_frequency", frequencies, "Hz", "frequency of hop, weighted mean of all forces"),
        ("hop_event_cycles", cycles, "1", "cycles of hop, of the force with most cycles"),
    ):
        out |= limits(name, stacked(*found), ("hop",), unit, words)
    return out
