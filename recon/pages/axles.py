"""Axles on a page: how the errors of both tyres go together, and sums that are known alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.vehicle import SIDES
from recon.pages.packed import packed
from recon.pages.series import WIDTH_STEP, Series, force_step
from recon.reconstruction.result.signed_errors import STATED, signed_errors

NODES = 400  # times at which correlations are calculated; in between they are interpolated


def axle_corners(forces: xr.Dataset) -> dict[str, tuple[int, int]]:
    """Positions of left and right corner of every axle that has both."""
    corners = corner_names(forces)
    return {
        axle: (corners.index(left), corners.index(right))
        for axle, (left, right) in SIDES.items()
        if left in corners and right in corners
    }


def axles_of(forces: xr.Dataset) -> list[dict[str, Any]]:
    """Correlation of the errors of both tyres of every axle, by component, over the drive.

    Both tyres share causes such as a gain, so that errors of their sum are not those of two
    independent forces.  Tyre axes; a reader interpolates `correlations` [1] between `times` [s].
    """
    time = forces["elapsed_time"].to_numpy()
    places = np.unique(np.linspace(0, len(time) - 1, min(len(time), NODES)).astype(np.int64))
    pairs = axle_corners(forces)
    if not pairs:
        return []
    effects = signed_errors(forces, places, "tyre")
    u = forces[STATED["tyre"]].to_numpy()[places].astype(float)
    names = corner_names(forces)
    out = []
    for axle, (left, right) in pairs.items():
        with np.errstate(invalid="ignore", divide="ignore"):
            shared = np.sum(effects[:, :, left] * effects[:, :, right], axis=0)
            correlation = np.nan_to_num(shared / (u[:, left] * u[:, right]))
        out.append(
            {
                "name": axle,
                "corners": [names[left], names[right]],
                "times": np.round(time[places], 4).tolist(),
                "correlations": np.round(np.clip(correlation.T, -1, 1), 3).tolist(),
            }
        )
    return out


def known_sums(forces: xr.Dataset) -> Iterator[Series]:
    """Sums of forces that are known although no single force in them is, with half-widths [N]."""
    if "known_sum" not in forces:
        return
    for j, words in enumerate(forces["known_sum"].to_numpy()):
        value = forces["sum_of_forces"].to_numpy()[:, j].astype(float)
        half = COVERAGE_FACTOR * forces["u_sum_of_forces"].to_numpy()[:, j].astype(float)
        name = str(words)
        yield Series(name, "sum", "N", packed(value, force_step(half, len(value))))
        yield Series(name, "sum half", "N", packed(half, WIDTH_STEP))
