"""Terms and candidates: what a drive is compared in, and the causes that could be behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial, update_wrapper
from math import inf, isfinite, isnan, log1p

import numpy as np

from recon.examination.view import Part, View

# Degrees of freedom of the heavy tails: the standard uncertainty of a term is itself only known to
# about a factor of two; no source.
TAIL = 4.0
FOUND = 1.645  # standard uncertainties beyond a limit that 95 % of normal errors do not take back
USUAL = 0.95  # share of the drive during which an error stays below the one stated
FITTED = -4.0  # nats, of a fitted number: logarithm of its cost
KEPT = 0.9  # of the samples with known forces, or with brakes let go, which a mend must leave
MOST_BRAKED = 0.5  # of a drive; common practice, no source
WORTH = 3.0  # half-widths, from where an error is worth the time to look more closely


@dataclass(frozen=True, slots=True)
class Term:
    """One comparison of a drive with itself, with the car or with the day of the pulls."""

    place: str  # name of an assembly, or "car"
    corners: tuple[str, ...]  # whose forces it speaks about
    name: str
    # Mean square of differences over their variance; near 1 or below if sound, NaN if nothing could
    # be compared.
    size: float
    count: int  # independent differences in it
    limit: float  # size that sound drives exceed at most once in a thousand
    # One sentence, with its numbers; made only where somebody reads it.
    words: str | Callable[[], str]
    by_gauges: bool = True  # False where no gauge has a part in it

    @property
    def found(self) -> str:
        """The comparison in one sentence."""
        return self.words if isinstance(self.words, str) else self.words()

    @property
    def contradicts(self) -> bool:
        """True where the data contradict each other."""
        return self.exceeds(1.0)

    def exceeds(self, share: float) -> bool:
        """Whether the size is more than this share of what sound drives stay below."""
        return bool(self.size > share * self.limit)

    @property
    def log_likelihood(self) -> float:
        """Logarithm of the likelihood of such a size, Student's t with `TAIL`, up to a constant."""
        if isnan(self.size):
            return 0.0
        return -0.5 * (TAIL + self.count) * log1p(self.count * self.size / TAIL)


def not_compared(place: str, corners: tuple[str, ...], name: str, found: str) -> Term:
    """A comparison that could not be made; `found` says why, in one sentence."""
    return Term(place, corners, name, size=float("nan"), count=0, limit=float("nan"), words=found)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A cause that could be true, and how the drive would look without it."""

    cause: str  # one of `recon.base.doubt.CAUSES`
    corners: tuple[str, ...]  # whose forces it spoils
    channels: tuple[str, ...]  # that have it
    mended: Callable[[View], View]  # the drive without it, from the drive as it is
    do: str  # what to look at, or to do
    # Logarithm of its probability before the data are seen, up to a constant; numbers that are
    # fitted cost some four each.
    weight: float = 0.0
    # s, elapsed time from which short means of the first channel show it; None: the whole drive.
    start: float | None = None
    lines: tuple[str, ...] = ()  # that correct it, to be added to the column maps of `files`
    files: tuple[str, ...] = ("log",)  # "log", "tare table" or both
    rough: bool = False  # `mended` is a guess: what it leaves over is no second fault

    def kept(self, view: View, mended: View) -> Candidate:
        """The same cause, which keeps the drive `view` without it and what was found of that."""
        return replace(self, mended=partial(_kept, mended, view, self.mended))


def _kept(mended: View, of: View, mend: Callable[[View], View], view: View) -> View:
    return mended if view is of else mend(view)


def likelihoods(terms: Iterable[Term]) -> dict[tuple[str, str], float]:
    """Logarithm of the likelihood of each comparison that was made, by its place and name."""
    return {(t.place, t.name): t.log_likelihood for t in terms if isfinite(t.size)}


def evidence(
    before: Mapping[tuple[str, str], float], after: Iterable[Term], *, least: float = -inf
) -> float:
    """Evidence [nats] for a mend, from the `likelihoods` before and the comparisons `after` it.

    A comparison that can no longer be made speaks for nothing.  Minus infinity as soon as all that
    is left to compare cannot bring the evidence to `least` any more.
    """
    explained, possible = 0.0, -sum(before.values())
    for term in after:
        was = before.get((term.place, term.name))
        if was is None or not isfinite(term.size):
            continue
        now = term.log_likelihood
        explained += now - was
        possible += now  # a comparison without any difference has a logarithm of zero
        if possible < least:
            return -inf
    return explained


def blinded(view: View, mended: View) -> bool:
    """Whether a mend takes knowledge away, which contradicts nothing, and explains nothing.

    A steer times 57 would explain any sum of forces, because hardly one is left, and a pressure
    times 100 the moment of any hub: the brakes are on throughout.
    """
    pairs = [(view.parts[n], part) for n, part in mended.parts.items() if n in view.parts]
    return any(
        part.known.sum() < KEPT * own.known.sum()
        or 1.0 - _braked(part) < min(1.0 - MOST_BRAKED, KEPT * (1.0 - _braked(own)))
        for own, part in pairs
    )


def _braked(part: Part) -> float:
    """Share of a drive in which the hubs of an assembly may pass the torque of a brake."""
    return float(np.mean(part.samples.mode > 0))


Test = Callable[[View], Iterable[Term]]
Proposal = Callable[[View, tuple[str, ...]], Iterable[Candidate]]  # view, doubted corners


def by_part(name: str) -> Callable[[Callable[[View, Part], Iterable[Term]]], Test]:
    """Test of terms that each assembly has by itself, evaluated once per state of an assembly.

    `name` identifies these terms.  A changed view has the other assemblies in common with the drive
    as it was.
    """

    def test_of(make: Callable[[View, Part], Iterable[Term]]) -> Test:
        def test(view: View) -> Iterator[Term]:
            for part in view.parts.values():
                if name not in part.worked_out:
                    part.worked_out[name] = tuple(make(view, part))
                yield from part.worked_out[name]

        return update_wrapper(test, make)

    return test_of
