"""Gauges of an assembly against each other, with the moments' priors; causes in single gauges.

A tyre hands over three forces and three small moments.  Six gauges that show a moment beyond
anything that a tyre and a hub can pass are not wired as on the day of the pulls.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.examination.by_motion import by_motion
from recon.examination.exchanged_gauges import BOTH, exchanged_between, exchanged_within
from recon.examination.jumping_or_silent_gauges import mend_shift, now_and_then, suddenness_of
from recon.examination.late_or_unsteady_gauges import (
    FIRST_STEP,
    SINCE_PULLS,
    SINCE_TARE,
    single_gauges_agree,
)
from recon.examination.motion import scatter
from recon.examination.plugs import replugged, scaled
from recon.examination.single_faults import single_faults
from recon.examination.tares import single_shifts
from recon.examination.temperature_causes import beyond_tares
from recon.examination.term import FITTED, Candidate, Term, by_part
from recon.examination.view import Part, View
from recon.planning.unknowns import reference_of
from recon.records.corrections import correction_line

LIMIT = 5.0  # sound drives of virtual and independent cars stay below 3.5
TIED_LIMIT = 8.0  # of a tied axle, whose springs and bar share loads as they like; below 5.3
FEWEST = 20  # short means that a comparison needs
COARSE = 5  # short means between steps that are tried in the motion of the car
SURE_STEP = 9.0  # square of a step over its variance
EDGE = 10  # short means at either end of the drive, too few to tell a step by
MOST = 24  # causes that are tried in every comparison
HOPELESS = 15.0  # nats behind the best cause; such a one is not tried
THOUSAND = (1e3, 1e-3)  # mV/V and uV/V
# Files that hold a wrong sign, unit or gain, and words for them; True: the tares have it too.
WHERE = {True: (BOTH, "log and tares"), False: (("log",), "log alone, tares are right")}
# Of its static load: scatter of Fz of a wheel in any drive.  No source.
MOVES = (0.02, 2.0)
# Times too much or too little, of a gain that has changed: ranges of amplifiers.  Any gauge is
# mended by being made silent.  Common practice, no source.
MOST_GAIN = 20.0
MEMBER_MOVES = (0.005, 10.0)  # of the load of its wheel at rest: scatter of a member's.  No source.


@by_part("gauges")
def gauges_agree(_view: View, part: Part) -> Iterator[Term]:
    """Residual of the gauges of every assembly, as a reduced chi-square."""
    known = part.misfit[part.known]
    size = float(np.mean(known)) if len(known) >= FEWEST else float("nan")
    limit = limit_of(part)
    yield Term(
        place=part.name,
        corners=part.corners,
        name="gauges against each other",
        size=size,
        count=len(part.gauges),
        limit=limit,
        words=f"The {len(part.gauges)} gauges of {part.name} contradict each other: their "
        f"residuals are {np.sqrt(size):.1f} times what tyre moments, zeros and calibration "
        f"allow (at most {np.sqrt(limit):.1f} on sound drives).",
    )


def limit_of(part: Part) -> float:
    """Largest reduced chi-square of the gauges of a sound assembly [1]."""
    return LIMIT if len(part.corners) == 1 else TIED_LIMIT


def gauge_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Causes in the gauges of the doubted corners: exchanged, inverted, unit, zero, gain.

    Where the gauges contradict each other, only those that they make likely are tried.
    """
    every = list(_causes(view, doubted))
    if any(term.contradicts for term in of_gauges(view)):
        every = [one.kept(view, mended) for one, mended in _likely(view, every)]
    yield from every


def _likely(view: View, every: list[Candidate]) -> list[tuple[Candidate, View]]:
    """The causes that gauges do not make hopeless, with the drive without them, likeliest first."""
    views = [one.mended(view) for one in every]
    likely = np.array([one.weight for one in every])
    likely += [_log_likelihood(gauges_agree(mended)) for mended in views]
    best = -np.inf
    for i in np.argsort(-likely):
        if likely[i] <= best - HOPELESS:
            break  # gauges one by one only speak against a cause, and so against all that follow
        likely[i] += _log_likelihood(single_gauges_agree(views[i]))
        best = max(best, likely[i])
    order = np.argsort(-likely)[:MOST]
    return [(every[i], views[i]) for i in order if likely[i] > best - HOPELESS]


