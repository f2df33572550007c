"""The three answers side by side, in words and as a picture: gauges, bound, whole car."""

from __future__ import annotations

from functools import partial

import numpy as np

from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, COVERAGE_FACTOR
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.long_series import thinned
from recon.report.common.looks import ACCENT, INK, LOOKS, PALE, SMALL, TEXT
from recon.report.common.sheet import (
    Around,
    Pictures,
    add_panel,
    new_sheet,
    style_panel,
    tyre_footer,
)
from recon.report.common.text import whole_with_interval, wrapped

WHOLE = "tyre_force_whole_car"
# Variable of each answer with its standard uncertainty and its name for people.
ANSWERS = (
    ("tyre_force_unbounded", "u_tyre_force", "gauges only"),
    ("tyre_force", "u_tyre_force", "with Fz >= 0"),
    (WHOLE, f"u_{WHOLE}", "with the whole car"),
)
DASHES = (0, (4, 2))
AROUND = Around(left=0.85, right=0.15, below=0.5, above=0.3)


def whole_car_pictures(forces: xr.Dataset) -> Pictures:
    """The picture of the three answers, where the third one is there."""
    return {"whole_car.png": partial(plot_whole_car, forces)} if WHOLE in forces else {}


def whole_car_lines(forces: xr.Dataset) -> list[str]:
    """The three answers at the largest force of each corner and axis, with 95 % half-widths."""
    if WHOLE not in forces:
        return []
    rows = str(forces.attrs.get("whole_car_rows", ""))
    names = " | ".join(name for *_, name in ANSWERS)
    lines = [f"Three answers at the largest force of each, N with 95 % half-width: {names}"]
    for k, corner in enumerate(forces["corner"].to_numpy()):
        for i, axis in enumerate(COMPONENTS):
            one = forces.isel(corner=k, component=i)
            size = np.abs(one[WHOLE].to_numpy())
            if not np.isfinite(size).any():
                lines.append(f"  {corner} F{axis}: not known")
                continue
            at = int(np.nanargmax(size))
            cells = " | ".join(whole_with_interval(one, n, (at,), u) for n, u, _ in ANSWERS)
            lines.append(f"  {corner} F{axis} at {float(one['elapsed_time'][at]):.2f} s: {cells}")
    return lines + wrapped(f"whole car: {rows}; below 5 Hz only")


def plot_whole_car(forces: xr.Dataset) -> Figure:
    """Draw how far the answer with the whole car lies from that of the gauges alone.

    One panel for each corner and axis, all in newtons: the difference, and the 95 % half-widths of
    both answers on either side of zero.  Where the gauges do not see a force, the half-width of
    the answer with the whole car stands alone.

    `forces` is the result of `reconstruct` with `whole_car`: `tyre_force_whole_car` and
    `tyre_force_unbounded` [N] (elapsed_time, corner, component), tyre axes.
    Raises DataError: `forces` has no answer with the whole car.
    """
    require_forces(forces, *(name for answer in ANSWERS for name in answer[:2]))
    corners = corner_names(forces)
    footer = f"{forces.attrs.get('whole_car_rows', '')}; below 5 Hz\n{tyre_footer(forces)}"
    size = (12.0, 1.4 + 1.9 * len(corners))
    figure, room = new_sheet(size, _title(forces), _legend(), footer)
    for corner, row in zip(corners, room.rows(len(corners)), strict=True):
        for axis, box in zip(COMPONENTS, row.columns(1, 1, 1), strict=True):
            panel = add_panel(figure, box.inside(AROUND))
            _draw(panel, forces.sel(corner=corner, component=axis), f"{corner} F{axis}")
            if corner == corners[-1]:
                panel.set_xlabel("elapsed time [s]", fontsize=TEXT)
    return figure


def _draw(panel: Axes, one: xr.Dataset, name: str) -> None:
    gauges, whole = (one[n].to_numpy().astype(float) for n in ("tyre_force_unbounded", WHOLE))
    half = [COVERAGE_FACTOR * one[n].to_numpy() for n in ("u_tyre_force", f"u_{WHOLE}")]
    unseen = not np.isfinite(gauges).any()
    apart = np.zeros_like(whole) if unseen else whole - gauges
    kept = thinned(apart[None])
    time = one["elapsed_time"].to_numpy()[kept]
    panel.fill_between(time, -half[0][kept], half[0][kept], color=PALE, linewidth=0, zorder=1)
    for side in (-1, 1):
        panel.plot(time, side * half[1][kept], color=INK, linewidth=0.7, linestyle=DASHES, zorder=2)
    if not unseen:
        panel.plot(time, apart[kept], color=ACCENT, linewidth=0.8, zorder=3)
    known = "not seen by the gauges"
    if not unseen:
        known = "median half-width {:.0f} to {:.0f} N".format(*(np.nanmedian(h) for h in half))
    style_panel(panel, f"{name} ({LOOKS[name[:2]].name}): {known}", y="difference [N]", size=SMALL)


def _legend() -> list[Artist]:
    return [
        line_entry(color=ACCENT, linewidth=1.2, label="with the whole car minus gauges only"),
        patch_entry(color=PALE, label="95 % interval of gauges only"),
        line_entry(color=INK, linestyle=DASHES, label="95 % interval with the whole car"),
    ]


def _title(forces: xr.Dataset) -> str:
    before, after = (forces[n].to_numpy() for n in ("u_tyre_force", f"u_{WHOLE}"))
    both = np.isfinite(before) & np.isfinite(after)
    found = int(np.sum(np.isfinite(after).any(axis=0) & ~np.isfinite(before).any(axis=0)))
    more = f"; {found} forces more are known" if found else ""
    if not both.any():
        return f"Balance of the whole car{more}"
    size = [COVERAGE_FACTOR * float(np.median(u[both])) for u in (before, after)]
    return f"Balance of the whole car: half-width {size[0]:.0f} N becomes {size[1]:.0f} N{more}"
