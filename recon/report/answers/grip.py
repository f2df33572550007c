"""Grip in words, and the picture of the force plane of every tyre with its envelopes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.grip.tyre_envelopes import SECTOR
from recon.records.forces import require_forces
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, LOOKS, MIDDLE, PALE, SMALL
from recon.report.common.road_plane import known_forces
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel, tyre_footer

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WORDS = {"left": "left turn", "right": "right turn", "drive": "driving", "brake": "braking"}
IN_WORDS = WORDS | {"left": "in a left turn", "right": "in a right turn"}
AHEAD = {"left": np.pi / 2, "right": -np.pi / 2, "drive": 0.0, "brake": np.pi}  # from x [rad]
AROUND = Around(left=0.85, right=0.2, below=0.5, above=0.6)
POINTS = 2500  # of a tyre that are drawn
SIZE = 5.0  # pt2 of a marker at 3000 N
STYLES = ((0, (1, 1.5)), (0, (4, 2)), "-")  # of envelopes at low, middle and high load
REASONS = 3  # lines about what is not given


def grip_summary(answer: xr.Dataset) -> list[str]:
    """Grip in at most a dozen lines; the first one is the finding."""
    corners = corner_names(answer)
    lines = [_finding(answer)]
    for k, corner in enumerate(corners):
        parts = [
            _at_middle(answer, k, j, str(name))
            for j, name in enumerate(answer["direction"].to_numpy())
            if np.isfinite(answer["reference_force"].to_numpy()[k, j])
        ]
        lines.append(f"  {corner}: {'; '.join(parts) or 'not known, no hard work for long enough'}")
    lines.append(f"  samples: {answer.attrs['gate']}")
    reasons = [words for words in not_given(answer) if "only 0.0 s" not in words]
    lines += [f"  not given: {words}" for words in reasons[:REASONS]]
    if reasons[REASONS:]:
        lines.append(f"  and {len(reasons) - REASONS} more in not_given of the result")
    return lines


def _finding(answer: xr.Dataset) -> str:
    """The highest limit that was shown, or the highest grip if none was."""
    return f"Grip: {_in_words(answer)}"


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
    half = COVERAGE_FACTOR * float(answer[f"u_{name}"][k, j, m])
    return float(answer[name][k, j, m]), half, shown


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


def plot_grip(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw Fy against Fx of each tyre, with its envelopes at three loads and their bands.

    Parameters
    ----------
    forces : xarray.Dataset
        Result of the reconstruction: `tyre_force` [N] (elapsed_time, corner, component), tyre
        axes, x forward, y left, z up; `status`.
    answer : xarray.Dataset
        Result of `grip` from these forces.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    DataError
        `forces` is no result of the reconstruction.
    """
    require_forces(forces, "tyre_force", "status")
    corners = corner_names(forces)
    columns = min(len(corners), 2)
    rows = -(-len(corners) // columns)
    footer = f"{tyre_footer(forces)}\n{answer.attrs['gate']}"
    figure, room = new_sheet(
        (1.0 + 4.3 * columns, 1.7 + 4.3 * rows), _title(answer), _legend(), footer, columns=2
    )
    boxes = room.grid(rows, columns)
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
        loads = ", ".join(words for words in drawn if words) or "no envelope"
        style_panel(
            panel,
            f"{corner} {LOOKS[corner].name}\n{loads}",
            x="longitudinal force Fx [N]",
            y="lateral force Fy [N]",
            fold=True,
        )
    return figure


def _title(answer: xr.Dataset) -> str:
    words = _in_words(answer).partition(": ")[0]
    return f"Grip: {words}"


def _thinned(forces: xr.Dataset, corner: str, low: float) -> Floats:
    force, _, _ = known_forces(forces, corner)
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
    """Envelopes of one direction at the lowest, middle and highest load; the loads in words."""
    value = answer["demonstrated_force"].to_numpy()[k, j]
    there = np.flatnonzero(np.isfinite(value))
    direction = str(answer["direction"].to_numpy()[j])
    if not there.size:
        return ""
    half = COVERAGE_FACTOR * answer["u_demonstrated_force"].to_numpy()[k, j]
    shown = bool(answer["evidence"].to_numpy()[k, j])
    wide = np.arccos(SECTOR)
    turn = AHEAD[direction] + np.linspace(-wide, wide, 41)
    places = sorted({int(there[0]), int(there[len(there) // 2]), int(there[-1])})
    for m, style, at in zip(places, STYLES[-len(places) :], turn[[-1, 30, 0]], strict=False):
        edge = np.concatenate([value[m] - half[m] + 0 * turn, value[m] + half[m] + 0 * turn])
        angle = np.concatenate([turn, turn[::-1]])
        panel.fill(edge * np.cos(angle), edge * np.sin(angle), color=MIDDLE, alpha=0.3, lw=0)
        colour = ACCENT if shown else INK
        panel.plot(
            value[m] * np.cos(turn),
            value[m] * np.sin(turn),
            color=colour,
            linestyle=style,
            linewidth=1.8 if shown else 1.0,
        )
        panel.text(
            value[m] * np.cos(at),
            value[m] * np.sin(at),
            f"{float(answer['load'][m]) / 1000:g} kN",
            fontsize=SMALL,
            ha="center",
            va="center",
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )
    low, high = (float(answer[f"{end}_load"][k, j]) for end in ("lowest", "highest"))
    return f"{WORDS[direction]} {low / 1000:.1f} to {high / 1000:.1f} kN"


def _legend() -> list[Artist]:
    return [
        line_entry(linestyle="none", marker="o", markerfacecolor="none", color=PALE,
               label="samples; the marker grows with Fz"),
        line_entry(color=INK, linewidth=1.0,
               label="demonstrated envelope; load in kN (dots low, line high)"),
        patch_entry(facecolor=MIDDLE, alpha=0.3, label="95 % band"),
        line_entry(color=ACCENT, linewidth=1.8, label="thick: shown to be the limit"),
    ]  # fmt: skip
