"""Grip in words, and the picture of the force plane of every tyre with its envelopes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.answer_labels import SEPARATOR, not_given
from recon.evaluation.grip.combined_directions import PAIRS
from recon.evaluation.grip.tyre_envelopes import DIRECTIONS, IN_WORDS, SECTOR
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, LOOKS, MIDDLE, PALE
from recon.report.common.road_plane import known_forces
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel, tyre_footer
from recon.report.common.text import value_and_half, wrapped

WORDS = {"left": "left turn", "right": "right turn", "drive": "driving", "brake": "braking"}
AHEAD = {"left": np.pi / 2, "right": -np.pi / 2, "drive": 0.0, "brake": np.pi}  # from x [rad]
# Angle from x in the middle between two directions [rad].
MIDDLES = {
    "brake-left": 0.75 * np.pi,
    "brake-right": -0.75 * np.pi,
    "drive-left": 0.25 * np.pi,
    "drive-right": -0.25 * np.pi,
}
HOT_ROW = 2.6  # in, height of the panel of hot against cold tyres
AROUND = Around(left=0.85, right=0.2, below=0.5, above=0.6)
POINTS = 2500  # of a tyre that are drawn
SIZE = 5.0  # pt2 of a marker at 3000 N
STYLES = ((0, (1, 1.5)), (0, (4, 2)), "-")  # of envelopes at low, middle and high load
REASONS = 3  # lines about what is not given


def grip_summary(answer: xr.Dataset) -> list[str]:
    """Grip in at most a dozen lines; the first one is the finding."""
    corners = corner_names(answer)
    lines = [f"{_title(answer)}: {_in_words(answer)}"]
    for k, corner in enumerate(corners):
        parts = [
            _at_middle(answer, k, j, str(name))
            for j, name in enumerate(answer["direction"].to_numpy())
            if np.isfinite(answer["reference_force"].to_numpy()[k, j])
        ]
        lines.append(f"  {corner}: {'; '.join(parts) or 'not known, no hard work for long enough'}")
    lines += [*_combined_words(answer), *_hot_words(answer)]
    lines.append(f"  Samples used: {answer.attrs['gate']}")
    reasons = [words for words in not_given(answer) if "only 0.0 s" not in words]
    lines += [f"  Not given: {words}" for words in reasons[:REASONS]]
    if reasons[REASONS:]:
        lines.append(f"  and {len(reasons) - REASONS} more in not_given of the result")
    return lines


def _title(answer: xr.Dataset) -> str:
    runs = _runs(answer)
    return f"Grip of {runs} runs" if runs > 1 else "Grip"


def _runs(answer: xr.Dataset) -> int:
    return len(str(answer.attrs["runs"]).split(SEPARATOR))


def _in_words(answer: xr.Dataset) -> str:
    k, j, m = _highest(answer)
    corner = str(answer["corner"].to_numpy()[k])
    direction = IN_WORDS[str(answer["direction"].to_numpy()[j])]
    load = float(answer["load"][m])
    force, half, shown = _force(answer, k, j, m)
    ratio = f"{force / load:.2f} +-{half / load:.2f} times its load {direction}"
    evidence = str(answer["evidence"].to_numpy()[k, j])
    if shown:
        return f"the limit of {corner} is {ratio} ({load:.0f} N): {evidence}"
    return f"{corner} held {ratio} ({load:.0f} N), not shown to be its limit"


def _highest(answer: xr.Dataset) -> tuple[int, int, int]:
    """Position (corner, direction, load) of the highest force over load, limits first."""
    available = answer["available_force"]
    force = available if available.notnull().any() else answer["demonstrated_force"]
    ratio = (force / answer["load"]).to_numpy()
    k, j, m = np.unravel_index(np.nanargmax(ratio), ratio.shape)
    return int(k), int(j), int(m)


def _force(answer: xr.Dataset, k: int, j: int, m: int) -> tuple[float, float, bool]:
    """Force and half of its interval [N], and whether it was shown to be the limit."""
    shown = bool(answer["evidence"].to_numpy()[k, j])
    name = "available_force" if shown else "demonstrated_force"
    return *value_and_half(answer.isel(corner=k, direction=j, load=m), name), shown


def _at_middle(answer: xr.Dataset, k: int, j: int, direction: str) -> str:
    """One envelope at the middle load of its table."""
    there = np.flatnonzero(np.isfinite(answer["demonstrated_force"].to_numpy()[k, j]))
    if not there.size:
        low, high = (float(answer[f"{end}_load"][k, j]) for end in ("lowest", "highest"))
        return f"{WORDS[direction]} only at {low:.0f} to {high:.0f} N"
    m = int(there[len(there) // 2])
    force, half, shown = _force(answer, k, j, m)
    limit = " (limit)" if shown else ""
    return (
        f"{WORDS[direction]} {force:.0f} +-{half:.0f} N at {float(answer['load'][m]):.0f} N{limit}"
    )


def _combined_words(answer: xr.Dataset) -> list[str]:
    """Force between two directions against the ellipse through both, at its middle load."""
    parts = []
    share = answer["ellipse_share"].to_numpy()
    for k, j in np.argwhere(np.isfinite(share).any(axis=2)):
        there = np.flatnonzero(np.isfinite(share[k, j]))
        one = answer.isel(corner=k, pair=j, load=there[len(there) // 2])
        value, half = value_and_half(one, "ellipse_share", 100.0)
        of = f"{one['corner'].item()} {IN_WORDS[one['pair'].item()]}"
        parts.append(f"{of} {value:.0f} +-{half:.0f} % at {float(one['load']):.0f} N")
    return wrapped(f"combined, of the ellipse: {'; '.join(parts)}") if parts else []


def _hot_words(answer: xr.Dataset) -> list[str]:
    """Grip on hot tyres against that on cold ones."""
    found = _hot_over_cold(answer)
    parts = [f"{place} {100 * (v - 1):+z.1f} +-{100 * half:.1f} %" for place, v, half in found]
    return wrapped(f"{answer.attrs['hot_and_cold']}: {'; '.join(parts)}") if parts else []


def _hot_over_cold(answer: xr.Dataset) -> list[tuple[str, float, float]]:
    """Tyre and direction, ratio of hot to cold and half of its interval, where it is known."""
    if "hot_over_cold" not in answer:
        return []
    ratio, u = (answer[f"{name}hot_over_cold"].to_numpy() for name in ("", "u_"))
    corners = corner_names(answer)
    return [
        (f"{corners[k]} {WORDS[DIRECTIONS[j]]}", ratio[k, j], COVERAGE_FACTOR * u[k, j])
        for k, j in np.argwhere(np.isfinite(ratio))
    ]


@public
def plot_grip(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw Fy against Fx of each tyre, with its envelopes at three loads and their bands.

    `forces` is the result of the reconstruction: `tyre_force` [N] (elapsed_time, corner,
    component), tyre axes, x forward, y left, z up; `status`. `answer` is the result of `grip` from
    these forces.
    Raises DataError: `forces` is no result of `reconstruct`, or `answer` is none of `grip`.
    """
    require_forces(forces, "tyre_force", "status")
    require_answer(answer, "demonstrated_force", ("corner", "direction", "load"), "grip")
    corners = corner_names(forces)
    columns = min(len(corners), 2)
    rows = -(-len(corners) // columns)
    hot = _hot_over_cold(answer)
    tall = [4.3] * rows + [HOT_ROW] * bool(hot)
    footer = f"{tyre_footer(forces)}\n{answer.attrs['gate']}"
    figure, room = new_sheet(
        (9.6, 1.7 + sum(tall)),  # also for one tyre: titles need the room
        f"{_title(answer)}: {_in_words(answer).partition(': ')[0]}",
        _legend(answer),
        footer,
        columns=2,
    )
    stack = room.stack(*tall)
    boxes = [box for row in stack[:rows] for box in row.columns(*[1.0] * columns)]
    low = float(answer.attrs["low_load_N"])
    force = {corner: _thinned(forces, corner, low) for corner in corners}
    reach = max(float(np.max(np.hypot(f[:, 0], f[:, 1]), initial=500)) for f in force.values())
    reach = 1.08 * max(reach, float(np.nanmax(answer["demonstrated_force_upper"].to_numpy())))
    for box, (k, corner) in zip(boxes, enumerate(corners), strict=False):
        panel = add_panel(figure, box.inside(AROUND))
        _draw_points(panel, force[corner])
        drawn = [_draw_direction(panel, answer, k, j) for j in range(answer.sizes["direction"])]
        panel.set_xlim(-reach, reach)
        panel.set_ylim(-reach, reach)
        panel.set_aspect("equal")
        panel.locator_params(nbins=6)
        loads = "; ".join(words for words in drawn if words) or "no envelope"
        for j in range(answer.sizes["pair"]):
            _draw_between(panel, answer, k, j)
        style_panel(
            panel,
            f"{corner} {LOOKS[corner].name}\n{loads}",
            x="longitudinal force Fx [N]",
            y="lateral force Fy [N]",
            fold=True,
        )
    if hot:
        _draw_hot(add_panel(figure, stack[-1].inside(AROUND)), answer, hot)
    return figure


def _thinned(forces: xr.Dataset, corner: str, low: float) -> Floats:
    force, *_ = known_forces(forces, corner)
    force = force[force[:, 2] > low]
    return force[:: max(len(force) // POINTS, 1)]


def _draw_points(panel: Axes, force: Floats) -> None:
    """Samples; the marker's size follows the load, heavy ones first."""
    order = np.argsort(-force[:, 2])
    x, y, z = force[order].T
    panel.scatter(
        x, y, s=SIZE * (z / 3000.0) ** 2, facecolors="none", edgecolors=PALE, linewidths=0.5
    )


def _draw_direction(panel: Axes, answer: xr.Dataset, k: int, j: int) -> str:
    """Envelopes of one direction at the lowest, middle and highest load; the loads in words.

    Words above the panel, because labels on envelopes that lie close together hide each other.
    """
    value = answer["demonstrated_force"].to_numpy()[k, j]
    direction = str(answer["direction"].to_numpy()[j])
    if not np.isfinite(value).any():
        return ""
    half = COVERAGE_FACTOR * answer["u_demonstrated_force"].to_numpy()[k, j]
    shown = bool(answer["evidence"].to_numpy()[k, j])
    wide = np.arccos(SECTOR)
    turn = AHEAD[direction] + np.linspace(-wide, wide, 41)
    drawn = _loads_of(value)
    for m, style in drawn:
        free = turn[_free(answer, k, AHEAD[direction], m, turn)]
        _draw_envelope(panel, free, value[m] + 0 * free, half[m], style, shown=shown)
    loads = ", ".join(f"{float(answer['load'][m]) / 1000:g}" for m, _ in drawn)
    return f"{WORDS[direction]} at {loads} kN"


def _loads_of(value: Floats) -> list[tuple[int, Any]]:
    """Places of the lowest, middle and highest load with their line."""
    there = np.flatnonzero(np.isfinite(value))
    places = sorted({int(there[0]), int(there[len(there) // 2]), int(there[-1])})
    return list(zip(places, STYLES[-len(places) :], strict=True))


def _free(answer: xr.Dataset, k: int, ahead: float, m: int, turn: Floats) -> NDArray[np.bool_]:
    """Which angles of an arc (angle,) no combined envelope covers at a load."""
    free = np.ones(len(turn), dtype=bool)
    for j, middle in enumerate(MIDDLES.values()):
        side = (middle - ahead + np.pi) % (2 * np.pi) - np.pi
        if abs(side) < np.pi / 2 and np.isfinite(answer["combined_force"].values[k, j, m]):
            free &= np.sign(side) * (turn - ahead) <= 0
    return free


def _draw_between(panel: Axes, answer: xr.Dataset, k: int, j: int) -> None:
    """Combined envelopes of one pair of directions, through both and 45 degrees to them."""
    share = answer["ellipse_share"].to_numpy()[k, j]
    if not np.isfinite(share).any():
        return
    name, ends = list(PAIRS.items())[j]
    ahead, aside = answer["demonstrated_force"].to_numpy()[k, list(ends)]
    u = answer["u_combined_force"].to_numpy()[k, j]
    turn = np.linspace(0, np.pi / 2, 61)
    bent = np.sin(2 * turn) ** 2
    x, y = (np.sign(np.round(f(MIDDLES[name]), 6)) for f in (np.cos, np.sin))
    for m, style in _loads_of(share):
        ellipse = 1 / np.hypot(np.cos(turn) / ahead[m], np.sin(turn) / aside[m])
        radius = ellipse * (1 + (share[m] - 1) * bent)
        angle = np.arctan2(y * np.sin(turn), x * np.cos(turn))
        _draw_envelope(panel, angle, radius, COVERAGE_FACTOR * u[m], style, shown=False)


def _draw_envelope(
    panel: Axes, angle: Floats, radius: Floats, half: float, style: Any, *, shown: bool
) -> None:
    """Line at a radius [N] with its band; thick where it was shown to be the limit."""
    edge = np.concatenate([radius - half, (radius + half)[::-1]])
    around = np.concatenate([angle, angle[::-1]])
    panel.fill(edge * np.cos(around), edge * np.sin(around), color=MIDDLE, alpha=0.3, lw=0)
    panel.plot(
        radius * np.cos(angle),
        radius * np.sin(angle),
        color=ACCENT if shown else INK,
        linestyle=style,
        linewidth=1.8 if shown else 1.0,
    )


def _draw_hot(panel: Axes, answer: xr.Dataset, found: list[tuple[str, float, float]]) -> None:
    """Grip on hot tyres against that on cold ones, a dot with its interval for each direction."""
    names, ratio, half = zip(*found, strict=True)
    place, away = np.arange(len(names)), 100 * (np.array(ratio) - 1)
    panel.axhline(0.0, color=MIDDLE, linewidth=0.9)
    panel.errorbar(place, away, 100 * np.array(half), fmt="o", color=INK, capsize=3, linewidth=1.2)
    panel.set_xticks(place, [name.replace(" ", "\n", 1) for name in names])
    panel.set_xlim(-0.6, len(names) - 0.4)
    words = f"{answer.attrs['hot_and_cold']}, 95 % intervals"
    style_panel(panel, words, y="change of grip [%]", fold=True)


def _legend(answer: xr.Dataset) -> list[Artist]:
    whose = " of the first run" if _runs(answer) > 1 else ""
    limit = line_entry(color=ACCENT, linewidth=1.8, label="thick: shown to be the limit")
    return [
        line_entry(linestyle="none", marker="o", markerfacecolor="none", color=PALE,
               label=f"samples{whose}; the marker grows with Fz"),
        line_entry(color=INK, linewidth=1.0,
               label="demonstrated envelope at the loads above each panel (dots low, line high)"),
        patch_entry(facecolor=MIDDLE, alpha=0.3, label="95 % band"),
        *([limit] if answer["available_force"].notnull().any() else []),
    ]  # fmt: skip
