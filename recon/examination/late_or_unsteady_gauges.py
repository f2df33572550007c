"""Each gauge against the others of its assembly in the course of a drive.

Forces and moments change at the same moment in all gauges.  What a late gauge shows too much
follows its own slope; a plug that opens from time to time, or a zero that moves, comes and goes;
another gain grows with the load.  Zeros and gains that are a little off belong to a sound car, and
are fitted along.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.kept_results import kept_in
from recon.examination.comparison import INDEPENDENT
from recon.examination.term import Candidate, Term, by_part
from recon.examination.view import Part, View
from recon.examination.weight import FEWEST
from recon.records.corrections import correction_line

# s, of a delay: friction in joints looks like one, and so does the motion of wheels that nobody
# measured; no source.
FLOOR, FLOOR_UNMEASURED = 2e-3, 4e-3
ALIKE = 1.5  # neighbouring samples err alike
LATE_LIMIT = 12.0  # square of a delay over its variance; sound drives stay below 6
LONGEST = 0.1  # s; a gauge whose delay is less certain than this is not compared
COURSE_LIMIT = 2.5  # mean square of what is left over its variance; sound drives stay below 1
STRETCHES = 6  # of a drive, that err independently
# What a sound gauge may be off; common practice, no source.
ZERO_OFF = 500.0  # N of its own load
GAIN_OFF = 0.05
STEPS = 7  # moments of a drive at which a zero may move
SINCE_TARE, SINCE_PULLS, FIRST_STEP = 1, 2, 3  # shapes of two gains and of the first step
FITTED = -2.0  # logarithm of the cost of the fitted delay


@dataclass(frozen=True, slots=True)
class OwnCourse:
    """Each gauge of an assembly by the others, with all zeros and gains fitted.

    `score` and `information` (shape, gauge) are the evidence about a fault of each of the `shapes`
    (shape, gauge, n) in one gauge if all others are right, as if the drive had so many independent
    samples as every comparison; `left` (sample, gauge) [1], what a gauge shows too much, in
    standard uncertainties.
    """

    shapes: Floats
    score: Floats
    information: Floats
    left: Floats
    samples: int
    floor: float

    @property
    def delay(self) -> Floats:
        """Delays (gauge,) [s]: the first of the shapes."""
        return np.asarray(self.score[0] / self.information[0])

    @property
    def u_delay(self) -> Floats:
        """Their standard uncertainty (gauge,) [s]; slopes of the samples are nearly independent."""
        own = self.information[0] * self.samples / INDEPENDENT
        return np.asarray(ALIKE * own**-0.5)

    @property
    def u_late(self) -> Floats:
        """Standard uncertainty (gauge,) [s] of delays, with what looks like one."""
        return np.hypot(self.u_delay, self.floor)

    @property
    def lateness(self) -> Floats:
        """Squares of the delays over their variance, (gauge,) [1]; NaN where not known."""
        size = self.delay**2 / self.u_late**2
        return np.where(self.u_delay < LONGEST, size, np.nan)

    @property
    def misfit(self) -> Floats:
        """Mean square of what is left of each gauge, (gauge,) [1]."""
        return np.asarray(np.mean(self.left**2, axis=0))


def shapes_of(view: View, part: Part) -> Floats:
    """Changes of each gauge's indication by faults of size one, (shape, gauge, n).

    A delay [1 s], gains since the tare and since the pulls [1], and steps after each of `STEPS`
    moments of the drive [the gauge's unit].
    """
    y = part.samples.indication
    raw = y + np.nan_to_num(part.zero)[:, None]
    starts = [y.shape[1] * k // (STEPS + 1) for k in range(1, STEPS + 1)]
    after = [np.broadcast_to(np.arange(y.shape[1]) >= k, y.shape) for k in starts]
    return np.array([-slope_of(view, part), raw, y, *after])


def slope_of(view: View, part: Part) -> Floats:
    """Slopes (gauge, n) of the indications of an assembly, in each gauge's unit over time [1/s]."""

    def of_log() -> Floats:
        return np.asarray(view.log["slope_of_indication"].sel(gauge=list(part.gauges)).to_numpy().T)

    return kept_in(view.kept, f"slope of indication {part.name}", of_log)


def own_course(view: View, part: Part) -> OwnCourse | None:
    """Each gauge of an assembly in time by its other gauges; None with too few samples."""
    return kept_in(part.worked_out, "own course", partial(_own_course, view, part))


def _own_course(view: View, part: Part) -> OwnCourse | None:
    shapes, known = shapes_of(view, part), part.known
    samples, n = int(np.sum(known)), len(part.gauges)
    if samples < FEWEST or not np.isfinite(shapes[:, :, known]).all():
        return None
    # Zeros and gains of all gauges are fitted along: the Schur complement of their block.
    y = part.samples.indication
    every = np.concatenate([shapes, [np.ones_like(y), y]])[:, :, known]
    root = part.expected.root[known]
    whitened = (every[..., None] * np.swapaxes(root, 0, 1)).reshape(len(every) * n, -1)
    seen = np.einsum("ngh,ng->nh", root, part.residual[known])
    share_of_all = INDEPENDENT / samples
    score = share_of_all * whitened @ seen.ravel()
    zero = ZERO_OFF * part.solver.estimator.calibration.main_slope
    prior = np.concatenate([zero**-2.0, np.full(n, GAIN_OFF**-2.0)])
    m = n * len(shapes)
    along = share_of_all * whitened @ whitened[m:].T
    others = along[m:] + np.diag(prior)
    share = np.linalg.solve(others, along[:m].T).T
    alone = share_of_all * np.einsum("ij,ij->i", whitened[:m], whitened[:m])
    information = alone - np.sum(share * along[:m], axis=1)
    fitted = np.linalg.solve(others, score[m:]).reshape(2, n)
    rest = part.residual[known] - np.einsum("fg,fgn->ng", fitted, every[-2:])
    weight = part.expected.moving[known]
    left = np.einsum("ngh,nh->ng", weight, rest) / np.sqrt(np.einsum("ngg->ng", weight))
    return OwnCourse(
        shapes,
        (score[:m] - share @ score[m:]).reshape(-1, n),
        np.maximum(information, 1e-300).reshape(-1, n),
        left,
        samples,
        FLOOR if _motion_measured(part) else FLOOR_UNMEASURED,
    )


def _motion_measured(part: Part) -> bool:
    """Whether hub accelerations, travel and steer of every wheel are logged."""
    return all(
        wheel.travel_logged
        and (wheel.steer_logged or wheel.rack == 0)
        and set(wheel.acceleration_from) == {"hub"}
        for wheel in part.solver.session.wheels
    )


@by_part("single gauges")
def single_gauges_agree(view: View, part: Part) -> Iterator[Term]:
    """Delay and steadiness of every gauge against the others of its assembly."""
    found = own_course(view, part)
    if found is None:
        return
    delays, lateness, misfit = found.delay, found.lateness, found.misfit
    u_delays = found.u_late
    for g, gauge in enumerate(part.gauges):
        if np.isfinite(lateness[g]):
            when = "late" if delays[g] > 0 else "early"
            yield Term(
                place=gauge,
                corners=part.corners,
                name="time of one gauge against the others",
                size=float(lateness[g]),
                count=1,
                limit=LATE_LIMIT,
                words=f"{gauge} comes {1e3 * abs(delays[g]):.0f} ms {when} against the other "
                f"gauges of {part.name} (+-{2e3 * u_delays[g]:.0f} ms).",
            )
        size = float(misfit[g])
        yield Term(
            place=gauge,
            corners=part.corners,
            name="course of one gauge against the others",
            size=size,
            count=STRETCHES,
            limit=COURSE_LIMIT,
            words=f"{gauge} does not follow the other gauges of {part.name}: whatever its zero, it "
            f"is off by {np.sqrt(size):.1f} standard uncertainties rms (at most "
            f"{np.sqrt(COURSE_LIMIT):.1f} on sound drives).",
        )


def late_gauge_causes(view: View, _doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Single gauges whose time is in doubt."""
    for part in view.parts.values():
        found = own_course(view, part)
        if found is None:
            continue
        for i in np.flatnonzero(found.lateness > LATE_LIMIT):
            gauge, delay = part.gauges[i], float(found.delay[i])
            yield Candidate(
                "late",
                part.corners,
                (gauge,),
                partial(gauge_earlier, name=part.name, i=int(i), delay=delay),
                f"Give all gauges the same filter, or shift the column of {gauge} by "
                f"{-1e3 * delay:+.1f} ms.",
                FITTED,
                lines=(correction_line([gauge], late_ms=round(1e3 * delay, 1)),),
            )


def gauge_earlier(view: View, *, name: str, i: int, delay: float) -> View:
    """The drive with gauge `i` of an assembly earlier by a delay [s]."""
    part = view.parts[name]
    y = part.samples.indication.copy()
    y[i] += delay * view.log["slope_of_indication"].sel(gauge=part.gauges[i]).to_numpy()
    return view.with_part(part.with_indication(y))
