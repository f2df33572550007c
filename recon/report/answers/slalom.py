"""A slalom in words, and the picture of the lateral force of every tyre against time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names, sentences_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import AT_BOUND, FLAGS
from recon.base.words import enumerated
from recon.evaluation.common.answer_labels import not_given
from recon.reconstruction.result.labelled_result import NOT_KNOWN
from recon.records.forces import require_forces
from recon.report.answers.slalom_axles import (
    axle_legend,
    draw_axle_sums,
    draw_front_share,
    has_axles,
)
from recon.report.answers.slalom_weave import draw_crests, draw_cycle, has_weave, weave_finding
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import note, white_box
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.long_series import draw_force, stretches
from recon.report.common.looks import ACCENT, INK, LOOKS, MIDDLE, PALE, SMALL, TEXT
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel, tyre_footer
from recon.report.common.text import value_and_half, whole_with_interval, with_interval

Ends = tuple[float, float]
CLOSE_UP = 0.4  # s, length of the close-up around the largest force
NUMBER_WIDTH = 0.015  # of the time axis, of one digit with its share of a blank
DOTS = (0, (1, 2))
LANE = 0.07  # share of the panel's height that the lane beneath the force takes
AROUND = Around(left=0.8, right=0.25, below=0.5, above=0.22)
AROUND_LANE = replace(AROUND, right=0.65)  # room for the lane's name
MOST_ROWS = 20  # of the table of cones
HATCHES = ("////", "....", "\\\\\\\\", "xxxx", "----", "++++")


def slalom_summary(answer: xr.Dataset) -> list[str]:
    """Lag of the rear in one sentence; peaks by cone, tyre and axle as a table; open ends."""
    bandwidth = answer.attrs["bandwidth_Hz"]
    corners = corner_names(answer)
    axles = [str(a) for a in answer["axle"].to_numpy()]
    share = len(axles) == 2
    head = f"  {'cone':>4}{'time s':>8}" + "".join(f"{c:>14}" for c in corners)
    lines = [
        f"{weave_finding(answer)}.",
        f"  peak lateral force in N at {bandwidth:g} Hz, intermediate axes, +- 95 % limits",
        head + "".join(f"{a:>15}" for a in axles) + ("   front share" if share else ""),
    ]
    for i, time in enumerate(answer["cone_time"].to_numpy()[:MOST_ROWS]):
        row = f"  {i + 1:4d}" + (f"{time:8.2f}" if np.isfinite(time) else f"{'unknown':>8}")
        row += "".join(
            f"{whole_with_interval(answer, 'peak_lateral_force', (i, k)):>14}"
            for k in range(len(corners))
        )
        row += "".join(
            f"{whole_with_interval(answer, 'axle_peak_lateral_force', (i, k)):>15}"
            for k in range(len(axles))
        )
        lines.append(row + (_share_cell(answer, i) if share else ""))
    if answer.sizes["cone"] > MOST_ROWS:
        lines.append(f"  and {answer.sizes['cone'] - MOST_ROWS} cones more in the file")
    lines += [f"  {sentence}" for sentence in _left_open(answer, corners)]
    return lines + _of_weave(answer)


def _of_weave(answer: xr.Dataset) -> list[str]:
    """Rate of rise, remarks, gate and reasons, for those who want to know."""
    lines = []
    if has_weave(answer):
        # Means of the cones, which share most of their errors: so do the half-widths.
        mean = answer[["rate_of_rise", "u_rate_of_rise"]].mean("cone")
        front, rear = (with_interval(mean, "rate_of_rise", (k,), 1e3) for k in (0, 1))
        lines.append(
            f"  steepest rise of the lateral force, mean of all cones: front {front} kN/s, "
            f"rear {rear} kN/s"
        )
    lines += [f"  {remark}" for remark in sentences_of(answer, "remarks")]
    lines.append(f"  Samples used: {answer.attrs['gate']}.")
    lines += [f"  Assumed: {s}." for s in (answer.attrs["assumed"],) if s]
    return lines + [f"  Not given: {reason}." for reason in not_given(answer)]


def _share_cell(answer: xr.Dataset, i: int) -> str:
    share, half = value_and_half(answer.isel(cone=i), "front_share", 100.0)
    return f"{share:7.1f} +-{half:.1f} %" if np.isfinite(share) else f"{'not known':>16}"


def _left_open(answer: xr.Dataset, corners: list[str]) -> list[str]:
    """Sentences of the attribute `not_known`, and where samples at a bound were left out."""
    out = sentences_of(answer, "not_known", "; ")
    for k, name in enumerate(corners):
        at_bound = answer["share_at_bound"].to_numpy()[:, k]
        cones = [str(i + 1) for i in np.flatnonzero(at_bound)]
        if cones:
            out.append(
                f"{name}: at a bound in up to {100 * at_bound.max():.0f} % of the half-wave "
                f"at cone{'s' if cones[1:] else ''} {', '.join(cones)}; left out "
                "of the tyre's peaks, not of its axle's"
            )
    return out


@public
def plot_lateral_force(forces: xr.Dataset, slalom: xr.Dataset | None = None) -> Figure:
    """Draw the lateral force of each tyre with its 95 % interval against elapsed time.

    One panel for each corner of `forces`, all with the same scales, and a close-up around the
    largest force beside it; below them the sums of both axles with the front share, where the
    slalom has both.  More than 4000 samples are thinned so that the smallest and largest
    value of every short stretch stay.

    `forces` is the result of the reconstruction: `tyre_force` [N] (elapsed_time, corner,
    component), tyre axes, y left; its limits `tyre_force_lower` and `tyre_force_upper`; `status`.
    `slalom`: holds `cone_time` [s] (cone,). Given, the picture spans the cones and one spacing of
    cones on either side.
    Raises DataError: `forces` is no result of `reconstruct`, or `slalom` is none of `slalom`.
    """
    require_forces(forces, "tyre_force", "tyre_force_lower", "tyre_force_upper", "status")
    if slalom is not None:
        require_answer(slalom, "cone_time", ("cone",), "slalom")
    cones = _cones(slalom)
    shown = forces.sel(component="y").sel(elapsed_time=_window(cones))
    corners = corner_names(shown)
    hatches = _hatches(shown["status"].to_numpy(), shown["tyre_force"].to_numpy())
    held = bool((shown["status"] & AT_BOUND).any())
    scale = _scale(shown, held=held, numbered=bool(cones))
    axles, weave = has_axles(slalom), has_weave(slalom)
    legend = _legend(hatches, held=held, cones=bool(cones)) + (axle_legend() if axles else [])
    title = _title(shown)
    if slalom is not None and "peak_lateral_force" in slalom:
        title = weave_finding(slalom)
    figure, room = new_sheet(
        (11.0, 1.6 + 2.25 * (len(corners) + axles + weave)), title, legend, tyre_footer(forces)
    )
    rows = room.rows(len(corners) + axles + weave)
    for row, corner in zip(rows, corners, strict=False):
        whole, around_peak = row.columns(3, 1)
        panel = add_panel(figure, whole.inside(AROUND_LANE if held else AROUND))
        tyre = shown.sel(corner=corner)
        _draw_force(panel, tyre)
        style_panel(panel, _panel_name(tyre, corner))
        _mark_cones(panel, cones, scale[0])
        _shade_gaps(panel, tyre, hatches)
        if held:
            _draw_lane(panel, tyre)
        panel.set(xlim=scale[0], ylim=scale[1])
        panel.tick_params(labelbottom=corner == corners[-1])
        if corner == corners[-1]:
            panel.set_xlabel("elapsed time [s]", fontsize=TEXT)
        if np.isfinite(tyre["tyre_force"]).any():
            _close_up(add_panel(figure, around_peak.inside(AROUND)), tyre)
    if slalom is not None and axles:
        whole, beside = rows[len(corners)].columns(3, 1)
        panel = add_panel(figure, whole.inside(AROUND_LANE if held else AROUND))
        draw_axle_sums(panel, forces.sel(elapsed_time=_window(cones)), slalom)
        _mark_cones(panel, cones, scale[0])
        panel.set_xlim(scale[0])
        draw_front_share(add_panel(figure, beside.inside(AROUND)), slalom)
    if slalom is not None and weave:
        whole, beside = rows[-1].columns(3, 1)
        draw_cycle(add_panel(figure, whole.inside(AROUND_LANE if held else AROUND)), slalom)
        draw_crests(add_panel(figure, beside.inside(AROUND)), slalom)
    return figure


def _cones(slalom: xr.Dataset | None) -> dict[str, float]:
    """Return the time [s] of each cone that was passed, by number."""
    if slalom is None:
        return {}
    times = slalom["cone_time"].to_numpy()
    numbers = slalom["cone"].to_numpy() if "cone" in slalom.coords else np.arange(len(times)) + 1
    return {str(n): float(t) for n, t in zip(numbers, times, strict=True) if np.isfinite(t)}


def _window(cones: dict[str, float]) -> slice:
    """Return the span of the cones and one spacing more on either side."""
    if not cones:
        return slice(None)
    first, last = min(cones.values()), max(cones.values())
    spacing = (last - first) / (len(cones) - 1) if len(cones) > 1 else 1.0
    return slice(first - spacing, last + spacing)


def _draw_force(panel: Axes, tyre: xr.Dataset) -> None:
    draw_force(panel, tyre)
    panel.set_ylabel("lateral force Fy [N]", fontsize=TEXT)


def _panel_name(tyre: xr.Dataset, corner: str) -> str:
    name = f"{corner} {LOOKS[corner].name}"
    width = (tyre["tyre_force_upper"] - tyre["tyre_force_lower"]).to_numpy()
    known = width[np.isfinite(width)]
    if not known.size:
        return f"{name}, nowhere known"
    return f"{name}, 95 % interval: half-width {np.median(known) / 2:.0f} N (median)"


def _close_up(panel: Axes, tyre: xr.Dataset) -> None:
    """Draw the moments around the largest force, where the interval is wide enough to be seen."""
    from matplotlib.ticker import MaxNLocator

    size = np.abs(tyre["tyre_force"].to_numpy())
    peak = float(tyre["elapsed_time"][np.nanargmax(size)])
    near = tyre.sel(elapsed_time=slice(peak - CLOSE_UP / 2, peak + CLOSE_UP / 2))
    _draw_force(panel, near)
    style_panel(panel, "around its largest force", x="elapsed time [s]", y="Fy [N]")
    panel.xaxis.set_major_locator(MaxNLocator(3))


def _mark_cones(panel: Axes, cones: dict[str, float], ends: Ends) -> None:
    """Mark every cone, and number those whose numbers have room between the `ends` of time [s]."""
    free = ends[0]
    for number, time in cones.items():
        panel.axvline(time, color=ACCENT, linewidth=0.9, linestyle=DOTS, zorder=1)
        if time < free:
            continue
        free = time + NUMBER_WIDTH * len(number) * (ends[1] - ends[0])
        look = {"va": "top", "color": ACCENT, "zorder": 5, "bbox": white_box(0.4)}
        across = panel.get_xaxis_transform()
        note(panel, number, (time, 1.0), (2, -1), xycoords=across, **look)


def _hatches(status: NDArray[np.uint16], force: Floats) -> dict[str, str]:
    """Return a hatch for each cause of missing numbers that occurs."""
    causes = sorted({_cause(s) for s in np.unique(status[np.isnan(force)])})
    return {cause: HATCHES[i % len(HATCHES)] for i, cause in enumerate(causes)}


def _cause(status: int) -> str:
    names = [f.name.replace("_", " ") for f in FLAGS if status & f.bit & NOT_KNOWN]
    return enumerated(names) or "no cause flagged"


def _shade_gaps(panel: Axes, tyre: xr.Dataset, hatches: dict[str, str]) -> None:
    missing = np.isnan(tyre["tyre_force"].to_numpy())
    status = np.where(missing, tyre["status"].to_numpy(), 0)
    for value in np.unique(status[missing]):
        for begin, length in stretches(
            missing & (status == value), tyre["elapsed_time"].to_numpy()
        ):
            span = panel.axvspan(begin, begin + length, hatch=hatches[_cause(value)])
            span.set(facecolor="white", edgecolor=MIDDLE, linewidth=0.5, zorder=0.8)


def _draw_lane(panel: Axes, tyre: xr.Dataset) -> None:
    """Stretches at a bound, in a lane that the force never reaches."""
    held = (tyre["status"].to_numpy() & AT_BOUND) != 0
    across = panel.get_xaxis_transform()
    bars = stretches(held, tyre["elapsed_time"].to_numpy())
    panel.broken_barh(bars, (0.0, LANE), transform=across, color=INK, linewidth=0.8, zorder=4)
    panel.axline((0, LANE), slope=0, transform=panel.transAxes, color=MIDDLE, linewidth=0.5)
    panel.text(
        1.005, LANE / 2, "at a\nbound", transform=panel.transAxes, fontsize=SMALL, va="center"
    )


def _scale(shown: xr.Dataset, *, held: bool, numbered: bool) -> tuple[Ends, Ends]:
    """Return the ends of time [s] and force [N], with room for lane and cones' numbers."""
    time = shown["elapsed_time"].to_numpy()
    limits = np.stack([shown[f"tyre_force_{end}"].to_numpy() for end in ("lower", "upper")])
    limits = limits[np.isfinite(limits)]
    low, high = (limits.min(), limits.max()) if limits.size else (-1000.0, 1000.0)
    below, above = (2 * LANE if held else 0.04), (0.12 if numbered else 0.04)
    height = max(high - low, 1.0) / (1 - below - above)
    return (time[0], time[-1]), (low - below * height, high + above * height)


