"""Gear shifts in words, and the picture of their gaps overlaid."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.filters import low_pass
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.sections.detection import NO_GEAR
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import folded, interval
from recon.report.common.legend import line_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import footnotes, with_interval, wrapped

AROUND = Around(0.75, 0.3, 0.45, 0.3)
LEAD_IN, LEAD_OUT = 0.25, 0.8  # s around a gap in the picture
MOST_LINES = 6  # shifts that are drawn; more lines could not be told apart
LINES: tuple[Any, ...] = (
    "-",
    (0, (5, 1.5)),
    (0, (1, 1)),
    (0, (6, 1.5, 1, 1.5)),
    (0, (3, 1, 1, 1)),
    (0, (9, 2)),
)
SHADES = (INK, ACCENT, MIDDLE, "#3d5a40", "#8a6fa8", "#e3b04b")


def shifts_summary(answer: xr.Dataset) -> list[str]:
    """Shifts in words: what they cost together, then a line for each."""
    lines = [finding(answer)]
    for i, name in enumerate(answer["shift"].to_numpy()):
        lines += wrapped(f"{name}: {_of_shift(answer, i)}")
    for kind in ("launch", "lap"):
        for j, name in enumerate(answer[kind].to_numpy() if kind in answer.dims else ()):
            of = str(name) if kind in str(name) else f"{kind} {name}"
            lines += wrapped(f"all shifts of {of}: {_lost(answer, j, f'{kind}_')}")
    return lines + footnotes(answer)


def finding(answer: xr.Dataset) -> str:
    """Cost of the shifts in one sentence with its interval."""
    names = [str(name) for name in answer["shift"].to_numpy()]
    quantity, unit = _cost(answer)
    lost = answer[quantity].to_numpy()
    if not np.isfinite(lost).any():
        return "The force after the shifts is not known, so their cost is not either"
    either = NO_GEAR in not_given(answer)  # a car without gears has none of these
    worst = int(np.nanargmax(lost))
    cost = f"{with_interval(answer, quantity, (worst,))} {unit}"
    gap = with_interval(answer, "time_below_half", (worst,))
    if len(names) == 1:
        what = "The shift (or lifted throttle)" if either else "The shift"
        return f"{what} cost {cost}: the drive was below half for {gap} s"
    what = "shifts (or lifted throttles)" if either else "shifts"
    return (
        f"Of {len(names)} {what} {names[worst]} cost most, {cost}: the drive was below half for "
        f"{gap} s"
    )


def _cost(answer: xr.Dataset) -> tuple[str, str]:
    """Variable and unit of what shifts cost: speed, or impulse where a driven tyre is missing."""
    if np.isfinite(answer["speed_lost"]).any():
        return "speed_lost", "m/s"
    return "impulse_lost", f"N s of {' and '.join(map(str, answer['corner'].to_numpy()))}"


def _lost(answer: xr.Dataset, i: int, of: str = "") -> str:
    """Impulse lost in a shift, or in all `of` a launch or lap, and the speed that it was worth."""
    impulse = f"{with_interval(answer, f'{of}impulse_lost', (i,))} N s"
    speed = with_interval(answer, f"{of}speed_lost", (i,))
    return impulse if speed == "not known" else f"{impulse}, {speed} m/s"


def _of_shift(answer: xr.Dataset, i: int) -> str:
    start, end = (with_interval(answer, f"gap_{e}", (i,)) for e in ("start", "end"))
    before, after = (with_interval(answer, f"force_{e}", (i,)) for e in ("before", "after"))
    parts = [
        f"drive below 90 % from {start} s, back at 10 % by {end} s",
        f"below half for {with_interval(answer, 'time_below_half', (i,))} s",
        f"drive force {before} N before, {after} N after",
        f"lost {_lost(answer, i)}",
        f"overshoot {with_interval(answer, 'overshoot', (i,))} N",
    ]
    for kind, words in (("shuffle", "shuffle of the driveline"), ("hop", "wheel hop")):
        frequency = with_interval(answer, f"{kind}_frequency", (i,))
        if frequency != "not known":
            size = with_interval(answer, f"{kind}_amplitude", (i,))
            parts.append(f"then {words} at {frequency} Hz, amplitude {size} N")
    if str(answer["oscillation"].values[i]) == "none":
        parts.append("no oscillation after it")
    return "; ".join(parts)


@public
def plot_shifts(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw the drive force through every shift, aligned at the start of its gap.

    Beside it the speed, or impulse, that each shift cost, with its 95 % interval.

    `forces` is the result of the reconstruction: `tyre_force_intermediate` [N] (elapsed_time,
    corner, component), x forward. `answer` is the result of `shifts`.
    Raises DataError: `forces` is no result of `reconstruct`, or `answer` is none of `shifts`.
    """
    require_forces(forces, "tyre_force_intermediate")
    require_answer(answer, "gap_start", ("shift",), "shifts")
    names = [str(name) for name in answer["shift"].to_numpy()]
    drawn = list(range(len(names)))[:MOST_LINES]
    bandwidth = float(answer.attrs["bandwidth_Hz"])
    corners = " + ".join(map(str, answer["corner"].to_numpy()))
    footer = (
        f"sum of the longitudinal forces of {corners}, {bandwidth:g} Hz bandwidth, intermediate "
        "axes; force of the road on the tyre, x forward"
    )
    left_out = "" if len(drawn) == len(names) else f"; first {MOST_LINES} of {len(names)} drawn"
    title = finding(answer)
    figure, room = new_sheet((11.0, 5.4), title, _legend(answer, drawn), footer + left_out)
    wide, beside = room.columns(3, 1)
    panel = add_panel(figure, wide.inside(AROUND))
    for line, i in enumerate(drawn):
        _draw(panel, forces, answer, i, line)
    style_panel(
        panel,
        "drive force, aligned at the start of each gap; dots: start and end; line: below half",
        x="time after the start of the gap [s]",
        y="drive force [N]",
    )
    panel.set(xlim=(-LEAD_IN, LEAD_OUT))
    _draw_cost(add_panel(figure, beside.inside(AROUND)), answer, names)
    return figure


