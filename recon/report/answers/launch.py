"""Launches in words, and the picture of force, slip and load with hop cycles numbered."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.filters import low_pass
from recon.evaluation.launch.wheel_slip import slip_of
from recon.evaluation.sections.car_motion import speed_of
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import note
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.long_series import thinned
from recon.report.common.looks import ACCENT, INK, LOOKS, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import footnotes, with_interval, wrapped

AROUND = Around(0.75, 0.35, 0.42, 0.3)
LEAD_IN, LEAD_OUT, LONGEST = 0.4, 0.3, 8.0  # s around a launch in the picture, and of it
REST = 0.5  # s that are drawn after the last hop or shift
MOST_SLIP = 1.0  # in the picture; at a standstill slip has no bound
LINES: dict[str, Any] = {"left": "-", "right": (0, (4, 1.2))}
BEHIND = PALE  # of the best launch, behind the one that is drawn
SIDES = {"FL": "left", "FR": "right", "RL": "left", "RR": "right"}


def launch_summary(answer: xr.Dataset) -> list[str]:
    """Launches in words: the finding, then a line or two for each launch and hop."""
    names = [str(name) for name in answer["launch"].to_numpy()]
    lines = [finding(answer)]
    for i in range(len(names)):
        lines += wrapped(f"{names[i]}: {_forces_words(answer, i)}")
        lines += wrapped(f"{names[i]}: {_distance_words(answer, i)}")
    for h, name in enumerate(answer["hop_launch"].to_numpy()):
        lines += wrapped(f"{name}, hop {h + 1}: {_hop_words(answer, h)}")
    if not answer.sizes.get("hop", 0) and "wheel hop" not in answer.attrs["not_given"]:
        lines.append("  No wheel hop of 3 cycles above 300 N or three times what the road does")
    return lines + footnotes(answer)


def finding(answer: xr.Dataset) -> str:
    """The finding in one sentence with its interval."""
    names = [str(name) for name in answer["launch"].to_numpy()]
    lost = answer["distance_lost"].to_numpy()
    if answer.sizes.get("other", 0) and np.isfinite(lost).any():
        return _against_others(answer)
    if np.isfinite(lost).sum() > 1:
        worst = int(np.nanargmax(lost))
        best = int(np.nanargmin(answer["time_to_distance"].to_numpy()))
        metres = with_interval(answer, "distance_lost", (worst,))
        return (
            f"{names[best].capitalize()} was the best of {len(names)}: at "
            f"{answer.attrs['distance_m']:g} m {names[worst]} was {metres} m behind"
        )
    prefix, place = _whole(answer)
    force = with_interval(answer, f"{prefix}plateau_drive_force", (0, place), 1e3)
    words = [f"The {_who(answer)} pushed with {force} kN"]
    if np.isfinite(answer[f"{prefix}catch_time"].values[0, place]):
        caught = with_interval(answer, f"{prefix}catch_time", (0, place))
        words.append(f"caught {caught} s after the start")
    if answer.sizes.get("hop", 0):
        words.append(f"hopped at {with_interval(answer, 'hop_event_frequency', (0,))} Hz")
    return ", ".join(words[:-1]) + (" and " if words[1:] else "") + words[-1]


def _against_others(answer: xr.Dataset) -> str:
    """The finding where launches of other drives take part."""
    names = [str(name) for name in answer["launch"].to_numpy()]
    took = answer["time_to_distance"].to_numpy()
    own = int(np.nanargmin(took))
    count = len(names) + answer.sizes["other"]
    over = f"over {answer.attrs['distance_m']:g} m"
    if answer.attrs["best_launch"] in names:
        rest = answer["other_time_to_distance"].to_numpy() - took[own]
        next_best = f", {np.nanmin(rest):.3f} s ahead of the best elsewhere"
        words = next_best if np.isfinite(rest).any() else ""
        return f"{names[own].capitalize()} is the best of {count} launches {over}{words}"
    metres, seconds = (with_interval(answer, f"{of}_lost", (own,)) for of in ("distance", "time"))
    return (
        f"{names[own].capitalize()} was {metres} m and {seconds} s behind the best of {count} "
        f"launches {over}"
    )


def _lost_words(answer: xr.Dataset, i: int) -> list[str]:
    """Metres, time and impulse that a launch lost against the best one."""
    if str(answer.attrs["best_launch"]) in (str(answer["launch"].values[i]), ""):
        return []
    parts = [f"{with_interval(answer, f'{n}_lost', (i,))} {u}" for n, u in
             (("distance", "m"), ("time", "s"))]  # fmt: skip
    if "impulse_lost" in answer:
        place = answer.sizes["axle"] - 1
        parts.append(f"{with_interval(answer, 'impulse_lost', (i, place))} N s of impulse")
    return [f"lost to {answer.attrs['best_launch']}: {', '.join(parts)}"]


def _whole(answer: xr.Dataset) -> tuple[str, int]:
    """Prefix and position of what stands for the car: its last driven axle, or its only tyre."""
    return ("axle_", answer.sizes["axle"] - 1) if answer.sizes["axle"] else ("", 0)


def _who(answer: xr.Dataset) -> str:
    prefix, place = _whole(answer)
    if prefix:
        return f"{answer['axle'].values[place]} axle"
    return f"{answer['corner'].values[place]} tyre"


def _forces_words(answer: xr.Dataset, i: int) -> str:
    prefix, place = _whole(answer)
    tyres = ", ".join(
        f"{name} {with_interval(answer, 'plateau_drive_force', (i, k))}"
        for k, name in enumerate(answer["corner"].to_numpy())
    )

    def of(name: str) -> str:
        return with_interval(answer, prefix + name, (i, place))

    parts = [
        f"{_who(answer)} plateau {of('plateau_drive_force')} N ({tyres})",
        f"peak {of('peak_drive_force')} N",
        f"up in {of('rise_time')} s",
        f"load gained {of('load_gained')} N",
    ]
    if answer.sizes["axle"]:
        parts.append(f"left share {with_interval(answer, 'left_share', (i, place), 0.01)} %")
    return "; ".join(part for part in parts if "not known" not in part)


def _distance_words(answer: xr.Dataset, i: int) -> str:
    parts = [f"start at {with_interval(answer, 'launch_start', (i,))} s"]
    for k, name in enumerate(answer["corner"].to_numpy()):
        slipped = with_interval(answer, "time_in_slip", (i, k))
        caught = with_interval(answer, "catch_time", (i, k))
        if slipped != "not known":
            catch = "no catch" if caught == "not known" else f"caught after {caught} s"
            parts.append(f"{name} in slip {slipped} s, {catch}")
    took = with_interval(answer, "time_to_distance", (i,))
    if took != "not known":
        prefix, place = _whole(answer)
        impulse = with_interval(answer, f"{prefix}drive_impulse", (i, place))
        parts.append(f"{answer.attrs['distance_m']:g} m in {took} s with {impulse} N s")
    return "; ".join(parts + _lost_words(answer, i))


def _hop_words(answer: xr.Dataset, h: int) -> str:
    """One event of hop: when, how often, how large, growth and decay, sides."""
    begin, end = (with_interval(answer, f"hop_{e}", (h,)) for e in ("start", "end"))
    frequency = with_interval(answer, "hop_event_frequency", (h,))
    cycles = float(answer["hop_event_cycles"].values[h])
    parts = [f"{frequency} Hz from {begin} to {end} s, {cycles:.1f} cycles"]
    for j, axis in enumerate("xz"):
        sizes = ", ".join(
            f"{name} {with_interval(answer, 'hop_amplitude', (h, k, j))}"
            for k, name in enumerate(answer["corner"].to_numpy())
        )
        parts.append(f"F{axis} up to {sizes} N")
    parts += _trend(answer, h)
    for a in range(answer.sizes["axle"]):
        along, up = answer["hop_phase"].values[h, a]
        phase = up if np.isfinite(up) else along
        parts += [sides(float(phase))] if np.isfinite(phase) else []
    return "; ".join(parts)


def _trend(answer: xr.Dataset, h: int) -> list[str]:
    """Growth and decay per cycle of the largest oscillation of an event."""
    sizes = answer["hop_amplitude"].to_numpy()[h]
    k, j = np.unravel_index(int(np.nanargmax(sizes)), sizes.shape)
    parts = []
    for name, word in (("hop_growth", "grow"), ("hop_decay", "decay")):
        value = answer[name].values[h, k, j]
        if np.isfinite(value):
            share = f"{with_interval(answer, name, (h, int(k), int(j)), 0.01)} %"
            parts.append(f"{word}s {share}" if value > 0 else f"does not {word} ({share})")
    of = f"F{'xz'[int(j)]} of {answer['corner'].values[k]}"
    return [f"{of} {' and '.join(parts)} per cycle"] if parts else []


def sides(phase: float) -> str:
    """How both sides of an axle move, by the phase [rad] of the left ahead of the right."""
    away = abs((phase + np.pi) % (2 * np.pi) - np.pi)
    words = f"{np.rad2deg(away):.0f} degrees apart"
    if away < np.pi / 3:
        return f"sides in phase ({words})"
    if away > 2 * np.pi / 3:
        return f"sides against each other ({words})"
    return f"sides neither in phase nor against each other ({words})"


@public
def plot_launch(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw longitudinal force, slip and load of the driven tyres over a launch.

    It is the best one of this drive, or the one that was farthest behind another one of it.  The
    best launch of the day is drawn behind it, with the metres between them.  Crests of hop are
    numbered, gaps of shifts shaded, and the catch of each tyre is marked.

    `forces` is the result of the reconstruction: `tyre_force_intermediate` [N] (elapsed_time,
    corner, component), x forward, z up. `answer` is the result of `launch`.
    Raises DataError: `forces` is no result of `reconstruct`, or `answer` is none of `launch`.
    """
    require_forces(forces, "tyre_force_intermediate")
    require_answer(answer, "peak_drive_force", ("launch", "corner"), "launch")
    i = _drawn(answer)
    best = str(answer.attrs["best_launch"])
    behind = "metres_behind" in answer and str(answer["launch"].values[i]) != best
    span = _span(answer, i)
    slips = bool(np.isfinite(answer["time_in_slip"]).any())
    panels = 2 + slips + behind
    bandwidth = float(answer.attrs["bandwidth_Hz"])
    footer = (
        f"{answer['launch'].values[i]}, {bandwidth:g} Hz bandwidth, intermediate axes; force of "
        "the road on the tyre, x forward, z up"
    )
    legend = _legend(answer, behind=behind)
    figure, room = new_sheet((11.0, 1.5 + 2.3 * panels), finding(answer), legend, footer)
    boxes = iter(room.rows(panels))
    time = forces["elapsed_time"].to_numpy()
    inside = np.flatnonzero((time >= span[0]) & (time <= span[1]))
    shown = forces.isel(elapsed_time=slice(int(inside[0]), int(inside[-1]) + 1))
    force = add_panel(figure, next(boxes).inside(AROUND))
    if behind:
        _draw_best(force, answer, i)
    lines = _draw(force, shown, answer, 0, bandwidth)
    style_panel(force, f"longitudinal force of each driven tyre{_width(answer, i)}", y="Fx [N]")
    _number_hop(force, answer, i, lines)
    _mark_catch(force, answer, i, lines)
    if behind:
        _draw_behind(add_panel(figure, next(boxes).inside(AROUND)), answer, i)
    if slips:
        _draw_slip(add_panel(figure, next(boxes).inside(AROUND)), shown, answer, bandwidth)
    load = add_panel(figure, next(boxes).inside(AROUND))
    _draw(load, shown, answer, 2, bandwidth)
    style_panel(load, "vertical force of each driven tyre", x="elapsed time [s]", y="Fz [N]")
    for panel in figure.axes:
        panel.set_xlim(span)
        for a, b in zip(answer["gap_start"].values, answer["gap_end"].values, strict=True):
            panel.axvspan(a, b, color=PALE, alpha=0.6, linewidth=0, zorder=0.5)
    return figure


