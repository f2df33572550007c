"""Variances of outputs from all causes, quickly: causes by a few directions that matter."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.reconstruction.causes.cause import Cause
from recon.reconstruction.estimator.sample_features import Singles, modes_in_turn
from recon.reconstruction.solving.outputs import Outputs
from recon.records.forces import PARTS

# Share of a part's variance that may be dropped with its least directions: what single precision
# would lose anyway, so that the causes of a sample add up to its stated uncertainty.
DROPPED = 1e-7


class Group(NamedTuple):
    """Outputs whose causes are compressed together: x and y of a wheel, z of one, or a sum.

    `rows` of the compressed matrix hold the `outputs`, each by its directions.
    """

    part: int
    outputs: slice
    rows: slice


class Compressed(NamedTuple):
    """All causes of one mode by their strongest directions, `matrix` (row, feature)."""

    matrix: Singles
    groups: tuple[Group, ...]


def compressed(outputs: Outputs, causes: list[Cause], typical: Floats) -> list[Compressed]:
    """Each part's causes by their strongest directions, mode by mode.

    Causes that turn the tyre axes are left to `late_effect`.  The sums of squares and products
    over all other causes are kept to `DROPPED`; `typical` (feature,) [N or 1] are the sizes
    at which directions are judged.  Forces that the gauges do not see would outweigh all others and
    are left out; known sums of them are outputs of their own.
    """
    modes, known, groups = len(causes[0].loading), outputs.known, outputs.groups
    by_part = [
        np.array([_intermediate(c) for c in causes if c.part == part and c.steered is None])
        for part in PARTS
    ]
    out = []
    for m in range(modes):
        matrix, placed, row = [], [], 0
        for p, loadings in enumerate(by_part):
            for group in groups if len(loadings) else []:
                kept = _strongest(known[group] @ loadings[:, m] * typical)
                count = kept.shape[0] * kept.shape[1]
                matrix.append(kept.reshape(count, -1) / typical)
                placed.append(Group(p, group, slice(row, row + count)))
                row += count
        out.append(Compressed(np.concatenate(matrix).astype(np.float32), tuple(placed)))
    return out


def _strongest(rows: Floats) -> Floats:
    """Rows (cause, output, feature) by directions (output, direction, feature) that matter."""
    _, size, right = np.linalg.svd(rows.reshape(len(rows), -1), full_matrices=False)
    total = np.sum(size**2)
    dropped = 1 - np.cumsum(size**2) / total if total > 0 else np.zeros_like(size)
    keep = int(np.searchsorted(-dropped, -DROPPED)) + 1
    kept = (size[:keep, None] * right[:keep]).reshape(keep, *rows.shape[1:])
    return np.swapaxes(kept, 0, 1)


def _intermediate(cause: Cause) -> Floats:
    return cause.loading if cause.turned is None else cause.loading + cause.turned


def variances_of(
    outputs: Outputs, by_mode: list[Compressed], features: Singles, mode: NDArray[np.int64]
) -> tuple[Singles, Singles]:
    """Variances (part, output, sample) [N2] of the outputs in intermediate axes, part by part.

    Also the covariances (part, w, sample) of x and y of every wheel.  `outputs` and `by_mode` are
    as `compressed` has them, at `features` (feature, sample) and the joint `mode` (sample,).
    """
    n = features.shape[1]
    variance = np.zeros((len(PARTS), len(outputs.rows), n), dtype=np.float32)
    xy = np.zeros((len(PARTS), outputs.wheels, n), dtype=np.float32)
    for m, chosen in modes_in_turn(mode):
        effects = by_mode[m].matrix @ features[:, chosen]
        for part, group, rows in by_mode[m].groups:
            effect = effects[rows].reshape(group.stop - group.start, -1, effects.shape[1])
            variance[part][group, chosen] = np.einsum("kcn,kcn->kn", effect, effect)
            if len(effect) == 2:
                cross = np.einsum("cn,cn->n", effect[0], effect[1])
                xy[part, group.start // 3, chosen] = cross
    return variance, xy


def late_effect(
    outputs: Outputs, cause: Cause | None, features: Singles, mode: NDArray[np.int64]
) -> Singles:
    """Effect (output, sample) [N] on the loads of a cause that turns axes as well."""
    out = np.zeros((len(outputs.rows), features.shape[1]), dtype=np.float32)
    if cause is not None:
        for m, chosen in modes_in_turn(mode):
            loading = (outputs.rows @ cause.loading[m]).astype(np.float32)
            out[:, chosen] = loading @ features[:, chosen]
    return out
