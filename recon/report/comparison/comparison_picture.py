"""Picture of a comparison: a dot per run by block, the effect's interval, and bands of spread."""

from __future__ import annotations

import textwrap

import numpy as np

from recon.base.errors import DataError
from recon.base.labelled import place_of, require, require_attributes
from recon.base.late import xr
from recon.base.public import public
from recon.evaluation.runs.metrics import BY_NAME
from recon.evaluation.runs.variables import COMPARISON
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL, TEXT
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.comparison.comparison_summary import finding

MAKE_AGAIN = "Give the whole comparison that recon.compare_runs returned."
REASON = 125  # characters of a line of the reason
WIDE, ROW = 9.5, 0.28  # in; of a metric that stands beside the declared one
APART = 0.16  # of a block: dots of the two set-ups
COLOURS, MARKERS = (INK, ACCENT), ("o", "s")
FILLS = ("white", ACCENT)
AROUND = Around(left=0.85, right=0.25, below=0.5, above=0.35)
BELOW = Around(left=1.75, right=0.25, below=0.5, above=0.35)


@public
def plot_comparison(answer: xr.Dataset) -> Figure:
    """Draw a dot for each run by block, the effect with its interval, and bands of spread.

    `answer` is the result of `compare_runs`: `value` (run, metric) and `effect` (metric), in the
    unit of each metric.
    """
    _require_comparison(answer)
    metrics = _drawn_metrics(answer)
    below = 0.9 + ROW * max(len(metrics), 2)
    footer = f"{answer['metric'].to_numpy()[0]}: {answer.attrs['gate']}\na run is one sample"
    figure, room = new_sheet(
        (WIDE, 4.9 + below), finding(answer), _legend(answer), footer, columns=4
    )
    dots, bars = room.stack(room.tall - below, below)
    profiled = "profile" in answer and bool(np.isfinite(answer["profile"].to_numpy()).all())
    left, right = dots.columns(1.25, 1.0) if profiled else (dots, None)
    _draw_runs(add_panel(figure, left.inside(AROUND)), answer)
    if right is not None:
        _draw_profile(add_panel(figure, right.inside(AROUND)), answer)
    if metrics:
        _draw_effects(add_panel(figure, bars.inside(BELOW)), answer, metrics)
    else:
        _write_reason(add_panel(figure, bars.inside(AROUND)), answer)
    return figure


def _require_comparison(answer: xr.Dataset) -> None:
    """Refuse what is no comparison, or only a part of one.

    Raises DataError: a variable or an attribute is missing, or a set-up.
    """
    names = ("metric", "set_up", "value", "effect", "run_set_up")
    require(answer, COMPARISON, names, MAKE_AGAIN)
    require_attributes(answer, ("verdict", "gate"), MAKE_AGAIN)
    runs = [int(np.sum(answer["run_set_up"] == name)) for name in answer["set_up"]]
    if len(runs) != len(FILLS) or min(runs) == 0 or not answer.sizes["metric"]:
        found = f"{answer.sizes['metric']} metrics, runs of each set-up: {runs}"
        raise DataError(place_of(answer), found, "a metric and runs of two set-ups", MAKE_AGAIN)


def _names(answer: xr.Dataset) -> list[str]:
    return [str(name) for name in answer["set_up"].to_numpy()]


def _legend(answer: xr.Dataset) -> list[Artist]:
    dots: list[Artist] = [
        line_entry(linestyle="", marker=m, color=c, markerfacecolor=f, label=f"'{name}', a run")
        for name, m, c, f in zip(_names(answer), MARKERS, COLOURS, FILLS, strict=True)
    ]
    mean = line_entry(color=MIDDLE, linewidth=1.5, label="means of a block")
    least = patch_entry(
        facecolor=PALE, edgecolor="none", label="too small for such runs to resolve"
    )
    margin = line_entry(color=INK, linestyle=":", label="stated margin")
    stated = [margin] if np.isfinite(answer["margin"].to_numpy()).any() else []
    return [*dots, mean, *([least] if _drawn_metrics(answer) else []), *stated]


def _with_unit(answer: xr.Dataset) -> str:
    name, unit = answer["metric"].to_numpy()[0], answer["metric_unit"].to_numpy()[0]
    return f"{str(name).replace('_', ' ')} [{unit}]"


def _of_samples(answer: xr.Dataset) -> str:
    """Name and unit of the quantity that the declared metric sums up."""
    name, unit = (str(answer.attrs[key]) for key in ("sample_name", "sample_unit"))
    return f"{name.replace('_', ' ')} [{unit}]"


