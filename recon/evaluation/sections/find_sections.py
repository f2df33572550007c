"""Sections of a drive: standstill, launch, shift, stop, corner, slalom, straight, wheel lift.

They are found in the forces and in whatever ordinary channels there are, or given by hand.  All
answers take sections, so that a number always says where in the drive it comes from.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import chain, count

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import Variable, require, stamped
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.base.words import enumerated
from recon.evaluation.common.answer_labels import answer_attributes
from recon.evaluation.sections.car_motion import Course, course_of
from recon.evaluation.sections.detection import (
    Stretch,
    launches,
    shifts,
    standstills,
    stops,
    straights,
    thirds,
    turns,
    without_force,
)
from recon.evaluation.sections.stated_sections import BY_HAND, placed, refuse_other_side
from recon.evaluation.sections.wheel_lifts import KINDS as LIFT_KINDS
from recon.evaluation.sections.wheel_lifts import NOTHING, Lift, lifts_of
from recon.records.forces import nothing_known, require_answerable
from recon.records.sheets import GivenSection

KINDS = (
    *("standstill", "launch", "shift", "straight braking"),
    *("left corner", "right corner", "corner entry", "corner middle", "corner exit"),
    *("slalom", "straight", "part"),
)
CORNER = ("left corner", "right corner")
_ROW, _LIFT = ("section",), ("lift",)
SECTIONS: dict[str, Variable] = {
    "section": Variable(_ROW, "name of the section", kind="word"),
    "section_kind": Variable(_ROW, "kind of section", kind="word", words=KINDS),
    "section_start": Variable(_ROW, "elapsed time of the first sample", "s"),
    "section_end": Variable(_ROW, "elapsed time of the last sample", "s"),
    "u_section_start": Variable(_ROW, "standard uncertainty of the start", "s", least=0.0),
    "u_section_end": Variable(_ROW, "standard uncertainty of the end", "s", least=0.0),
    "section_reason": Variable(_ROW, "why the section was taken", kind="word"),
    "section_undecided": Variable(
        _ROW, "what could not be decided, for lack of which channel", kind="word"
    ),
    "section_parent": Variable(
        _ROW,
        "position of the section that this is a part of, -1 for none",
        "1",
        kind="whole",
        least=-1,
    ),
    "lift_corner": Variable(_LIFT, "wheel that left the ground", kind="word", words=CORNERS),
    "lift_kind": Variable(
        _LIFT,
        f"off the ground (surely below {100 * NOTHING:.0f} % of its mean load), or so light that "
        "it may have been",
        kind="word",
        words=LIFT_KINDS,
    ),
    "lift_start": Variable(_LIFT, "elapsed time at which its load vanished", "s"),
    "lift_end": Variable(_LIFT, "elapsed time at which it came back", "s"),
    "u_lift_start": Variable(_LIFT, "standard uncertainty of the start of the lift", "s"),
    "u_lift_end": Variable(_LIFT, "standard uncertainty of the end of the lift", "s"),
}
MAKE_AGAIN = "Pass what `sections` returns, or leave it out: sections are then found."
NEEDED = (
    *("tyre_force", "u_tyre_force", "u_tyre_force_random"),
    *("tyre_force_intermediate", "u_tyre_force_intermediate"),
)


@dataclass(frozen=True, slots=True)
class Section:
    """One section of a drive; `start` and `end` [s] are its first and last sample."""

    name: str
    kind: str
    start: float
    end: float
    parent: str = ""  # name of the section that it is a part of
    by_hand: bool = False
    undecided: str = ""

    def slice_of(self, time: Floats) -> slice:
        """Samples of the section in `time` (sample,) [s]."""
        first = int(np.searchsorted(time, self.start - 1e-9))
        return slice(first, int(np.searchsorted(time, self.end + 1e-9)))


def find_sections(forces: xr.Dataset, given: Sequence[GivenSection] | None = None) -> xr.Dataset:
    """Sections of a drive and lifts of its wheels.

    Kinds of sections that are `given` by hand are not searched for; if parts of the drive are
    given, the search stays inside them.

    Returns `section_kind`, `section_start`, `section_end` [s] and companions (section,);
    `lift_corner`, `lift_start`, `lift_end` [s] with `u_` (lift,).

    Raises DataError: no result of `reconstruct`, nothing of it is known, or a given section has no
    sample or is a corner to the other side.
    """
    require_answerable(forces, *NEEDED)
    course = course_of(forces)
    if not (np.isfinite(course.along).any() or np.isfinite(course.sideways).any()):
        what = "no longitudinal or lateral force of any corner is known"
        raise nothing_known(forces, what, "one tyre with its horizontal or vertical forces")
    by_hand = placed(given or (), forces)
    refuse_other_side(given or (), by_hand, course)
    found = by_hand + _found(course, forces, by_hand)
    found.sort(key=lambda s: (s.first, -s.last))
    rows, lifts = _with_parts(found, course), lifts_of(forces)
    labels = {"section": np.asarray(_names(rows), dtype=str)}
    attributes = answer_attributes(
        forces,
        "Sections",
        gate=f"accelerations from the {course.source}",
        not_given=_not_given(course, forces),
    )
    columns = _columns(rows, course) | _lift_columns(lifts)
    return xr.Dataset(
        stamped(SECTIONS, columns), coords=stamped(SECTIONS, labels), attrs=attributes
    )


def _found(course: Course, forces: xr.Dataset, by_hand: list[Stretch]) -> list[Stretch]:
    """Sections of the kinds that were not given, inside the parts that were."""
    gear = forces["gear"].to_numpy().astype(float) if "gear" in forces else None
    found = [*standstills(course), *launches(course), *shifts(course, gear), *stops(course)]
    found += turns(course)
    taken = [s for s in found if s.kind != "shift"]
    found += straights(course, taken)
    kinds = {stretch.kind for stretch in by_hand} - {"part"}
    if kinds & set(CORNER):
        kinds |= set(CORNER)
    kept = [s for s in found if s.kind not in kinds]
    parts = [s for s in by_hand if s.kind == "part" and s.reason == BY_HAND]
    if not parts:
        return kept
    return [s for s in kept if any(p.first <= s.first and s.last <= p.last for p in parts)]


def _with_parts(found: list[Stretch], course: Course) -> list[Stretch]:
    """The same with entry, middle and exit after each corner, and shifts inside of launches."""
    out: list[Stretch] = []
    turned = np.isfinite(course.sideways).any()
    for stretch in found:
        place = len(out)
        if stretch.kind == "shift":
            around = (i for i, s in enumerate(out) if s.kind == "launch" and stretch.last <= s.last)
            out.append(replace(stretch, parent=next(around, -1)))
            continue
        out.append(stretch)
        if stretch.kind in CORNER and turned:
            reason = "by the lateral force: before, in and after its highest stretch"
            for kind, a, b in thirds(course, stretch):
                out.append(Stretch(kind, a, b, reason, parent=place))
    return out


def _names(rows: list[Stretch]) -> list[str]:
    """Name of each section: as given, or its kind and a number; every name once.

    Parts of a corner carry the corner's name.
    """
    counts: Counter[str] = Counter()
    names: list[str] = []
    for row in rows:
        word = "corner" if row.kind in CORNER else row.kind
        counts[word] += 1
        if row.parent >= 0 and row.kind != "shift":
            names.append(f"{names[row.parent]}, {row.kind.removeprefix('corner ')}")
            continue
        side = f" ({row.kind.split()[0]})" if row.kind in CORNER else ""
        own = row.name or f"{word} {counts[word]}{side}"
        again = (f"{own} ({k})" for k in count(2))
        names.append(next(name for name in chain([own], again) if name not in names))
    return names


def _columns(rows: list[Stretch], course: Course) -> dict[str, np.ndarray]:
    time = course.time
    first = np.array([row.first for row in rows], dtype=int)
    last = np.array([row.last - 1 for row in rows], dtype=int)
    return {
        "section_kind": np.array([row.kind for row in rows], dtype=str),
        "section_start": time[first] if rows else np.empty(0),
        "section_end": time[last] if rows else np.empty(0),
        "u_section_start": np.array([_u_edge(course, r, r.first) for r in rows], dtype=float),
        "u_section_end": np.array([_u_edge(course, r, r.last - 1) for r in rows], dtype=float),
        "section_reason": np.array([row.reason for row in rows], dtype=str),
        "section_undecided": np.array([row.undecided for row in rows], dtype=str),
        "section_parent": np.array([row.parent for row in rows], dtype=np.int32),
    }


def _u_edge(course: Course, row: Stretch, at: int) -> float:
    """Standard uncertainty of an edge [s]: that of the acceleration over its slope, and a step."""
    step = 1.0 / course.rate
    if row.kind in ("standstill", "part") or row.name:
        return step / np.sqrt(12.0)
    sideways = "corner" in row.kind or row.kind == "slalom"
    value, u = (course.sideways, course.u_sideways) if sideways else (course.along, course.u_along)
    around = slice(max(at - 2, 0), at + 3)
    away = course.time[around] - course.time[around].mean()
    slope = abs(float(away @ value[around] / (away @ away)))
    return float(np.hypot(u[at] / max(slope, 0.5), step / np.sqrt(12.0)))


def _lift_columns(lifts: list[Lift]) -> dict[str, np.ndarray]:
    fields = ("start", "end", "u_start", "u_end")
    names = ("lift_start", "lift_end", "u_lift_start", "u_lift_end")
    columns = {
        name: np.array([getattr(lift, f) for lift in lifts], dtype=float)
        for name, f in zip(names, fields, strict=True)
    }
    words = {
        f"lift_{name}": np.array([getattr(lift, name) for lift in lifts], dtype=str)
        for name in ("corner", "kind")
    }
    return words | columns


def _not_given(course: Course, forces: xr.Dataset) -> Iterable[str]:
    """Kinds that cannot be told, each with the channel that would."""
    if not course.has_speed:
        yield "standstill: neither speed nor wheel speeds are logged; log one of them"
    if not np.isfinite(course.sideways).any():
        yield "corners and slaloms: no lateral force is known; gauge the links that carry it"
    if not np.isfinite(course.along).any():
        yield "launches, shifts and stops: no longitudinal force is known"
    else:
        yield from without_force(course, "launches, shifts and stops")
    if not np.isfinite(forces["tyre_force"].to_numpy()[..., 2]).any():
        yield "wheel lifts: no vertical force is known; gauge the spring's support"


def in_parts(time: Floats, sections: xr.Dataset | None) -> NDArray[np.bool_]:
    """Samples at `time` (sample,) [s] inside the parts given by hand; all if there are none."""
    return _inside(time, [] if sections is None else sections_of(sections, "part"))


def _inside(time: Floats, stretches: Iterable[Section]) -> NDArray[np.bool_]:
    """Samples (sample,) inside of any of the stretches; all if there are none."""
    slices = [stretch.slice_of(time) for stretch in stretches]
    inside = np.full(len(time), not slices)
    for own in slices:
        inside[own] = True
    return inside


def searched(time: Floats, sections: xr.Dataset, *kinds: str) -> tuple[str, NDArray[np.bool_]]:
    """Names, for messages, and samples (sample,) of sections of these kinds by hand.

    All samples, and no name, if none was given.
    """
    given = [section for section in sections_of(sections, *kinds) if section.by_hand]
    names = f", {enumerated(s.name for s in given)} by hand" if given else ""
    return names, _inside(time, given)


def passed_over(sections: xr.Dataset, taken: Iterable[str], least: str, *kinds: str) -> list[str]:
    """A sentence on sections of these kinds by hand that are not `taken`, for want of `least`."""
    given = [section.name for section in sections_of(sections, *kinds) if section.by_hand]
    lost = [name for name in given if name not in set(taken)]
    if not lost:
        return []
    return [f"{enumerated(lost)}: less than {least} in the times given by hand. Correct them"]


def sections_of(sections: xr.Dataset, *kinds: str) -> list[Section]:
    """Sections of some kinds, all of them if none is named; `corner` means both sides.

    Raises DataError: the dataset holds no sections.
    """
    names = [name for name in SECTIONS if name.startswith("section")]
    require(sections, SECTIONS, names, MAKE_AGAIN)
    wanted = {k for kind in kinds for k in (CORNER if kind == "corner" else (kind,))}
    columns = {name: sections[name].to_numpy() for name in names}
    out = []
    for i, kind in enumerate(columns["section_kind"]):
        if wanted and kind not in wanted:
            continue
        parent = int(columns["section_parent"][i])
        out.append(
            Section(
                str(columns["section"][i]),
                str(kind),
                float(columns["section_start"][i]),
                float(columns["section_end"][i]),
                str(columns["section"][parent]) if parent >= 0 else "",
                str(columns["section_reason"][i]) == BY_HAND,
                str(columns["section_undecided"][i]),
            )
        )
    return out
