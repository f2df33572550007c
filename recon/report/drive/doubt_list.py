"""Doubts in words and on pictures."""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Callable, Sequence

import numpy as np

from recon.base.doubt import UNSEEN, Doubt, doubted_corners
from recon.base.labelled import sentences_of
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.words import in_digits
from recon.report.common.artists import Figure
from recon.report.common.looks import ACCENT, TEXT

WIDTH = 96  # characters of a line
WORTH = 3.0  # half-widths of an interval; smaller errors are not worth a line
ENOUGH_SAMPLES = 1000  # for a median
# How the size of a fault is printed, by its kind: factor and unit.
SIZES = {
    "zero": (1.0, "N of its own load"),
    "jump": (1.0, "N of its own load"),
    "gain": (100.0, "%"),
    "common gain": (100.0, "%"),
    "mass": (100.0, "%"),
    "channel gain": (100.0, "%"),
    "late": (1e3, "ms"),
    "late gauge": (1e3, "ms"),
}


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
        words = f"DOUBTED: {', '.join(doubted_corners(doubts))}"
        at = (1 - 0.12 / width, 1 - 0.12 / height)
        box = {"facecolor": ACCENT, "edgecolor": "none", "pad": 2.5}
        text = figure.text(*at, words, fontsize=TEXT, weight="bold", color="white", bbox=box)
        text.set(ha="right", va="top")
    return figure


def unseen_lines(forces: xr.Dataset) -> tuple[str, ...]:
    """Faults that the drive would not show, as far as they may hide more than an interval allows.

    Fx, Fy and Fz stand beside each other, the worst corner of each.
    """
    if "unseen_error" not in forces:
        return ()
    every = max(int(forces.sizes["elapsed_time"]) // ENOUGH_SAMPLES, 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # forces that are known nowhere
        usual = np.nanmedian(forces["u_tyre_force"].to_numpy()[::every], axis=0)
    error = forces["unseen_error"].to_numpy()
    worth = error > WORTH * COVERAGE_FACTOR * usual  # NaN: never
    lines = []
    kinds, gauges, sizes = (forces[f"unseen_{n}"].to_numpy() for n in ("fault", "gauge", "size"))
    for i in np.flatnonzero(worth.any(axis=(1, 2))):
        most = np.max(np.where(worth[i].any(axis=1)[:, None], error[i], 0.0), axis=0)
        k, kind = int(np.argmax(np.where(worth[i], error[i], 0.0).max(axis=1))), str(kinds[i])
        newtons = " / ".join(f"{value:.0f}" for value in most)
        size = ""
        if kind in SIZES:
            factor, unit = SIZES[kind]
            size = f" by {in_digits(factor * sizes[i, k])} {unit}"
        lines.append(f"  {UNSEEN[kind]}: up to {newtons} N (most: {gauges[i, k]}{size})")
    head = (
        "cannot be known here: one such fault, if it is there, shows in no comparison of this",
        "drive; error of Fx / Fy / Fz that it may then hide, the worst corner of each:",
    )
    return (*head, *lines, *_missing_wheelbase(forces)) if lines else ()


def _missing_wheelbase(forces: xr.Dataset) -> list[str]:
    """Lines on the one key of a vehicle file that would let a drive show more."""
    return [
        line
        for words in sentences_of(forces, "not_compared")
        if "wheelbase_mm" in words
        for line in textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent="    ")
    ]
