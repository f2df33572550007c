"""Course of a metric's quantity along the sections of a run, and how far runs spread there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, known_mean
from recon.base.late import xr
from recon.evaluation.sections.find_sections import Section

PLACES = np.linspace(0.0, 1.0, 101)  # shares of the way along a section
FEWEST = 2  # samples of a section
UNITS = {"distance": "m", "time": "s"}  # of the way, by what it is


@dataclass(frozen=True, slots=True)
class Way:
    """Way of the samples of a metric along its sections, by distance [m] or time [s].

    `section` (sample,) is the position of the section among `names`, -1 for none; `along` (sample,)
    the way since the start of that section.
    """

    names: tuple[str, ...]
    section: NDArray[np.int64]
    along: Floats
    kind: str


@dataclass(frozen=True, slots=True)
class Course:
    """Values (section, place) at equal steps of way, NaN outside of the metric's gate.

    `length` (section,) is the way from the first to the last place, in the unit of its kind.
    """

    names: tuple[str, ...]
    length: Floats
    values: Floats
    kind: str


def way_of(
    forces: xr.Dataset, at: NDArray[np.int64], sections: Sequence[Section], *, by_time: bool
) -> Way:
    """Way of samples `at` (sample,) since the start of their section, by distance [m] or time [s].

    It is the distance where speed is logged throughout, unless `by_time`.
    """
    time = forces["elapsed_time"].to_numpy()
    distance = None if by_time else _distance(forces, time)
    along, kind = (time, "time") if distance is None else (distance, "distance")
    number = np.full(len(at), -1)
    way = np.full(len(at), np.nan)
    for k, section in enumerate(sections):
        part = section.slice_of(time)
        mine = (at >= part.start) & (at < part.stop)
        number[mine] = k
        way[mine] = along[at[mine]] - along[part.start]
    return Way(tuple(s.name for s in sections), number, way, kind)


def _distance(forces: xr.Dataset, time: Floats) -> Floats | None:
    """Distance driven (sample,) [m] by the logged speed; None where it is not known throughout."""
    if "speed" not in forces or not np.isfinite(forces["speed"].to_numpy()).all():
        return None
    speed = forces["speed"].to_numpy()
    return np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))])


def course_of(values: Floats, way: Way) -> Course:
    """Course of a quantity (sample,) or (sample, wheel) [any unit], NaN where it does not count.

    Wheels that count are averaged.
    """
    single = values if values.ndim == 1 else known_mean(values)
    count = len(way.names)
    length, course = np.full(count, np.nan), np.full((count, len(PLACES)), np.nan)
    for k in range(count):
        along, own = way.along[way.section == k], single[way.section == k]
        if len(along) >= FEWEST:
            length[k] = along[-1] - along[0]
            course[k] = np.interp(along[0] + PLACES * length[k], along, own)
    return Course(way.names, length, course, way.kind)


def same_course(courses: Sequence[Course | None]) -> list[Course]:
    """Courses of all runs if they went through the same sections by the same measure, else none."""
    known = [course for course in courses if course is not None]
    if len(known) < len(courses) or len({(c.names, c.kind) for c in known}) != 1:
        return []
    return known if np.isfinite([course.length for course in known]).all() else []


def common_places(course: Floats, length: Floats) -> tuple[Floats, Floats]:
    """One section of several runs at the same places, up to the end of the shortest one.

    `course` (run, place) are the values of each run, in the unit of the metric [1], at equal steps
    of its own way of some `length` (run,) [m or s].  Returns the way (place,) [m or s] and the
    values (run, place).
    """
    way = PLACES * length.min()
    rows = [np.interp(way, PLACES * own, row) for own, row in zip(length, course, strict=True)]
    return way, np.array(rows)
