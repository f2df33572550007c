"""Names of array types that all stages use, and stretches of a mask."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) position of every run of True in (sample,) [1]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