def _drawn(answer: xr.Dataset) -> int:
    """Place of the launch that is drawn, the one that the finding is about."""
    took, lost = (answer[name].to_numpy() for name in ("time_to_distance", "distance_lost"))
    if not np.isfinite(took).any():
        return 0
    alone = not answer.sizes.get("other", 0) and np.isfinite(lost).sum() > 1
    return int(np.nanargmax(lost)) if alone else int(np.nanargmin(took))


def _span(answer: xr.Dataset, i: int) -> tuple[float, float]:
    """Elapsed time [s] between which a launch is drawn, with its hops and shifts."""
    start, end = float(answer["launch_start"][i]), float(answer["launch_end"][i])
    hops = answer["hop_end"].to_numpy() if answer.sizes.get("hop", 0) else np.empty(0)
    busy = [start + 2.0, *hops[hops < end], *answer["gap_end"].to_numpy()]
    end = min(end, max(x for x in [start, *busy] if x < end + 1e-9) + REST, start + LONGEST)
    return start - LEAD_IN, end + LEAD_OUT


def _draw_best(panel: Axes, answer: xr.Dataset, i: int) -> None:
    """Force of each driven tyre in the best launch, behind that of this one."""
    time = answer["since_start"].to_numpy() + float(answer["launch_start"][i])
    for corner in map(str, answer["corner"].to_numpy()):
        of = answer["best_drive_force"].sel(corner=corner).to_numpy()
        panel.plot(time, of, color=BEHIND, linewidth=2.2, linestyle=LINES[SIDES[corner]], zorder=2)


