"""Sections of a drive in words, and a picture of them below the car's accelerations."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.sections.car_motion import course_of
from recon.evaluation.sections.find_sections import Section, sections_of
from recon.evaluation.sections.wheel_lifts import LIGHT, NOTHING
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.long_series import thinned
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import wrapped

WIDTH, MOTION, LANE = 11.0, 2.4, 0.3  # in
AROUND = Around(left=1.45, right=0.2, below=0.08, above=0.28)
AROUND_LANES = Around(left=1.45, right=0.2, below=0.45, above=0.1)
MOST_LINES = 12  # sections that are printed one by one
LANES = (
    *("part", "standstill", "launch", "shift", "straight braking", "corner", "slalom"),
    "straight",
)
LIFT = "wheel lift"


def sections_summary(answer: xr.Dataset) -> list[str]:
    """Sections counted by kind, then one by one with start and end."""
    whole = [s for s in sections_of(answer) if not s.kind.startswith("corner ")]
    counts = Counter(_lane(section.kind) for section in whole)
    lifts = int(np.sum(_off_the_ground(answer)))
    if lifts:
        counts[LIFT] = lifts
    words = [f"{n} {_plural(kind, n)}" for kind, n in counts.items()]
    lines = [f"Sections: {', '.join(words) or 'none found'}"]
    for section in whole[:MOST_LINES]:
        more = f" (undecided {section.undecided})" if section.undecided else ""
        kind = "" if _lane(section.kind) in section.name else f" ({section.kind})"
        lines.append(f"  {section.name}{kind}: {section.start:.2f} to {section.end:.2f} s{more}")
    if whole[MOST_LINES:]:
        lines.append(f"  and {len(whole) - MOST_LINES} more, in the file")
    lines += _lift_lines(answer)
    for sentence in not_given(answer):
        lines += wrapped(f"not found: {sentence}")
    return lines


def _off_the_ground(answer: xr.Dataset) -> NDArray[np.bool_]:
    """Which lifts (lift,) are sure; the wheels of others are so light that they may have been."""
    if "lift_kind" not in answer:
        return np.zeros(0, dtype=bool)
    return np.asarray(answer["lift_kind"].to_numpy() != LIGHT)


def _lift_lines(answer: xr.Dataset) -> list[str]:
    sure = _off_the_ground(answer)
    if not sure.size:
        return []
    lifts, light = int(np.sum(sure)), int(np.sum(~sure))
    counted = (
        f"  wheels off the ground (below {100 * NOTHING:.0f} % of their mean load): {lifts} times; "
        f"so light that they may have been: {light} times"
    )
    columns = [answer[f"{u}lift_{end}"].to_numpy() for end in ("start", "end") for u in ("", "u_")]
    length = np.where(sure, columns[2] - columns[0], np.nan)
    if not np.isfinite(length).any():
        return [counted]
    longest = int(np.nanargmax(length))
    start, u_start, end, u_end = (float(column[longest]) for column in columns)
    half = COVERAGE_FACTOR * float(np.hypot(u_start, u_end))
    corner = str(answer["lift_corner"].to_numpy()[longest])
    return [
        counted,
        f"  longest wheel lift: {corner} from {start:.3f} to {end:.3f} s, "
        f"{end - start:.3f} +-{half:.3f} s (95 %)",
    ]


def _lane(kind: str) -> str:
    return "corner" if kind.endswith(" corner") else kind


def _plural(kind: str, count: int) -> str:
    word = "stop" if kind == "straight braking" else kind
    ending = "es" if word.endswith("ch") else "s"
    return word if count == 1 else word + ending


@public
def plot_sections(forces: xr.Dataset, sections: xr.Dataset) -> Figure:
    """Draw the accelerations of the car over time, and a lane for each kind of section.

    `forces` is the result of the reconstruction. `sections` are those of it,
    with start and end [s] (section,).
    Raises DataError: `forces` is no result of `reconstruct`, or `sections` is none of `sections`.
    """
    require_forces(forces, "tyre_force_intermediate", "u_tyre_force_intermediate")
    require_answer(sections, "section_kind", ("section",), "sections")
    found = sections_of(sections)
    kinds = [k for k in LANES if any(_lane(s.kind) == k for s in found)]
    lanes = [*kinds, LIFT] if sections.sizes.get("lift", 0) else kinds
    title = sections_summary(sections)[0]
    footer = f"{sections.attrs['gate']}; x forward, y left"
    figure, room = new_sheet(
        (WIDTH, 1.5 + MOTION + LANE * max(len(lanes), 1)),
        title if len(title) < 110 else title[:107] + "...",
        _legend(),
        footer,
    )
    above, below = room.stack(MOTION, LANE * max(len(lanes), 1) + 0.4)
    motion = add_panel(figure, above.inside(AROUND))
    time = _draw_motion(motion, forces)
    panel = add_panel(figure, below.inside(AROUND_LANES))
    _draw_lanes(panel, found, lanes, sections)
    for each in (motion, panel):
        each.set_xlim(time[0], time[-1])
    motion.tick_params(labelbottom=False)
    return figure


def _legend() -> list[Artist]:
    return [
        line_entry(color=INK, linewidth=1.2, label="forward acceleration"),
        line_entry(color=ACCENT, linewidth=1.2, linestyle="--", label="acceleration to the left"),
        patch_entry(facecolor=PALE, edgecolor=INK, linewidth=0.6, label="section"),
        patch_entry(facecolor=MIDDLE, edgecolor=INK, linewidth=0.6, label="middle of a corner"),
    ]


def _draw_motion(panel: Axes, forces: xr.Dataset) -> Floats:
    """Draw both accelerations; return the times of the drive [s]."""
    course = course_of(forces)
    kept = thinned(np.stack([course.along, course.sideways]))
    panel.plot(course.time[kept], course.along[kept], color=INK, linewidth=1.0)
    panel.plot(
        course.time[kept], course.sideways[kept], color=ACCENT, linewidth=1.0, linestyle="--"
    )
    panel.axhline(0.0, color=MIDDLE, linewidth=0.6)
    style_panel(panel, "accelerations of the car", y="acceleration [m/s2]")
    return course.time


def _draw_lanes(panel: Axes, found: list[Section], lanes: list[str], sections: xr.Dataset) -> None:
    """Draw a bar for each section in the lane of its kind; the middle of a corner is darker."""
    places = {kind: len(lanes) - 1 - i for i, kind in enumerate(lanes)}
    for section in found:
        middle = section.kind == "corner middle"
        kind = "corner" if middle else _lane(section.kind)
        if kind not in places:
            continue
        bar = [(section.start, section.end - section.start)]
        colour = MIDDLE if middle else PALE
        panel.broken_barh(bar, (places[kind] - 0.35, 0.7), facecolor=colour, edgecolor=INK, lw=0.5)
    if LIFT in places:
        ends = np.column_stack([sections[f"lift_{end}"].to_numpy() for end in ("start", "end")])
        bars = [(start, end - start) for start, end in ends if np.isfinite(end - start)]
        panel.broken_barh(bars, (places[LIFT] - 0.35, 0.7), facecolor=ACCENT, edgecolor=ACCENT)
    style_panel(panel, "", x="elapsed time [s]")
    panel.set_yticks(list(places.values()), list(places), fontsize=SMALL)
    panel.set_ylim(-0.6, len(lanes) - 0.4)
