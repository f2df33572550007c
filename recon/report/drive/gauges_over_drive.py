"""Picture of the gauges over a drive: each against the others, and where one failed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.public import public
from recon.reconstruction.solving.gauge_outage import UNUSABLE
from recon.records.forces import require_forces
from recon.report.common.artists import Axes, Figure
from recon.report.common.legend import patch_entry
from recon.report.common.long_series import stretches
from recon.report.common.looks import ACCENT, INK, MIDDLE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel

WIDTH, ROW = 10.0, 0.2  # in
AROUND = Around(left=1.55, right=0.25, below=0.5, above=0.3)
STEPS = (0.0, 1.0, 2.0, 3.0, 6.0)  # standard uncertainties; the last shade is beyond
SHADES = ("#ffffff", "#dfe5e9", "#a9bac6", "#587489", "#14202e")
WORDS = ("below 1", "1 to 2", "2 to 3", "3 to 6", "beyond 6")


@public
def plot_health(forces: xr.Dataset) -> Figure:
    """Draw how far each gauge contradicts the others over time, in standard uncertainties.

    `forces` as `reconstruct` returns it: `contradiction` (window, gauge) [1] and `gauge_status`.
    """
    require_forces(forces, "gauge", "gauge_status", "window_time", "contradiction")
    gauges = list(map(str, forces["gauge"].to_numpy()))
    legend = [
        patch_entry(facecolor=shade, edgecolor=MIDDLE, linewidth=0.5, label=f"{words} u")
        for shade, words in zip(SHADES, WORDS, strict=True)
    ]
    legend.append(
        patch_entry(facecolor="white", edgecolor=ACCENT, hatch="////", label="no usable value")
    )
    figure, room = new_sheet(
        (WIDTH, 1.9 + ROW * len(gauges)),
        _title(forces),
        legend,
        "u: standard uncertainty of a gauge's indication, given the other gauges of its corner or "
        "axle,\nthe ordinary channels, and what tyre moments, zeros and calibration leave open",
        columns=6,
    )
    panel = add_panel(figure, room.inside(AROUND))
    style_panel(panel, "difference from the expected indication", x="elapsed time [s]", size=SMALL)
    _draw_shades(panel, forces["window_time"].to_numpy(), forces["contradiction"].to_numpy())
    _draw_outages(panel, forces)
    panel.set_yticks(range(len(gauges)), gauges, fontsize=SMALL, color=INK)
    panel.set_ylim(len(gauges) - 0.5, -0.5)
    panel.grid(visible=False)
    return figure


def _title(forces: xr.Dataset) -> str:
    """The largest contradiction, with its gauge and time."""
    apart = np.nan_to_num(np.abs(forces["contradiction"].to_numpy()))
    if not apart.any():
        return "Gauges against each other: nothing to compare"
    window, gauge = np.unravel_index(np.argmax(apart), apart.shape)
    name = forces["gauge"].to_numpy()[gauge]
    time = float(forces["window_time"][window])
    return f"Gauges against each other: at most {apart.max():.1f} u, {name} at {time:.1f} s"


def _draw_shades(panel: Axes, time: Floats, against: Floats) -> None:
    from matplotlib.colors import BoundaryNorm, ListedColormap

    middle = 0.5 * (time[1:] + time[:-1])
    edges = np.concatenate([time[:1], middle, time[-1:]])
    size = np.ma.masked_invalid(np.abs(against).T)
    top = max(float(size.max()) if size.count() else 0.0, 2 * STEPS[-1])
    panel.pcolormesh(
        edges,
        np.arange(len(size) + 1) - 0.5,
        size,
        cmap=ListedColormap(SHADES),
        norm=BoundaryNorm([*STEPS, top], len(SHADES)),
        rasterized=True,
    )


def _draw_outages(panel: Axes, forces: xr.Dataset) -> None:
    time = forces["elapsed_time"].to_numpy()
    bad: NDArray[np.bool_] = (forces["gauge_status"].to_numpy() & UNUSABLE) > 0
    for row in np.flatnonzero(bad.any(axis=0)):
        panel.broken_barh(
            stretches(bad[:, row], time),
            (row - 0.5, 1.0),
            facecolor="white",
            edgecolor=ACCENT,
            hatch="////",
            linewidth=0.8,
        )
