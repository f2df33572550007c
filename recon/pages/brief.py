"""A drive in brief: one line for each part of the page, with its finding."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from recon.base.arrays import runs
from recon.base.errors import ReconError
from recon.base.labelled import corner_names, sentences_of
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.evaluation.sections.wheel_lifts import OFF
from recon.pages.calibration import age, named
from recon.pages.peaks import AXLE, BANDWIDTH, Peak, largest_forces
from recon.pages.shown_answers import Shown
from recon.records.doubt_variables import doubts_in
from recon.report.answers.sections import sections_summary

LIFTS = 4  # of the longest that are named
STOPS = 8  # of a drive that are all named; of more, those that left most unused
MOVING = 2.0  # m/s
LOCKED = 0.05  # s; shorter is the resolution of a wheel speed


def brief(
    forces: xr.Dataset, sections: xr.Dataset, shown: Iterable[Shown], facts: dict[str, list[str]]
) -> list[dict[str, Any]]:
    """Lines with a name, the place on the page, words, and times worth a look."""
    answers = list(shown)
    lines = [
        _line("Sections", "sections", sections_summary(sections)[0].partition(": ")[2]),
        _largest(largest_forces(forces), min(BANDWIDTH, float(forces.attrs["bandwidth_Hz"]))),
        lifted(forces, sections),
        locked(forces),
        unused(answers),
        _not_known(answers, facts),
        _line("Channels missing", "at-channels-missing", "; ".join(facts["Channels missing"])),
        _calibration(forces),
        _doubts(forces),
        _answers(answers),
    ]
    return [line for line in lines if line["words"] or line["jumps"]]


def _line(
    name: str, to: str, words: str, jumps: Iterable[tuple[str, float, str] | tuple[str, float]] = ()
) -> dict[str, Any]:
    """One line; a jump has words, a time and perhaps the force that is chosen with it."""
    times = [
        {"words": own, "time": round(time, 4), "force": "".join(force)}
        for own, time, *force in jumps
    ]
    return {"name": name, "to": to, "words": words, "jumps": times}


def _largest(peaks: list[Peak], bandwidth: float) -> dict[str, Any]:
    jumps = [(f"{p.of} {p.size:.0f} +-{p.half:.0f} N {p.way}", p.time, p.force) for p in peaks]
    axles = ", both tyres of an axle together" if any(AXLE in p.of for p in peaks) else ""
    words = f"at {bandwidth:.4g} Hz{axles}:" if jumps else "none is known"
    return _line("Largest forces", "time", words, jumps)


def lifted(forces: xr.Dataset, sections: xr.Dataset) -> dict[str, Any]:
    """Wheels off the ground, or the lightest load and where it was."""
    count = sections.sizes.get("lift", 0)
    load = forces["tyre_force"].to_numpy()[:, :, 2]
    corners = corner_names(forces)
    blind = [c for k, c in enumerate(corners) if not np.isfinite(load[:, k]).any()]
    rest = f"Not known at {', '.join(blind)}, where Fz is not known." if blind else ""
    if count:
        by = sections["lift_corner"].to_numpy()
        off = by[sections["lift_kind"].to_numpy() == OFF].tolist()
        often = (
            ", ".join(f"{c} {_times(off.count(c))}" for c in dict.fromkeys(off)) or "none surely"
        )
        if count > len(off):
            often += f"; {_times(count - len(off))} a wheel was so light that it may have been"
        start, end = (np.nan_to_num(sections[f"lift_{n}"].to_numpy()) for n in ("start", "end"))
        longest = np.argsort(start - end, kind="stable")[:LIFTS]
        jumps = [(f"{by[n]} for {end[n] - start[n]:.2f} s", start[n]) for n in longest]
        words = f"{often}. {rest}".strip() + " Longest:"
        return _line("Wheels off the ground", "sections", words, jumps)
    if len(blind) == len(corners):
        return _line("Wheels off the ground", "sections", rest)
    at, k = np.unravel_index(int(np.nanargmin(load)), load.shape)
    half = COVERAGE_FACTOR * float(forces["u_tyre_force"].to_numpy()[at, k, 2])
    least = f"{load[at, k]:.0f} +-{half:.0f} N at {corners[k]}"
    time = float(forces["elapsed_time"].to_numpy()[at])
    words = " ".join(filter(None, ("None.", rest, "Least load:")))
    return _line("Wheels off the ground", "sections", words, [(least, time)])


def locked(forces: xr.Dataset) -> dict[str, Any]:
    """Wheels that stood still while the car moved, the longest times first."""
    if "speed" not in forces:
        return _line("Wheels locked", "time", "")
    moving = forces["speed"].to_numpy() > MOVING
    locked = (forces["status"].to_numpy() & BIT["wheel_locked"]) > 0
    time = forces["elapsed_time"].to_numpy()
    found = [
        (float(time[last - 1] - time[first]), float(time[first]), str(corner))
        for k, corner in enumerate(forces["corner"].to_numpy())
        for first, last in runs(locked[:, k] & moving)
    ]
    longest = sorted((one for one in found if one[0] >= LOCKED), reverse=True)[:LIFTS]
    jumps = [(f"{corner} for {length:.2f} s", start) for length, start, corner in longest]
    return _line("Wheels locked", "time", "with the brake on:" if jumps else "", jumps)


def unused(shown: list[Shown]) -> dict[str, Any]:
    """Braking force that stops left unused: each of a few stops, the largest of many."""
    braking = [s.result for s in shown if s.answer.name == "braking"]
    if not braking or isinstance(braking[0], ReconError):
        return _line("Unused in stops", "answers", "")
    stops = braking[0]
    value, low, high = (stops[f"unused_force{end}"].to_numpy() for end in ("", "_lower", "_upper"))
    middle = (stops["stop_start"].to_numpy() + stops["stop_end"].to_numpy()) / 2
    axles = [str(axle) for axle in stops["axle"].to_numpy()]
    found = []
    for n in np.flatnonzero(np.isfinite(value).any(axis=1)):
        a = int(np.nanargmax(value[n]))
        half = (high[n, a] - low[n, a]) / 2
        sure = low[n, a] > 0
        words = f"{axles[a]} {value[n, a]:.0f} +-{half:.0f} N more"
        words = words if sure else f"{words} (perhaps none)"
        found.append((float(value[n, a]), words, float(middle[n])))
    words = "braked harder until one axle is at its limit, the other could still brake"
    if len(found) > STOPS:
        words += f", most in these of {len(found)} stops"
        found = sorted(found, reverse=True)[:STOPS]
    words = f"{words}:" if found else "no stop allows to say it"
    return _line("Unused in stops", "at-braking", words, [(own, at) for _, own, at in found])


def _not_known(shown: list[Shown], facts: dict[str, list[str]]) -> dict[str, Any]:
    """Forces without a value, and what else limits what is known, with counts."""
    words = [*facts["Not known"]]
    refused = sum(isinstance(one.result, ReconError) for one in shown)
    if refused:
        words.append(f"{refused} {'answer is' if refused == 1 else 'answers are'} not given")
    assumed = len(facts.get("Assumed", ()))
    if assumed:
        words.append(f"{assumed} {'value is' if assumed == 1 else 'values are'} assumed")
    return _line("Not known", "at-not-known", "; ".join(words))


def _beyond(forces: xr.Dataset) -> str:
    """Share of the drive above the largest pulls, for every corner that was."""
    share = 100 * ((forces["status"].to_numpy() & BIT["beyond_pulls"]) > 0).mean(axis=0)
    corners = forces["corner"].to_numpy()
    above = [f"{c} {s:.0f} %" for c, s in zip(corners, share, strict=True) if s >= 0.5]
    return (
        f" Above the largest pulls, with wider intervals: {', '.join(above)} of the drive."
        if above
        else ""
    )


def _calibration(forces: xr.Dataset) -> dict[str, Any]:
    states: dict[str, list[str]] = {}
    for corner, state in zip(
        corner_names(forces), forces["calibration_state"].to_numpy(), strict=True
    ):
        states.setdefault(str(state), []).append(corner)
    words = "; ".join(f"{', '.join(names)}: {state}" for state, names in states.items())
    made = named(forces) + age(forces)
    return _line("Calibration", "calibration", f"{words}.{_beyond(forces)} {made}".lstrip(". "))


def _doubts(forces: xr.Dataset) -> dict[str, Any]:
    doubts = doubts_in(forces)
    if doubts:
        return _line("Doubts", "facts", f"{len(doubts)}, first: {doubts[0].found}")
    made = sentences_of(forces, "compared", "; ")
    words = f"None: {len(made)} comparisons of the data with each other found no fault"
    return _line("Doubts", "facts", words if made else "None, but nothing could be compared")


def _answers(shown: list[Shown]) -> dict[str, Any]:
    refused = [s.answer.name for s in shown if isinstance(s.result, ReconError)]
    given = [s.answer.name for s in shown if s.answer.name not in refused]
    words = f"{', '.join(given) or 'none'}"
    if refused:
        words += f"; not given: {', '.join(refused)}"
    return _line("Answers", "answers", words.replace("_", " ") if shown else "")


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
