"""Picture of K: what each gauge indicates per load of every member, and what was predicted."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.calibration.calibrated import Calibration, CornerCalibration
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.labels import LETTER
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, FAINT, INK, LOOKS, MIDDLE, PALE, SMALL, TEXT
from recon.report.common.sheet import new_sheet, style_panel

NARROWEST = 8.0  # in, so that title and legend fit
COLUMN, ROW, BOTTOM, HEAD_LINE = 1.45, 0.55, 0.95, 0.15  # in, of a member, a gauge, below, a line
MINUS = "\N{MINUS SIGN}"
PITCH = 2.1  # columns are this many limits apart
TALL_TICK = (19.0, 2.2)  # pt, length and width of the mark of the prediction


@public
def plot_crosstalk(calibration: Calibration, corner: str) -> Figure:
    """Draw K of one corner as bars: rows are gauges, columns members.

    Bars are percent of the gauge's own slope, that is its indication per newton in the member
    that moves it most; the cell of that member holds the slope itself in words.

    `calibration` is that of the car, `corner` the one to draw.
    Raises DataError: the corner is not calibrated.
    """
    if corner not in calibration.corners:
        raise DataError(
            calibration.vehicle,
            f"no calibration of corner '{corner}'",
            nearest(corner, tuple(calibration.corners)),
            "Name one of the calibrated corners.",
        )
    one = calibration.corners[corner]
    own = np.argmax(np.abs(one.K * one.arms), axis=1)
    main = np.max(np.abs(one.K * one.arms), axis=1, keepdims=True) / one.arms
    bars = np.where(_is_own(one, own), np.nan, one.crosstalk_percent)
    whiskers = COVERAGE_FACTOR * 100 * one.u_K / main
    predicted = np.where(_is_own(one, own), np.nan, 100 * one.K_geometry / main)
    limit = _limit(bars, whiskers, predicted)
    members, gauges = len(one.members), len(one.gauges)
    names = _row_names(one)
    left = 0.4 + LETTER * max(len(line) for name in names for line in name.split("\n"))
    heads = [textwrap.fill(member.replace("_", " "), 18) for member in one.members]
    top = 0.75 + HEAD_LINE * max(head.count("\n") + 1 for head in heads)
    width = max(left + 0.1 + COLUMN * members, NARROWEST)
    height = top + ROW * gauges + BOTTOM
    title, footer = _title(one, bars), _footer(calibration, one)
    figure, _ = new_sheet((width, height), title, _legend(one), footer)
    panel = figure.add_axes(
        (left / width, BOTTOM / height, 1 - (left + 0.1) / width, ROW * gauges / height)
    )
    middles = PITCH * limit * np.arange(members, dtype=np.float64)
    _draw_bars(panel, middles, Bars(bars, whiskers, predicted))
    style_panel(panel, "")
    panel.grid(visible=False)
    panel.set_xlim(-PITCH / 2 * limit, middles[-1] + PITCH / 2 * limit)
    marks = np.array([-limit / 2, 0.0, limit / 2])
    signed = [f"{mark:.0f}".replace("-", MINUS) for mark in marks]
    panel.set_xticks(np.add.outer(middles, marks).ravel(), signed * members)
    panel.set_xlabel("indication per newton [% of main slope]", fontsize=SMALL)
    panel.set_yticks(np.arange(gauges), names, fontsize=SMALL)
    panel.set_ylim(gauges - 0.5, -0.5)
    panel.set_ylabel("gauge", fontsize=TEXT)
    for middle, head in zip(middles, heads, strict=True):
        panel.text(middle, -0.55, head, ha="center", va="bottom", fontsize=TEXT, color=INK)
    for g, m in enumerate(own):
        _write_own(panel, one, int(g), int(m), middles[m])
    return figure


@dataclass(frozen=True, slots=True)
class Bars:
    """Drawn values of K, (gauge, member) in percent of the gauge's own slope; NaN: nothing."""

    measured: Floats
    whiskers: Floats
    predicted: Floats


def _is_own(one: CornerCalibration, own: NDArray[np.intp]) -> NDArray[np.bool_]:
    return np.arange(len(one.members)) == own[:, None]


