"""Causes of the interval of every force over the drive, largest first, for the page."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon.analysis.budget import contributions
from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.pages.plain_names import plain

NODES = 120  # times at which causes are worked out; the page shows the nearest
MOST_CAUSES = 9  # lines for each force
REST = {"words": "all other causes together", "of": "", "cure": ""}


def causes_over_time(forces: xr.Dataset) -> dict[str, Any]:
    """Contributions to the standard uncertainty of every force at some times.

    Returns
    -------
    dict
        `times` [s], `causes` (words, quantity and cure of each), and for each force the
        contributions [N] of its main causes at each time, by the place of the cause.
    """
    time = forces["elapsed_time"].to_numpy()
    places = np.unique(np.linspace(0, len(time) - 1, min(len(time), NODES)).astype(np.int64))
    causes, found = contributions(forces, places)
    corners = corner_names(forces)
    return {
        "times": [round(float(time[p]), 4) for p in places],
        "causes": [*({"words": c.words, "of": c.of, "cure": plain(c.cure)} for c in causes), REST],
        "forces": {
            f"{corner}.{axis}": _main(found[:, :, k, i])
            for k, corner in enumerate(corners)
            for i, axis in enumerate("xyz")
        },
    }


def _main(values: Floats) -> dict[str, list[float]]:
    """The causes (cause, time) that are among the largest somewhere, and the rest, to 0.1 N."""
    ranked = np.argsort(-np.max(values, axis=1))
    main, others = ranked[:MOST_CAUSES], ranked[MOST_CAUSES:]
    rows = {int(n): values[n] for n in main} | {
        len(values): np.sqrt(np.sum(values[others] ** 2, axis=0))
    }
    return {str(n): [round(float(v), 1) for v in row] for n, row in rows.items() if row.any()}
