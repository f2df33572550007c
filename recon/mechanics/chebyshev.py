"""Products of Chebyshev polynomials over the ranges of travels and rack.

Places have shape (node, axis): the travel of every wheel and the rack shift [m].  Scaled to -1
to 1 they have shape (axis, node), because samples come last in arrays that go over a log.

Source: Chebyshev nodes and polynomials of the first kind, from memory.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import DTypeLike, NDArray

from recon.base.arrays import Floats

Ranges = tuple[tuple[float, float], ...]  # of every travel and of the rack [m]


def on_unit(travel: Floats, rack: Floats, ranges: Ranges, dtype: DTypeLike) -> NDArray:
    """Scale travels (sample, wheel) or (sample,) and rack (sample,) [m] to -1 to 1, (axis, sample).

    Values outside their range are held at its end.
    """
    low, high = np.array(ranges, dtype=dtype).T[..., None]
    out: NDArray = np.empty((len(ranges), len(rack)), dtype=dtype)
    out[:-1], out[-1] = travel.T, rack
    out -= (low + high) / 2
    out *= 2 / np.where(high > low, high - low, 1)
    return np.clip(out, -1, 1, out=out)


def on_ranges(unit: Floats, ranges: Ranges) -> Floats:
    """Places (node, axis) [m] from places scaled to -1 to 1, (axis, node)."""
    low, high = np.array(ranges).T[..., None]
    return np.asarray((0.5 * (low + high) + 0.5 * (high - low) * unit).T)


def nodes_of(ranges: Ranges, counts: list[int]) -> tuple[Floats, Floats]:
    """Chebyshev nodes of all axes whose range is not empty; zero on the other axes.

    Returns them scaled to -1 to 1, (axis, node) [1], and as places (node, axis) [m].
    """
    axes = [
        np.cos(np.pi * (np.arange(count) + 0.5) / count) if high > low else np.zeros(1)
        for (low, high), count in zip(ranges, counts, strict=True)
    ]
    unit = np.stack(np.meshgrid(*axes, indexing="ij")).reshape(len(ranges), -1)
    return unit, on_ranges(unit, ranges)


def powers_of(ranges: Ranges, degrees: list[int]) -> NDArray[np.int64]:
    """Degrees (basis, axis) of all products with a total of at most the largest of `degrees`."""
    counts = [
        range(degree + 1 if high > low else 1)
        for (low, high), degree in zip(ranges, degrees, strict=True)
    ]
    return np.array([powers for powers in product(*counts) if sum(powers) <= max(degrees)])


def products(unit: NDArray, powers: NDArray[np.int64]) -> NDArray:
    """Products of Chebyshev polynomials, (basis, sample) [1], in the precision of `unit`.

    `unit` (axis, sample) [1] are places scaled to -1 to 1, `powers` (basis, axis) the degree of
    each axis in each product.
    """
    moves = np.any(powers, axis=0)
    unit, powers = unit[moves], powers[:, moves]
    ladder = np.empty((int(np.max(powers, initial=1)) + 1, *unit.shape), dtype=unit.dtype)
    ladder[0], ladder[1], twice = 1, unit, 2 * unit
    for d in range(2, len(ladder)):
        np.multiply(twice, ladder[d - 1], out=ladder[d])
        np.subtract(ladder[d], ladder[d - 2], out=ladder[d])
    out = np.empty((len(powers), unit.shape[1]), dtype=unit.dtype)
    for row, degrees in zip(out, powers.tolist(), strict=True):
        lively = [ladder[d, axis] for axis, d in enumerate(degrees) if d > 0]
        if len(lively) < 2:
            row[:] = lively[0] if lively else 1
            continue
        np.multiply(lively[0], lively[1], out=row)
        for polynomial in lively[2:]:
            np.multiply(row, polynomial, out=row)
    return out