def _limit(bars: Floats, whiskers: Floats, predicted: Floats) -> float:
    reach = np.concatenate([(np.abs(bars) + whiskers).ravel(), np.abs(predicted).ravel()])
    reach = reach[np.isfinite(reach)]
    return 4.0 * np.ceil(1.05 * np.max(reach, initial=1.0) / 4.0)


def _draw_bars(panel: Axes, middles: Floats, bars: Bars) -> None:
    """Draw all columns at once, each about its own zero."""
    gauges, members = bars.measured.shape
    rows = np.repeat(np.arange(gauges), members)
    zero = np.tile(middles, gauges)
    half = (middles[1] - middles[0]) / 2 if members > 1 else panel.get_xlim()[1]
    panel.vlines(middles[1:] - half, -0.5, gauges - 0.5, color=MIDDLE, linewidth=0.6, zorder=0)
    panel.hlines(
        np.arange(1, gauges) - 0.5, middles[0] - half, middles[-1] + half, color=FAINT,
        linewidth=0.8, zorder=0,
    )  # fmt: skip
    panel.vlines(middles, -0.5, gauges - 0.5, color=INK, linewidth=0.6, zorder=1)
    panel.barh(rows, bars.measured.ravel(), left=zero, height=0.36, color=PALE, zorder=2)
    panel.errorbar(
        zero + bars.measured.ravel(), rows, xerr=bars.whiskers.ravel(), fmt="none", ecolor=INK,
        elinewidth=1.0, capsize=2.5, zorder=4,
    )  # fmt: skip
    length, width = TALL_TICK
    panel.plot(
        zero + bars.predicted.ravel(), rows, linestyle="none", marker="|", markersize=length,
        markeredgewidth=width, color=ACCENT, zorder=3,
    )  # fmt: skip


def _write_own(panel: Axes, one: CornerCalibration, g: int, m: int, middle: float) -> None:
    """Write the slope in the gauge's own member with its interval and its prediction."""
    slope, u, stated = (1000 * x[g, m] for x in (one.K, one.u_K, one.K_geometry))
    places = max(0, 1 - int(np.floor(np.log10(max(COVERAGE_FACTOR * u, 1e-9)))))
    lines = [
        f"{slope:.{places}f} ± {COVERAGE_FACTOR * u:.{places}f}",
        f"{one.units[g]} per kN" + (" m" if one.arms[m] < 1.0 else ""),
        f"predicted {stated:.{places}f}" if np.isfinite(stated) else "none predicted",
    ]
    words = "\n".join(lines).replace("-", MINUS)
    panel.text(
        middle, g, words, ha="center", va="center", fontsize=SMALL, linespacing=1.05, zorder=5,
        bbox={"facecolor": FAINT, "edgecolor": "none", "pad": 4.0},
    )  # fmt: skip


def _row_names(one: CornerCalibration) -> list[str]:
    return [
        gauge + ("" if np.isfinite(row).all() else "\nprediction\nnot stated")
        for gauge, row in zip(one.gauges, one.K_geometry, strict=True)
    ]


def _legend(one: CornerCalibration) -> list[Artist]:
    entries: list[Artist] = [
        patch_entry(color=PALE, label="measured with the pulls"),
        line_entry(color=INK, linewidth=1.0, label="its 95 % interval"),
        line_entry(
            linestyle="none", marker="|", markersize=11, markeredgewidth=TALL_TICK[1],
            color=ACCENT, label="predicted by bridge and geometry",
        ),
        patch_entry(color=FAINT, label="main slope"),
    ]  # fmt: skip
    return entries if np.isfinite(one.K_geometry).any() else entries[:2] + entries[3:]


def _title(one: CornerCalibration, bars: Floats) -> str:
    largest = np.abs(bars[np.isfinite(bars)])
    where = f"Cross-talk of {one.corner} {LOOKS[one.corner].name}"
    return f"{where}: up to {largest.max():.1f} % of main slope" if largest.size else where


def _footer(calibration: Calibration, one: CornerCalibration) -> str:
    at = one.conditions
    moments = "; moments count on an arm of 0.1 m" if np.any(one.arms < 1.0) else ""
    return (
        f"member loads, tension positive{moments}; static loads, so no bandwidth; "
        f"{calibration.vehicle}, made {calibration.created[:10]},\n"
        f"at travel {1000 * at.travel:.0f} mm, "
        f"rack {1000 * at.rack:.0f} mm, {at.temperature:.0f} °C"
    )
