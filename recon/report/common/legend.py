"""Entries of legends."""

from __future__ import annotations

from typing import Any

from recon.report.common.artists import Artist
from recon.report.common.looks import INK, PART_LOOKS


def line_entry(**look: Any) -> Artist:
    """Entry of a legend for a line or marker of this look."""
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def patch_entry(**look: Any) -> Artist:
    """Entry of a legend for an area of this look."""
    from matplotlib.patches import Patch

    return Patch(**look)


def part_legend() -> list[Artist]:
    """Entries of a legend for the parts of the uncertainty."""
    return [
        patch_entry(facecolor=colour, edgecolor=INK, linewidth=0.6, hatch=hatch, label=words)
        for colour, hatch, words in PART_LOOKS.values()
    ]