def _draw_behind(panel: Axes, answer: xr.Dataset, i: int) -> None:
    """Metres behind the best launch over time, and what was lost to it over the distance."""
    time = answer["since_start"].to_numpy() + float(answer["launch_start"][i])
    low, high = (answer[f"metres_behind_{end}"].to_numpy()[i] for end in ("lower", "upper"))
    panel.fill_between(time, low, high, color=MIDDLE, alpha=0.3, linewidth=0)
    panel.plot(time, answer["metres_behind"].to_numpy()[i], color=INK, linewidth=1.2)
    panel.axhline(0.0, color=MIDDLE, linewidth=0.9)
    words = f"; over {answer.attrs['distance_m']:g} m it {_lost_words(answer, i)[0]}"
    style_panel(panel, f"metres behind the best launch{words}", y="behind [m]", fold=True)


def _width(answer: xr.Dataset, i: int) -> str:
    """Half-width of the interval of the force, and the meaning of the numbers, in words."""
    u = float(np.nanmax(answer["u_plateau_drive_force"].to_numpy()[i]))
    known = f", 95 % interval +-{COVERAGE_FACTOR * u:.0f} N" if np.isfinite(u) else ""
    return known + ("; crests of hop numbered" if answer.sizes.get("hop", 0) else "")


def _legend(answer: xr.Dataset, *, behind: bool) -> list[Artist]:
    entries: list[Artist] = [
        line_entry(color=LOOKS[c].colour, linestyle=LINES[SIDES[c]], label=f"{c} {LOOKS[c].name}")
        for c in map(str, answer["corner"].to_numpy())
    ]
    if behind:
        entries.append(line_entry(color=BEHIND, linewidth=2.2, label="the best launch"))
    if answer.sizes["gap"]:
        entries.append(patch_entry(color=PALE, label="gap of a shift"))
    if np.isfinite(answer["catch_time"]).any():
        label = "catch: 95 % of the plateau again"
        entries.append(
            line_entry(color=ACCENT, marker="v", linestyle="none", markersize=6, label=label)
        )
    return entries


