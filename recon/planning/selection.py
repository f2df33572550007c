"""Chooses the best few of the candidate gauges and bounds how much better another choice could be.

The criterion (A-optimality) is the sum of the variances of the wanted forces, the trace of their
covariance [N2]; priors keep it finite for every choice.  An exchange search finds the choice.  The
bound is computed block by block: blocks, such as the corners of a car, share no unknowns, so the
smallest sum over all ways to divide the gauges among blocks bounds every choice.  For one block
and number of gauges, all choices are tried if they are few; otherwise a convex relaxation is used.

Sources: exchange search after Fedorov (1972), Theory of Optimal Experiments, and relaxation
after Boyd and Vandenberghe (2004), Convex Optimization, section 7.5, both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from math import comb

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, SolveError
from recon.planning.combinations import NOT_KNOWN
from recon.planning.knowledge import RANK_SHARE, Question

STARTS = 6  # random ones beside the greedy one
SEED = 20240229  # any number: the same question shall have the same answer
FEW = 4000  # choices of one block that are all tried, within a second
BETTER = 1e-9  # share by which an exchange must improve: less is rounding, e.g. of mirrored corners


@dataclass(frozen=True, slots=True)
class Selection:
    """The best choice found.

    Attributes
    ----------
    criterion : float
        Sum of the variances of the wanted forces. [N2]
    bound : float
        No choice of the same number has a smaller criterion. [N2]
    gap : float
        Possible improvement, as a share of the criterion. [%]
    u : dict of force to float
        [N]
    lost : tuple of str
        Forces that are not known.
    least : int
        The fewest gauges that make all forces known; 0 if all candidates together do not.
    message : str
        What that means for the number asked for, or empty.
    """

    chosen: tuple[str, ...]
    criterion: float
    bound: float
    gap: float
    u: dict[str, float]
    lost: tuple[str, ...]
    least: int
    message: str


def select(question: Question, count: int, keep: tuple[str, ...] = ()) -> Selection:
    """Choose the `count` candidates, `keep` among them, with the smallest sum of forces' variances.

    Raises DataError: `count` is below one, below the number of `keep`, or above the number of
    candidates.
    Raises VehicleError: a name in `keep` is no candidate (the message offers the nearest), or is
    given twice.
    Raises SolveError: the solver of the relaxation found no optimum.
    """
    kept = question.positions(keep)
    _require_count(question, count, kept)
    trace = _Trace(question)
    chosen = _exchanged(trace, count, kept)
    criterion = trace(chosen)
    bound = min(trace.lowest(count, kept), criterion)
    lost = question.unknown_with(list(chosen))
    least = _least(question, trace, count, kept, known=not lost)
    return Selection(
        chosen=tuple(question.candidates[k] for k in chosen),
        criterion=criterion,
        bound=bound,
        gap=100 * (1 - bound / criterion),
        u=dict(zip(question.forces, map(float, question.u(list(chosen))), strict=True)),
        lost=lost,
        least=least,
        message=_message(count, lost, least),
    )


class _Block:
    """Candidates and unknowns that share nothing with the rest of the question."""

    def __init__(self, question: Question, candidates: list[int], unknowns: list[int]) -> None:
        names = [question.unknowns[k] for k in unknowns]
        self.candidates = candidates
        self.question = Question(
            rows=question.rows[np.ix_(candidates, unknowns)],
            candidates=tuple(question.candidates[k] for k in candidates),
            unknowns=tuple(names),
            prior=question.prior[unknowns],
            noise=question.noise[candidates],
            forces=tuple(name for name in question.forces if name in names),
            scale=question.scale[unknowns],
            where=question.where,
        )
        self.found: dict[tuple[int, ...], float] = {}

    def trace(self, choice: tuple[int, ...]) -> float:
        """Sum of the forces' variances; `choice` are positions among this block's candidates."""
        key = tuple(sorted(choice))
        if key not in self.found:
            self.found[key] = float(np.trace(self.question.covariance(list(key))))
        return self.found[key]

    def lowest(self, count: int, kept: tuple[int, ...]) -> float:
        """Lower bound of the criterion for any choice of `count` that contains `kept`."""
        free = [k for k in range(len(self.candidates)) if k not in kept]
        more = count - len(kept)
        if not 0 <= more <= len(free):
            return np.inf
        if comb(len(free), more) <= FEW:
            return min(self.trace((*kept, *others)) for others in combinations(free, more))
        return _relaxed_bound(self.question, count, kept)


class _Trace:
    """Sum of the forces' variances of a choice, block by block."""

    def __init__(self, question: Question) -> None:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import connected_components

        self.question = question
        touched = csr_array(np.abs(question.rows.T) @ np.abs(question.rows))
        count, of_unknown = connected_components(touched, directed=False)
        of_candidate = of_unknown[np.argmax(np.abs(question.rows), axis=1)]
        both = (of_candidate, of_unknown)
        own = [[np.flatnonzero(of == k).tolist() for of in both] for k in range(count)]
        self.blocks = [_Block(question, *places) for places in own]
        self.place = {
            k: (p, i) for p, block in enumerate(self.blocks) for i, k in enumerate(block.candidates)
        }

    def split(self, choice: tuple[int, ...] | list[int]) -> list[tuple[int, ...]]:
        """The choice by block, as positions in it."""
        out: list[list[int]] = [[] for _ in self.blocks]
        for block, place in (self.place[k] for k in choice):
            out[block].append(place)
        return [tuple(own) for own in out]

    def __call__(self, choice: tuple[int, ...]) -> float:
        return sum(
            block.trace(own) for block, own in zip(self.blocks, self.split(choice), strict=True)
        )

    def lowest(self, count: int, kept: list[int]) -> float:
        """Lower bound of the criterion for any choice of `count` that contains `kept`."""
        least, everything = [0.0], len(self.place)
        for block, own in zip(self.blocks, self.split(kept), strict=True):
            # The other blocks cannot take more than they have.
            fewest = count - (everything - len(block.candidates))
            most = min(count, len(block.candidates))
            here = [block.lowest(n, own) if n >= fewest else np.inf for n in range(most + 1)]
            least = _shared_out(least, here)
        return least[count]


