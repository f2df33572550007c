"""A calibration in words, and the list of its pictures."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from recon.base.quantities import CORNERS
from recon.base.uncertainty import COVERAGE_FACTOR
from recon.car.vehicle import TWO_FORCE
from recon.mechanics.assembly import assemblies_of
from recon.planning.knowledge import RANK_SHARE
from recon.report.crosstalk import plot_crosstalk
from recon.report.verification import plot_verification

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from recon.calibration.map import Calibration, CornerCalibration
    from recon.car.vehicle import Vehicle

CAUTIONS = (
    "Cautions: a loaded strap stores energy, keep everybody out of its line and two strap lengths",
    "away, blanket over it, eye protection. Never get under a pulled car; jacks are no supports "
    "and",
    "stands take no side load. Hold the steering with a clamp, keep wiring clear of wheel and "
    "brake.",
    "Stay below the strap's working limit and half of the weakest link's limit. Local codes and",
    "licensed practice decide; nothing here clears a part for use.",
)


def calibration_summary(calibration: Calibration, car: Vehicle) -> list[str]:
    """What was fitted, how well, what was left out."""
    lines = [f"Calibration of {calibration.vehicle}, {len(calibration.corners)} corner(s)"]
    for name, c in calibration.corners.items():
        per_force = np.abs(c.K * c.arms)
        relative = 100 * np.max(c.u_K * c.arms, axis=1) / np.max(per_force, axis=1)
        off = np.abs(c.crosstalk_percent)
        off[off >= 99.999] = 0.0
        lines.append(
            f"{name}: {len(c.pulls)} pulls, main slopes to {np.median(relative):.1f} % (k = 1), "
            f"cross-talk up to {off.max():.1f} %, condition {_condition(c)}, hysteresis "
            f"{100 * c.hysteresis:.1f} % of a pull's peak, agreement {_agreement(c)}"
        )
        lines += [f"  least seen direction: {c.weak_direction}"]
        lines += [f"  rests on slopes and geometry: {r}" for r in c.rests_on_prior]
        lines += [f"  mistyped? {g.sentence(name)}" for g in c.gross]
        if c.verification is None:
            lines.append("  not verified: no pull was held out")
            continue
        v = c.verification
        rms = np.sqrt(np.mean(v.error**2, axis=0))
        half = COVERAGE_FACTOR * np.sqrt(np.mean(v.u_error**2, axis=0))
        lines.append(
            f"  verification, {len(set(v.pull))} pulls to {v.applied.max():.0f} N: error rms "
            f"{rms[0]:.0f} / {rms[1]:.0f} / {rms[2]:.0f} N in x / y / z, claimed 95 % +-"
            f"{half[0]:.0f} / {half[1]:.0f} / {half[2]:.0f} N, {100 * v.share_inside:.0f} % inside"
        )
    lines.append(
        "The load cell's gain is common to pulls and verification: only weighing the car on pads "
        "shows it."
    )
    units = assemblies_of(car)
    bare = sorted(
        {s.name for n in calibration.corners for s in units[n].supports
         if s.kind in TWO_FORCE and not np.isfinite(s.limit)}
    )  # fmt: skip
    if bare:
        lines.append(
            f"No load limit is stated for {', '.join(bare)}; pulls were not checked against one."
        )
    return [*lines, *CAUTIONS]


def _condition(one: CornerCalibration) -> str:
    seen = one.condition < 1 / RANK_SHARE
    return f"{one.condition:.1f}" if seen else "not finite (a direction is not pulled at all)"


def _agreement(one: CornerCalibration) -> str:
    if np.isfinite(one.lack_of_fit):
        return f"{one.lack_of_fit:.2f} (1 expected)"
    return "not known (no more readings than unknowns)"


def calibration_pictures(calibration: Calibration) -> dict[str, Callable[[], Figure]]:
    """File names of the pictures of a calibration, each with the call that draws it."""
    pictures: dict[str, Callable[[], Figure]] = {
        f"crosstalk_{name}.png": partial(plot_crosstalk, calibration, name)
        for name in calibration.corners
    }
    if any(c.verification is not None for c in calibration.corners.values()):
        pictures["verification.png"] = partial(plot_verification, calibration)
    return pictures


def stale_pictures(calibration: Calibration) -> list[str]:
    """File names of pictures that an earlier calibration may have and this one does not."""
    every = (*(f"crosstalk_{corner}.png" for corner in CORNERS), "verification.png")
    return [name for name in every if name not in calibration_pictures(calibration)]