def _legend(hatches: dict[str, str], *, held: bool, cones: bool) -> list[Artist]:
    entries: list[Artist] = [
        line_entry(color=INK, linewidth=1.2, label="lateral force, left positive"),
        patch_entry(color=PALE, label="95 % interval"),
    ]
    if cones:
        entries.append(line_entry(color=ACCENT, linestyle=DOTS, label="cone, numbered"))
    if held:
        entries.append(patch_entry(color=INK, label="at a bound, not measured"))
    for cause, hatch in hatches.items():
        words = f"not known: {cause}"
        entries.append(patch_entry(facecolor="white", edgecolor=MIDDLE, hatch=hatch, label=words))
    return entries


def _title(shown: xr.Dataset) -> str:
    what = "Lateral force of the tyres"
    size = np.abs(shown["tyre_force"].to_numpy())
    if not np.isfinite(size).any():
        return f"{what}: nowhere known"
    top = np.unravel_index(int(np.nanargmax(size)), size.shape)
    low, high = (float(shown[f"tyre_force_{end}"].to_numpy()[top]) for end in ("lower", "upper"))
    corner = str(shown["corner"].to_numpy()[top[1]])
    largest = f"{size[top] / 1000:.2f} +-{(high - low) / 2000:.2f} kN"
    return f"{what}: largest sample {largest} ({corner}, 95 %)"
