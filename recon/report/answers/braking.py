"""Braking in words, and the picture of both axles' braking force at every stop."""

from __future__ import annotations

import numpy as np

from recon.base.labelled import sentences_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import folded, interval
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import footnotes, value_and_half, wrapped

BAR = 1e5  # Pa
MOST_UNUSED = 8  # stops whose unused force is listed
MOST_STOPS = 25  # that one picture can hold
AROUND = Around(left=1.7, right=0.2, below=0.45, above=0.3)
AROUND_PRESSURE = Around(left=0.65, right=0.25, below=0.45, above=0.3)
AXLE_LOOKS = {"front": (INK, "o"), "rear": (MIDDLE, "s")}


def _percent(answer: xr.Dataset, name: str) -> str:
    value, half = value_and_half(answer, name, 100.0)
    return f"{value:.1f} +-{half:.1f} %"


def braking_summary(answer: xr.Dataset) -> list[str]:
    """The front share beside the ideal one, and what follows from it, in words."""
    count = answer.sizes["stop"]
    lines = [f"Braking, {count} stop{'s' if count > 1 else ''}: {_finding(answer)}"]
    lines += [*wrapped(_unused(answer)), *_unused_table(answer)]
    remarks = sentences_of(answer, "remarks")
    for sentence in (_brakes(answer), _per_bar(answer), *remarks, _resting(answer)):
        lines += wrapped(sentence) if sentence else []
    return lines + footnotes(answer)


def _finding(answer: xr.Dataset) -> str:
    if not np.isfinite(float(answer["all_stops_front_share"])):
        return f"{_alone(answer)}the front share is not known"
    share = f"front share {_percent(answer, 'all_stops_front_share')}"
    if not np.isfinite(float(answer["all_stops_ideal_front_share"])):
        return f"{share}, the ideal share is not known"
    over, half = value_and_half(answer, "all_stops_front_share_over_ideal", 100.0)
    both = f"{share}, ideal by the load {_percent(answer, 'all_stops_ideal_front_share')}"
    if abs(over) <= max(half, 0.05):
        return f"{both}: alike within {abs(over) + half:.1f} percentage points"
    end = "front" if over > 0 else "rear"
    return f"{both}: {abs(over):.1f} +-{half:.1f} percentage points too much at the {end}"


def _alone(answer: xr.Dataset) -> str:
    """The hardest stop of the only axle that is known."""
    force = answer["braking_force"].to_numpy()
    known = np.flatnonzero(np.isfinite(force).any(axis=0))
    if len(known) != 1:
        return ""
    a = int(known[0])
    i = int(np.nanargmax(force[:, a]))
    one = answer.isel(stop=i, axle=a)
    value, half = value_and_half(one, "braking_force")
    return f"{one['axle'].item()} axle {value:.0f} +-{half:.0f} N in {one['stop'].item()}; "


def _unused_table(answer: xr.Dataset) -> list[str]:
    """Force that each stop left unused: one line for each, of the axle that could do more."""
    left = answer["unused_force"].to_numpy()
    known = np.flatnonzero(np.isfinite(left).any(axis=1))
    if len(known) < 2:
        return []
    lines = ["  Left unused when the other axle reaches its limit, stop by stop:"]
    for i in known[:MOST_UNUSED].tolist():
        one = answer.isel(stop=i, axle=int(np.nanargmax(left[i])))
        value, half = value_and_half(one, "unused_force")
        words = f"{one['axle'].item()} {value:.0f} +-{half:.0f} N"
        words += "" if value > half else " (perhaps none)"
        lines.append(f"    {one['stop'].item()}: {words}")
    more = len(known) - MOST_UNUSED
    return lines + ([f"    and {more} more, in the file"] if more > 0 else [])


