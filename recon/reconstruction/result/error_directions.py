"""Independent directions in which all fixed errors together may move the forces of a stretch.

Hundreds of causes act through the same few features of a sample, so that a few dozen directions
stand for all of them.  They are the singular vectors of the matrix of all effects, which is a
product of loadings and features: its size is that of the features, not that of the samples.
Every force counts by its own uncertainty: measured in newtons, what an axle knows badly would hide
all that another one knows well.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.threads import one_thread
from recon.reconstruction.result.signed_errors import Loadings, Part, Positions

BESIDE = 0.1  # of the weakest direction: signed ones that are weaker do not matter beside others


@dataclass(frozen=True, slots=True)
class Directions:
    """Changes of the forces (direction, sample, corner, component) [N], and what they stand for.

    The shares (row, direction) [1] turn effects by direction into effects by row.  Rows are the
    causes, then three per corner for what lost forces bring in, and three per corner for the
    widening beyond the largest pull.
    """

    change: Floats
    shares: Floats

    def of_sums(self, sums: Callable[[Floats], Floats], weakest: float) -> Directions:
        """Directions of sums of forces, of which fewer matter.

        `sums` turns forces (..., sample, corner, component) into (..., sample, sum, component) [N];
        directions below the share `weakest` of the strongest are left out.  Sums of neighbours
        count beside them: the wheels of a tied axle know their sum better than themselves.
        """
        change = sums(self.change)
        pairs = change[:, :, 1:] + change[:, :, :-1]
        with one_thread():
            square, turned = np.linalg.eigh(_scaled_gram(change) + _scaled_gram(pairs))
            turned = turned[:, square > weakest**2 * square[-1:]]
            return Directions(_turned(turned, change), self.shares @ turned)

    def at(self, loadings: Loadings, samples: Positions, axes: str) -> Directions:
        """The same directions at other `samples` (sample,) of the drive.

        Of sums of forces, these are changes of the forces themselves.
        """
        every = np.ones((loadings.corners, 3))
        parts = [_known(loadings.parts(k, samples, axes), own) for k, own in enumerate(every)]
        signed, unsigned = np.split(self.shares, [-6 * loadings.corners])
        with one_thread():
            change = _moved(loadings, parts, signed, samples, axes)
            places, rows = loadings.unsigned(samples, axes, every)
            if len(places):
                change += np.tensordot(unsigned[places].T, rows, 1)
        return Directions(change, self.shares)


def directions_of(
    loadings: Loadings,
    samples: Positions,
    axes: str,
    weakest: float,
    only: NDArray[np.bool_] | None = None,
) -> Directions:
    """Directions of the fixed errors of all corners; samples that are not known do not move.

    `samples` (sample,) are positions along `elapsed_time`, `axes` "tyre", "intermediate" or
    "vehicle".  Directions below `weakest` of the strongest [1] are left out.  `only` (corner,
    component) marks the forces that matter; others stand still.  Not in tyre axes.
    """
    mask = np.ones((loadings.corners, 3)) if only is None else only.astype(float)
    parts = [_known(loadings.parts(k, samples, axes), own) for k, own in enumerate(mask)]
    with one_thread():
        places, unsigned = loadings.unsigned(samples, axes, mask)
        rooted = [[_rooted(part) for part in own] for own in parts]
        scale = _over_u(rooted, np.sum(unsigned**2, axis=(0, 1)))
        size, signed = _signed(rooted, scale, BESIDE * weakest)
        shares = np.eye(len(size))
        if len(places):
            moved = _moved(loadings, parts, signed, samples, axes) * scale
            apart = unsigned * scale
            cross = np.tensordot(np.concatenate([moved, apart]), apart, ([1, 2, 3],) * 2)
            gram = np.diag(np.append(size**2, np.zeros(len(places))))
            gram[:, len(size) :], gram[len(size) :] = cross, cross.T
            square, shares = np.linalg.eigh(gram)
            size = np.sqrt(np.maximum(square, 0.0))
        shares = shares[:, size > weakest * size.max(initial=0.0)]
        along = signed @ shares[: signed.shape[1]]
        change = _moved(loadings, parts, along, samples, axes)
        if len(places):
            change += np.tensordot(shares[signed.shape[1] :].T, unsigned, 1)
    out = np.zeros((len(along) + 6 * loadings.corners, along.shape[1]))
    out[: len(along)] = along
    out[len(along) + places] = shares[signed.shape[1] :]
    return Directions(change, out)


def _known(parts: list[Part], mask: Floats) -> list[Part]:
    """The same with loadings times `mask` (3,), and with features of zero where any is unknown."""
    return [
        Part(
            part.at,
            part.loading * mask[:, None],
            np.where(np.isnan(part.features).any(axis=0), 0.0, part.features),
        )
        for part in parts
    ]


def _rooted(part: Part) -> Floats:
    """Loadings (cause, 3, feature) [N] whose products are those of the effects of a part."""
    return part.loading @ np.asarray(np.linalg.qr(part.features.T, mode="r")).T


def _over_u(rooted: list[list[Floats]], others: Floats) -> Floats:
    """One over the size (corner, component) [1/N] of all effects on a force; 0 where none is.

    `others` (corner, component) [N2] are sums of squares of effects without a sign.
    """
    square = [np.sum([np.sum(rows**2, axis=(0, 2)) for rows in own], axis=0) for own in rooted]
    size = np.sqrt(np.array(square) + others)
    return np.divide(1.0, size, out=np.zeros_like(size), where=size > 0)


def _signed(rooted: list[list[Floats]], scale: Floats, weakest: float) -> tuple[Floats, Floats]:
    """Sizes (direction,) [1] of signed directions, and shares (cause, direction) [1] of causes.

    `rooted` are loadings by corner and part; forces count by `scale` (corner, component) [1/N].
    """
    blocks = [
        (rows[:, of > 0] * of[of > 0, None]).reshape(len(rows), -1)
        for own, of in zip(rooted, scale, strict=True)
        for rows in own
    ]
    every = np.concatenate(blocks, axis=1)
    few = len(every) < every.shape[1]
    square, directions = np.linalg.eigh(every @ every.T if few else every.T @ every)
    keep = square > weakest**2 * square.max(initial=0.0)
    size = np.sqrt(square[keep])
    return size, directions[:, keep] if few else every @ (directions[:, keep] / size)


def _scaled_gram(change: Floats) -> Floats:
    """Products (direction, direction) [1] of changes, each force or sum by its own size.

    Sums of which a wheel is missing are NaN, and do not count.
    """
    change = np.where(np.isnan(change), 0.0, change)
    size = np.sqrt(np.einsum("ds...,ds...->...", change, change))
    rows = _flat(change * np.divide(1.0, size, out=np.zeros_like(size), where=size > 0))
    return np.asarray(rows @ rows.T)


def _turned(shares: Floats, change: Floats) -> Floats:
    """Changes (other, sample, ...) [N]: sums of changes by `shares` (direction, other) [1]."""
    some = shares.T @ _flat(change)
    some = some.reshape(len(some), *change.shape[2:], change.shape[1])
    return np.moveaxis(some, -1, 1)


def _flat(change: Floats) -> Floats:
    """Changes (direction, sample, ...) as rows, in the order in which they lie in memory."""
    return np.moveaxis(change, 1, -1).reshape(len(change), change[:1].size)


def _moved(
    loadings: Loadings, parts: list[list[Part]], shares: Floats, samples: Positions, axes: str
) -> Floats:
    """Changes (direction, sample, corner, 3) [N] for `shares` (cause, direction) of the causes."""
    # In memory the samples of one direction and component lie beside each other, as effects do.
    out = np.empty((len(parts), shares.shape[1], 3, len(samples))).transpose(1, 3, 0, 2)
    for k, own in enumerate(parts):
        for part in own:
            out[:, part.at, k] = part.effects(np.tensordot(shares, part.loading, (0, 0)))
        if axes == "tyre":
            out[:, :, k] = np.nan_to_num(loadings.turned(out[:, :, k], k, samples, axes))
    return out
