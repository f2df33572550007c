"""The information in a set of gauges: a linear problem that knows nothing of cars.

In: the load of each candidate gauge per unit of each unknown, priors and noise.  Out: rank, the
least visible combination of unknowns, uncertainties, biases, what each gauge contributes, what
each further gauge would add, and which lost forces are known as a combination.  A corner has 6
unknowns, an axle 12, a whole car 24.  The caller names the unknowns ("Fy", or "Fy RL" with
several wheels) and the candidates.

Source: generalised least squares with priors as pseudo-observations, e.g. JCGM 102:2011, from
memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, VehicleError, nearest
from recon.planning.combinations import NOT_KNOWN, Combination, combination_words, together

RANK_SHARE = 1e-6  # singular values below this share of the largest are rounding


@dataclass(frozen=True, slots=True)
class Question:
    """Candidate gauges, unknowns, and the forces that are wanted.

    Unknowns that are no forces (moments, states of self-stress) are nuisances with the size of
    their prior.

    Raises DataError: shapes do not match, or a noise or prior is not above zero.
    """

    rows: Floats  # (candidate, unknown) N per N or N m, load of a candidate per unit of an unknown
    candidates: tuple[str, ...]
    unknowns: tuple[str, ...]
    prior: Floats  # (unknown,) N or N m, standard uncertainty before any reading
    noise: Floats  # (candidate,) N, standard uncertainty of each gauge's load
    forces: tuple[str, ...]  # the unknowns that are wanted
    scale: Floats  # (unknown,), what counts as one newton: 1 N, or `MOMENT_ARM` for moments
    where: str = "gauges"  # name of the assembly in messages

    def __post_init__(self) -> None:
        _require_shapes(self)
        for names, values, unit in (
            (self.candidates, self.noise, "N of noise"),
            (self.unknowns, self.prior, "as the prior"),
        ):
            for name, value in zip(names, values, strict=True):
                if not (value > 0 and np.isfinite(value)):
                    raise DataError(
                        where=self.where,
                        found=f"{value:g} {unit} of '{name}'",
                        needed="a standard uncertainty above zero",
                        do="State the noise that you expect; even a quiet gauge has a few newtons.",
                    )

    @property
    def asked(self) -> list[int]:
        """Positions of the wanted forces among the unknowns."""
        return [self.unknowns.index(name) for name in self.forces]

    def positions(self, names: tuple[str, ...]) -> list[int]:
        """Rows of the named candidates.

        Raises VehicleError: a name is no candidate (the message offers the nearest), or is given
        twice.
        """
        for k, name in enumerate(names):
            if name not in self.candidates:
                raise VehicleError(
                    where=self.where,
                    found=f"a gauge on '{name}'",
                    needed=nearest(name, self.candidates),
                    do="Name links, springs or sections that the vehicle file states.",
                )
            if name in names[:k]:
                raise VehicleError(
                    where=self.where,
                    found=f"'{name}' named twice",
                    needed="each gauged member once",
                    do="Remove one of the two; describe a second bridge in the vehicle file.",
                )
        return [self.candidates.index(name) for name in names]

    def covariance(self, at: list[int]) -> Floats:
        """Covariance (force, force) [N2] of the wanted forces, from rows `at` and the priors."""
        # Singular values rather than normal equations: priors of 1e9 cost no digits.
        scaled = self.rows[at] * self.prior / self.noise[at, None]
        _, found, directions = np.linalg.svd(scaled)
        values = np.zeros(len(self.unknowns))
        values[: len(found)] = found
        root = directions[:, self.asked] * self.prior[self.asked] / np.hypot(1, values)[:, None]
        return np.asarray(root.T @ root)

    def u(self, at: list[int]) -> Floats:
        """Standard uncertainty (force,) [N] of the wanted forces, from rows `at` and the priors."""
        return np.asarray(np.sqrt(np.diag(self.covariance(at))))

    def unknown_with(self, at: list[int]) -> tuple[str, ...]:
        """Forces that stay unknown with the rows `at`."""
        return tuple(name for name, u in zip(self.forces, self.u(at), strict=True) if u > NOT_KNOWN)


@dataclass(frozen=True, slots=True)
class Lost:
    """A force that is not known, the reason, and the fewest further gauges that make it known."""

    name: str
    reason: str
    cure: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Knowledge:
    """The forces that the chosen gauges determine, and how well.

    Attributes
    ----------
    chosen : tuple of str
        The gauges.
    forces : tuple of str
        The forces that are wanted, in the order of all arrays (force,).
    rank : int
        Number of unknowns that the gauges respond to.
    singular_values : (unknown,)
        Of the gauges' rows with scaled columns, largest first. [N per N]
    weak : str
        The combination of unknowns that the gauges respond to least.
    covariance, u : (force, force), (force,)
        [N2, N]
    bias : dict of unknown to (force,)
        Error of the forces if this nuisance is ignored while it has the size of its prior. [N]
    without : dict of chosen gauge to (force,)
        Standard uncertainty without it. [N]
    with_ : dict of further candidate to (force,)
        Standard uncertainty with it, best candidate first. [N]
    lost : tuple of Lost
        Forces that are not known.
    combinations : tuple of Combination
        Combinations of lost forces that are known.
    cure : tuple of str
        The fewest further candidates that make all forces known; empty if none is lost or none
        helps.
    """

    chosen: tuple[str, ...]
    forces: tuple[str, ...]
    rank: int
    singular_values: Floats
    weak: str
    covariance: Floats
    u: Floats
    bias: dict[str, Floats]
    without: dict[str, Floats]
    with_: dict[str, Floats]
    lost: tuple[Lost, ...]
    combinations: tuple[Combination, ...]
    cure: tuple[str, ...]


def judge(question: Question, chosen: tuple[str, ...]) -> Knowledge:
    """Judge the chosen candidates; an empty choice is allowed.

    Raises VehicleError: a name is no candidate, or is given twice.
    """
    at = question.positions(chosen)
    covariance = question.covariance(at)
    values, weak = _weakest(question, at)
    bare = [k for k in range(len(question.candidates)) if k not in at]
    won = {question.candidates[k]: question.u([*at, k]) for k in bare}
    won = dict(sorted(won.items(), key=lambda item: float(np.max(item[1]))))
    lost = question.unknown_with(at)
    return Knowledge(
        chosen=chosen,
        forces=question.forces,
        rank=int(np.sum(values > RANK_SHARE * values[0])),
        singular_values=values,
        weak=weak,
        covariance=covariance,
        u=np.sqrt(np.diag(covariance)),
        bias=_biases(question, at),
        without={
            name: question.u([k for k in at if k != i]) for name, i in zip(chosen, at, strict=True)
        },
        with_=won,
        lost=tuple(Lost(f, _reason(question, at, f), cure(question, at, (f,))) for f in lost),
        combinations=together(covariance, question.forces, lost),
        cure=cure(question, at, lost),
    )


def joined(questions: dict[str, Question], where: str) -> Question:
    """One question from several independent ones; the key is added to each name: 'Fy RL'.

    Unknowns whose name already contains a space keep it.
    """
    from scipy.linalg import block_diag

    parts = questions.items()
    return Question(
        rows=block_diag(*(q.rows for q in questions.values())),
        candidates=tuple(f"{key} {name}" for key, q in parts for name in q.candidates),
        unknowns=tuple(_owned(name, key) for key, q in parts for name in q.unknowns),
        prior=np.concatenate([q.prior for q in questions.values()]),
        noise=np.concatenate([q.noise for q in questions.values()]),
        forces=tuple(_owned(name, key) for key, q in parts for name in q.forces),
        scale=np.concatenate([q.scale for q in questions.values()]),
        where=where,
    )


def _owned(name: str, key: str) -> str:
    return name if " " in name else f"{name} {key}"


def cure(question: Question, at: list[int], lost: tuple[str, ...]) -> tuple[str, ...]:
    """The fewest further candidates found that make the lost forces known, or none.

    A single candidate is preferred, the best for all forces if there are several; otherwise
    candidates are added greedily, and those that prove unnecessary are removed.
    """

    def missing(added: list[int]) -> list[float]:
        u = question.u([*at, *added])
        return [v for name, v in zip(question.forces, u, strict=True) if name in lost]

    def cured(added: list[int]) -> bool:
        return all(v <= NOT_KNOWN for v in missing(added))

    bare = [k for k in range(len(question.candidates)) if k not in at]
    if not lost or not cured(bare):
        return ()
    alone = [k for k in bare if cured([k])]
    if alone:
        best = min(alone, key=lambda k: float(np.max(question.u([*at, k]))))
        return (question.candidates[best],)
    added: list[int] = []
    while not cured(added):
        rest = [k for k in bare if k not in added]
        added.append(min(rest, key=lambda k: float(np.sum(np.log(missing([*added, k]))))))
    for k in list(added):
        if cured([j for j in added if j != k]):
            added.remove(k)
    return tuple(question.candidates[k] for k in added)


def _require_shapes(question: Question) -> None:
    wanted = (len(question.candidates), len(question.unknowns))
    there = (len(question.noise), len(question.prior))
    if question.rows.shape != wanted or there != wanted or len(question.scale) != wanted[1]:
        raise DataError(
            where=question.where,
            found=f"rows of shape {question.rows.shape}, {there[0]} noises, {there[1]} priors, "
            f"{len(question.scale)} scales",
            needed=f"those of {wanted[0]} candidates and {wanted[1]} unknowns",
            do="Give one row and noise per candidate, one column, prior and scale per unknown.",
        )


def _weakest(question: Question, at: list[int]) -> tuple[Floats, str]:
    """Singular values (unknown,) with scaled columns, and the least visible combination."""
    _, found, directions = np.linalg.svd(question.rows[at] * question.scale)
    values = np.zeros(len(question.unknowns))
    values[: len(found)] = found
    if not at:
        return values, "everything, as there is no gauge"
    return values, combination_words(directions[-1], question.unknowns)


def _biases(question: Question, at: list[int]) -> dict[str, Floats]:
    """Error of the forces (force,) [N] if a nuisance of the size of its prior is ignored."""
    out = {}
    for k, name in enumerate(question.unknowns):
        if name in question.forces:
            continue
        kept = [j for j in range(len(question.unknowns)) if j != k]
        scaled = question.rows[at] * question.prior / question.noise[at, None]
        augmented = np.vstack([scaled[:, kept], np.eye(len(kept))])
        seen = np.append(scaled[:, k], np.zeros(len(kept)))
        shift = np.zeros(len(question.unknowns))
        shift[kept] = np.linalg.lstsq(augmented, seen, rcond=None)[0]
        out[name] = (shift * question.prior)[question.asked]
    return out


def _reason(question: Question, at: list[int], name: str) -> str:
    """Why the gauges do not determine the force."""
    if not at:
        return "there is no gauge"
    k = question.unknowns.index(name)
    if np.max(np.abs(question.rows[at, k])) < RANK_SHARE * np.max(np.abs(question.rows)):
        return f"no gauge carries a load from {name}"
    scaled = question.rows[at] * question.prior / question.noise[at, None]
    _, found, directions = np.linalg.svd(scaled)
    values = np.zeros(len(question.unknowns))
    values[: len(found)] = found
    # The column of the covariance: what moves with this force within what the gauges allow.
    moving = (directions.T / (1 + values**2)) @ directions[:, k] * question.prior / question.scale
    return f"the gauges hardly respond to {combination_words(moving, question.unknowns, name)}"
