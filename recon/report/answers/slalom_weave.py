"""Row of a slalom's picture: mean cycle of both axles with the lag, and their flat crests."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.slalom.rear_lag import SINE_CREST
from recon.report.answers.slalom_axles import AXLE_LOOKS
from recon.report.common.artists import Axes
from recon.report.common.labels import interval, note, white_box
from recon.report.common.looks import ACCENT, FAINT, MIDDLE
from recon.report.common.sheet import style_panel
from recon.report.common.text import value_and_half

SATURATED = ("front", "rear")


def has_weave(slalom: xr.Dataset | None) -> bool:
    """Whether a slalom's result has a mean cycle."""
    return slalom is not None and "mean_cycle" in slalom


def _largest(slalom: xr.Dataset) -> str:
    peak = slalom["peak_lateral_force"].to_numpy()
    if not np.isfinite(peak).any():
        return "no peak known"
    i, k = np.unravel_index(int(np.nanargmax(np.abs(peak))), peak.shape)
    one = slalom.isel(cone=int(i), corner=int(k))
    value, half = value_and_half(one, "peak_lateral_force")
    return f"{one['corner'].item()} up to {abs(value):.0f} +-{half:.0f} N at cone {i + 1}"


def weave_finding(slalom: xr.Dataset) -> str:
    """Lag of the rear, and the axle whose force flattens first, in one sentence, no full stop."""
    lag, half = value_and_half(slalom, "rear_lag", 1e3)
    if not np.isfinite(lag):
        return (
            f"Slalom, {slalom.sizes['cone']} cones: {_largest(slalom)}; lag of the rear not known"
        )
    way = "follows" if lag >= 0 else "precedes"
    words = (
        f"Slalom, {slalom.sizes['cone']} cones: the rear axle {way} the front by "
        f"{abs(lag):.0f} +-{half:.0f} ms"
    )
    flags = slalom["saturates_first"].to_numpy()
    known = int((flags >= 0).sum())
    counts = {axle: int((flags == code).sum()) for code, axle in enumerate(SATURATED, start=1)}
    axle = max(counts, key=lambda name: counts[name])
    if not counts[axle]:
        return f"{words}; no axle is shown to flatten"
    return f"{words}; the force of the {axle} flattens first at {counts[axle]} of {known} cones"


def draw_cycle(panel: Axes, slalom: xr.Dataset) -> None:
    """Draw the mean cycle of both axles, their spread between cycles, and the lag as a bracket."""
    time = slalom["phase_time"].to_numpy()
    for axle, (line, _, colour) in AXLE_LOOKS.items():
        mean, spread = (
            slalom[name].sel(axle=axle).to_numpy() for name in ("mean_cycle", "cycle_spread")
        )
        panel.fill_between(time, mean - spread, mean + spread, color=FAINT, linewidth=0, zorder=1)
        panel.plot(time, mean, linestyle=line, color=colour, linewidth=1.4, zorder=3)
    panel.axhline(0.0, color=MIDDLE, linewidth=0.6)
    style_panel(
        panel,
        "mean cycle of both axles, shaded: standard deviation between cycles",
        x="time within the cycle [s]",
        y="lateral force [N]",
    )
    _bracket(panel, slalom, time)


def _bracket(panel: Axes, slalom: xr.Dataset, time: Floats) -> None:
    """Bracket as long as the lag, where both forces fall or rise through zero in mid-cycle."""
    lag, half = value_and_half(slalom, "rear_lag")
    front = slalom["mean_cycle"].sel(axle="front").to_numpy()
    inner = slice(len(time) // 4, 3 * len(time) // 4)
    start = float(time[inner][np.argmin(np.abs(front[inner]))])
    panel.plot(
        [start, start, start + lag, start + lag],
        np.array([-0.05, 0.05, 0.05, -0.05]) * np.ptp(front),
        color=ACCENT, linewidth=1.6, zorder=4,
    )  # fmt: skip
    words, place = (
        f"{1e3 * lag:.0f} \u00b1 {1e3 * half:.0f} ms",
        (start + lag, 0.05 * np.ptp(front)),
    )
    note(panel, words, place, (5, 3), color=ACCENT, zorder=5, bbox=white_box(0.3))


def draw_crests(panel: Axes, slalom: xr.Dataset) -> None:
    """Draw by cone how long each axle stays near its peak, and how long a sine would."""
    cones = slalom["cone"].to_numpy()
    for axle, (_, marker, colour) in AXLE_LOOKS.items():
        share, u = (
            100 * slalom[name].sel(axle=axle).to_numpy()
            for name in ("crest_share", "u_crest_share")
        )
        interval(panel, cones, share, yerr=COVERAGE_FACTOR * u, fmt=marker, capsize=2, color=colour)
    panel.axhline(100 * SINE_CREST, color=ACCENT, linewidth=1, linestyle=":")
    style_panel(panel, "flat crests (dotted: a sine)", x="cone", y="above 0.9 of the peak [%]")
    panel.locator_params(axis="x", integer=True)