def _shared_out(one: list[float], other: list[float]) -> list[float]:
    """Smallest sum for each number of gauges that two groups of blocks share."""
    out = [np.inf] * (len(one) + len(other) - 1)
    for (i, a), (j, b) in product(enumerate(one), enumerate(other)):
        out[i + j] = min(out[i + j], a + b)
    return out


def _exchanged(trace: _Trace, count: int, kept: list[int]) -> tuple[int, ...]:
    """Best of several exchange searches, one from a greedy start, others from random starts."""
    bare = [k for k in range(len(trace.question.candidates)) if k not in kept]
    greedy = tuple(kept)
    while len(greedy) < count:
        rest = [k for k in bare if k not in greedy]
        greedy = _first_best(trace, [(*greedy, k) for k in rest])
    draw = np.random.default_rng(SEED)
    starts = [greedy]
    for _ in range(STARTS):
        drawn = draw.permutation(bare)[: count - len(kept)]
        starts.append((*kept, *map(int, drawn)))
    best = _swapped(trace, starts[0], kept)
    for start in starts[1:]:
        found = _swapped(trace, start, kept)
        if trace(found) < trace(best) * (1 - BETTER):
            best = found
    return tuple(sorted(best))


def _swapped(trace: _Trace, choice: tuple[int, ...], kept: list[int]) -> tuple[int, ...]:
    """Make the best exchange of one gauge for another as long as that improves the choice."""
    while True:
        others = [k for k in range(len(trace.question.candidates)) if k not in choice]
        swaps = [
            tuple(new if k == old else k for k in choice)
            for old in choice
            if old not in kept
            for new in others
        ]
        best = _first_best(trace, swaps or [choice])
        if trace(best) >= trace(choice) * (1 - BETTER):
            return choice
        choice = best


def _first_best(trace: _Trace, choices: list[tuple[int, ...]]) -> tuple[int, ...]:
    """The first of equally good choices, so that mirrored corners are not decided by rounding."""
    limit = min(map(trace, choices)) * (1 + BETTER)
    return next(choice for choice in choices if trace(choice) <= limit)