def _unused(answer: xr.Dataset) -> str:
    """Force that was left unused in the hardest stop."""
    left = answer["unused_force"].to_numpy()
    if not np.isfinite(left).any():
        return ""
    hardest = answer.isel(stop=int(np.nanargmax(answer["braking_force"].sum("axle").to_numpy())))
    level, wide = value_and_half(answer, "friction_level")
    times = f"{level:.2f} +-{wide:.2f}" if wide > 0 else f"the stated {level:.2f}"
    more = hardest.isel(axle=int(np.nanargmax(hardest["unused_force"].to_numpy())))
    value, half = value_and_half(more, "unused_force")
    axle = str(more["axle"].to_numpy())
    other = "rear" if axle == "front" else "front"
    sure = "" if value > half else ", which is not resolved"
    return (
        f"Hardest stop ({hardest['stop'].item()}): in the same split, with the {other} axle at its "
        f"limit ({times} times its load), the {axle} axle could still brake {value:.0f} "
        f"+-{half:.0f} N more{sure}"
    )


def _brakes(answer: xr.Dataset) -> str:
    """Front share of the brakes alone."""
    share = answer["brakes_front_share"].to_numpy()
    if not np.isfinite(share).any():
        return ""
    first = answer.isel(stop=int(np.flatnonzero(np.isfinite(share))[0]))
    drag = ", ".join(
        "{} {:.0f} +-{:.0f} N".format(
            axle, *value_and_half(answer.sel(axle=axle), "coasting_force")
        )
        for axle in AXLE_LOOKS
        if np.isfinite(float(answer["coasting_force"].sel(axle=axle)))
    )
    return (
        f"Brakes alone, without the drag of engine and tyres ({drag}): front share "
        f"{_percent(first, 'brakes_front_share')} in {first['stop'].item()}"
    )


def _per_bar(answer: xr.Dataset) -> str:
    """Force per bar of each axle, and its change from the first to the last stop."""
    parts = []
    for axle in AXLE_LOOKS:
        one = answer.sel(axle=axle)
        known = np.flatnonzero(np.isfinite(one["force_per_pressure"].to_numpy()))
        if not known.size:
            continue
        words = "{} {:.1f} +-{:.1f} N".format(
            axle, *value_and_half(one.isel(stop=int(known[0])), "force_per_pressure", BAR)
        )
        if known[0] > 0:
            words += f" in {one['stop'].to_numpy()[known[0]]}"
        change, half = value_and_half(one, "force_per_pressure_change", 100.0)
        if np.isfinite(change):
            words += f" ({change:+z.1f} +-{half:.1f} % by the last stop)"
        parts.append(words)
    return f"Force per bar of line pressure, first stop: {', '.join(parts)}" if parts else ""


def _resting(answer: xr.Dataset) -> str:
    resting = answer["resting_on_stated_torque"].to_numpy()
    if not np.isfinite(resting).any():
        return ""
    most = 100 * float(np.nanmax(resting))
    return f"At most {most:.1f} % of a braking force rests on a stated brake torque per bar"


@public
def plot_braking(forces: xr.Dataset, braking: xr.Dataset) -> Figure:
    """Draw the braking force of both axles at every stop, with the ideal share as a tick.

    `forces` is the result of the reconstruction; it states the bandwidth. `braking` is the result
    of `braking`: `braking_force` [N] (stop, axle), shares [1] (stop), and `force_per_pressure`
    [N/Pa] (stop, axle).
    Raises DataError: `forces` is no result of `reconstruct`, or `braking` is none of `braking`.
    """
    require_forces(forces, "tyre_force")
    require_answer(braking, "braking_force", ("stop", "axle"), "braking")
    count = braking.sizes["stop"]
    # Of many stops some from first to last: fade shows in the last ones.
    shown = braking.isel(stop=np.linspace(0, count - 1, min(count, MOST_STOPS)).round().astype(int))
    pressed = bool(np.isfinite(shown["force_per_pressure"].to_numpy()).any())
    footer = f"{braking.attrs['gate']}\nvehicle: {forces.attrs['vehicle']}; means over each stop"
    if count > MOST_STOPS:
        footer += f"; {MOST_STOPS} of {count} stops, spread evenly"
    title = _finding(braking)
    figure, room = new_sheet(
        (11.0, 2.1 + 0.42 * max(shown.sizes["stop"], 3)),
        title[0].upper() + title[1:],
        _legend(),
        footer,
    )
    left, right = room.columns(3, 1) if pressed else (room, None)
    _draw_bars(add_panel(figure, left.inside(AROUND)), shown)
    if right is not None:
        _draw_pressure(add_panel(figure, right.inside(AROUND_PRESSURE)), shown)
    return figure


