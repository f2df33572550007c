"""Load transfer in words, and as a picture: both axles stacked against lateral acceleration."""

from __future__ import annotations

import numpy as np

from recon.base.labelled import sentences_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR, STANDARD_GRAVITY
from recon.evaluation.common.answer_labels import not_given
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import note, white_box
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import value_and_half

AROUND = Around(left=0.85, right=0.25, below=0.55, above=0.3)
PARTS = {"elastic": "springs and bars", "geometric": "links", "unsprung": "wheels"}
PART_LOOKS = {"elastic": (INK, ""), "geometric": ("white", "////"), "unsprung": (MIDDLE, "")}
DIRECTIONS = {"lateral": "from cornering", "longitudinal": "from braking and driving"}


def load_transfer_summary(answer: xr.Dataset) -> list[str]:
    """The front share in one sentence; then slopes, heights, air, cross weight, and the gate."""
    lines = [_finding(answer) + "."]
    lines += [
        f"  {line}"
        for line in (*_own_slopes(answer), *_parts(answer), *_heights(answer), *_others(answer))
        if line and line[1:] not in lines[0]
    ]
    lines.append(f"  Samples used: {answer.attrs['gate']}.")
    lines += [f"  Assumed: {s}." for s in sentences_of(answer, "assumed")]
    return lines + [f"  Not given: {reason}." for reason in not_given(answer)]


def _known(answer: xr.Dataset, name: str, **at: str) -> tuple[float, float] | None:
    """Value and half-width of its 95 % interval, None where it is not known."""
    found = value_and_half(answer.sel(at), name)
    return found if np.isfinite(found[0]) else None


def _finding(answer: xr.Dataset) -> str:
    share = _known(answer, "front_share")
    if share is None and np.isnan(answer["load_per_lateral_acceleration"]).all():
        known = [*_heights(answer), *_others(answer), "Nothing is known"]
        return f"Load transfer, without corners; {known[0][0].lower()}{known[0][1:]}"
    if share is None:
        return f"Load transfer, without the front share: {_slopes(answer)}"
    return (
        f"Load transfer: the front axle takes {100 * share[0]:.1f} +-{100 * share[1]:.1f} % of it "
        "when cornering"
    )


def _own_slopes(answer: xr.Dataset) -> list[str]:
    """The same in a line of its own, unless the finding has it."""
    words = _slopes(answer)
    return [] if _known(answer, "front_share") is None else [words[0].upper() + words[1:]]


def _slopes(answer: xr.Dataset) -> str:
    words = []
    for corner in map(str, answer["corner"].to_numpy()):
        found = _known(answer, "load_per_lateral_acceleration", corner=corner)
        value, half = (STANDARD_GRAVITY * x for x in found) if found else (0.0, 0.0)
        words.append(f"{corner} {value:+z.0f} +-{half:.0f} N" if found else f"{corner} not known")
    return "change of load at 1 g to the left " + ", ".join(words)


def _parts(answer: xr.Dataset) -> list[str]:
    """Parts of springs, links and wheels in the transfer of each axle."""
    if "transfer_part_share" not in answer:
        return []
    out = []
    for axle in map(str, answer["axle"].to_numpy()):
        words = []
        for part, named in PARTS.items():
            found = _known(answer, "transfer_part_share", axle=axle, part=part)
            if found:
                words.append(f"{named} {100 * found[0]:.1f} +-{100 * found[1]:.1f} %")
        if words:
            out.append(f"Transfer of the {axle} axle: {', '.join(words)}")
    return out


def _heights(answer: xr.Dataset) -> list[str]:
    stated = _known(answer, "stated_height")
    out = []
    for direction, words in DIRECTIONS.items():
        found = _known(answer, "height", direction=direction)
        if found:
            out.append(f"{words} {1e3 * found[0]:.0f} +-{1e3 * found[1]:.0f} mm")
    if not out:
        return []
    beside = f"; stated {1e3 * stated[0]:.0f} +-{1e3 * stated[1]:.0f} mm" if stated else ""
    return ["Height of the centre of mass: " + ", ".join(out) + beside]


