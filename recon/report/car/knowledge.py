"""Picture of how well a set of gauges determines the forces of a corner or an axle."""

from __future__ import annotations

import textwrap
from dataclasses import replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.public import public
from recon.base.quantities import MOMENT_ARM
from recon.planning.combinations import NOT_KNOWN
from recon.planning.knowledge import RANK_SHARE
from recon.planning.observability import Observability
from recon.report.car.scene import spaced
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.labels import LETTER, note
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, LOOKS, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel

NOW, WITHOUT, WITH = range(3)
# Face and hatch of the bars: present gauges, one gauge removed, one gauge added.
BARS = ((MIDDLE, ""), ("white", "////"), (PALE, ""))
BEYOND = 3.0  # of NOT_KNOWN, where the bar of a force that is not known ends
COLUMN = 0.42  # of the bars' length, the column of numbers beside them
ROW = 0.31  # in
STRIP = 3.4  # in, the singular values
AROUND = Around(left=0.05, right=0.12, below=0.5, above=0.42)
NAMED = 3  # names that a title has room for
LIMIT_DASHES = (0, (4, 2))


@public
def plot_knowledge(seen: Observability) -> Figure:
    """Draw the uncertainty of the forces with the gauges, with one removed and with one added.

    On the left are the singular values of the gauges' map with scaled columns, and the
    combination of unknowns that they measure worst.  On the right are bars of the standard
    uncertainty of Fx, Fy and Fz [N]; those of an axle's left wheel are above those of its right.

    `seen` is the answer of `recon.observe`.
    """
    rows = _rows(seen)
    wheels = len(seen.corners)
    each = ROW * max(len(rows), 7)
    figure, room = new_sheet(
        (13.0, 1.7 + wheels * (0.9 + each)), _title(seen), _legend(seen), _footer(seen)
    )
    names = [name for name, _, _ in rows]
    column = 0.15 + LETTER * max(map(len, names))
    strip, beside = room.columns(STRIP, room.wide - STRIP)
    _draw_strip(add_panel(figure, strip.inside(replace(AROUND, left=0.5))), seen)
    values = np.array([u for _, _, u in rows])
    low = 10.0 ** np.floor(np.log10(0.9 * min(values.min(), NOT_KNOWN / 10)))
    boxes = [box for row in beside.inside(Around(column, 0, 0, 0)).rows(wheels)
             for box in row.columns(1, 1, 1)]  # fmt: skip
    for k, (box, force) in enumerate(zip(boxes, seen.forces, strict=True)):
        panel = add_panel(figure, box.inside(AROUND))
        _draw_force(panel, values[:, k], [kind for _, kind, _ in rows])
        _scale(panel, low)
        style_panel(
            panel, f"{force}: now {_words(values[0, k])}", x=f"standard uncertainty of {force} [N]"
        )
        panel.grid(visible=False, axis="y")
        panel.set_yticks(np.arange(len(rows)), names if k % 3 == 0 else [])
        panel.tick_params(axis="y", length=0)
    return figure


def _rows(seen: Observability) -> list[tuple[str, int, Floats]]:
    """Name, kind and u (force,) [N] of each row of bars, the present gauges first."""
    rows = [("now", NOW, seen.u)]
    rows += [(f"without {_row(m)}", WITHOUT, u) for m, u in seen.without.items()]
    rows += [(f"with {_row(m)}", WITH, u) for m, u in seen.with_.items()]
    return rows


def _row(member: str) -> str:
    """A member in words; a section is called by its gauge."""
    return spaced(member.rpartition(":")[2])


def _draw_force(panel: Axes, u: Floats, kinds: list[int]) -> None:
    panel.axvline(NOT_KNOWN, color=ACCENT, linewidth=1.2, linestyle=LIMIT_DASHES, zorder=3)
    for row, (value, kind) in enumerate(zip(u, kinds, strict=True)):
        face, hatch = BARS[kind]
        panel.barh(
            row, min(value, BEYOND * NOT_KNOWN), height=0.62, facecolor=face, hatch=hatch,
            edgecolor=INK, linewidth=0.7, zorder=2,
        )  # fmt: skip
        panel.text(
            0.99, row, _words(value), transform=panel.get_yaxis_transform(), ha="right",
            va="center", fontsize=SMALL, color=INK,
        )  # fmt: skip
    for edge in np.flatnonzero(np.diff(kinds)):
        panel.axhline(edge + 0.5, color=MIDDLE, linewidth=0.7, zorder=1)
    panel.set_ylim(len(u) - 0.4, -0.6)


