"""What a set of gauges can and cannot know: the linear core, for any structure.

In: what each candidate gauge carries per unit of each unknown, priors and noise.  Out: rank,
the weak combination in words, uncertainties, biases, what is lost with each gauge and won with
each further one, what is known only together.  A corner asks it with 6 unknowns, an axle with
12, a whole car with 24; whoever poses the question names unknowns ("Fy", or "Fy RL" where
there is more than one wheel) and candidates.

Source: generalised least squares with priors as pseudo-observations, e.g. JCGM 102:2011, from
memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, VehicleError, nearest

RANK_SHARE = 1e-6  # singular values below this share of the largest are rounding
NOT_KNOWN = 1000.0  # N; a third of a light car's wheel load: no better known is not known
NEARLY = 0.05  # weights that differ by less are told as a sum, what is beside them as nothing
MENTIONED = 0.35  # of the whole; smaller parts of a combination go without saying
DIRECTIONS = {"Fx": "longitudinal", "Fy": "lateral", "Fz": "vertical"}


@dataclass(frozen=True, slots=True)
class Question:
    """What could be gauged and what is asked.

    `rows` (candidate, unknown) load of each candidate per unit of each unknown [N per N, or N
    per N m]; `prior` (unknown,) and `noise` (candidate,) standard uncertainties in the unknowns'
    units and in N; `forces` the unknowns that are asked for [N]; `scale` (unknown,) what counts
    as one newton (1 N, and `MOMENT_ARM` for moments); `where` names the structure in messages.
    An unknown that is no force (a moment, a self-stress) is a nuisance of the size of its prior.

    Raises
    ------
    DataError
        Shapes that do not fit each other, or a noise or prior that is not above zero.
    """

    rows: Floats
    candidates: tuple[str, ...]
    unknowns: tuple[str, ...]
    prior: Floats
    noise: Floats
    forces: tuple[str, ...]
    scale: Floats
    where: str = "gauges"

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
                        do="State what is expected; a quiet gauge still has some newtons.",
                    )

    @property
    def asked(self) -> list[int]:
        """Positions of the forces among the unknowns."""
        return [self.unknowns.index(name) for name in self.forces]

    def positions(self, names: tuple[str, ...]) -> list[int]:
        """Rows of the named candidates.

        Raises
        ------
        VehicleError
            A name that is no candidate (the nearest is offered), or one given twice.
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
                    do="Take one of the two out; a second bridge belongs in the vehicle file.",
                )
        return [self.candidates.index(name) for name in names]

    def covariance(self, at: list[int]) -> Floats:
        """Covariance (force, force) [N^2] of what is asked, from the rows `at` and the priors."""
        # Singular values rather than normal equations: priors of 1e9 cost no digits.
        scaled = self.rows[at] * self.prior / self.noise[at, None]
        _, found, directions = np.linalg.svd(scaled)
        values = np.zeros(len(self.unknowns))
        values[: len(found)] = found
        root = directions[:, self.asked] * self.prior[self.asked] / np.hypot(1, values)[:, None]
        return np.asarray(root.T @ root)

    def u(self, at: list[int]) -> Floats:
        """Standard uncertainty (force,) [N] of what is asked."""
        return np.asarray(np.sqrt(np.diag(self.covariance(at))))

    def unknown_with(self, at: list[int]) -> tuple[str, ...]:
        """Forces that the rows `at` do not make known."""
        return tuple(name for name, u in zip(self.forces, self.u(at), strict=True) if u > NOT_KNOWN)


@dataclass(frozen=True, slots=True)
class Combination:
    """Forces known together only: `weights` (name to share), `u` [N] of the weighted sum."""

    weights: dict[str, float]
    u: float
    words: str


@dataclass(frozen=True, slots=True)
class Lost:
    """A force that is not known, why, and the fewest further gauges that mend it."""

    name: str
    reason: str
    cure: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What chosen candidates know of the `forces` that are asked for.

    `singular_values` (unknown,) of their rows with scaled columns, `rank` how many are not
    rounding, `weak` the combination of unknowns that they see least; `covariance` (force, force)
    [N^2] and `u` (force,) [N]; `bias` by omitted nuisance (force,) [N] at its prior's standard
    uncertainty; `without` by chosen and `with_` by further candidate, u of the forces [N], the
    latter best first; `lost_without` the forces that are known now and not without it; `lost`
    what is not known; `combinations` what is known of it together; `cure` the fewest further
    candidates that make all forces known, empty where nothing is lost or nothing helps.
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
    lost_without: dict[str, tuple[str, ...]]
    with_: dict[str, Floats]
    lost: tuple[Lost, ...]
    combinations: tuple[Combination, ...]
    cure: tuple[str, ...]


def judge(question: Question, chosen: tuple[str, ...]) -> Knowledge:
    """Judge the chosen candidates; none at all is a fair question too.

    Raises
    ------
    VehicleError
        A name that is no candidate, or one given twice.
    """
    at = question.positions(chosen)
    covariance = question.covariance(at)
    values, weak = _weakest(question, at)
    rest = {name: [k for k in at if k != i] for name, i in zip(chosen, at, strict=True)}
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
        without={name: question.u(kept) for name, kept in rest.items()},
        lost_without={
            name: tuple(f for f in question.unknown_with(kept) if f not in lost)
            for name, kept in rest.items()
        },
        with_=won,
        lost=tuple(Lost(f, _reason(question, at, f), cure(question, at, (f,))) for f in lost),
        combinations=together(covariance, question.forces, lost),
        cure=cure(question, at, lost),
    )


