"""Picture of the forces of one corner: interval, its causes by part, and what holds when."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names, number_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COMPONENTS, COVERAGE_FACTOR
from recon.base.status import AT_BOUND, BIT
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.legend import line_entry, part_legend, patch_entry
from recon.report.common.long_series import draw_force, fewer_samples, stretches, thinned
from recon.report.common.looks import ACCENT, INK, LOOKS, MIDDLE, PALE, PART_LOOKS, SMALL
from recon.report.common.sheet import (
    Around,
    Pictures,
    add_panel,
    new_sheet,
    style_panel,
    tyre_footer,
)

WIDTH, FORCE, BAND, LANES = 11.0, 1.5, 1.0, 1.35  # in, of the sheet and of each row of panels
AROUND_FORCE = Around(left=1.6, right=0.2, below=0.05, above=0.28)
AROUND_BAND = Around(left=1.6, right=0.2, below=0.18, above=0.06)
AROUND_LANES = Around(left=1.6, right=0.2, below=0.45, above=0.1)
NAMES = ("longitudinal force Fx", "lateral force Fy", "vertical force Fz")
# Lanes from the top, with the colour of each; a sample may be in several but for the first.
MEASURED, BOUNDED, BEYOND, DOUBTED, UNKNOWN = (
    "measured", "at a bound", "beyond the pulls", "doubted", "not known"
)  # fmt: skip
LANE_COLOURS = {MEASURED: PALE, BOUNDED: MIDDLE, BEYOND: INK, DOUBTED: ACCENT, UNKNOWN: INK}


def band_pictures(forces: xr.Dataset) -> Pictures:
    """One picture for each corner, by file name."""
    corners = corner_names(forces)
    return {f"forces_{c}.png": partial(plot_forces, forces, c) for c in corners}


def lanes_of(forces: xr.Dataset, corner: str) -> dict[str, NDArray[np.bool_]]:
    """Samples (sample,) of a corner that are measured, at a bound, beyond, doubted, not known."""
    tyre = forces.sel(corner=corner)
    status = tyre["status"].to_numpy()
    unknown = np.isnan(tyre["tyre_force"].to_numpy()).all(axis=1)
    out = {
        BOUNDED: (status & AT_BOUND) != 0,
        BEYOND: (status & BIT["beyond_pulls"]) != 0,
        DOUBTED: (status & BIT["doubted"]) != 0,
    }
    out = {name: mask & ~unknown for name, mask in out.items()} | {UNKNOWN: unknown}
    return {MEASURED: ~np.any(list(out.values()), axis=0)} | out


@public
def plot_forces(forces: xr.Dataset, corner: str) -> Figure:
    """Draw the three forces of a corner, the parts of their intervals, and lanes of its status.

    `forces` is the result of the reconstruction: `tyre_force` [N] (elapsed_time, corner,
    component), tyre axes; its limits, the parts of its standard uncertainty, and `status`.
    Raises DataError: `forces` is no result of the reconstruction, or has no such corner.
    """
    parts = [f"u_tyre_force_{part}" for part in PART_LOOKS]
    limits = ("tyre_force_lower", "tyre_force_upper")
    needed = ("tyre_force", "u_tyre_force", *limits, *parts, "status")
    require_forces(forces, *needed)
    number_of(forces, "corner", corner, "Name one of its corners.")
    lanes = lanes_of(forces, corner)  # of every sample: extremes alone would be beyond too often
    whole = forces[list(needed)].sel(corner=corner)
    tyre = fewer_samples(whole)
    figure, room = new_sheet(
        (WIDTH, 1.4 + 3 * (FORCE + BAND) + LANES),
        _title(whole, corner, lanes),
        _legend(),
        tyre_footer(tyre),
        columns=3,
    )
    rows = room.stack(*[FORCE, BAND] * 3, LANES)
    for i, name in enumerate(NAMES):
        panel = add_panel(figure, rows[2 * i].inside(AROUND_FORCE))
        below = add_panel(figure, rows[2 * i + 1].inside(AROUND_BAND))
        _draw_force(panel, tyre.isel(component=i), name)
        _draw_band(below, tyre.isel(component=i))
    _draw_lanes(add_panel(figure, rows[-1].inside(AROUND_LANES)), lanes, _time(whole))
    ends = _time(whole)[[0, -1]]
    for panel in figure.axes:
        panel.set_xlim(*ends)
    return figure


def _time(tyre: xr.Dataset) -> Floats:
    return np.asarray(tyre["elapsed_time"].to_numpy())


def _draw_force(panel: Axes, one: xr.Dataset, name: str) -> None:
    draw_force(panel, one)
    known = bool(np.isfinite(one["tyre_force"]).any())
    style_panel(panel, name if known else f"{name}: nowhere known", y="force [N]")
    panel.tick_params(labelbottom=False)


def _draw_band(panel: Axes, one: xr.Dataset) -> None:
    """Half-width of the 95 % interval, divided by the shares of its variance."""
    variance = np.stack([one[f"u_tyre_force_{part}"].to_numpy() ** 2 for part in PART_LOOKS])
    total = np.sum(variance, axis=0)
    half = COVERAGE_FACTOR * np.sqrt(total)
    kept = thinned(half[None])
    with np.errstate(invalid="ignore"):
        stacked = np.cumsum(half * variance / total, axis=0)[:, kept]
    below = np.zeros(len(kept))
    for top, (colour, hatch, _) in zip(stacked, PART_LOOKS.values(), strict=True):
        panel.fill_between(_time(one)[kept], below, top, facecolor=colour, hatch=hatch,
                           edgecolor=INK, linewidth=0.3, zorder=2)  # fmt: skip
        below = top
    style_panel(panel, "", y="half-width\n[N]")
    panel.set_ylim(0.0, None)
    panel.tick_params(labelbottom=False)


def _draw_lanes(panel: Axes, lanes: dict[str, NDArray[np.bool_]], time: Floats) -> None:
    for row, (name, mask) in enumerate(lanes.items()):
        bars = stretches(mask, time)
        panel.broken_barh(bars, (-row - 0.4, 0.8), color=LANE_COLOURS[name], linewidth=0.3)
    style_panel(panel, "", x="elapsed time [s]")
    panel.set_ylim(-len(lanes) + 0.5, 0.5)
    panel.set_yticks(
        -np.arange(len(lanes)), [f"{name} {_percent(mask)}" for name, mask in lanes.items()]
    )
    panel.tick_params(labelsize=SMALL)


def _legend() -> list[Artist]:
    band = [line_entry(color=INK, linewidth=1.2, label="force"),
            patch_entry(color=PALE, label="95 % interval")]  # fmt: skip
    return [*band, *part_legend()]


def _title(tyre: xr.Dataset, corner: str, lanes: dict[str, NDArray[np.bool_]]) -> str:
    name = f"Forces of {corner} ({LOOKS[corner].name})"
    if lanes[UNKNOWN].all():
        return f"{name}: nowhere known"
    if lanes[DOUBTED].any():
        return f"{name}: {_percent(lanes[DOUBTED])} doubted"
    u = tyre["u_tyre_force"].to_numpy()
    known = [i for i in range(len(COMPONENTS)) if np.isfinite(u[:, i]).any()]
    usual, axis = max((float(np.nanmedian(u[:, i])), COMPONENTS[i]) for i in known)
    half = COVERAGE_FACTOR * usual
    return f"{name}: F{axis}, known least, is within +-{half:.0f} N (95 %) half of the time"


def _percent(mask: NDArray[np.bool_]) -> str:
    share = 100 * float(np.mean(mask))
    return f"{share:.0f} %" if 1 <= share <= 99 or share in (0, 100) else f"{share:.2f} %"
