"""The verdict on a calibrated corner: good, good for some forces only, or not to be used.

In: one calibrated corner and the car.  Out: a `Verdict`, which the calibration file keeps.  The
limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from recon.base.errors import DataError, nearest
from recon.calibration.applied import Pull
from recon.calibration.calibrated import Calibration, CornerCalibration, Quality, Verdict
from recon.calibration.evidence_against import (
    factor_unseen,
    of_gauges,
    of_pulls,
    of_tares,
    of_unit,
    of_verification,
    of_written_loads,
)
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly
from recon.planning.unknowns import reference_of

LARGE_DISAGREEMENT = 25.0  # cost over degrees of freedom: residuals five times as large as stated
SMALL_PULL = 0.5  # of the static load on a wheel: pulls should reach this in each direction


def verdict_of(
    corner: CornerCalibration, assembly: Assembly, car: Vehicle, fitted: Sequence[Pull] = ()
) -> Verdict:
    """Judge a corner by its pulls, its verification and what its bridges should indicate.

    `fitted` are the pulls that were fitted, where they are at hand.
    """
    unit = of_written_loads(fitted, assembly) or of_unit(corner, assembly)
    if unit:
        # Whatever else seems wrong follows from the unit, or shows once it is right.
        words = f"{corner.corner} is not to be used, because {_joined(unit)}"
        return Verdict("unusable", words, tuple(unit))
    pulls, tares = of_pulls(corner), of_tares(fitted, corner.gauges)
    gauges = tares or of_gauges(corner, assembly)
    verified = corner.verification is not None
    failed = of_verification(corner.verification) if corner.verification is not None else []
    doubts = (*pulls, *gauges, *failed)
    against = [*tares, *failed]
    if corner.quality.lack_of_fit > LARGE_DISAGREEMENT:
        against += pulls
    if not verified:
        # Held-out pulls would show whether the gauge or its description is wrong.
        against += gauges
    if against:
        words = f"{corner.corner} is not to be used, because {_joined(against)}"
        return Verdict("unusable", words, doubts)
    x, y, z = corner.conditions.force_reached / 1000
    forces = f"up to {x:.1f} kN in x, {y:.1f} kN in y and {z:.1f} kN in z"
    reasons = _limits(corner, assembly, car, doubts)
    open_ = f"; {factor_unseen(car)}" if factor_unseen(car) else ""
    if reasons:
        words = f"{corner.corner} is good for these forces only: {forces}, because "
        return Verdict("limited", words + _joined(reasons) + open_, doubts)
    known = f"main slopes are known to {_slopes(corner):.1f} %, {_agreement(corner.quality)}"
    words = f"{corner.corner} is good for forces {forces}: {known}, held-out pulls confirm it"
    return Verdict("good", words + open_, doubts)


def require_usable(found: Mapping[str, Verdict], accepted: Collection[str], where: str) -> None:
    """Refuse corners that are not to be used, unless they are accepted by name.

    `found` holds the verdicts on the corners and axles that are going to be used, `accepted` the
    names that are used whatever their verdict; `where` is the calibration, for the message.

    Raises DataError: a corner is not to be used, or one is accepted that is not among them.
    """
    for name in accepted:
        if name not in found:
            raise DataError(
                where,
                f"no corner '{name}' to accept",
                nearest(name, tuple(found)),
                "Accept corners that are calibrated and in the log.",
            )
    for name, verdict in found.items():
        if verdict.unusable and name not in accepted:
            raise DataError(
                where,
                verdict.words,
                "a corner that is good, at least for some forces",
                f"Correct the pulls and calibrate again. To use {name} all the same, accept it by "
                f"name: --accept-corner {name}.",
            )


def verdicts(
    calibration: Calibration, assemblies: Mapping[str, Assembly], car: Vehicle
) -> dict[str, Verdict]:
    """Verdict of every corner or axle by name: the one that it carries, or a new one."""
    return {
        name: corner.verdict or verdict_of(corner, assemblies[name], car)
        for name, corner in calibration.corners.items()
    }


def _limits(
    corner: CornerCalibration, assembly: Assembly, car: Vehicle, doubts: tuple[str, ...]
) -> list[str]:
    """Reasons why a corner is good for some forces only."""
    out = list(doubts)
    if corner.verification is None:
        out.append("no pull was held out to verify it")
    if len(assembly.corners) > 1:
        pulled = {report.name.split()[0] for report in corner.quality.pulls}
        out += [f"{c.name} was never pulled" for c in assembly.corners if c.name not in pulled]
    if corner.quality.rests_on_prior:
        rests = "; ".join(corner.quality.rests_on_prior)
        out.append(f"bridge data are used where pulls are missing ({rests})")
    kept = [error.pull for error in corner.quality.gross if not error.left_out]
    if kept:
        out.append(f"a load that seems mistyped is still in the fit (pull {', '.join(kept)})")
    static = max(reference_of(car, c).vertical for c in assembly.corners)
    for axis, reached in zip("xyz", corner.conditions.force_reached, strict=True):
        if reached < SMALL_PULL * static:
            out.append(
                f"pulls reached only {reached:.0f} N in {axis}, and the wheel carries "
                f"{static:.0f} N at rest"
            )
    return out


def _joined(reasons: list[str]) -> str:
    """Reasons in one sentence; the full stop of the last one goes."""
    return "; ".join(reason.rstrip(".") for reason in reasons)


def _slopes(corner: CornerCalibration) -> float:
    """Median standard uncertainty of the gauges' largest slopes, in percent."""
    main = np.argmax(np.abs(corner.K * corner.arms), axis=1)[:, None]
    share = np.take_along_axis(corner.u_K / np.abs(corner.K), main, axis=1)
    return float(100 * np.median(share))


def _agreement(quality: Quality) -> str:
    count = len(quality.pulls)
    if np.isfinite(quality.lack_of_fit):
        return f"its {count} pulls agree within their stated uncertainties"
    return f"its {count} pulls are too few to show whether they agree"
