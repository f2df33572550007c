"""Visits to corners: the samples of each that count, with its entry, middle and exit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import runs
from recon.base.errors import NoAnswerError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.evaluation.balance.axle_sums import Positions, thinned, usable
from recon.evaluation.sections.car_motion import Course
from recon.evaluation.sections.find_sections import Section, searched, sections_of

PHASES = ("entry", "middle", "exit")
TURNS = ("corner", "slalom")
CONE = ", cone "  # between the name of a slalom and a number
SIDEWAYS, SHORTEST = 0.5, 0.4  # g, s; below it the ratio of small forces is mostly noise
LEAST = f"{SHORTEST:g} s above {SIDEWAYS:g} g sideways with known forces"
GATE = (
    f"corners and cones with more than {SIDEWAYS:g} g sideways for {SHORTEST:g} s or longer, all "
    "forces known and none at a bound"
)


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit: name, samples in the gate, and the phase of each, -1 for none.

    `every` are all samples in the gate; `at` as many of them as the bandwidth needs.
    """

    name: str
    every: Positions
    at: Positions
    phase: NDArray[np.int64]
    side: int  # 1 to the left, -1 to the right


def visits_of(forces: xr.Dataset, course: Course, sections: xr.Dataset) -> list[Visit]:
    """Visits in corners and slaloms; each cone of a slalom is one.

    Raises NoAnswerError: there is none; the message says for how long the car cornered, and how
    hard.
    """
    turning = np.abs(course.sideways) > SIDEWAYS * STANDARD_GRAVITY
    turning &= np.isfinite(course.sideways)
    counted, out = usable(forces), []
    parts = sections_of(sections, *(f"corner {phase}" for phase in PHASES))
    for section in sections_of(sections, *TURNS):
        inside = section.slice_of(course.time)
        found = [
            np.arange(a, b) + inside.start
            for a, b in runs(turning[inside])
            if b - a >= SHORTEST * course.rate
        ]
        slalom = section.kind == "slalom"
        groups = found if slalom else [np.concatenate(found)] if found else []
        for number, group in enumerate(groups, start=1):
            every = group[counted[group]]
            if len(every) < SHORTEST * course.rate:
                continue
            name = f"{section.name}{CONE}{number}" if slalom else section.name
            at = thinned(every, course.rate)
            phase = _phase(at, course, [part for part in parts if part.parent == section.name])
            side = int(np.sign(course.sideways[every].mean()))
            out.append(Visit(name, every, at, phase, side))
    if not out:
        raise _no_visit(forces, course, turning & counted, sections)
    return out


def _phase(at: Positions, course: Course, parts: list[Section]) -> NDArray[np.int64]:
    """Position in `PHASES` of every sample, -1 for none."""
    out = np.full(len(at), -1)
    for part in parts:
        inside = part.slice_of(course.time)
        own = (at >= inside.start) & (at < inside.stop)
        out[own] = PHASES.index(part.kind.removeprefix("corner "))
    return out


def _no_visit(
    forces: xr.Dataset, course: Course, counted: NDArray[np.bool_], sections: xr.Dataset
) -> NoAnswerError:
    names, inside = searched(course.time, sections, *TURNS)
    lasted = max((b - a for a, b in runs(counted & inside)), default=0) / course.rate
    size = np.abs(course.sideways[inside])
    hardest = np.nanmax(size) / STANDARD_GRAVITY if np.isfinite(size).any() else np.nan
    return NoAnswerError(
        f"{place_of(forces)}{names}",
        f"only {lasted:.1f} s at a time above {SIDEWAYS:g} g sideways with known forces "
        f"(hardest {hardest:.2f} g)",
        f"a corner or cone with {SHORTEST:g} s of it",
        "Drive a corner harder or longer, or ask for friction use, which has no such gate.",
    )
