"""Array types that all stages use, stretches of a mask, root mean squares, sampling intervals."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PART = 16384  # samples whose squares are held at once
MANY = 256  # intervals, beyond which their median becomes no surer, only slower to find


def side_by_side(values: NDArray[Any], at: list[int]) -> NDArray[Any]:
    """Columns `at` of `values` (sample, column) [any unit], no copy where they are neighbours."""
    if at == list(range(at[0], at[0] + len(at))):
        return values[:, at[0] : at[0] + len(at)]
    return values[:, at]


def cuts(count: int, size: int) -> list[slice]:
    """Slices of at most `size` that cover so many samples in turn."""
    return [slice(start, min(start + size, count)) for start in range(0, count, size)]


def rms(values: Floats) -> float:
    """Root mean square of values (sample,) that are known [any unit]; NaN if none is."""
    total, count = 0.0, 0
    for part in cuts(len(values), PART):
        own = values[part][np.isfinite(values[part])]
        total, count = total + float(own @ own), count + len(own)
    return float(np.sqrt(total / count)) if count else float("nan")


def known_mean(values: Floats, known: NDArray[np.bool_] | None = None) -> Floats:
    """Means (row,) of the `known` ones of values (row, column), those that are numbers if omitted.

    In the unit of the values [any]; NaN where none is known.
    """
    known = np.isfinite(values) if known is None else known
    count, total = known.sum(axis=1), np.sum(values, axis=1, where=known)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) position of every run of True in (sample,) [1]."""
    padded = np.concatenate([[False], mask, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def sampling_interval(time: Floats) -> float:
    """Median interval [s] at the start of evenly sampled times (sample,) [s]; NaN for one time."""
    first = time[: MANY + 1]
    steps = np.sort(first[1:] - first[:-1])
    return float(steps[len(steps) // 2]) if len(steps) else float("nan")