def _legend() -> list[Artist]:
    return [
        patch_entry(facecolor=INK, edgecolor=INK, label="front axle"),
        patch_entry(facecolor=PALE, edgecolor=INK, label="rear axle"),
        line_entry(color=ACCENT, linewidth=1.4, marker="|", markersize=7,
               label="split with 95 % interval"),
        line_entry(color=ACCENT, linestyle="none", marker="v", markersize=6,
               label="ideal split, by the load"),
    ]  # fmt: skip


def _draw_bars(panel: Axes, braking: xr.Dataset) -> None:
    force = braking["braking_force"].to_numpy()
    total = np.nansum(force, axis=1)
    names = [str(name) for name in braking["stop"].to_numpy()]
    for i in range(len(names)):
        row = float(-i)
        front, rear = np.nan_to_num(force[i])
        one = braking.isel(stop=i)
        panel.barh(row, front, height=0.55, facecolor=INK, edgecolor=INK, linewidth=0.6)
        panel.barh(row, rear, left=front, height=0.55, facecolor=PALE, edgecolor=INK, linewidth=0.6)
        share, half = value_and_half(one, "front_share")
        ideal = float(one["ideal_front_share"])
        words = "share not known"
        if np.isfinite(share):
            panel.errorbar(
                share * total[i], row, xerr=half * total[i], color="white", ecolor=ACCENT,
                elinewidth=1.4, capsize=3, zorder=4,
            )  # fmt: skip
            words = f"front {100 * share:.1f} ± {100 * half:.1f} %"
        if np.isfinite(ideal):
            place = ideal * total[i]
            panel.plot([place, place], [row - 0.36, row + 0.36], color=ACCENT, linewidth=1.6)
            panel.plot(place, row + 0.38, color=ACCENT, marker="v", markersize=6, clip_on=False)
            words += f", ideal {100 * ideal:.1f} %"
        panel.text(total[i] + 0.01 * total.max(), row, words, fontsize=SMALL, va="center")
    known = [str(a) for a in braking["axle"].to_numpy()[np.isfinite(force).any(axis=0)]]
    of = "both axles" if len(known) != 1 else f"the {known[0]} axle"
    style_panel(panel, f"mean braking force of {of}", x="braking force [N]")
    panel.grid(visible=False, axis="y")  # words stand beside the bars
    panel.set_yticks(-np.arange(len(names)), [folded(name, 20) for name in names])
    panel.set_ylim(-len(names) + 0.4, 0.6)
    panel.set_xlim(0.0, 1.45 * total.max())


def _draw_pressure(panel: Axes, braking: xr.Dataset) -> None:
    stops = np.arange(1, braking.sizes["stop"] + 1)
    for axle, (colour, marker) in AXLE_LOOKS.items():
        one = braking.sel(axle=axle)
        force, u = (BAR * one[f"{of}force_per_pressure"].to_numpy() for of in ("", "u_"))
        look = {"fmt": marker, "color": colour, "label": axle, "zorder": 2}
        interval(panel, stops, force, yerr=COVERAGE_FACTOR * u, **look)
    style_panel(panel, "force per bar, 95 %", x="stop", y="N per bar")
    panel.set_xticks(stops[:: -(-len(stops) // 8)])
    panel.set_xlim(0.4, len(stops) + 0.6)
    panel.set_ylim(bottom=0.0)
    panel.legend(fontsize=SMALL, frameon=False)
