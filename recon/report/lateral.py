"""The lateral force of every tyre against time, cone by cone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.status import BIT, FLAGS
from recon.report.sheet import (
    ACCENT,
    FAINT,
    INK,
    LOOKS,
    MIDDLE,
    PALE,
    SMALL,
    TEXT,
    dress,
    empty_sheet,
    style_panel,
    tyre_footer,
)

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
DRAWN = 4000  # samples; more than a picture has columns of dots
LANE = 0.07  # share of the panel's height that the lane beneath the force takes
HATCHES = ("////", "....", "\\\\\\\\", "xxxx", "----", "++++")


def plot_lateral_force(forces: xr.Dataset, slalom: xr.Dataset | None = None) -> Figure:
    """Draw the lateral force of each tyre with its 95 % interval against elapsed time.

    One panel for each corner of `forces`, all with the same scales.  More than 4000 samples are
    thinned so that the smallest and largest value of every short stretch stay.

    Parameters
    ----------
    forces : xarray.Dataset
        Result of the reconstruction: `tyre_force` [N] (elapsed_time, corner, component), tyre
        axes, y left; its limits `tyre_force_lower` and `tyre_force_upper`; `status`.
    slalom : xarray.Dataset, optional
        Holds `cone_time` [s] (cone,).  Given, the picture spans the cones and one spacing of
        cones on either side.

    Returns
    -------
    matplotlib.figure.Figure
    """
    cones = _cones(slalom)
    shown = forces.sel(component="y").sel(elapsed_time=_window(forces, cones))
    corners = [str(c) for c in shown["corner"].to_numpy()]
    figure = empty_sheet(10.0, 1.6 + 1.85 * len(corners))
    panels = figure.subplots(len(corners), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
    hatches = _hatches(shown["status"].to_numpy(), shown["tyre_force"].to_numpy())
    held = bool((shown["status"] & BIT["bound_active"]).any())
    for panel, corner in zip(panels, corners, strict=True):
        _draw_tyre(panel, shown.sel(corner=corner), corner)
        _mark_cones(panel, cones)
        _shade_gaps(panel, shown.sel(corner=corner), hatches)
        if held:
            _draw_lane(panel, shown.sel(corner=corner))
    _scale(panels[0], shown, held=held, numbered=bool(cones))
    panels[-1].set_xlabel("elapsed time [s]", fontsize=TEXT)
    legend = _legend(hatches, held=held, cones=bool(cones))
    dress(figure, _title(shown, slalom is not None), legend, tyre_footer(forces))
    return figure


def _cones(slalom: xr.Dataset | None) -> dict[str, float]:
    """Time of each cone that was passed, by number."""
    if slalom is None:
        return {}
    times = slalom["cone_time"].to_numpy()
    numbers = slalom["cone"].to_numpy() if "cone" in slalom.coords else np.arange(len(times)) + 1
    return {str(n): float(t) for n, t in zip(numbers, times, strict=True) if np.isfinite(t)}


def _window(forces: xr.Dataset, cones: dict[str, float]) -> slice:
    if not cones:
        return slice(None)
    first, last = min(cones.values()), max(cones.values())
    spacing = (last - first) / (len(cones) - 1) if len(cones) > 1 else 1.0
    return slice(first - spacing, last + spacing)


def _draw_tyre(panel: Axes, tyre: xr.Dataset, corner: str) -> None:
    series = [tyre[f"tyre_force{end}"].to_numpy() for end in ("", "_lower", "_upper")]
    kept = _kept(np.stack(series))
    time = tyre["elapsed_time"].to_numpy()[kept]
    force, lower, upper = (s[kept] for s in series)
    panel.fill_between(time, lower, upper, color=PALE, linewidth=0, zorder=2)
    panel.plot(time, force, color=INK, linewidth=0.7, zorder=3)
    known = np.isfinite(upper - lower)
    half = f": half-width {np.median((upper - lower)[known]) / 2:.0f} N" if known.any() else ""
    name = f"{corner} {LOOKS[corner].name}"
    style_panel(panel, f"{name}, 95 % interval{half} (median)" if half else name)
    panel.set_ylabel("lateral force Fy [N]", fontsize=TEXT)


def _kept(series: Floats) -> NDArray[np.intp]:
    """Samples that hold the extremes of any of the series (series, sample) in short stretches."""
    count = series.shape[1]
    if count <= DRAWN:
        return np.arange(count)
    stretches = DRAWN // (2 * len(series))
    length = -(-count // stretches)
    spare = np.full((len(series), length * stretches - count), np.nan)
    cut = np.concatenate([series, spare], axis=1).reshape(len(series), stretches, length)
    missing = np.isnan(cut)
    lowest = np.argmin(np.where(missing, np.inf, cut), axis=2)
    highest = np.argmax(np.where(missing, -np.inf, cut), axis=2)
    start = length * np.arange(stretches)
    # Both sides of a gap stay, so that the line is broken where the numbers are missing.
    edges = np.flatnonzero(np.diff(np.isnan(series[0]).astype(np.int8)))
    kept = np.unique(np.concatenate([(lowest + start).ravel(), (highest + start).ravel(), edges, edges + 1]))  # fmt: skip
    return kept[kept < count]


def _mark_cones(panel: Axes, cones: dict[str, float]) -> None:
    for number, time in cones.items():
        panel.axvline(time, color=ACCENT, linewidth=0.9, linestyle=(0, (1, 2)), zorder=1)
        panel.annotate(
            number,
            (time, 1.0),
            xycoords=panel.get_xaxis_transform(),
            xytext=(2, -1),
            textcoords="offset points",
            va="top",
            fontsize=SMALL,
            color=ACCENT,
        )


def _hatches(status: NDArray[np.uint16], force: Floats) -> dict[str, str]:
    """A hatch for each cause of missing numbers that occurs."""
    causes = sorted({_cause(s) for s in np.unique(status[np.isnan(force)])})
    return {cause: HATCHES[i % len(HATCHES)] for i, cause in enumerate(causes)}


def _cause(status: int) -> str:
    names = [f.name.replace("_", " ") for f in FLAGS if status & f.bit & _NOT_KNOWN]
    return " and ".join(names) or "no cause flagged"


_NOT_KNOWN = (
    BIT["channel_flat"] | BIT["channel_clipped"] | BIT["beyond_pose"] | BIT["missing_input"]
)


def _shade_gaps(panel: Axes, tyre: xr.Dataset, hatches: dict[str, str]) -> None:
    missing = np.isnan(tyre["tyre_force"].to_numpy())
    status = np.where(missing, tyre["status"].to_numpy(), 0)
    for value in np.unique(status[missing]):
        for begin, length in _runs(missing & (status == value), tyre):
            panel.axvspan(
                begin,
                begin + length,
                facecolor="white",
                edgecolor=MIDDLE,
                hatch=hatches[_cause(value)],
                linewidth=0.5,
                zorder=1,
            )


def _draw_lane(panel: Axes, tyre: xr.Dataset) -> None:
    """Stretches with Fz held at zero, in a lane that the force never reaches."""
    panel.axhspan(0, 0, color=FAINT)
    held = (tyre["status"].to_numpy() & BIT["bound_active"]) != 0
    across = panel.get_xaxis_transform()
    panel.broken_barh(
        _runs(held, tyre), (0.0, LANE), transform=across, color=INK, linewidth=0.8, zorder=4
    )
    panel.axline((0, LANE), slope=0, transform=panel.transAxes, color=MIDDLE, linewidth=0.5)
    panel.text(
        1.005, LANE / 2, "Fz held\nat 0", transform=panel.transAxes, fontsize=SMALL, va="center"
    )


def _runs(mask: NDArray[np.bool_], tyre: xr.Dataset) -> list[tuple[float, float]]:
    """Begin and length [s] of every stretch where the mask holds."""
    time = tyre["elapsed_time"].to_numpy()
    step = float(np.median(np.diff(time))) if len(time) > 1 else 1.0
    change = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [
        (float(time[i] - step / 2), float(time[j - 1] - time[i] + step))
        for i, j in zip(change[::2], change[1::2], strict=True)
    ]


def _scale(panel: Axes, shown: xr.Dataset, *, held: bool, numbered: bool) -> None:
    """One scale for all panels, with room for the lane beneath and the cones' numbers above."""
    limits = np.concatenate([shown[f"tyre_force_{e}"].to_numpy().ravel() for e in ("lower", "upper")])  # fmt: skip
    limits = limits[np.isfinite(limits)]
    low, high = (limits.min(), limits.max()) if limits.size else (-1000.0, 1000.0)
    below, above = (2 * LANE if held else 0.04), (0.15 if numbered else 0.04)
    height = max(high - low, 1.0) / (1 - below - above)
    panel.set_ylim(low - below * height, high + above * height)
    time = shown["elapsed_time"].to_numpy()
    if len(time) > 1:
        panel.set_xlim(time[0], time[-1])


def _legend(hatches: dict[str, str], *, held: bool, cones: bool) -> list[Artist]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[Artist] = [
        Line2D([], [], color=INK, linewidth=1.2, label="lateral force, left positive"),
        Patch(color=PALE, label="95 % interval"),
    ]
    if cones:
        entries.append(Line2D([], [], color=ACCENT, linestyle=(0, (1, 2)), label="cone, numbered"))
    if held:
        entries.append(Patch(color=INK, label="Fz held at 0"))
    for cause, hatch in hatches.items():
        words = f"not known: {cause}"
        entries.append(Patch(facecolor="white", edgecolor=MIDDLE, hatch=hatch, label=words))
    return entries


def _title(shown: xr.Dataset, through_slalom: bool) -> str:
    what = "Lateral force of the tyres through the slalom" if through_slalom else "Lateral force of the tyres over the run"  # fmt: skip
    size = np.abs(shown["tyre_force"].to_numpy())
    if not np.isfinite(size).any():
        return f"{what}: nowhere known"
    _, corner = np.unravel_index(np.nanargmax(size), size.shape)
    return f"{what}: largest {np.nanmax(size):.0f} N ({shown['corner'].to_numpy()[corner]})"