def _log_likelihood(terms: Iterable[Term]) -> float:
    """Logarithm of the likelihood of some comparisons, none above zero [nats]."""
    return sum(term.log_likelihood for term in terms)


def of_gauges(view: View) -> Iterator[Term]:
    """Comparisons of the gauges with each other, together and one by one."""
    yield from gauges_agree(view)
    yield from single_gauges_agree(view)


def _causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    parts = [part for part in view.parts.values() if set(part.corners) & set(doubted)]
    for part in parts:
        yield from exchanged_within(part)
        for i in range(len(part.gauges)):
            yield from _single(view, part, i)
            yield from _jumps(view, part, i)
            yield from now_and_then(view, part, i)
    # The other end of an exchange may look sound.
    for first, second in combinations(view.parts.values(), 2):
        if first in parts or second in parts:
            yield from exchanged_between(first, second)
    if parts:
        yield from _all_in_another_unit(view)


def _all_in_another_unit(view: View) -> Iterator[Candidate]:
    """All gauges of the log, or of log and tares: one unit is stated for a whole table.

    Only where loads move a thousand times too much or too little: numbers that are made small hide
    every contradiction.
    """
    gauges = tuple(gauge for part in view.parts.values() for gauge in part.gauges)
    moved = [
        _moved(view, part, k) for part in view.parts.values() for k in range(len(part.corners))
    ]
    factors = [1 / f for f in THOUSAND if MOVES[0] < np.median(moved) / f < MOVES[1]]
    every = [(part, i) for part in view.parts.values() for i in range(len(part.gauges))]
    for tares_too in (False, True):
        files, tares = WHERE[tares_too]
        for factor in factors:
            plugs = [scaled(part, i, factor, tares_too=tares_too) for part, i in every]
            yield Candidate(
                "other unit",
                view.corners,
                gauges,
                partial(replugged, plugs=plugs),
                f"State the unit of the gauges in the column map ({tares}): all their numbers are "
                f"{1 / factor:g} times too large.",
                lines=(correction_line(gauges, factor=factor),),
                files=files,
            )


def _moved(view: View, part: Part, k: int) -> float:
    """Scatter of Fz of wheel `k` by what its gauges show alone, over its static load [1]."""
    car, shown = view.prepared.car, part.samples.indication[:, part.known]
    static = reference_of(car, car.corners[part.corners[k]]).vertical
    return scatter(part.leverage[k, 2] @ shown) / static


def _units(part: Part, i: int) -> list[float]:
    """Factors by which another unit of gauge `i` would leave its member a load that can be."""
    own = scatter(part.samples.indication[i, part.known])
    own /= part.solver.estimator.calibration.main_slope[i] * max(part.solver.estimator.usual_load)
    return [factor for factor in THOUSAND if MEMBER_MOVES[0] < factor * own < MEMBER_MOVES[1]]


def _single(view: View, part: Part, i: int) -> Iterator[Candidate]:
    gauge = part.gauges[i]

    for tares_too in (True, False) if np.nan_to_num(part.zero[i]) else (True,):
        files, tares = WHERE[tares_too]
        yield Candidate(
            "inverted",
            part.corners,
            (gauge,),
            partial(replugged, plugs=[scaled(part, i, -1.0, tares_too=tares_too)]),
            f"Turn the sign of {gauge} in its column map ({tares}), or its wires.",
            lines=(correction_line([gauge], factor=-1.0),),
            files=files,
        )
        for factor in _units(part, i):
            yield Candidate(
                "other unit",
                part.corners,
                (gauge,),
                partial(replugged, plugs=[scaled(part, i, factor, tares_too=tares_too)]),
                f"State the unit of {gauge} in its column map ({tares}): its numbers are "
                f"{1 / factor:g} times too large.",
                weight=-1.0,
                lines=(correction_line([gauge], factor=factor),),
                files=files,
            )
        gain = _fitted_gain(view, part, i, SINCE_PULLS if tares_too else SINCE_TARE)
        if not 1 / MOST_GAIN < gain < MOST_GAIN:
            continue
        yield Candidate(
            "gain changed",
            part.corners,
            (gauge,),
            partial(replugged, plugs=[scaled(part, i, 1 / gain, tares_too=tares_too)]),
            f"Check bridge, amplifier and wires of {gauge}: it shows about {gain:.3g} times what "
            f"it should ({tares}).",
            weight=FITTED,
        )
    if part.noise_alone(i):
        yield Candidate(
            "noise alone",
            part.corners,
            (gauge,),
            partial(_without, name=part.name, i=i),
            f"{gauge} shows nothing but noise: check wire and plug, and leave its column out of "
            "the log to have the corner solved without it.",
        )
    shift = _fitted_shift(view, part, i)
    yield Candidate(
        "zero shifted",
        part.corners,
        (gauge,),
        partial(mend_shift, name=part.name, i=i, shift=shift),
        f"Tare {gauge} again: its zero seems {shift:+.4g} {part.unit_of(gauge)} away from its tare."
        + beyond_tares(view, part, gauge),
        weight=FITTED,
    )