def _relaxed_bound(question: Question, count: int, kept: tuple[int, ...]) -> float:
    """Lower bound of the criterion [N2], with weights between 0 and 1 in place of yes and no.

    The weights found by the solver need not be exact: the criterion is convex, so its tangent at
    these weights, at its lowest over all allowed weights, is a bound of its own.
    """
    weights = _relaxed(question, count, kept)
    scaled = question.rows * question.prior / question.noise[:, None]
    inverse = np.linalg.inv(scaled.T * weights @ scaled + np.eye(len(question.prior)))
    moved = inverse[:, question.asked] * question.prior[question.asked]
    value = float(np.sum(moved[question.asked] * np.diag(question.prior[question.asked])))
    slope = -np.sum((scaled @ moved) ** 2, axis=1)
    free = np.setdiff1d(np.arange(len(weights)), kept)
    steepest = np.sort(slope[free])[: count - len(kept)]
    lowest = float(np.sum(steepest) + np.sum(slope[list(kept)]))
    return max(value + lowest - float(slope @ weights), 0.0)


def _relaxed(question: Question, count: int, kept: tuple[int, ...]) -> Floats:
    """Weights (candidate,) between 0 and 1 with sum `count` and the smallest criterion.

    Raises SolveError: no optimum was found; the message states the status of the solver.
    """
    import cvxpy as cp

    weights = cp.Variable(len(question.candidates), nonneg=True)
    scaled = question.rows * question.prior / question.noise[:, None]
    # Directions in units of what all candidates together leave: the matrices are of size one.
    # What none of them sees adds the same to every choice and is left out.
    _, size, right = np.linalg.svd(scaled, full_matrices=False)
    seen = size > RANK_SHARE * size[0]
    ways = right[seen].T / np.hypot(1, size[seen])
    information = np.diag(1 / (1 + size[seen] ** 2))
    for k, row in enumerate(scaled @ ways):
        information = information + weights[k] * np.outer(row, row)
    ends = (ways[question.asked] * question.prior[question.asked][:, None]).T
    criterion = cp.matrix_frac(ends / np.linalg.norm(ends), information)
    limits = [weights <= 1, cp.sum(weights) == count, *(weights[k] == 1 for k in kept)]
    problem = cp.Problem(cp.Minimize(criterion), limits)
    problem.solve(solver=cp.CLARABEL)
    if problem.status not in (cp.OPTIMAL, cp.OPTIMAL_INACCURATE):
        raise SolveError(
            where=question.where,
            found=f"status '{problem.status}' of the relaxed choice of {count}",
            needed="an optimum",
            do="Report this with the vehicle file: the problem is convex and bounded.",
        )
    return np.clip(np.asarray(weights.value), 0.0, 1.0)


def _least(question: Question, trace: _Trace, count: int, kept: list[int], *, known: bool) -> int:
    """The fewest candidates found that make all forces known; 0 if all together do not."""
    everything = len(question.candidates)
    if question.unknown_with(list(range(everything))):
        return 0
    tried = range(max(len(kept), 1), count) if known else range(count + 1, everything)
    for fewer in tried:
        if not question.unknown_with(list(_exchanged(trace, fewer, kept))):
            return fewer
    return count if known else everything


def _message(count: int, lost: tuple[str, ...], least: int) -> str:
    """Sentence about the forces that are not known with that many gauges."""
    if not lost:
        return ""
    gauges = f"{count} gauge{'s' * (count != 1)}"
    names = ", ".join(lost)
    if not least:
        return f"not known with {gauges}: {names}"
    known = f"to a standard uncertainty of {NOT_KNOWN:.0f} N"
    return f"{gauges} cannot determine {names} {known}; {least} can"


def _require_count(question: Question, count: int, kept: list[int]) -> None:
    least, most = max(1, len(kept)), len(question.candidates)
    if not least <= count <= most:
        raise DataError(
            where=question.where,
            found=f"a choice of {count} gauges out of {most} candidates"
            + (f" with {len(kept)} named ones among them" if kept else ""),
            needed=f"a number from {least} to {most}",
            do="Ask for fewer or more; candidates are links, springs and stated sections.",
        )
