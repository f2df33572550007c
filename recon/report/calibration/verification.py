"""Errors of pulls that were not in the fit, beside the interval claimed for them."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon.base.errors import DataError
from recon.base.public import public
from recon.base.quantities import COMPONENTS, COVERAGE_FACTOR
from recon.calibration.calibrated import Calibration, Verification
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.legend import line_entry
from recon.report.common.looks import INK, LOOKS, PALE, TEXT
from recon.report.common.sheet import new_sheet, style_panel

RING: dict[str, Any] = {
    "markersize": 11, "markerfacecolor": "none", "markeredgecolor": INK, "markeredgewidth": 1.2,
}  # fmt: skip
SIZE = 11.0, 9.0  # in
MARGINS = {"left": 0.07, "right": 0.99, "bottom": 0.09, "top": 0.91, "hspace": 0.14}
NAMES = {"x": "longitudinal", "y": "lateral", "z": "vertical"}


@public
def plot_verification(calibration: Calibration) -> Figure:
    """Draw measured less reference force of every verification load against the applied load.

    One panel per component, vehicle axes; each corner has its own marker.

    At least one corner of the `calibration` holds a verification.
    Raises DataError: no corner holds a verification.
    """
    checks = {c: k.verification for c, k in calibration.corners.items() if k.verification}
    if not checks:
        raise DataError(
            calibration.vehicle,
            f"no verification at any of the corners {', '.join(calibration.corners)}",
            "at least one corner with verification pulls",
            "Verify the calibration with a sheet of verification pulls first.",
        )
    footer = (
        "vehicle axes, static loads, so no bandwidth; error: measured less reference force; "
        f"{calibration.vehicle}, made {calibration.created[:10]}"
    )
    title = f"Verification: {_inside(checks, slice(None))}"
    figure, _ = new_sheet(SIZE, title, _legend(checks), footer, columns=6)
    panels = figure.subplots(3, 1, sharex=True, gridspec_kw=MARGINS)
    for i, (panel, component) in enumerate(zip(panels, COMPONENTS, strict=True)):
        _draw_component(panel, checks, i)
        style_panel(
            panel,
            f"{NAMES[component]} force F{component}: {_inside(checks, i)}",
            y=f"error of F{component} [N]",
        )
    panels[-1].set_xlabel("applied load [N]", fontsize=TEXT)
    return figure


def _inside(checks: dict[str, Verification], component: int | slice) -> str:
    """How many errors lie inside their intervals, in words."""
    inside = np.concatenate(
        [
            (np.abs(v.error) <= COVERAGE_FACTOR * v.u_error)[:, component].ravel()
            for v in checks.values()
        ]
    )
    share = 100 * np.mean(inside)
    return f"{np.sum(inside)} of {len(inside)} errors ({share:.0f} %) inside their 95 % intervals"


def _draw_component(panel: Axes, checks: dict[str, Verification], i: int) -> None:
    panel.axhline(0, color=INK, linewidth=0.6, zorder=2)
    for corner, check in checks.items():
        error, half = check.error[:, i], COVERAGE_FACTOR * check.u_error[:, i]
        panel.vlines(check.applied, -half, half, color=PALE, linewidth=1.6, zorder=1)
        panel.plot(
            check.applied, error, linestyle="none", marker=LOOKS[corner].marker, markersize=4.5,
            color=LOOKS[corner].colour, markeredgecolor=INK, markeredgewidth=0.5, zorder=3,
        )  # fmt: skip
        outside = np.abs(error) > half
        panel.plot(
            check.applied[outside], error[outside], linestyle="none", marker="o", zorder=4, **RING,
        )  # fmt: skip


def _legend(checks: dict[str, Verification]) -> list[Artist]:
    entries: list[Artist] = [
        line_entry(
            linestyle="none", marker=LOOKS[c].marker, color=LOOKS[c].colour, markersize=6,
            label=f"{c} {LOOKS[c].name}",
        )
        for c in checks
    ]  # fmt: skip
    entries.append(line_entry(color=PALE, linewidth=4, label="95 % interval claimed"))
    ring = line_entry(linestyle="none", marker="o", label="outside its interval", **RING)
    entries.append(ring)
    return entries