def _draw(
    panel: Axes, shown: xr.Dataset, answer: xr.Dataset, axis: int, bandwidth: float
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Draw one component of every driven tyre; return the lines by corner."""
    rate = float(shown.attrs["rate_Hz"])
    lines = {}
    time = shown["elapsed_time"].to_numpy()
    for corner in map(str, answer["corner"].to_numpy()):
        of = shown["tyre_force_intermediate"].sel(corner=corner).to_numpy()[:, axis]
        smooth = low_pass(of[:, None].astype(float), bandwidth, rate)[:, 0]
        kept = thinned(smooth[None])
        panel.plot(
            time[kept], smooth[kept], color=LOOKS[corner].colour, linewidth=1.1,
            linestyle=LINES[SIDES[corner]], zorder=3,
        )  # fmt: skip
        lines[corner] = (time, smooth)
    return lines


def _draw_slip(panel: Axes, shown: xr.Dataset, answer: xr.Dataset, bandwidth: float) -> None:
    slip, *_ = slip_of(shown, speed_of(shown), bandwidth).at(slice(None))
    corners = corner_names(shown)
    time = shown["elapsed_time"].to_numpy()
    for corner in map(str, answer["corner"].to_numpy()):
        of = np.clip(slip[:, corners.index(corner)], -0.2, MOST_SLIP)
        panel.plot(
            time, 100 * of, color=LOOKS[corner].colour, linewidth=1.1,
            linestyle=LINES[SIDES[corner]], zorder=3,
        )  # fmt: skip
    threshold = float(answer.attrs["slip_percent"])
    panel.axhline(threshold, color=MIDDLE, linewidth=0.9, linestyle=(0, (1, 1.5)))
    panel.annotate(
        f"{threshold:g} %: slipping", (1.0, threshold), xycoords=("axes fraction", "data"),
        ha="right", va="bottom", fontsize=SMALL, color=INK,
    )  # fmt: skip
    style_panel(
        panel, f"slip of each driven wheel, shown up to {100 * MOST_SLIP:g} %", y="slip [%]"
    )


def _number_hop(panel: Axes, answer: xr.Dataset, i: int, lines: dict) -> None:
    name = str(answer["launch"].values[i])
    low, high = panel.get_ylim()
    panel.set_ylim(low, high + 0.14 * (high - low))
    for h, of in enumerate(answer["hop_launch"].to_numpy()):
        if str(of) != name:
            continue
        crests = answer["hop_crest"].to_numpy()[h]
        time = next(iter(lines.values()))[0]
        highest = np.max([smooth for _, smooth in lines.values()], axis=0)
        for number, crest in enumerate(crests[np.isfinite(crests)], start=1):
            near = np.abs(time - crest) < 0.02
            if not near.any():
                continue
            place = (crest, float(highest[near].max()))
            note(panel, str(number), place, (0, 2), ha="center", va="bottom", fontsize=6.5)


def _mark_catch(panel: Axes, answer: xr.Dataset, i: int, lines: dict) -> None:
    start = float(answer["launch_start"][i])
    known = 0
    for k, corner in enumerate(map(str, answer["corner"].to_numpy())):
        caught = start + float(answer["catch_time"].values[i, k])
        if not np.isfinite(caught):
            continue
        time, smooth = lines[corner]
        force = float(np.interp(caught, time, smooth))
        panel.plot([caught], [force], marker="v", color=ACCENT, markersize=7, zorder=5)
        # Names side by side at the top: tyres of an axle often catch together.
        top = {"xycoords": panel.get_xaxis_transform(), "va": "top"}
        note(panel, corner, (caught, 1.0), (5 + 16 * known, -2), color=ACCENT, zorder=6, **top)
        known += 1
