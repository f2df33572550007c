"""Scatter of a quantity between parts of a drive: the jackknife over groups of samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.evaluation.common.estimate import Estimate

MOST_GROUPS, FEWEST_GROUPS = 24, 4
SHORTEST = 1.0  # s of drive in a group: road and car have then mostly forgotten what was before


def with_groups(
    estimate: Estimate, time: Floats, quantity: Callable[[NDArray[np.int64]], Floats]
) -> Estimate:
    """The estimate with rows for the scatter of its quantities between parts of the drive.

    `estimate` is that of the quantities from all samples, whose times are `time` (sample,) [s];
    `quantity` takes positions (sample,) of some samples and returns the quantities (quantity,) from
    them.  Rows of the groups stand behind the causes, so that functions of several quantities keep
    what these have in common.

    Notes
    -----
    Source: delete-a-group jackknife, P. S. Kott, Journal of Official Statistics 17 (2001)
    521-526, from memory.
    """
    most = float(np.ptp(time)) / SHORTEST
    count = int(np.clip(most, FEWEST_GROUPS, MOST_GROUPS))
    group = np.arange(len(time)) * count // len(time)
    left_out = np.array([quantity(np.flatnonzero(group != g)) for g in range(count)])
    rows = np.sqrt((count - 1) / count) * (left_out - left_out.mean(axis=0))
    return replace(estimate, by_cause=np.vstack([estimate.by_cause, np.nan_to_num(rows)]))
