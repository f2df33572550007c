"""Which gauges to buy: the best few of the candidates, and how far from the best they may be.

Criterion (A-optimality): the sum of the variances of the forces that are asked for, the trace
of their covariance [N^2]; priors keep it finite whatever is chosen.  An exchange search finds
the choice, a convex relaxation says what no choice can beat.

Sources: exchange search after Fedorov (1972), Theory of Optimal Experiments, and relaxation
after Boyd and Vandenberghe (2004), Convex Optimization, section 7.5, both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import DataError, SolveError
from recon.car.knowledge import NOT_KNOWN, RANK_SHARE, Question

Floats = NDArray[np.float64]
STARTS = 6  # random ones beside the greedy one
SEED = 20240229  # any number: the same question shall have the same answer
BETTER = 1e-9  # share by which an exchange must improve: less is rounding, e.g. of mirrored corners


@dataclass(frozen=True, slots=True)
class Selection:
    """The best choice found.

    `criterion` is the sum of the forces' variances [N^2], `bound` what no choice of as many can
    go below, `gap` the share of the criterion that is open between them [%]; `u` by force [N];
    `lost` the forces that are not known; `least` the fewest gauges that make all known, 0 where
    not even all candidates do; `message` what that means for the count asked for, or empty.
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
    """Choose `count` candidates with the least sum of the forces' variances.

    Parameters
    ----------
    question : Question
    count : int
        How many, those of `keep` among them.
    keep : tuple of str
        Candidates that are in the choice whatever they are worth.

    Raises
    ------
    DataError
        `count` below one, below the number of `keep`, or above that of the candidates.
    VehicleError
        A name in `keep` that is no candidate (the nearest is offered), or one given twice.
    SolveError
        The relaxation's solver did not reach an optimum.
    """
    kept = question.positions(keep)
    _require_count(question, count, kept)
    trace = _Trace(question)
    chosen = _exchanged(trace, count, kept)
    criterion = trace(chosen)
    bound = min(_bound(question, count, kept), criterion)  # equal up to rounding where all fit
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


class _Trace:
    """Sum of the forces' variances of a choice; blocks that share no unknown are kept apart."""

    def __init__(self, question: Question) -> None:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import connected_components

        self.question = question
        touched = csr_array(np.abs(question.rows.T) @ np.abs(question.rows))
        _, self.of_unknown = connected_components(touched, directed=False)
        first = np.argmax(np.abs(question.rows), axis=1)
        self.of_candidate = self.of_unknown[first]
        self.seen: dict[tuple[int, ...], float] = {}

    def __call__(self, choice: tuple[int, ...]) -> float:
        return sum(
            self._of_block(block, tuple(k for k in choice if self.of_candidate[k] == block))
            for block in np.unique(self.of_unknown[self.question.asked])
        )

    def _of_block(self, block: int, choice: tuple[int, ...]) -> float:
        key = (int(block), *sorted(choice))
        if key not in self.seen:
            own = self.of_unknown[self.question.asked] == block
            variances = np.diag(self.question.covariance(sorted(choice)))
            self.seen[key] = float(np.sum(variances[own]))
        return self.seen[key]


def _exchanged(trace: _Trace, count: int, kept: list[int]) -> tuple[int, ...]:
    """Best of several exchange searches: the greedy start first, then seeded random ones."""
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
    """Exchange one for another, always the best exchange, while that improves."""
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
    """The first of those that are equally good, so that mirrored corners do not toss a coin."""
    limit = min(map(trace, choices)) * (1 + BETTER)
    return next(choice for choice in choices if trace(choice) <= limit)


def _bound(question: Question, count: int, kept: list[int]) -> float:
    """What no choice can go below [N^2]: weights between 0 and 1 in place of yes and no.

    The solver's weights need not be exact: the criterion is convex in them, so that its tangent
    there, at its lowest over all weights that are allowed, is a bound of its own.
    """
    weights = _relaxed(question, count, kept)
    scaled = question.rows * question.prior / question.noise[:, None]
    inverse = np.linalg.inv(scaled.T * weights @ scaled + np.eye(len(question.prior)))
    moved = inverse[:, question.asked] * question.prior[question.asked]
    value = float(np.sum(moved[question.asked] * np.diag(question.prior[question.asked])))
    slope = -np.sum((scaled @ moved) ** 2, axis=1)
    free = np.setdiff1d(np.arange(len(weights)), kept)
    steepest = np.sort(slope[free])[: count - len(kept)]
    lowest = float(np.sum(steepest) + np.sum(slope[kept]))
    return max(value + lowest - float(slope @ weights), 0.0)


def _relaxed(question: Question, count: int, kept: list[int]) -> Floats:
    """Weights (candidate,) in [0, 1] with sum `count` and the least criterion, by a conic solver.

    Raises
    ------
    SolveError
        No optimum was reached; the message carries the solver's status.
    """
    import cvxpy as cp

    everything = list(range(len(question.candidates)))
    if count == len(everything):
        return np.ones(count)
    weights = cp.Variable(len(everything), nonneg=True)
    scaled = question.rows * question.prior / question.noise[:, None]
    trace = _Trace(question)
    parts = []
    for block in np.unique(trace.of_unknown[question.asked]):
        own = np.flatnonzero(trace.of_unknown == block)
        asked = [k for k in question.asked if k in own]
        there = np.flatnonzero(trace.of_candidate == block)
        if not there.size:
            continue  # nobody sees it, whatever is chosen
        # Directions in units of what all candidates together leave: the matrices are of size
        # one. What none of them sees adds the same to every choice and is left out.
        _, size, right = np.linalg.svd(scaled[np.ix_(there, own)], full_matrices=False)
        seen = size > RANK_SHARE * size[0]
        ways = right[seen].T / np.hypot(1, size[seen])
        information = np.diag(1 / (1 + size[seen] ** 2))
        for k, row in zip(there, scaled[np.ix_(there, own)] @ ways, strict=True):
            information = information + weights[k] * np.outer(row, row)
        ends = (ways[np.searchsorted(own, asked)] * question.prior[asked][:, None]).T
        parts.append((ends, information))
    whole = np.sqrt(sum(float(np.sum(ends**2)) for ends, _ in parts))
    terms = [cp.matrix_frac(ends / whole, information) for ends, information in parts]
    limits = [weights <= 1, cp.sum(weights) == count, *(weights[k] == 1 for k in kept)]
    problem = cp.Problem(cp.Minimize(cp.sum(cp.hstack(terms))), limits)
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
    """The fewest candidates that make all forces known, 0 where not even all of them do."""
    everything = len(question.candidates)
    if question.unknown_with(list(range(everything))):
        return 0
    tried = range(max(len(kept), 1), count) if known else range(count + 1, everything)
    for fewer in tried:
        if not question.unknown_with(list(_exchanged(trace, fewer, kept))):
            return fewer
    return count if known else everything


def _message(count: int, lost: tuple[str, ...], least: int) -> str:
    """What it means that forces are not known with that many."""
    if not lost:
        return ""
    gauges = f"{count} gauge{'s' * (count != 1)}"
    names = ", ".join(lost)
    if not least:
        return f"{names} not known with {gauges}, nor with all candidates"
    return f"{gauges} cannot make {names} known to {NOT_KNOWN:.0f} N; {least} can"


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
