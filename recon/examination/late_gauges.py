"""Time of single gauges against the others of their assembly: one channel that lags behind.

A filter of its own or a slower amplifier makes one gauge late.  Forces and moments change at the
same moment in all gauges, so that what a gauge shows too much then follows its own slope.  A zero
or a gain that is off follows something else: both are fitted along.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.examination.term import Candidate, Term, by_part
from recon.examination.view import Part, View
from recon.examination.weight import FEWEST
from recon.records.corrections import correction_line

FLOOR = 2e-3  # s, of a delay: friction in joints looks like one; no source
ALIKE = 1.5  # neighbouring samples err alike
LIMIT = 10.0  # square of a delay over its variance; sound drives stay below 5
LONGEST = 0.1  # s; a gauge whose delay is less certain than this is not compared
RIDGE = 1e-4  # of zeros and gains that a drive without changes cannot tell apart
FITTED = -2.0  # logarithm of the cost of the fitted delay
NAME = "time of one gauge against the others"


@dataclass(frozen=True, slots=True)
class OwnDelays:
    """Delay (gauge,) [s] of each gauge of an assembly if all others are on time, and its u."""

    delay: Floats
    u: Floats

    @property
    def size(self) -> Floats:
        """Squares of the delays over their variance, (gauge,) [1]; NaN where not known."""
        size = self.delay**2 / (self.u**2 + FLOOR**2)
        return np.where(self.u < LONGEST, size, np.nan)


def own_delays(view: View, part: Part) -> OwnDelays | None:
    """Delays of the gauges of an assembly by its other gauges; None with too few samples."""
    if np.sum(part.known) < FEWEST:
        return None
    n = len(part.gauges)
    slope = view.log["slope_of_indication"].sel(gauge=list(part.gauges)).to_numpy().T
    shapes = np.array([-slope, np.ones_like(slope), part.samples.indication])[:, :, part.known]
    weight, residual = part.expected.weight[part.known], part.residual[part.known]
    if not np.isfinite(shapes).all():
        return None
    weighted = np.einsum("fgn,ngh->fghn", shapes, weight)
    normal = np.einsum("fghn,khn->fgkh", weighted, shapes).reshape(3 * n, 3 * n)
    score = np.einsum("fghn,nh->fg", weighted, residual).ravel()
    # Zeros and gains of all gauges are fitted along: the Schur complement of their block.
    others = normal[n:, n:] + RIDGE * np.diag(np.diag(normal)[n:] + 1e-300)
    share = np.linalg.solve(others, normal[n:, :n]).T
    information = np.diag(normal[:n, :n] - share @ normal[n:, :n])
    information = np.maximum(information, 1e-300)
    delay = (score[:n] - share @ score[n:]) / information
    return OwnDelays(delay, ALIKE * information**-0.5)


def single_gauges_on_time(view: View) -> Iterator[Term]:
    """Delay of every gauge against the others of its assembly."""
    return by_part(view, "own time", _own_time)


def _own_time(view: View, part: Part) -> Iterator[Term]:
    found = own_delays(view, part)
    if found is None:
        return
    for gauge, delay, u, size in zip(part.gauges, found.delay, found.u, found.size, strict=True):
        if np.isfinite(size):
            yield Term(
                place=gauge,
                corners=part.corners,
                name=NAME,
                size=float(size),
                count=1,
                limit=LIMIT,
                found=f"{gauge} comes {1e3 * delay:+.0f} ms late against the other gauges of "
                f"{part.name} (+-{2e3 * np.hypot(u, FLOOR):.0f} ms).",
            )


def late_gauge_causes(view: View, _doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Single gauges whose time is in doubt."""
    for part in view.parts.values():
        found = own_delays(view, part)
        if found is None:
            continue
        for i in np.flatnonzero(found.size > LIMIT):
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
