"""A calibration in words, which corners are good and for what, and the list of its pictures."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import COVERAGE_FACTOR
from recon.calibration.calibrated import Calibration, CornerCalibration, Quality, Verification
from recon.calibration.evidence_against import require_same_gauges
from recon.calibration.verdict import verdicts
from recon.car.vehicle import TWO_FORCE, Vehicle
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.planning.knowledge import RANK_SHARE
from recon.report.calibration.crosstalk import plot_crosstalk
from recon.report.calibration.verification import plot_verification
from recon.report.common.sheet import Pictures

MOST_MISTYPED = 3  # loads of a corner that are named one by one
MEANINGS = (
    "Main slope: a gauge's indication per newton of its own member, with its standard uncertainty",
    "(k = 1); limits after +- cover 95 %. Condition number: 1 if the pulls cover all directions",
    "evenly. Only weighing the car on pads reveals an error in the load cell's gain.",
)
CAUTIONS = (
    "Cautions: a loaded strap stores energy. Keep everybody out of its line and two strap lengths",
    "away, lay a blanket over it and wear eye protection. Never get under a pulled car: a jack is",
    "not a support, and stands take no side load. Hold the steering with a clamp and keep wiring",
    "clear of wheel and brake. Stay below the strap's working limit and half of the weakest part's",
    "limit. Local codes and licensed practice decide; nothing here clears a part for use.",
)


def calibration_summary(calibration: Calibration, car: Vehicle) -> list[str]:
    """A verdict per corner in one sentence, the figures behind it, and cautions."""
    units = assemblies_of(car)
    require_same_gauges(calibration.corners, units, f"calibration with {car.path}")
    lines = [f"Calibration of {calibration.vehicle}"]
    for name, verdict in verdicts(calibration, units, car).items():
        lines += [verdict.words, *_figures(calibration.corners[name])]
    lines += _not_pulled(calibration, units)
    bare = sorted(
        {s.name for n in calibration.corners for s in units[n].supports
         if s.kind in TWO_FORCE and not np.isfinite(s.limit)}
    )  # fmt: skip
    if bare:
        lines.append(
            f"No load limit is stated for {', '.join(bare)}; pulls were not checked against one."
        )
    return [*lines, *MEANINGS, *CAUTIONS]


def calibration_in_brief(calibration: Calibration, car: Vehicle) -> tuple[str, ...]:
    """The verdict on each corner, and mistyped loads, without the figures behind them."""
    lines = [f"Calibration of {calibration.vehicle}"]
    for name, verdict in verdicts(calibration, assemblies_of(car), car).items():
        lines += [verdict.words, *_mistyped(calibration.corners[name])]
    return (*lines, *_not_pulled(calibration, assemblies_of(car)))


def _not_pulled(calibration: Calibration, units: Mapping[str, Assembly]) -> list[str]:
    names = [n for n, unit in units.items() if unit.gauges and n not in calibration.corners]
    lead = f"{', '.join(names)} not calibrated: the vehicle file has gauges there, the pull sheet "
    return [f"{lead}no pull to fit. Without pulls their forces stay unknown."] if names else []


def _mistyped(corner: CornerCalibration) -> list[str]:
    gross = corner.quality.gross
    lines = [f"  mistyped? {error.sentence(corner.corner)}" for error in gross[:MOST_MISTYPED]]
    if (more := len(gross) - MOST_MISTYPED) > 0:
        lines.append(
            f"  {more} further {'load does' if more == 1 else 'loads do'} not fit the gauges. So "
            "many are rarely mistyped: compare points and wheel_held_by of the pulls, and points "
            "and brake of the vehicle file, with the car"
        )
    return lines


def _figures(corner: CornerCalibration) -> list[str]:
    quality = corner.quality
    others = np.abs(corner.crosstalk_percent)
    others[others >= 99.999] = 0.0
    spread = np.sqrt(quality.lack_of_fit)
    scatter = f"residuals {spread:.2f} times as large as stated, " if np.isfinite(spread) else ""
    lines = [
        f"  {scatter}cross-talk up to {others.max():.1f} %, hysteresis "
        f"{100 * quality.hysteresis:.1f} % of a pull's peak, condition number {_condition(quality)}"
    ]
    lines += [f"  not pulled, taken from bridge data: {r}" for r in quality.rests_on_prior]
    lines += _mistyped(corner)
    if corner.verification is None:
        return [*lines, "  not verified: no pull was held out"]
    return [*lines, _checked(corner.verification)]


def _checked(found: Verification) -> str:
    rms = np.sqrt(np.mean(found.error**2, axis=0))
    half = COVERAGE_FACTOR * np.sqrt(np.mean(found.u_error**2, axis=0))
    return (
        f"  {len(set(found.pull))} held-out pulls up to {found.applied.max():.0f} N: errors of "
        f"{_three(rms)} N (rms) in x / y / z against 95 % limits of +-{_three(half)} N, "
        f"{100 * found.share_inside:.0f} % of the errors inside"
    )


def _three(values: Floats) -> str:
    return " / ".join(f"{value:.0f}" for value in values)


def _condition(quality: Quality) -> str:
    if quality.condition < 1 / RANK_SHARE:
        return f"{quality.condition:.1f} (least pulled: {quality.weak_direction})"
    return f"not finite ({quality.weak_direction} is not pulled at all)"


def calibration_pictures(calibration: Calibration) -> Pictures:
    """File names of the pictures of a calibration, each with the call that draws it."""
    pictures: Pictures = {
        f"crosstalk_{name}.png": partial(plot_crosstalk, calibration, name)
        for name in calibration.corners
    }
    if any(c.verification is not None for c in calibration.corners.values()):
        pictures["verification.png"] = partial(plot_verification, calibration)
    return pictures
