"""Row of a slalom's picture: lateral force of both axles over time, front share at each cone."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.car.vehicle import SIDES
from recon.report.common.artists import Artist, Axes
from recon.report.common.labels import interval
from recon.report.common.legend import line_entry
from recon.report.common.long_series import thinned
from recon.report.common.looks import INK, MIDDLE
from recon.report.common.sheet import style_panel

# Line, marker and colour of each axle: distinct in a grey print.
AXLE_LOOKS: dict[str, tuple[Any, str, str]] = {
    "front": ("-", "o", INK),
    "rear": ("--", "s", MIDDLE),
}


def has_axles(slalom: xr.Dataset | None) -> bool:
    """Whether a slalom's result has the peaks of both axles."""
    return slalom is not None and "axle" in slalom.coords and slalom.sizes["axle"] == 2


def axle_legend() -> list[Artist]:
    """Entries of the sheet's legend for both axles."""
    return [
        line_entry(linestyle=line, marker=marker, markersize=4, color=colour,
               label=f"{axle} axle, peaks with 95 % limits")
        for axle, (line, marker, colour) in AXLE_LOOKS.items()
    ]  # fmt: skip


def draw_axle_sums(panel: Axes, forces: xr.Dataset, slalom: xr.Dataset) -> None:
    """Draw the sum of both tyres' lateral forces of each axle, and its peaks with 95 % limits.

    `forces` holds `tyre_force_intermediate` [N] of the samples that are shown.
    """
    lateral = forces["tyre_force_intermediate"].sel(component="y")
    time = lateral["elapsed_time"].to_numpy()
    for axle, (line, marker, colour) in AXLE_LOOKS.items():
        total = lateral.sel(corner=list(SIDES[axle])).sum("corner", skipna=False).to_numpy()
        kept = thinned(total[None])
        panel.plot(
            time[kept], total[kept], linestyle=line, linewidth=0.7, color=colour,
            zorder=3,
        )  # fmt: skip
        peak, below, above = _peaks(slalom, axle)
        when, ends = slalom["cone_time"].to_numpy(), np.stack([below, above])
        interval(panel, when, peak, yerr=ends, fmt=marker, color=colour, zorder=4)
    panel.margins(y=0.15)  # room for the numbers of the cones above the peaks
    style_panel(
        panel,
        "both tyres of an axle, intermediate axes",
        x="elapsed time [s]",
        y="lateral force [N]",
    )


def _peaks(slalom: xr.Dataset, axle: str) -> tuple[Floats, Floats, Floats]:
    """Peaks (cone,) [N] of an axle, and how far their limits lie below and above."""
    own = slalom.sel(axle=axle)
    value, lower, upper = (
        own[f"axle_peak_lateral_force{end}"].to_numpy() for end in ("", "_lower", "_upper")
    )
    return value, value - lower, upper - value


def draw_front_share(panel: Axes, slalom: xr.Dataset) -> None:
    """Draw the front axle's share of the lateral force at each cone, with 95 % limits [%]."""
    share, u = (slalom[name].to_numpy() for name in ("front_share", "u_front_share"))
    cones = np.arange(1, len(share) + 1)
    interval(panel, cones, 100 * share, yerr=196 * u)
    style_panel(panel, "front share, 95 %", x="cone", y="front share [%]")
    panel.set_xticks(cones[:: -(-len(cones) // 8)])
