"""From comparisons that fail to doubts with named causes.

A cause is tried by looking at the drive without it.  Its probability follows from the likelihood
of all comparisons of the mended drive, among all causes that were tried (Bayes' rule with equal
priors but for `Candidate.weight`).  A cause is named if it makes the drive sound and no other
does so as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from recon.base.doubt import NO_CAUSE, Doubt
from recon.base.words import enumerated
from recon.examination.onset import onset
from recon.examination.shared_acceleration import also_spoiled, spoiled_with
from recon.examination.term import Candidate, Proposal, Term, Test, blinded, evidence, likelihoods
from recon.examination.view import View
from recon.records.corrections import lines_to_add

SURE = 0.9  # probability from which a cause is named alone
RIVAL = 0.1  # of the best cause's probability; from there on a rival is named beside it
EQUAL = 1 / 3  # of it; from there on two causes fit equally well: models err by a nat
FEWEST_NATS = 3.0  # a cause that explains less of the evidence than this explains nothing
HOPELESS = 30.0  # nats behind the best cause, whose probability no text shows; not tried to its end
FEWEST_OF_WRONG = 0.5  # nats; nor does one that explains less than this of what contradicts
# Times its limit, up to which a comparison may be left by a mend: none is exact.  No source.
LEFT = 1.5
MOST_FAULTS = 3  # independent causes that are looked for, one after the other
RIVALS_NAMED = 3
LOOK_AT_GAUGES = (
    "Compare plugs, tares, units and calibration of these corners with the day of the pulls."
)
LOOK_AT_CHANNELS = "Compare units, signs, plugs and delays of the channels that are named here."


@dataclass(frozen=True, slots=True)
class _Tried:
    candidate: Candidate
    view: View
    gain: float  # nats
    probability: float = 0.0

    @property
    def named(self) -> str:
        return f"{self.candidate.cause} ({enumerated(self.candidate.channels)})"

    def names(self, doubt: Doubt) -> bool:
        """Whether a doubt has named this cause in these channels."""
        return (doubt.cause, doubt.channels) == (self.candidate.cause, self.candidate.channels)


@dataclass(frozen=True, slots=True)
class Judge:
    """Tests of a drive, and the causes that are proposed where one fails.

    Terms of the tests that are `alarms` have no count, and so say nothing for or against a cause.
    """

    tests: Sequence[Test]
    proposals: Sequence[Proposal]
    alarms: Sequence[Test] = ()

    def terms(self, view: View) -> tuple[Term, ...]:
        """All comparisons of a view."""
        return tuple(term for test in self.tests for term in test(view))

    def _evident(self, view: View) -> Iterator[Term]:
        """The comparisons that speak for or against a cause."""
        return (term for test in self.tests if test not in self.alarms for term in test(view))

    def doubts(self, view: View, terms: tuple[Term, ...]) -> tuple[Doubt, ...]:
        """Doubts about a drive with these comparisons, one per cause; none if all hold."""
        out: list[Doubt] = []
        while any(term.exceeds(LEFT if out else 1.0) for term in terms):
            tried = self._tried(view, terms, first=not out)
            best = tried[0] if tried else None
            if best is None or best.gain < FEWEST_NATS or len(out) == MOST_FAULTS:
                break
            if out and best.probability < SURE:
                break  # what a mend by a fitted number leaves over is no second fault
            if any(best.names(doubt) for doubt in out):
                break  # a cause that is needed twice is not the cause
            mended = self.terms(best.view)
            out.append(_doubt(view, terms, tried, mended))
            view, terms = best.view, mended
            if best.candidate.rough:
                break
        return (*out, *_unexplained(view, terms, out))

    def _tried(self, view: View, terms: tuple[Term, ...], *, first: bool) -> list[_Tried]:
        """Candidates for the comparisons that fail, the most likely first.

        What a mend leaves over has rivals that explain nothing: they keep it from being sure.
        """
        wrong = [term for term in terms if term.contradicts]
        corners = tuple(dict.fromkeys(corner for term in wrong for corner in term.corners))
        if not max(wrong, key=lambda term: term.size / term.limit).by_gauges:
            # No gauge explains the worst, and what does may explain the others too.
            corners = ()
        before, best, out = likelihoods(terms), 0.0, []
        known = first and all(term.count for term in wrong)
        contradicted = likelihoods(wrong) if known else {}
        for proposal in self.proposals:
            for candidate in proposal(view, corners):
                mended = candidate.mended(view)
                if blinded(view, mended):
                    continue
                least = best - HOPELESS - candidate.weight
                if candidate.weight > 0:
                    least = max(least, FEWEST_NATS)  # however much it looks like a fault
                after: list[Term] = []
                explained = evidence(before, _noted(self._evident(mended), after), least=least)
                if explained < least:
                    continue
                if contradicted and evidence(contradicted, after) < FEWEST_OF_WRONG:
                    continue  # however much better it makes what agrees
                out.append(_Tried(candidate, mended, explained + candidate.weight))
                best = max(best, out[-1].gain)
        return _weighed(sorted(out, key=lambda one: -one.gain))


def _noted(terms: Iterator[Term], after: list[Term]) -> Iterator[Term]:
    """The terms one by one, each added to a list as it is made."""
    for term in terms:
        after.append(term)
        yield term


def _weighed(tried: list[_Tried]) -> list[_Tried]:
    """Each cause once, by its best variant, with its probability; the most likely first."""
    if not tried:
        return []
    top = tried[0].gain
    # The chance that it is something that nobody thought of: no evidence explained.
    total = float(sum(np.exp(one.gain - top) for one in tried) + np.exp(-top))
    best: dict[tuple[str, frozenset[str]], _Tried] = {}
    for one in tried:
        key = (one.candidate.cause, frozenset(one.candidate.channels))
        found = best.setdefault(key, one)
        best[key] = replace(found, probability=found.probability + np.exp(one.gain - top) / total)
    return sorted(best.values(), key=lambda one: -one.probability)


def _doubt(
    view: View, terms: tuple[Term, ...], tried: list[_Tried], mended: tuple[Term, ...]
) -> Doubt:
    """The doubt that names the best cause; `mended` are the comparisons without it."""
    best, share = tried[0], tried[0].probability
    after = likelihoods(mended)
    wrong = (t for t in terms if t.contradicts)
    # Of all that is wrong, what this cause explains most.
    worst = max(wrong, key=lambda t: after.get((t.place, t.name), -np.inf) - t.log_likelihood)
    rivals = [one.named for one in tried[1 : 1 + RIVALS_NAMED] if one.probability > RIVAL * share]
    do, start = best.candidate.do, view.start
    if best.candidate.start is not None:
        start = onset(view, best.candidate.channels[0], best.candidate.start)
        do = f"{do} It began at about {start:.1f} s."
    if share < SURE and rivals:
        if len(rivals) == 1 and tried[1].probability > EQUAL * share:
            do = f"{do} Two causes fit equally well: {best.named} or {rivals[0]}."
        else:
            others = "Another cause fits" if len(rivals) == 1 else "Other causes fit"
            do = f"{do} {others} nearly as well: {' or '.join(rivals)}."
    own = (t for t in mended if set(t.corners) & set(worst.corners))
    left = [t.name for t in own if t.exceeds(LEFT)]
    if left and not best.candidate.rough:
        do = f"{do} Without it the {left[0]} still disagree: there is more than one fault."
    if best.candidate.lines:
        do = f"{do}\n{lines_to_add(best.candidate.files, best.candidate.lines)}"
    suffering = spoiled_with(view, best.view)
    return Doubt(
        corners=(*best.candidate.corners, *suffering),
        cause=best.candidate.cause,
        channels=best.candidate.channels,
        probability=share,
        start=start,
        end=view.end,
        found=f"{worst.found}{also_spoiled(suffering)}",
        do=do,
    )


def _unexplained(view: View, terms: tuple[Term, ...], named: list[Doubt]) -> list[Doubt]:
    """Doubts about what still contradicts without the named causes, corner by corner."""
    by_cause = {corner for doubt in named for corner in doubt.corners}
    covered, by_gauges = set(by_cause), set(by_cause)
    gauges = {gauge for part in view.parts.values() for gauge in part.gauges}
    out = []
    for term in sorted(terms, key=lambda term: len(term.corners)):
        enough = by_gauges if term.place in gauges else covered
        if not term.contradicts or _explained(term, by_cause, enough):
            continue
        corners = _solved_with(view, term)
        covered |= set(corners)
        by_gauges |= set(corners) if term.by_gauges else set()
        out.append(
            Doubt(
                corners=corners,
                cause=NO_CAUSE,
                channels=(),
                probability=float("nan"),
                start=view.start,
                end=view.end,
                found=term.found,
                do=LOOK_AT_GAUGES if term.by_gauges else LOOK_AT_CHANNELS,
            )
        )
    return out


def _solved_with(view: View, term: Term) -> tuple[str, ...]:
    """Corners of a term, with the other wheel of a tied axle: its gauges serve both."""
    if not term.by_gauges:
        return term.corners
    parts = [part for part in view.parts.values() if set(part.corners) & set(term.corners)]
    more = (corner for part in parts for corner in part.corners)
    return tuple(dict.fromkeys((*term.corners, *more)))


def _explained(term: Term, by_cause: set[str], covered: set[str]) -> bool:
    """Whether doubted corners explain a term: those with a named cause, and sums over any of them.

    Time and ordinary channels do not follow from a gauge whose fault has no name, nor what a gauge
    shows against others from an ordinary channel; `covered` has no corner of such a channel then.
    """
    own = set(term.corners)
    if own & by_cause:
        return True
    return bool(own & covered if term.by_gauges else own and own <= covered)
