"""Combinations of unknowns: those that are known although their parts are not, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats

NOT_KNOWN = 1000.0  # N; a force known no better is not known: a third of a light car's wheel load
NEARLY = 0.05  # weights that differ by less are called a sum, and the rest of them nothing
MENTIONED = 0.35  # of the whole; smaller parts of a combination are not mentioned
DIRECTIONS = {"Fx": "longitudinal", "Fy": "lateral", "Fz": "vertical"}


@dataclass(frozen=True, slots=True)
class Combination:
    """A weighted sum of forces that is known: `weights` by force, and its `u` [N]."""

    weights: dict[str, float]
    u: float
    words: str


def combination_words(direction: Floats, names: tuple[str, ...], first: str = "") -> str:
    """A combination (unknown,) [1] as a phrase: 'Fz rising and Mx falling', or 'Fy alone'.

    The largest part comes first unless `first` names another one.
    """
    size = np.abs(direction)
    order = [int(k) for k in np.argsort(-size, kind="stable")]
    if first:
        order.insert(0, order.pop(order.index(names.index(first))))
    lead = np.sign(direction[order[0]])
    words = [f"{names[order[0]]} rising"]
    for k in order[1:3]:
        if size[k] > MENTIONED * np.linalg.norm(direction):
            words.append(f"{names[k]} {'rising' if direction[k] * lead > 0 else 'falling'}")
    if len(words) == 1:
        return f"{names[order[0]]} alone"
    return f"{', '.join(words[:-1])} and {words[-1]}"


def together(
    covariance: Floats, forces: tuple[str, ...], lost: tuple[str, ...]
) -> tuple[Combination, ...]:
    """Combinations of the lost forces that are known: first those of two wheels, then all others.

    `covariance` (force, force) [N2] is that of `forces`.
    """
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
        out.append(_combination(whole, lost, u))
        known = known @ mixed[1:].T
    out += [_combination(v, lost, float(np.sqrt(max(v @ C @ v, 0.0)))) for v in known.T]
    return tuple(out)


def _combination(weights: Floats, names: tuple[str, ...], u: float) -> Combination:
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