def _draw_runs(panel: Axes, answer: xr.Dataset) -> None:
    """Dots of every run over its block, and a line between the means of both set-ups."""
    values, of = answer["value"].to_numpy()[:, 0], answer["run_set_up"].to_numpy()
    blocks = answer["run_block"].to_numpy()
    every = list(dict.fromkeys(blocks.tolist()))
    for place, block in enumerate(every):
        means = []
        for side, name in enumerate(_names(answer)):
            mine = values[(blocks == block) & (of == name)]
            x = place + (2 * side - 1) * APART
            # Dots of one block fan out a little in the order of driving.
            fan = x + 0.05 * (np.arange(len(mine)) - (len(mine) - 1) / 2)
            panel.plot(
                fan, mine, linestyle="", marker=MARKERS[side], markersize=5.5,
                color=COLOURS[side], markerfacecolor=FILLS[side],
            )  # fmt: skip
            means.append((x, mine.mean() if len(mine) else np.nan))
        panel.plot(*zip(*means, strict=True), color=MIDDLE, linewidth=1.5, zorder=0)
    panel.set_xlim(-0.5, len(every) - 0.5)
    panel.set_xticks(range(len(every)), [block or "all runs" for block in every])
    style_panel(panel, "every run, by block", x="block", y=_with_unit(answer), size=SMALL)


def _draw_profile(panel: Axes, answer: xr.Dataset) -> None:
    """Levels of the declared metric over the share of samples below: a band from run to run."""
    share, profile = 100 * answer["share"].to_numpy(), answer["profile"].to_numpy()
    of = answer["run_set_up"].to_numpy()
    looks = zip(_names(answer), COLOURS, ("", "////"), (0.35, 0.0), strict=True)
    for name, colour, hatch, alpha in looks:
        mine = profile[of == name]
        low, high = mine.min(axis=0), mine.max(axis=0)
        panel.fill_between(share, low, high, color=colour, alpha=alpha, linewidth=0)
        panel.fill_between(
            share, low, high, facecolor="none", edgecolor=colour, hatch=hatch, linewidth=0.8
        )
    style_panel(
        panel,
        f"from the lowest to the highest run; '{_names(answer)[1]}' hatched",
        x="share of the samples below [%]",
        y=_of_samples(answer),
        size=SMALL,
        fold=True,
    )


def _drawn_metrics(answer: xr.Dataset) -> list[int]:
    """Metrics with an effect that have the percentage, or the unit, of the declared one."""
    names = [str(name) for name in answer["metric"].to_numpy()]
    known = np.isfinite(answer["effect"].to_numpy())
    if not BY_NAME[names[0]].relative:
        return [0] if known[0] else []
    return [k for k, name in enumerate(names) if known[k] and BY_NAME[name].relative]


def _draw_effects(panel: Axes, answer: xr.Dataset, metrics: list[int]) -> None:
    """Effects with their intervals, over the band that such runs do not resolve."""
    names = answer["metric"].to_numpy()
    relative = BY_NAME[str(names[0])].relative
    for row, k in enumerate(metrics):
        scale = 100 / abs(float(answer["mean"][0, k])) if relative else 1.0
        middle, low, high, least, margin = (
            scale * float(answer[of][k])
            for of in ("effect", "effect_lower", "effect_upper", "resolvable", "margin")
        )
        panel.barh(row, 2 * least, left=-least, height=0.8, color=PALE, linewidth=0, zorder=1)
        if np.isfinite(margin):
            panel.vlines((-margin, margin), row - 0.4, row + 0.4, color=INK, linestyle=":")
        wide, size = (2.0, 6.0) if k == 0 else (1.0, 4.0)
        panel.plot((low, high), (row, row), linewidth=wide, color=INK, zorder=3)
        panel.plot(middle, row, marker="D", markersize=size, color=INK, zorder=3)
    panel.axvline(0.0, color=INK, linewidth=0.8, zorder=2)
    panel.use_sticky_edges = False
    panel.margins(x=0.04)
    panel.set_ylim(len(metrics) - 0.4, -0.6)
    panel.set_yticks(range(len(metrics)), [str(names[k]).replace("_", " ") for k in metrics])
    first, second = _names(answer)
    unit = "%" if relative else answer["metric_unit"].to_numpy()[0]
    style_panel(
        panel,
        "effect with its 95 % interval; the declared metric on top",
        x=f"'{second}' against '{first}' [{unit}]",
        size=SMALL,
    )
    panel.grid(axis="y", visible=False)


def _write_reason(panel: Axes, answer: xr.Dataset) -> None:
    """The reason in words where no effect is claimed."""
    words = f"No effect is claimed: {answer['reason'].to_numpy()[0]}"
    lines = "\n".join(textwrap.wrap(words, REASON))
    panel.text(0.0, 1.0, lines, va="top", fontsize=TEXT, color=INK, transform=panel.transAxes)
    panel.set_axis_off()