def _jumps(view: View, part: Part, i: int) -> Iterator[Candidate]:
    """A zero that moved at one moment: the step that explains most, by gauges and by motion."""
    P, r = part.expected.weight[:, i], np.nan_to_num(part.residual)
    against = np.where(part.known, np.einsum("nh,nh->n", P, r), 0.0)
    weight = np.where(part.known, P[:, i], 0.0)
    starts = np.arange(EDGE, len(view.elapsed) - EDGE)
    after, of = (np.cumsum(x[::-1])[::-1][starts] for x in (against, weight))
    found = single_faults(view, part)
    if len(starts):
        # A sound zero is a little off all the time: it is fitted along.
        share = of / max(float(np.sum(weight)), 1e-300)
        own = (after - share * np.sum(against), of - share * of)
        yield _jump(view, part, i, starts, own)
    if found is not None and np.any(found.square[FIRST_STEP:, i] > SURE_STEP):
        shapes = np.zeros((len(starts[::COARSE]), *part.samples.indication.shape))
        shapes[:, i] = np.arange(shapes.shape[-1]) >= starts[::COARSE, None]
        score, information = by_motion(view, part, shapes)
        own = np.arange(len(shapes)) * shapes.shape[1] + i
        yield _jump(view, part, i, starts[::COARSE], (score[own], np.diag(information)[own]))


def _jump(
    view: View, part: Part, i: int, starts: NDArray[np.int64], evidence: tuple[Floats, Floats]
) -> Candidate:
    """The step of gauge `i` at the best of some starts, by its score and information."""
    score, information = evidence[0], np.maximum(evidence[1], 1e-300)
    best = int(np.argmax(score**2 / information))
    k, shift = int(starts[best]), float(score[best] / information[best])
    gauge, start = part.gauges[i], view.elapsed[k]
    sudden = suddenness_of(view, part, i, np.arange(len(view.elapsed)) >= k, shift)
    return Candidate(
        "zero shifted",
        part.corners,
        (gauge,),
        partial(mend_shift, name=part.name, i=i, shift=shift, first=k),
        f"Check plug and wire of {gauge}: its zero seems to have moved by {shift:+.4g}, in its own "
        "unit.",
        weight=2 * FITTED + max(sudden, 0.0),  # a zero may also move slowly
        start=float(start),
    )


def _without(view: View, *, name: str, i: int) -> View:
    """The drive with gauge `i` as the others of its assembly expect it."""
    part = view.parts[name]
    y, P = part.samples.indication.copy(), part.expected.weight
    r = np.nan_to_num(part.residual)
    y[i] -= np.einsum("nh,nh->n", P[:, i], r) / P[:, i, i]
    return view.with_part(part.with_indication(y))


def _fitted_shift(view: View, part: Part, i: int) -> float:
    """Constant in gauge `i` that would explain all comparisons best, in its unit."""
    too_low = single_shifts(view, part)
    if too_low.information[i, i] > 0:
        return float(-too_low.alone[i])
    good = part.known
    if not good.any():
        return 0.0
    weighted = part.expected.weight[good, i]
    against = np.sum(np.einsum("nh,nh->n", weighted, part.residual[good]))
    return float(against / max(np.sum(weighted[:, i]), 1e-300))


def _fitted_gain(view: View, part: Part, i: int, shape: int) -> float:
    """Factor on the indications of gauge `i` that would explain all comparisons best."""
    found = single_faults(view, part)
    share = 0.0 if found is None else float(found.size[shape, i])
    # The indication holds `share` of itself too much: true = (1 - share) shown.
    return float(1.0 / (1.0 - share)) if share != 1.0 else np.inf