def _legend(answer: xr.Dataset, drawn: list[int]) -> list[Artist]:
    """A line for each shift, with the time that its drive force was below half."""
    lasts = 1e3 * answer["time_below_half"].to_numpy()
    below = [f": below half for {ms:.0f} ms" if np.isfinite(ms) else "" for ms in lasts]
    names = (folded(str(name), 24, 1) for name in answer["shift"].to_numpy())
    words = [f"{name}{of}" for name, of in zip(names, below, strict=True)]
    return [
        line_entry(color=SHADES[k], linestyle=LINES[k], label=words[i]) for k, i in enumerate(drawn)
    ]


def _draw(panel: Axes, forces: xr.Dataset, answer: xr.Dataset, i: int, line: int) -> None:
    """One shift, with its start, passages of half, and end."""
    start = float(answer["gap_start"].values[i])
    if not np.isfinite(start):
        return
    time = forces["elapsed_time"].to_numpy()
    near = np.flatnonzero((time >= start - 2 * LEAD_IN) & (time <= start + LEAD_OUT + LEAD_IN))
    some = forces["tyre_force_intermediate"].isel(elapsed_time=near)
    tyres = some.sel(corner=answer["corner"], component="x").to_numpy().astype(float)
    bandwidth = float(answer.attrs["bandwidth_Hz"])
    total = low_pass(tyres.sum(axis=1)[:, None], bandwidth, float(forces.attrs["rate_Hz"]))[:, 0]
    own = time[near] - start
    panel.plot(own, total, color=SHADES[line], linestyle=LINES[line], linewidth=1.3, zorder=3)
    marks = np.array([0.0, float(answer["gap_end"].values[i]) - start])
    panel.plot(marks, np.interp(marks, own, total), "o", color=SHADES[line], markersize=5, zorder=4)
    half = float(answer["force_before"].values[i]) / 2
    below = own[(total < half) & (own > 0) & (own < LEAD_OUT)]
    if below.size:
        lasts = float(answer["time_below_half"].values[i])
        panel.plot([below[0], below[0] + lasts], [half, half], color=SHADES[line], linewidth=0.8)


def _draw_cost(panel: Axes, answer: xr.Dataset, names: list[str]) -> None:
    """Speed or impulse lost in each shift with its interval."""
    quantity, unit = _cost(answer)
    lost, u = (answer[n].to_numpy() for n in (quantity, f"u_{quantity}"))
    places = np.arange(len(names))
    panel.barh(places, np.nan_to_num(lost), color=PALE, height=0.6, zorder=2)
    interval(panel, lost, places, xerr=COVERAGE_FACTOR * u)
    words = quantity.replace("_", " ")
    style_panel(panel, f"{words}, 95 % interval", x=f"{words} [{unit.split(' of ')[0]}]")
    panel.set_yticks(places, [folded(name, 9) for name in names])
    panel.set_ylim(len(names) - 0.4, -0.6)