def _others(answer: xr.Dataset) -> list[str]:
    out = []
    area = _known(answer, "downforce_area")
    if area:
        out.append(f"Downforce: coefficient times area {area[0]:.2f} +-{area[1]:.2f} m2")
    cross = _known(answer, "cross_weight")
    drift = _known(answer, "cross_weight_drift")
    if cross and drift:
        out.append(
            f"Cross weight (front left and rear right): {100 * cross[0]:.1f} "
            f"+-{100 * cross[1]:.1f} %, changed by {100 * drift[0]:+z.1f} +-{100 * drift[1]:.1f} %"
        )
    return out


@public
def plot_load_transfer(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw the lateral load transfer of both axles, stacked, against lateral acceleration.

    Where it is not known of both, the change of each tyre's load at 1 g stands there.  Beside it
    stands the height of the centre of mass as stated and as found from driving.

    `forces` is the result of the reconstruction; its bandwidth is stated beneath. `answer` as
    `load_transfer` returns it.
    Raises DataError: `forces` is no result of `reconstruct`, or `answer` none of `load_transfer`.
    """
    require_forces(forces, "tyre_force")
    require_answer(answer, "transfer_per_lateral_acceleration", ("axle",), "load_transfer")
    both = _both_axles(answer)
    of = "half of right minus left load" if both else "vertical load of each tyre"
    footer = (
        f"{forces.attrs.get('vehicle', '')}: {of}, level axes, left acceleration positive\n"
        f"{answer.attrs['gate']}"
    )
    legend = _legend() if both else [line_entry(color=ACCENT, marker="_", label="95 % interval")]
    figure, room = new_sheet((11.0, 5.2), _finding(answer), legend, footer)
    left, right = room.columns(1.7, 1)
    draw = _draw_transfer if both else _draw_slopes
    draw(add_panel(figure, left.inside(AROUND)), answer)
    if "transfer_part" in answer:
        above, right = right.rows(2)
        _draw_parts(add_panel(figure, above.inside(AROUND)), answer)
    _draw_heights(add_panel(figure, right.inside(AROUND)), answer)
    return figure


def _legend() -> list[Artist]:
    return [
        patch_entry(facecolor=INK, edgecolor=INK, label="front axle"),
        patch_entry(facecolor=PALE, edgecolor=INK, hatch="////", label="rear axle, on top"),
        line_entry(color=ACCENT, marker="_", label="95 % interval of front and of the sum"),
    ]


def _draw_slopes(panel: Axes, answer: xr.Dataset) -> None:
    """Change of the load of each tyre, where the transfer of both axles is not known."""
    corners = [str(c) for c in answer["corner"].to_numpy()]
    for row, corner in enumerate(corners):
        found = _known(answer, "load_per_lateral_acceleration", corner=corner)
        if found is None:
            note(panel, "not known", (0.0, row), (4, 0), va="center", fontsize=SMALL, color=MIDDLE)
            continue
        value, half = (STANDARD_GRAVITY * x for x in found)
        panel.barh(row, value, 0.5, facecolor=PALE, edgecolor=INK, linewidth=0.6, zorder=2)
        panel.errorbar(value, row, xerr=half, fmt="none", ecolor=ACCENT, capsize=4, zorder=3)
        note(panel, f"{value:+z.0f} ± {half:.0f} N", (value / 2, row), (0, 0), ha="center",
             va="center", zorder=4, bbox=white_box(0.3))  # fmt: skip
    style_panel(panel, "change of each tyre's load at 1 g to the left", x="change of load [N]")
    panel.axvline(0.0, color=INK, linewidth=0.8)
    panel.set_yticks(range(len(corners)), corners)
    panel.set_ylim(len(corners) - 0.4, -0.6)
    panel.margins(x=0.15)


def _both_axles(answer: xr.Dataset) -> bool:
    """Whether the transfer of both axles is known at some acceleration."""
    return bool(np.isfinite(answer["transfer"].to_numpy()).all(axis=1).any())


def _draw_transfer(panel: Axes, answer: xr.Dataset) -> None:
    style_panel(
        panel,
        "load that moves from the left to the right wheel of each axle",
        x="lateral acceleration [m/s2]",
        y="load transfer [N]",
    )
    middle = answer["bin_acceleration"].to_numpy()
    front, rear = (answer["transfer"].sel(axle=axle).to_numpy() for axle in ("front", "rear"))
    half = COVERAGE_FACTOR * answer["u_transfer"].to_numpy()
    total = front + rear
    for value, below, colour, hatch in ((front, 0 * front, INK, ""), (rear, front, PALE, "////")):
        panel.bar(
            middle, value, 0.8, below, facecolor=colour, hatch=hatch, edgecolor=INK,
            linewidth=0.6, zorder=2,
        )  # fmt: skip
    wide = np.hypot(half[:, 0], half[:, 1])
    for value, width in ((front, half[:, 0]), (total, wide)):
        panel.errorbar(
            middle, value, yerr=width, fmt="none", ecolor=ACCENT, capsize=2, linewidth=1, zorder=3
        )
    panel.axhline(0.0, color=INK, linewidth=0.8)


def _draw_parts(panel: Axes, answer: xr.Dataset) -> None:
    """Parts of springs, links and wheels in the transfer of each axle, with intervals."""
    style_panel(panel, "transfer at 1 g: springs, links, wheels", y="transfer [N]")
    width = 0.8 / len(PARTS)
    axles = [str(axle) for axle in answer["axle"].to_numpy()]
    for j, (part, named) in enumerate(PARTS.items()):
        own = answer.sel(part=part)
        value = STANDARD_GRAVITY * own["transfer_part"].to_numpy()
        half = STANDARD_GRAVITY * COVERAGE_FACTOR * own["u_transfer_part"].to_numpy()
        face, hatch = PART_LOOKS[part]
        panel.bar(
            np.arange(len(axles)) + (j - 1) * width, value, width, yerr=half, ecolor=ACCENT,
            facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.6, label=named, zorder=2,
            error_kw={"linewidth": 1, "capsize": 2, "zorder": 3},
        )  # fmt: skip
    panel.axhline(0.0, color=INK, linewidth=0.8)
    panel.set_xticks(range(len(axles)), [f"{axle} axle" for axle in axles])
    panel.margins(y=0.4)
    panel.legend(fontsize=SMALL, frameon=False, ncols=len(PARTS), loc="upper center",
                 handlelength=1.2, columnspacing=0.8)  # fmt: skip


def _draw_heights(panel: Axes, answer: xr.Dataset) -> None:
    style_panel(panel, "height of the centre of mass, 95 %", x="above the road [mm]")
    rows = [("as stated", _known(answer, "stated_height"))]
    rows += [(words, _known(answer, "height", direction=m)) for m, words in DIRECTIONS.items()]
    for place, (_, found) in enumerate(rows):
        if found is None:
            panel.text(
                0.5, place, "not known", transform=panel.get_yaxis_transform(),
                ha="center", va="center", fontsize=SMALL, color=MIDDLE,
            )  # fmt: skip
            continue
        value, half = (1e3 * x for x in found)
        marker = "s" if place == 0 else "o"
        panel.errorbar(value, place, xerr=half, fmt=marker, color=INK, capsize=4, zorder=3)
        note(panel, f"{value:.0f} ± {half:.0f}", (value, place), (0, 7), ha="center")
    panel.set_yticks(range(len(rows)), [words.replace(" and ", "\nand ") for words, _ in rows])
    panel.set_ylim(len(rows) - 0.5, -0.5)
