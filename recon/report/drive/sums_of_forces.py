"""Picture of the sums of all tyres' forces against mass times acceleration, over a drive."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.report.common.artists import Figure
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, PALE, SMALL
from recon.report.common.sheet import Around, Pictures, add_panel, new_sheet, style_panel

AROUND = Around(left=0.85, right=0.2, below=0.45, above=0.3)
DASHES = (0, (4, 2))
APART = 1.0  # s between short means, from which on no line joins them: it would show no motion

# How sums by forces and by motion look where lines join short means, and where they do not.
LINES: tuple[dict[str, Any], ...] = (
    {"color": INK, "linewidth": 1.0},
    {"color": ACCENT, "linewidth": 1.0, "linestyle": DASHES},
)
DOTS: tuple[dict[str, Any], ...] = (
    {"color": INK, "linestyle": "none", "marker": "s", "markersize": 2.5},
    {"color": ACCENT, "linestyle": "none", "marker": "x", "markersize": 3.5},
)


def sums_pictures(forces: xr.Dataset) -> Pictures:
    """The picture by its file name, none where the car's motion or a corner is not known."""
    if "balance_by_tyres" not in forces:
        return {}
    return {"sums.png": partial(plot_sums, forces)}


def plot_sums(forces: xr.Dataset) -> Figure:
    """Draw sums of forces, what the motion of the car needs, and the band of what may differ.

    `forces` as `reconstruct` returns it for a whole car: `balance_by_tyres`, `balance_by_motion`
    and `u_balance` [N] (window, balance).
    """
    time = forces["window_time"].to_numpy()
    tyres, motion, u = (
        forces[name].to_numpy() for name in ("balance_by_tyres", "balance_by_motion", "u_balance")
    )
    names = [str(name) for name in forces["balance"].to_numpy()]
    joined = not _how_often(time)
    looks = LINES if joined else DOTS
    legend = [
        line_entry(**looks[0], label="by the tyres' forces"),
        line_entry(**looks[1], label="mass or inertia x acceleration"),
        patch_entry(color=PALE, label="95 % band of what may differ on a sound drive"),
    ]
    figure, room = new_sheet(
        (10.0, 7.6),
        _title(tyres - motion, u),
        legend,
        f"Short means of 0.125 s, {_how_often(time)}level axes.  The band holds what nobody "
        "measured: the air's forces, tilt and place of the\naccelerometer, mass, inertia; and the "
        "uncertainty of the forces",
    )
    for k, (name, box) in enumerate(zip(names, room.rows(len(names)), strict=True)):
        panel = add_panel(figure, box.inside(AROUND))
        half = COVERAGE_FACTOR * u[:, k]
        band = (time, motion[:, k] - half, motion[:, k] + half)
        if joined:
            panel.fill_between(*band, color=PALE, linewidth=0, zorder=1)
        else:
            panel.vlines(*band, color=PALE, linewidth=2.0, zorder=1)
        panel.plot(time, tyres[:, k], **looks[0], zorder=2)
        panel.plot(time, motion[:, k], **looks[1], zorder=3)
        style_panel(
            panel,
            f"{name}: {_words(tyres[:, k] - motion[:, k], u[:, k])}",
            y="force [N]",
            size=SMALL,
        )
        if name == names[-1]:
            panel.set_xlabel("elapsed time [s]", fontsize=SMALL)
    return figure


def _how_often(time: Floats) -> str:
    apart = float(np.median(np.diff(time)))
    return "" if apart < APART else f"one every {apart:.1f} s, "


def _inside(difference: Floats, u: Floats) -> float:
    """Share (of all that is known) of differences within the band [1], NaN if none is known."""
    known = np.isfinite(difference)
    inside = np.abs(difference[known]) <= COVERAGE_FACTOR * u[known]
    return float(np.mean(inside)) if known.any() else float("nan")


def _words(difference: Floats, u: Floats) -> str:
    if not np.isfinite(difference).any():
        return "not known"
    rms = float(np.sqrt(np.nanmean(difference**2)))
    return f"{rms:.0f} N rms apart, {100 * _inside(difference, u):.0f} % inside the band"


def _title(difference: Floats, u: Floats) -> str:
    share = 100 * _inside(difference, u)
    return f"Forces against the motion of the car: {share:.0f} % of the drive inside the band"
