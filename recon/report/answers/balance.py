"""Balance in words, and the picture of front against rear use, a point for each corner."""

from __future__ import annotations

import re

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.balance.corner_visits import CONE
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import folded, interval, note, white_box
from recon.report.common.legend import line_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, TEXT
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import footnotes, value_and_half, wrapped

AROUND = Around(left=0.75, right=0.2, below=0.5, above=0.3)
AROUND_SPLIT = Around(left=1.75, right=0.25, below=0.5, above=0.3)
SIDES = {1: ("left", "o", INK), -1: ("right", "s", MIDDLE)}
MOST_NUMBERED = 20
CLOSE = 0.045  # share of the axis, of points whose numbers stand together
AXLES = ("front", "rear")
LETTERS = {"front": "F", "rear": "R"}  # beside the number of a corner
MOST_LISTED = 6


def balance_summary(answer: xr.Dataset) -> list[str]:
    """Which axle is first at its limit, and by how much more it is used, in words."""
    lines = [f"Balance, {_visits(answer)}: {_finding(answer)}"]
    sentences = (*_limits(answer), _used_more(answer), _split(answer, "phase"))
    for sentence in (*sentences, _split(answer, "band"), _lateral(answer)):
        lines += wrapped(sentence) if sentence else []
    return lines + footnotes(answer)


def _visits(answer: xr.Dataset) -> str:
    names = [str(name) for name in answer["visit"].to_numpy()]
    cones = sum(CONE in name for name in names)
    counts = {"corner": len(names) - cones, "cone": cones}
    return " and ".join(f"{n} {word}{'s' if n > 1 else ''}" for word, n in counts.items() if n)


def _finding(answer: xr.Dataset) -> str:
    value, half = value_and_half(answer, "all_visits_use_difference")
    more = (
        f"front use is {abs(value):.3f} +-{half:.3f} {'higher' if value > 0 else 'lower'} than rear"
    )
    more += "" if abs(value) > half else " (not resolved)"
    every = answer.sizes["visit"]
    counts = {a: int((answer["first_at_limit"].to_numpy() == a).sum()) for a in AXLES}
    if not any(counts.values()):
        return f"no axle is shown to be at its limit; {more}"
    turns = "turn" if every == 1 else "turns"
    words = [
        f"{axle} axle first at its limit in {n} of {every} {turns}"
        for axle, n in counts.items()
        if n
    ]
    rest = every - sum(counts.values())
    return ", ".join(words) + (f", {rest} do not show it" if rest else "") + f"; {more}"


def _limits(answer: xr.Dataset) -> list[str]:
    """The evidence for the axle that was first at its limit, corner by corner."""
    lines = []
    for i, axle in enumerate(answer["first_at_limit"].to_numpy()):
        if str(axle) in AXLES:
            growth, rise = (float(answer[f"limit_{of}"][i]) for of in ("slip_growth", "force_rise"))
            lines.append(
                f"{answer['visit'].values[i]}: {axle} axle first at its limit: its slip angle grew "
                f"by {np.degrees(growth):.1f} deg against the other axle's, its use by "
                f"{100 * rise:.0f} %"
            )
    left = len(lines) - MOST_LISTED
    return lines[:MOST_LISTED] + ([f"and {left} more like these"] if left > 0 else [])


def _used_more(answer: xr.Dataset) -> str:
    """How often which axle reached the higher use."""
    more = answer["used_more"].to_numpy()
    words = [f"{axle} in {n}" for axle in AXLES if (n := int((more == axle).sum()))]
    open_ = int((more == "not resolved").sum())
    words += [f"{open_} not resolved"] if open_ else []
    return (
        f"Axle with the higher use, held for 0.25 s: {', '.join(words)}. That alone does not show "
        "a limit: tyres of the axles may differ"
    )


def _names(answer: xr.Dataset, dim: str) -> list[str]:
    if dim == "phase":
        return [str(name) for name in answer["phase"].to_numpy()]
    ends = zip(
        *(answer[f"band_{end}_speed"].to_numpy() for end in ("lowest", "highest")), strict=True
    )
    return [f"{3.6 * low:.0f} to {3.6 * high:.0f} km/h" for low, high in ends]


def _split(answer: xr.Dataset, dim: str) -> str:
    """Difference of use by phase of the corner or by speed."""
    name = f"{dim}_use_difference"
    parts = []
    for i, words in enumerate(_names(answer, dim)):
        value, half = value_and_half(answer.isel({dim: i}), name)
        parts += [f"{words} {value:+z.3f} +-{half:.3f}"] if np.isfinite(value) else []
    title = "by phase" if dim == "phase" else "by speed"
    return f"Use of front less rear axle {title}: {', '.join(parts)}" if parts else ""


def _lateral(answer: xr.Dataset) -> str:
    """Front share of the lateral force beside that of the weight."""
    share = answer["front_lateral_share"].to_numpy()
    u = answer["u_front_lateral_share"].to_numpy()
    static, half = value_and_half(answer, "static_front_share")
    words = f"{100 * share.mean():.1f} % on average, +-{100 * COVERAGE_FACTOR * u.max():.1f} % each"
    beside = f", its share of the weight {100 * static:.1f} +-{100 * half:.1f} %"
    return f"Front share of the lateral force {words}" + (beside if np.isfinite(static) else "")


