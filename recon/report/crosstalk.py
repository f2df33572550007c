"""What each gauge says to the load of every member, beside what the geometry would have it say."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.report.sheet import (
    ACCENT,
    COVERAGE,
    FAINT,
    INK,
    LOOKS,
    PALE,
    SMALL,
    TEXT,
    dress,
    empty_sheet,
    style_panel,
)

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from recon.calibration.map import Calibration, CornerCalibration

NARROWEST = 8.0  # in, so that title and legend fit
TALL_TICK = (19.0, 2.2)  # pt, length and width of the mark of the prediction


def plot_crosstalk(calibration: Calibration, corner: str) -> Figure:
    """Draw K of one corner as bars: rows are gauges, columns members.

    Bars are percent of the gauge's own slope, that is its indication per newton in the member
    that moves it most; the cell of that member holds the slope itself in words.

    Parameters
    ----------
    calibration : Calibration
        Of the car.
    corner : str
        Corner to draw.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    DataError
        The corner is not calibrated.
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
    whiskers = COVERAGE * 100 * one.u_K / main
    predicted = np.where(_is_own(one, own), np.nan, 100 * one.K_geometry / main)
    limit = _limit(bars, whiskers, predicted)
    figure = empty_sheet(max(1.4 + 1.5 * len(one.members), NARROWEST), 2.0 + 0.62 * len(one.gauges))
    panels = figure.subplots(1, len(one.members), sharey=True, squeeze=False)[0]
    for m, (panel, member) in enumerate(zip(panels, one.members, strict=True)):
        _draw_member(panel, bars[:, m], whiskers[:, m], predicted[:, m])
        style_panel(panel, _wrapped(member))
        panel.grid(visible=False, axis="y")
        panel.set_xlim(-limit, limit)
        panel.set_xticks([-limit / 2, 0, limit / 2])
        panel.set_xlabel("indication per newton\n[% of own slope]", fontsize=SMALL)
        for g in np.flatnonzero(own == m):
            _write_own(panel, one, int(g), m)
    _name_rows(panels[0], one)
    dress(figure, _title(one, bars), _legend(one), _footer(calibration, one))
    return figure


def _is_own(one: CornerCalibration, own: NDArray[np.intp]) -> NDArray[np.bool_]:
    return np.arange(len(one.members)) == own[:, None]


def _limit(bars: Floats, whiskers: Floats, predicted: Floats) -> float:
    reach = np.concatenate([(np.abs(bars) + whiskers).ravel(), np.abs(predicted).ravel()])
    reach = reach[np.isfinite(reach)]
    return 4.0 * np.ceil(1.05 * np.max(reach, initial=1.0) / 4.0)


def _draw_member(panel: Axes, bars: Floats, whiskers: Floats, predicted: Floats) -> None:
    rows = np.arange(len(bars))
    for row in rows[1:]:
        panel.axhline(row - 0.5, color=FAINT, linewidth=0.8, zorder=0)
    panel.axvline(0, color=INK, linewidth=0.6, zorder=1)
    panel.barh(rows, bars, height=0.36, color=PALE, zorder=2)
    panel.errorbar(
        bars, rows, xerr=whiskers, fmt="none", ecolor=INK, elinewidth=1.0, capsize=2.5, zorder=4
    )
    length, width = TALL_TICK
    panel.plot(
        predicted, rows, linestyle="none", marker="|", markersize=length, markeredgewidth=width,
        color=ACCENT, zorder=3,
    )  # fmt: skip


def _write_own(panel: Axes, one: CornerCalibration, g: int, m: int) -> None:
    """Write the slope in the gauge's own member with its interval and its prediction."""
    slope, u, stated = (1000 * x[g, m] for x in (one.K, one.u_K, one.K_geometry))
    places = max(0, 1 - int(np.floor(np.log10(max(COVERAGE * u, 1e-9)))))
    lines = [
        f"{slope:.{places}f} ± {COVERAGE * u:.{places}f}",
        f"{one.units[g]} per kN" + (" m" if one.arms[m] < 1.0 else ""),
        f"predicted {stated:.{places}f}" if np.isfinite(stated) else "none predicted",
    ]
    words = "\n".join(lines).replace("-", "\N{MINUS SIGN}")
    panel.axhspan(g - 0.5, g + 0.5, color=FAINT, zorder=1.5, linewidth=0)
    panel.text(
        0.5, g, words, transform=panel.get_yaxis_transform(), ha="center",
        va="center", fontsize=SMALL, linespacing=1.05, zorder=5,
        bbox={"facecolor": FAINT, "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip


def _name_rows(panel: Axes, one: CornerCalibration) -> None:
    names = [
        gauge + ("" if np.isfinite(row).all() else "\nprediction\nnot stated")
        for gauge, row in zip(one.gauges, one.K_geometry, strict=True)
    ]
    panel.set_yticks(np.arange(len(names)), names, fontsize=SMALL)
    panel.set_ylim(len(names) - 0.5, -0.5)
    panel.set_ylabel("gauge", fontsize=TEXT)


def _wrapped(member: str) -> str:
    return textwrap.fill(member.replace("_", " "), 18)


def _legend(one: CornerCalibration) -> list[Artist]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[Artist] = [
        Patch(color=PALE, label="measured with the pulls"),
        Line2D([], [], color=INK, linewidth=1.0, label="its 95 % interval"),
        Line2D(
            [], [], linestyle="none", marker="|", markersize=11, markeredgewidth=TALL_TICK[1],
            color=ACCENT, label="predicted by bridge and geometry",
        ),
        Patch(color=FAINT, label="own slope"),
    ]  # fmt: skip
    return entries if np.isfinite(one.K_geometry).any() else entries[:2] + entries[3:]


def _title(one: CornerCalibration, bars: Floats) -> str:
    largest = np.abs(bars[np.isfinite(bars)])
    where = f"Cross-talk of {one.corner} {LOOKS[one.corner].name}"
    return f"{where}: up to {largest.max():.1f} % of own slope" if largest.size else where


def _footer(calibration: Calibration, one: CornerCalibration) -> str:
    moments = "; moments count on an arm of 0.1 m" if np.any(one.arms < 1.0) else ""
    return (
        f"member loads, tension positive{moments}; still loads, so no bandwidth; "
        f"{calibration.vehicle}, made {calibration.created[:10]},\n"
        f"at travel {1000 * one.travel:.0f} mm, "
        f"rack {1000 * one.rack:.0f} mm, {one.temperature:.0f} °C"
    )
