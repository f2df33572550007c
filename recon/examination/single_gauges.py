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
from recon.examination.comparison import INDEPENDENT
from recon.examination.term import Candidate, Term, by_part
from recon.examination.view import Part, View
from recon.examination.weight import FEWEST
from recon.records.corrections import correction_line

FLOOR = 2e-3  # s, of a delay: friction in joints looks like one; no source
ALIKE = 1.5  # neighbouring samples err alike
LATE_LIMIT = 12.0  # square of a delay over its variance; sound drives stay below 6
LONGEST = 0.1  # s; a gauge whose delay is less certain than this is not compared
COURSE_LIMIT = 2.5  # mean square of what is left over its variance; sound drives stay below 1
STRETCHES = 6  # of a drive, that err independently
# What a sound gauge may be off; common practice, no source.
ZERO_OFF = 500.0  # N of its own load
GAIN_OFF = 0.05
FITTED = -2.0  # logarithm of the cost of the fitted delay


@dataclass(frozen=True, slots=True)
class OwnCourse:
    """Each gauge of an assembly by the others, with all zeros and gains fitted.

    `delay` and `u_delay` (gauge,) [s] if all others are on time; `left` (sample, gauge) [1], what
    a gauge shows too much, in standard uncertainties.
    """

    delay: Floats
    u_delay: Floats
    left: Floats

    @property
    def lateness(self) -> Floats:
        """Squares of the delays over their variance, (gauge,) [1]; NaN where not known."""
        size = self.delay**2 / (self.u_delay**2 + FLOOR**2)
        return np.where(self.u_delay < LONGEST, size, np.nan)

    @property
    def misfit(self) -> Floats:
        """Mean square of what is left of each gauge, (gauge,) [1]."""
        return np.asarray(np.mean(self.left**2, axis=0))


def own_course(view: View, part: Part) -> OwnCourse | None:
    """Each gauge of an assembly in time by its other gauges; None with too few samples."""
    if np.sum(part.known) < FEWEST:
        return None
    n = len(part.gauges)
    slope = view.log["slope_of_indication"].sel(gauge=list(part.gauges)).to_numpy().T
    shapes = np.array([-slope, np.ones_like(slope), part.samples.indication])[:, :, part.known]
    weight, residual = part.expected.moving[part.known], part.residual[part.known]
    if not np.isfinite(shapes).all():
        return None
    weighted = np.einsum("fgn,ngh->fghn", shapes, weight)
    normal = np.einsum("fghn,khn->fgkh", weighted, shapes).reshape(3 * n, 3 * n)
    score = np.einsum("fghn,nh->fg", weighted, residual).ravel()
    # Zeros and gains of all gauges are fitted along: the Schur complement of their block.
    zero = ZERO_OFF * part.solver.estimator.calibration.main_slope
    prior = np.concatenate([zero**-2.0, np.full(n, GAIN_OFF**-2.0)])
    others = normal[n:, n:] + np.diag(prior) * len(residual) / INDEPENDENT
    share = np.linalg.solve(others, normal[n:, :n]).T
    information = np.maximum(np.diag(normal[:n, :n] - share @ normal[n:, :n]), 1e-300)
    delay = (score[:n] - share @ score[n:]) / information
    fitted = np.linalg.solve(others, score[n:]).reshape(2, n)
    rest = residual - np.einsum("fg,fgn->ng", fitted, shapes[1:])
    own = np.sqrt(np.einsum("ngg->ng", weight))
    left = np.einsum("ngh,nh->ng", weight, rest) / own
    return OwnCourse(delay, ALIKE * information**-0.5, left)


def single_gauges_agree(view: View) -> Iterator[Term]:
    """Delay and steadiness of every gauge against the others of its assembly."""
    return by_part(view, "single gauges", _terms)


def _terms(view: View, part: Part) -> Iterator[Term]:
    found = own_course(view, part)
    if found is None:
        return
    for g, gauge in enumerate(part.gauges):
        if np.isfinite(found.lateness[g]):
            u = np.hypot(found.u_delay[g], FLOOR)
            yield Term(
                place=gauge,
                corners=part.corners,
                name="time of one gauge against the others",
                size=float(found.lateness[g]),
                count=1,
                limit=LATE_LIMIT,
                found=f"{gauge} comes {1e3 * found.delay[g]:+.0f} ms late against the other gauges "
                f"of {part.name} (+-{2e3 * u:.0f} ms).",
            )
        size = float(found.misfit[g])
        yield Term(
            place=gauge,
            corners=part.corners,
            name="course of one gauge against the others",
            size=size,
            count=STRETCHES,
            limit=COURSE_LIMIT,
            found=f"{gauge} does not follow the other gauges of {part.name}: whatever its zero, it "
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
