"""The day's tares against those of the pulls, and every zero against all that speaks of it.

A zero that is off by a constant shows in four places: against the tares of the pulls, in the
other gauges of the corner, and in the mean vertical and side force.  Zeros stay between two days
within some two hundred newtons of a link's load, so that a wheel that stood while its tare was
taken as hanging, an exchanged, inverted or otherwise wrong tare stands out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.kept_results import kept_in
from recon.examination.by_motion import by_motion
from recon.examination.term import Term, by_part
from recon.examination.view import Part, View
from recon.examination.weight import FEWEST, mean_forces
from recon.examination.whole_car import whole_of

# Standard uncertainty of a zero between the day of the pulls and that of the drive, as load of the
# gauge's own link, and its change with temperature.  Common practice, no source.
STABILITY = 200.0  # N
PER_KELVIN = 5.0  # N/K
# Model errors of geometry and calibration that a constant in one gauge resembles, as its load.
RESEMBLED = 20.0  # N; no source
STATIC_OPEN = 0.3  # of a standing wheel's static load; no source
LIMIT = 4.0  # of six gauges: sound drives of virtual and independent cars stay below 3
# Change of a zero from the tare before a drive to the one after it, as load of the gauge's own
# link: creep and friction, and temperature.  Common practice, no source.
DRIFT, DRIFT_PER_KELVIN = 40.0, 8.0  # N, N/K
WARMING = 15.0  # K where no temperature of the gauges is logged
CHANGE_LIMIT = 16.0  # of one gauge: 4 standard uncertainties
ZERO_LIMIT = 13.0  # of one zero; sound drives stay below 9
ZERO_NAME = "zero against tares, other gauges and weight"
MOVED_NAME = "zero in the drive against other gauges and weight"


@dataclass(frozen=True, slots=True)
class Shifts:
    """Evidence about how much too high the zeros of an assembly are.

    `information` (gauge, gauge) is the inverse covariance of the shifts, in the gauges' units
    [mV/V], and `score` (gauge,) the information times their most likely values.
    """

    score: Floats
    information: Floats

    @property
    def alone(self) -> Floats:
        """Shift of each zero (gauge,) if all others are right, in its unit [mV/V].

        Zero where nothing speaks of it.
        """
        return np.asarray(self.score / np.maximum(np.diag(self.information), 1e-300))

    @property
    def u(self) -> Floats:
        """Standard uncertainty of `alone`, (gauge,) [mV/V]."""
        return np.asarray(np.maximum(np.diag(self.information), 1e-300) ** -0.5)

    @property
    def size(self) -> Floats:
        """Square of the shifts over their variance, (gauge,) [1]."""
        return np.asarray((self.alone / self.u) ** 2)

    @property
    def together(self) -> Floats:
        """Most likely shifts (gauge,) if all zeros may be wrong [mV/V]."""
        return np.asarray(np.linalg.solve(self.information, self.score))


@dataclass(frozen=True, slots=True)
class SincePulls:
    """Change of the zeros since the pulls and what it may be if all is well.

    `change` (gauge,) and `own` (gauge,) [mV/V], the standard uncertainty of each zero by itself;
    `shared` (gauge, k) [mV/V], causes that move several together: wheels that hang unevenly and
    twist a bar, links that bind, pads.  NaN where the calibration keeps no tares of its pulls.
    """

    change: Floats
    own: Floats
    shared: Floats

    @property
    def u(self) -> Floats:
        """Standard uncertainty (gauge,) [mV/V] of each change."""
        return np.sqrt(self.own**2 + np.sum(self.shared**2, axis=1))

    @property
    def mean_square(self) -> float:
        """Mean square of all known changes over their covariance."""
        known = np.isfinite(self.change)
        change, shared = self.change[known], self.shared[known]
        covariance = np.diag(self.own[known] ** 2) + shared @ shared.T
        return float(change @ np.linalg.solve(covariance, change)) / len(change)


def since_pulls(part: Part) -> SincePulls:
    """Change of the zeros of an assembly since the pulls."""
    estimator, solver = part.solver.estimator, part.solver
    fitted, tare = estimator.calibration, estimator.tare
    stable = np.hypot(STABILITY, PER_KELVIN * solver.session.warming) * fitted.main_slope
    tied = np.hstack([tare.split, tare.bound.T])
    split = fitted.K @ tied if len(part.corners) > 1 else tare.effects[:, :0]
    return SincePulls(
        change=part.zero - fitted.conditions.tare - tare.beyond_pulls,
        own=np.hypot(stable, fitted.conditions.tare_scatter),
        shared=np.hstack([tare.effects, split]),
    )


@by_part("tares")
def tares_agree(_view: View, part: Part) -> Iterator[Term]:
    """The zeros of every assembly against those of the pulls."""
    since = since_pulls(part)
    change, z = since.change, since.change / since.u
    known = np.isfinite(z)
    name = "tares against those of the pulls"
    if not known.any():
        yield Term(part.name, part.corners, name, float("nan"), 0, LIMIT, _no_tares(part))
        return
    worst = int(np.argmax(np.abs(np.nan_to_num(z))))
    newtons = change[worst] / part.solver.estimator.calibration.main_slope[worst]
    yield Term(
        place=part.name,
        corners=part.corners,
        name=name,
        size=since.mean_square,
        count=int(known.sum()),
        limit=LIMIT,
        words=f"The tares of {part.name} differ from those of the pulls, most of all that of "
        f"{part.gauges[worst]}: by {change[worst]:+.4g} {part.unit_of(part.gauges[worst])}, as "
        f"much as a load of {newtons:+.0f} N on it (zeros stay within +-{2 * STABILITY:.0f} N "
        "between two days)." + _stood_at_pulls(part, change, since.u),
    )


def _stood_at_pulls(part: Part, change: Floats, u: Floats) -> str:
    """A sentence if the zeros changed as if the wheels had stood at the tares of the pulls."""
    more = standing_more(part) / u
    z = np.where(np.isfinite(change), change / u, 0.0)
    share = -float(z @ more) / max(float(more @ more), 1e-300)
    left = np.mean((z + share * more) ** 2)
    if part.solver.session.tare.on_pads or abs(share - 1.0) > STATIC_OPEN or left > LIMIT:
        return ""
    return (
        " It looks as if the wheel stood on the ground at the tares of the pulls, which are taken "
        "with the wheel hanging and the strap slack. Forces do not depend on them."
    )


def standing_more(part: Part) -> Floats:
    """Indications (gauge,) [unit] of wheels under static load, less those at their tare."""
    estimator = part.solver.estimator
    return np.asarray(estimator.K @ part.standing - estimator.tare.indication)


def _no_tares(part: Part) -> str:
    return (
        f"Whether the tares of {part.name} belong to this car and state cannot be known from the "
        "tares of its pulls: this calibration does not keep them. Calibrate again, or weigh the "
        "car: add rows with state 'pads' to the tare table."
    )


def shifts(view: View, part: Part) -> Shifts:
    """Evidence of tares, other gauges, and load and side force of each wheel about every zero.

    Each of them is linear in a zero that is too high, and independent of the others.
    """
    return _added(_by_tares(part), _by_gauges(part), _by_wheels(view, part))


def single_shifts(view: View, part: Part, *, agreeing: bool = False) -> Shifts:
    """Evidence about each zero if everything else on the car is right, but that of the tares.

    Tares say nothing of zeros that moved after them; `agreeing` as for `by_motion`.
    """
    if whole_of(view) is None:
        return _added(_by_gauges(part), _by_wheels(view, part))
    constant = np.ones((1, *part.samples.indication.shape))
    score, information = by_motion(view, part, constant, agreeing=agreeing)
    # Indications are what is left of a zero: one that is too high makes them too low.
    return _added(_by_gauges(part), Shifts(-score, information))


def _added(*evidence: Shifts) -> Shifts:
    scores, informations = zip(*((of.score, of.information) for of in evidence), strict=True)
    return Shifts(sum(scores), sum(informations))


def _by_tares(part: Part) -> Shifts:
    since = since_pulls(part)
    weight = np.where(np.isfinite(since.change), since.u**-2.0, 0.0)
    return Shifts(weight * np.nan_to_num(since.change), np.diag(weight))


def _by_gauges(part: Part) -> Shifts:
    n = len(part.gauges)
    # How a bar was twisted at the tare looks like zeros of several gauges of a tied axle.
    if np.sum(part.known) < FEWEST or len(part.corners) > 1:
        return Shifts(np.zeros(n), np.zeros((n, n)))
    weight = part.expected.weight[part.known]
    against = np.mean(np.einsum("ngh,nh->ng", weight, part.residual[part.known]), axis=0)
    own = np.mean(weight, axis=0)
    slack = RESEMBLED * part.solver.estimator.calibration.main_slope
    share = 1.0 / (1.0 + np.diag(own) * slack**2)
    return Shifts(-share * against, own * np.sqrt(np.outer(share, share)))


def _by_wheels(view: View, part: Part) -> Shifts:
    of = mean_forces(view, part)
    seen = np.isfinite(of.error) & np.isfinite(part.leverage).all(axis=-1)
    lever, by = part.leverage[seen], of.u[seen] ** -2.0
    return Shifts(-(of.error[seen] * by) @ lever, (lever.T * by) @ lever)


def zeros_hold(view: View) -> Iterator[Term]:
    """Every zero against all that speaks of it, with the tares of the pulls and without.

    These terms only raise the alarm: what they are made of is counted by the others.
    """
    for part in view.parts.values():
        slope = part.solver.estimator.calibration.main_slope
        moved = single_shifts(view, part, agreeing=True)
        for of, name in ((_added(_by_tares(part), moved), ZERO_NAME), (moved, MOVED_NAME)):
            alone, u, size = of.alone, of.u, of.size
            for g, gauge in enumerate(part.gauges):
                yield Term(
                    place=gauge,
                    corners=part.corners,
                    name=name,
                    size=float(size[g]),
                    count=0,
                    limit=ZERO_LIMIT,
                    words=f"The zero of {gauge} seems {alone[g]:+.4g} +- {2 * u[g]:.2g} "
                    f"{part.unit_of(gauge)} too high, as much as a load of "
                    f"{alone[g] / slope[g]:+.0f} N on it.",
                )


def change_of(view: View, part: Part) -> tuple[Floats, Floats]:
    """Change of the zeros (gauge,) [mV/V] from the first tare to the last one, and its u."""
    return kept_in(view.kept, f"zero_change {part.name}", partial(_change_of, view, part))


def _change_of(view: View, part: Part) -> tuple[Floats, Floats]:
    slope = part.solver.estimator.calibration.main_slope
    if "zero_change" not in view.log:
        return np.full(len(slope), np.nan), slope
    temperature = [view.channel("gauge_temperature", corner) for corner in part.corners]
    ranges = [float(np.ptp(of[np.isfinite(of)])) for of in temperature if of is not None]
    u = np.hypot(DRIFT, DRIFT_PER_KELVIN * max(ranges, default=WARMING)) * slope
    return view.log["zero_change"].sel(gauge=list(part.gauges)).to_numpy(), u


@by_part("return")
def tares_return(view: View, part: Part) -> Iterator[Term]:
    """The tare of every gauge after the drive against the one before it."""
    change, u = change_of(view, part)
    slope = part.solver.estimator.calibration.main_slope
    for gauge, off, unsure, newton in zip(part.gauges, change, u, slope, strict=True):
        if np.isfinite(off):
            yield Term(
                place=gauge,
                corners=part.corners,
                name="tare after the drive against the one before",
                size=float((off / unsure) ** 2),
                count=1,
                limit=CHANGE_LIMIT,
                words=f"The tare of {gauge} after the drive differs from the one before by "
                f"{off:+.4g} {part.unit_of(gauge)}, as much as a load of {off / newton:+.0f} N on "
                f"it; creep and warming make +-{2 * unsure / newton:.0f} N.",
            )
