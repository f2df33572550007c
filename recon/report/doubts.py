"""Doubts in words and on pictures."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from recon.base.doubt import Doubt, doubted_corners
from recon.report.sheet import ACCENT, TEXT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH = 96  # characters of a line


def doubt_lines(doubts: Sequence[Doubt]) -> tuple[str, ...]:
    """Doubts as lines that stand above everything else, none without doubts."""
    lines = []
    corners = ", ".join(doubted_corners(doubts))
    for kind, head in (
        (
            "forces",
            f"DOUBTED: {corners}. The data contradict these forces; do not use them before:",
        ),
        ("log", "DOUBTED in the log, in channels that enter no force:"),
        ("left out", "LEFT OUT: gauges that failed during the drive."),
    ):
        own = [doubt for doubt in doubts if _kind(doubt) == kind]
        lines += [head] if own else []
        for doubt in own:
            words, *to_add = str(doubt).split("\n")
            lines += textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent="    ")
            lines += [f"    {line}" for line in to_add]  # whole, to be copied
    return tuple(lines)


def _kind(doubt: Doubt) -> str:
    if not doubt.spoils:
        return "left out"
    return "forces" if doubt.corners else "log"


def drawn_with_doubts(draw: Callable[[], Figure], doubts: Sequence[Doubt]) -> Figure:
    """Draw a picture, with the doubted corners in words at its top right."""
    figure = draw()
    if doubted_corners(doubts):
        width, height = figure.get_size_inches()
        figure.text(
            1 - 0.12 / width,
            1 - 0.12 / height,
            f"DOUBTED: {', '.join(doubted_corners(doubts))}",
            fontsize=TEXT,
            weight="bold",
            ha="right",
            va="top",
            color="white",
            bbox={"facecolor": ACCENT, "edgecolor": "none", "pad": 2.5},
        )
    return figure