@public
def plot_balance(forces: xr.Dataset, balance: xr.Dataset) -> Figure:
    """Draw front against rear use, a point for each corner, and its split by phase and speed.

    `forces` is the result of the reconstruction, for the words below the picture. `balance` is the
    result of `balance`: `axle_use` [1] (visit, axle), `side` (visit), and differences of use [1] by
    phase and by band of speed.
    Raises DataError: `forces` is no result of `reconstruct`, or `balance` is none of `balance`.
    """
    require_forces(forces, "tyre_force")
    require_answer(balance, "axle_use", ("visit", "axle"), "balance")
    title = _finding(balance)
    footer = f"{balance.attrs['gate']}\nvehicle: {forces.attrs['vehicle']}; use = horizontal over "
    footer += "vertical force of both tyres of an axle, mean over the corner"
    figure, room = new_sheet((11.0, 6.2), title[0].upper() + title[1:], _legend(), footer)
    left, right = room.columns(1.15, 1)
    _draw_points(add_panel(figure, left.inside(AROUND)), balance)
    _draw_split(add_panel(figure, right.inside(AROUND_SPLIT)), balance)
    return figure


def _legend() -> list[Artist]:
    points: list[Artist] = [
        line_entry(linestyle="none", marker=marker, color=colour, markersize=5,
               label=f"corner to the {name}, 95 %")
        for name, marker, colour in SIDES.values()
    ]  # fmt: skip
    return [*points, line_entry(color=ACCENT, linewidth=1.2, label="both axles used alike")]


def _draw_points(panel: Axes, balance: xr.Dataset) -> None:
    use, u = balance["axle_use"].to_numpy(), balance["u_axle_use"].to_numpy()
    side = balance["side"].to_numpy()
    half = COVERAGE_FACTOR * u
    for which, (_, marker, colour) in SIDES.items():
        own = side == which
        look = {"fmt": marker, "markersize": 5, "capsize": 2, "linewidth": 0.8, "color": colour}
        interval(panel, *use[own, ::-1].T, xerr=half[own, 1], yerr=half[own, 0], **look)
    low, high = float((use - half).min()) - 0.02, float((use + half).max()) + 0.02
    numbered = len(use) <= MOST_NUMBERED
    if numbered:
        for group in _close_together(use, CLOSE * (high - low)):
            words = _called(balance.isel(visit=group))
            # To the right of all intervals of the group, which no words may hide.
            place = (float(np.max((use + half)[group, 1])), float(np.mean(use[group, 0])))
            note(panel, words, place, (4, 0), va="center", zorder=5, bbox=white_box(0.3))
    panel.plot([low, high], [low, high], color=ACCENT, linewidth=1.2, zorder=2)
    for place, words, alignment in (((0.03, 0.97), "front used more", "left"),
                                    ((0.97, 0.03), "rear used more", "right")):  # fmt: skip
        panel.text(*place, words, transform=panel.transAxes, fontsize=TEXT, color=MIDDLE,
                   ha=alignment, va="top" if alignment == "left" else "bottom")  # fmt: skip
    style_panel(
        panel,
        "each corner and cone"
        + (" by its number; F, R: axle first at its limit" if numbered else ""),
        x="use of the rear axle [1]",
        y="use of the front axle [1]",
    )
    panel.set_xlim(low, high)
    panel.set_ylim(low, high)
    panel.set_aspect("equal")


def _called(visits: xr.Dataset) -> str:
    """Corners by their number or the name that somebody gave, then cones, with first axles."""
    corners: list[str] = []
    cones: list[str] = []
    for name, axle in zip(visits["visit"].values, visits["first_at_limit"].values, strict=True):
        section, _, cone = str(name).partition(CONE)
        number = re.fullmatch(r"corner (\d+) \(.*\)", section)
        own = cone or (number[1] if number else folded(section, 18, 1))
        first = f" {LETTERS[str(axle)]}" if str(axle) in LETTERS else ""
        (cones if cone else corners).append(own + first)
    words = [f"cone{'s' if len(cones) > 1 else ''} {', '.join(cones)}"] if cones else []
    return ", ".join(corners + words)


def _close_together(points: Floats, distance: float) -> list[list[int]]:
    """Numbers of the points (n, 2), those together that lie closer than `distance` to the first."""
    groups: list[list[int]] = []
    for i, point in enumerate(points):
        near = (group for group in groups if np.abs(point - points[group[0]]).max() < distance)
        group = next(near, None)
        if group is None:
            groups.append([i])
        else:
            group.append(i)
    return groups


def _draw_split(panel: Axes, balance: xr.Dataset) -> None:
    rows = [("all corners", value_and_half(balance, "all_visits_use_difference"))]
    for dim in ("phase", "band"):
        for i, words in enumerate(_names(balance, dim)):
            rows.append((words, value_and_half(balance.isel({dim: i}), f"{dim}_use_difference")))
    known = [(words, pair) for words, pair in rows if np.isfinite(pair[0])]
    for row, (_, (value, half)) in enumerate(known):
        interval(panel, value, -row, xerr=half, markersize=5)
        words = f"{value:+z.3f} ± {half:.3f}".replace("-", "\u2212")
        note(panel, words, (value, -row), (0, 7), ha="center", bbox=white_box(0.3), zorder=3)
    panel.axvline(0.0, color=ACCENT, linewidth=1.2, zorder=2)
    style_panel(
        panel,
        "use of front less rear axle, 95 %",
        x="rear used more     difference [1]     front used more",
    )
    panel.set_yticks(-np.arange(len(known)), [words for words, _ in known])
    panel.set_ylim(-len(known) + 0.4, 0.8)
    panel.margins(x=0.25)
    panel.locator_params(axis="x", nbins=6)
