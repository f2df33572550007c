"""The day's tares against those of the pulls, and every zero against all that speaks of it.

A zero that is off by a constant shows in four places: against the tares of the pulls, in the
other gauges of the corner, and in the mean vertical and side force.  Zeros stay between two days
within some two hundred newtons of a link's load, so that a wheel that stood while its tare was
taken as hanging, an exchanged, inverted or otherwise wrong tare stands out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.examination.term import Term
from recon.examination.view import Part, View
from recon.examination.weight import FEWEST, mean_forces

# Standard uncertainty of a zero between the day of the pulls and that of the drive, as load of the
# gauge's own link, and its change with temperature.  Common practice, no source.
STABILITY = 200.0  # N
PER_KELVIN = 5.0  # N/K
# Model errors of geometry and calibration that a constant in one gauge resembles, as its load.
RESEMBLED = 20.0  # N; no source
LIMIT = 4.0  # of six gauges: sound drives of virtual and independent cars stay below 3
ZERO_LIMIT = 13.0  # of one zero; sound drives stay below 9


@dataclass(frozen=True, slots=True)
class Shifts:
    """How far each zero of an assembly seems to be too high.

    `shift` (gauge,) in the gauge's unit and `u`, its standard uncertainty; `size` (gauge,) is the
    square of their ratio.
    """

    shift: Floats
    u: Floats

    @property
    def size(self) -> Floats:
        """Square of the shifts over their variance, (gauge,) [1]."""
        return np.asarray((self.shift / self.u) ** 2)


def since_pulls(part: Part) -> tuple[Floats, Floats]:
    """Change of the zeros (gauge,) since the pulls, and its standard uncertainty if all is well.

    NaN where the calibration keeps no tares of its pulls.
    """
    estimator, solver = part.solver.estimator, part.solver
    fitted, tare = estimator.calibration, estimator.tare
    change = part.zero - fitted.conditions.tare - tare.beyond_pulls
    stable = np.hypot(STABILITY, PER_KELVIN * solver.session.warming) * fitted.main_slope
    split = np.sum((fitted.K @ tare.split) ** 2, axis=1) if len(part.corners) > 1 else 0.0
    unsure = np.sum(tare.effects**2, axis=1) + split + fitted.conditions.tare_scatter**2
    return change, np.sqrt(stable**2 + unsure)


def tares_agree(view: View) -> Iterator[Term]:
    """The zeros of every assembly against those of the pulls."""
    for part in view.parts.values():
        change, u = since_pulls(part)
        z = change / u
        known = np.isfinite(z)
        name = "tares against those of the pulls"
        if not known.any():
            yield Term(part.name, part.corners, name, float("nan"), 0, LIMIT, _no_tares(part))
            continue
        worst = int(np.argmax(np.abs(np.nan_to_num(z))))
        newtons = change[worst] / part.solver.estimator.calibration.main_slope[worst]
        yield Term(
            place=part.name,
            corners=part.corners,
            name=name,
            size=float(np.mean(z[known] ** 2)),
            count=int(known.sum()),
            limit=LIMIT,
            found=f"The tares of {part.name} are not those of the pulls: most of all the one of "
            f"{part.gauges[worst]}, by {change[worst]:+.4g} in its unit, as {newtons:+.0f} N of "
            f"its own load would do (zeros stay within +-{2 * STABILITY:.0f} N between two days).",
        )


def _no_tares(part: Part) -> str:
    return (
        f"Whether the tares of {part.name} belong to this car and state cannot be known from the "
        "tares of its pulls: this calibration does not keep them. Calibrate again, or weigh the "
        "car: add rows with state 'pads' to the tare table."
    )


def shifts(view: View, part: Part) -> Shifts:
    """What tares, other gauges, weight and acceleration say of every zero, taken together.

    Each of them is linear in a zero that is too high, and independent of the others.
    """
    change, u = since_pulls(part)
    fitted = part.solver.estimator.calibration
    score = np.where(np.isfinite(change), change / u**2, 0.0)
    information = np.where(np.isfinite(change), u**-2.0, 0.0)
    # How a bar was twisted at the tare looks like zeros of several gauges of a tied axle.
    if np.sum(part.known) >= FEWEST and len(part.corners) == 1:
        weight = part.expected.weight[part.known]
        own = np.mean(np.einsum("ngg->ng", weight), axis=0)
        against = np.mean(np.einsum("ngh,nh->ng", weight, part.residual[part.known]), axis=0)
        slack = RESEMBLED * fitted.main_slope
        share = 1.0 / (1.0 + own * slack**2)
        score, information = score - share * against, information + share * own
    of = mean_forces(view, part)
    known = np.isfinite(of.error) & np.isfinite(part.leverage).all(axis=-1)
    lever, by = part.leverage[known], of.u[known] ** -2.0
    score = score - (of.error[known] * by) @ lever
    information = information + by @ lever**2
    return Shifts(score / information, information**-0.5)


def zeros_hold(view: View) -> Iterator[Term]:
    """Every zero against all that speaks of it.

    These terms only raise the alarm: what they are made of is counted by the others.
    """
    for part in view.parts.values():
        of, slope = shifts(view, part), part.solver.estimator.calibration.main_slope
        for g, gauge in enumerate(part.gauges):
            yield Term(
                place=gauge,
                corners=part.corners,
                name="zero against tares, other gauges and weight",
                size=float(of.size[g]),
                count=0,
                limit=ZERO_LIMIT,
                found=f"The zero of {gauge} seems {of.shift[g]:+.4g} +- {2 * of.u[g]:.2g} too high "
                f"in its unit, as {of.shift[g] / slope[g]:+.0f} N of its own load would do.",
            )
