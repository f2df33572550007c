"""Names of array types that all stages use, and stretches of a mask."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def side_by_side(values: NDArray[Any], at: list[int]) -> NDArray[Any]:
    """Columns `at` of `values` (sample, column) [any unit], no copy where they are neighbours."""
    if at == list(range(at[0], at[0] + len(at))):
        return values[:, at[0] : at[0] + len(at)]
    return values[:, at]


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) position of every run of True in (sample,) [1]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