def _scale(panel: Axes, low: float) -> None:
    """Set a logarithmic scale from `low` [N], with room for a column of numbers beside the bars."""
    decades = np.arange(np.log10(low), np.log10(NOT_KNOWN) + 1)
    panel.set_xscale("log")
    panel.set_xlim(low, BEYOND * NOT_KNOWN * (BEYOND * NOT_KNOWN / low) ** COLUMN)
    panel.set_xticks(10.0**decades, [f"{10.0**d:g}" for d in decades])
    panel.minorticks_off()


def _draw_strip(panel: Axes, seen: Observability) -> None:
    """Draw the singular values as bars; combinations that no gauge measures have zero."""
    values = seen.singular_values
    rows = np.arange(len(values))
    zero = values <= RANK_SHARE * values[0]
    panel.barh(rows, np.where(zero, 0.0, values), height=0.5, color=PALE, edgecolor=INK,
               linewidth=0.7, zorder=2)  # fmt: skip
    for row, value in enumerate(values):
        words = "0, not measured" if zero[row] else f"{value:.2f}"
        note(panel, words, (0.0 if zero[row] else value, row), (3, 0), va="center")
    responds = f"response to {seen.rank} of {len(values)} unknowns; weakest to:"
    style_panel(
        panel,
        f"{responds}\n{textwrap.fill(seen.weak, 40)}",
        x="response (singular value) [N per N]",
        y="combination of unknowns",
    )
    panel.grid(visible=False, axis="y")
    panel.set_yticks(rows, [str(r + 1) for r in rows])
    panel.set_ylim(len(values) - 0.4, -0.6)
    panel.set_xlim(0, 1.3 * (values[0] or 1.0))


def _legend(seen: Observability) -> list[Artist]:
    words = {NOW: f"now: {_counted(seen)}", WITHOUT: "one gauge removed", WITH: "one gauge added"}
    present = {kind for _, kind, _ in _rows(seen)}
    bars: list[Artist] = [
        patch_entry(facecolor=BARS[k][0], hatch=BARS[k][1], edgecolor=INK, linewidth=0.7, label=w)
        for k, w in words.items()
        if k in present
    ]
    limit = f"{NOT_KNOWN:.0f} N: above it a force is not known"
    return [*bars, line_entry(color=ACCENT, linewidth=1.2, linestyle=LIMIT_DASHES, label=limit)]


def _title(seen: Observability) -> str:
    corner = seen.label if seen.corners[1:] else f"{seen.label} {LOOKS[seen.label].name}"
    if not seen.lost:
        figures = ", ".join(f"{f} {_words(u)}" for f, u in zip(seen.forces, seen.u, strict=True))
        return f"{corner}: standard uncertainty with {_counted(seen)}: {figures}"
    few = len(seen.lost) <= NAMED
    lost = (
        ", ".join(force.name for force in seen.lost)
        if few
        else f"{len(seen.lost)} of {len(seen.forces)} forces"
    )
    return f"{corner}: {lost} not known{_cure(seen)}"


def _cure(seen: Observability) -> str:
    """The cheapest cure, as a number of gauges where their names would not fit the title."""
    gauges = [_row(member) for member in seen.cure]
    if not gauges:
        return ""
    words = f"gauge {' and '.join(gauges)}" if len(gauges) <= NAMED else f"{len(gauges)} gauges"
    return f"; cheapest cure: {words}"


def _footer(seen: Observability) -> str:
    words = "; ".join(c.words for c in seen.combinations)
    known = f"known instead: {words};" if words else ""
    many = seen.cure if len(seen.cure) > NAMED else ()
    cure = f"cheapest cure: {', '.join(map(_row, many))};" if many else ""
    sentences = [*seen.redundant, cure, known.replace(" -", " \N{MINUS SIGN}")]
    above = "".join(f"{textwrap.fill(words, 170)}\n" for words in sentences if words)
    return (
        f"{above}wheel rolling; noise {seen.noise:g} N of member load per gauge (standard "
        "uncertainty); gauges respond as geometry predicts, without cross-talk;\n"
        "forces of the road on the tyre, vehicle axes, x forward, y left, z up; static loads, so "
        f"no bandwidth; moments count as forces on an arm of {MOMENT_ARM:g} m"
    )


def _counted(seen: Observability) -> str:
    count = len(seen.chosen)
    return f"{count} gauge" if count == 1 else f"{count} gauges"


def _words(u: float) -> str:
    if u > NOT_KNOWN:
        return "not known"
    return f"{u:.2g} N" if u < 10 else f"{u:.0f} N"