def joined(questions: dict[str, Question], where: str) -> Question:
    """One question of several independent ones, their names carrying the key: 'Fy RL'.

    Unknowns whose name says already what they belong to keep it.
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

    One that does it alone comes first, the best of all forces where several do; else they are
    added greedily and those that turn out not to be needed are dropped again.
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


def combination_words(direction: Floats, names: tuple[str, ...], first: str = "") -> str:
    """A combination as a phrase: 'Fz rising with Mx falling'; `first` leads where it is given."""
    size = np.abs(direction)
    order = [int(k) for k in np.argsort(-size, kind="stable")]
    if first:
        order.insert(0, order.pop(order.index(names.index(first))))
    lead = np.sign(direction[order[0]])
    words = [f"{names[order[0]]} rising"]
    for k in order[1:3]:
        if size[k] > MENTIONED * np.linalg.norm(direction):
            words.append(f"{names[k]} {'rising' if direction[k] * lead > 0 else 'falling'}")
    return " with ".join(words) if len(words) > 1 else f"{names[order[0]]} alone"


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
    """Singular values (unknown,) with scaled columns and the least seen combination in words."""
    _, found, directions = np.linalg.svd(question.rows[at] * question.scale)
    values = np.zeros(len(question.unknowns))
    values[: len(found)] = found
    if not at:
        return values, "everything, as there is no gauge"
    return values, combination_words(directions[-1], question.unknowns)


def _biases(question: Question, at: list[int]) -> dict[str, Floats]:
    """Shift of the forces [N] if a nuisance is left out, at its prior's standard uncertainty."""
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
    """What may move the force without a gauge noticing it."""
    if not at:
        return "there is no gauge"
    k = question.unknowns.index(name)
    if np.max(np.abs(question.rows[at, k])) < RANK_SHARE * np.max(np.abs(question.rows)):
        return f"no gauge carries any of {name}"
    scaled = question.rows[at] * question.prior / question.noise[at, None]
    _, found, directions = np.linalg.svd(scaled)
    values = np.zeros(len(question.unknowns))
    values[: len(found)] = found
    # The column of the covariance: what moves with this force within what the gauges allow.
    moving = (directions.T / (1 + values**2)) @ directions[:, k] * question.prior / question.scale
    return f"the gauges hardly notice {combination_words(moving, question.unknowns, name)}"


def together(
    covariance: Floats, forces: tuple[str, ...], lost: tuple[str, ...]
) -> tuple[Combination, ...]:
    """What is known of the lost forces together: sums of two wheels first, then what is left."""
    if len(lost) < 2:
        return ()
    at = [forces.index(name) for name in lost]
    C = covariance[np.ix_(at, at)]
    values, vectors = np.linalg.eigh(C)
    known = vectors[:, np.sqrt(np.maximum(values, 0.0)) <= NOT_KNOWN]
    out: list[Combination] = []
    for pair in combinations(range(len(lost)), 2):
        two = [lost[k].split(" ") for k in pair]
        if len(two[0]) != 2 or len(two[1]) != 2 or two[0][0] != two[1][0] or not known.size:
            continue
        weights, found, mixed = np.linalg.svd(known[list(pair)])
        whole = np.zeros(len(lost))
        whole[list(pair)] = weights[:, 0]
        u = float(np.sqrt(whole @ C @ whole))
        if found[0] ** 2 < 1 - NEARLY**2 or u > NOT_KNOWN:
            continue
        out.append(_told(whole, lost, u))
        known = known @ mixed[1:].T
    out += [_told(v, lost, float(np.sqrt(max(v @ C @ v, 0.0)))) for v in known.T]
    return tuple(out)


def _told(weights: Floats, names: tuple[str, ...], u: float) -> Combination:
    """A combination with its largest weight positive, in words."""
    weights = weights * np.sign(weights[np.argmax(np.abs(weights))])
    parts = [k for k in np.argsort(-np.abs(weights), kind="stable") if abs(weights[k]) > 0.5e-2]
    parts.sort()
    sizes = np.abs(weights[parts])
    two = [names[k].split(" ") for k in parts]
    alike = len(parts) == 2 and len(two[0]) == len(two[1]) == 2 and two[0][0] == two[1][0]
    if alike and np.ptp(sizes) <= NEARLY * np.mean(sizes):
        weights, u = weights / np.mean(sizes), u / float(np.mean(sizes))
        kind = "sum" if weights[parts[0]] * weights[parts[1]] > 0 else "difference"
        force = DIRECTIONS.get(two[0][0], two[0][0])
        words = f"{force} force of {two[0][1]} and {two[1][1]} only as a {kind}, known to {u:.0f} N"
    else:
        listed = " ".join(f"{weights[k]:+.2f} {names[k]}" for k in parts)
        words = f"{listed} is known to {u:.0f} N"
    return Combination({names[k]: float(weights[k]) for k in parts}, u, words)
