"""Words and intervals at points of a panel, and labels in two columns with a line to each point."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.report.common.artists import Axes
from recon.report.common.looks import INK, MIDDLE, SMALL

PITCH = 0.33  # in, from one label of two lines to the next
LETTER = 0.072  # in, width of a letter of SMALL type, a little generous
LEADER: dict[str, Any] = {"color": MIDDLE, "linewidth": 0.6}


def folded(name: str, width: int, lines: int = 2) -> str:
    """A name that somebody gave, in at most so many lines of `width` letters."""
    return "\n".join(textwrap.wrap(name, width, max_lines=lines, placeholder="..."))


def white_box(pad: float) -> dict[str, Any]:
    """Box behind words that hides the lines below them; `pad` in points."""
    return {"facecolor": "white", "edgecolor": "none", "pad": pad}


def note(
    panel: Axes, words: str, at: tuple[Any, Any], offset: tuple[float, float], **look: Any
) -> None:
    """Write small words at a point of the panel's data, moved by `offset` [pt]."""
    usual: dict[str, Any] = {"fontsize": SMALL, "color": INK}
    panel.annotate(words, at, offset, textcoords="offset points", **(usual | look))


def interval(panel: Axes, x: Any, y: Any, **look: Any) -> None:
    """Draw points with their intervals, `xerr` or `yerr` in the `look`, in the unit of the axis."""
    usual: dict[str, Any] = {"fmt": "o", "markersize": 4, "capsize": 3, "color": INK, "zorder": 3}
    panel.errorbar(x, y, **(usual | look))


def clear_point(ends: Floats, k: int) -> Floats:
    """Point of segment k of `ends` (segment, 2, 2) that is farthest from the other segments."""
    shares = np.linspace(0.25, 0.75, 11)[:, None]
    points = ends[k, 0] + shares * (ends[k, 1] - ends[k, 0])
    others = np.delete(ends, k, axis=0)
    along = others[:, 1] - others[:, 0]
    square = np.maximum(np.sum(along**2, axis=1), 1e-9)
    offset = points[:, None] - others[:, 0]
    foot = np.clip(np.sum(offset * along, axis=2) / square, 0, 1)
    apart = np.linalg.norm(offset - foot[..., None] * along, axis=2).min(axis=1, initial=np.inf)
    return points[np.argmax(np.minimum(apart, 25.0) - 20 * np.abs(shares[:, 0] - 0.5))]


def write_labels(panel: Axes, words: list[str], anchors: Floats, *, scale: float) -> None:
    """Write the words (label,) into a column on either side, in the order of their anchors.

    `anchors` (label, 2) are in units of the panel [mm], `scale` in those units per inch of paper.
    """
    from matplotlib.collections import LineCollection

    (left, right), (bottom, top) = panel.get_xlim(), panel.get_ylim()
    upwards = np.sign(top - bottom)
    order = np.argsort(-anchors[:, 0])
    half = (len(order) + 1) // 2
    places = np.empty_like(anchors)
    for column, at, align in ((order[:half], left, "left"), (order[half:], right, "right")):
        ends = sorted((upwards * bottom, upwards * top))
        heights = spread(upwards * anchors[column, 1], scale * PITCH, *ends)
        inward = scale * 0.06 * (-1 if align == "left" else 1)
        places[column] = np.column_stack([np.full(len(column), at + inward), upwards * heights])
        for k in column:
            panel.text(
                at + inward, float(places[k, 1]), words[k], ha=align, va="center", fontsize=SMALL,
                linespacing=1.0, color=INK, zorder=7,
                bbox=white_box(0.6),
            )  # fmt: skip
    # The white box of the words hides the part of the leader beneath them.
    leaders = np.stack([places, anchors], axis=1)
    panel.add_collection(LineCollection(list(leaders), **LEADER, zorder=5.9), autolim=False)
    panel.plot(*anchors.T, marker="o", markersize=2.6, color="white", linestyle="none",
               markeredgecolor=MIDDLE, markeredgewidth=0.7, zorder=6)  # fmt: skip


def spread(wanted: Floats, pitch: float, low: float, high: float) -> Floats:
    """Heights (label,) [unit of panel] near the wanted ones, in their order, a pitch apart."""
    order = np.argsort(wanted)
    steps = pitch * np.arange(len(wanted))
    loose = wanted[order] - steps
    # Both passes keep the pitch, so their mean does; it moves all labels alike.
    up = np.maximum.accumulate(loose)
    down = np.minimum.accumulate(loose[::-1])[::-1]
    limits = low + pitch / 2, high - pitch / 2 - steps[-1:]
    out = np.empty_like(wanted)
    out[order] = np.clip((up + down) / 2, *limits) + steps
    return out
