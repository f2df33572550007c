"""Corners that the gauge of another corner spoils, where all gauges show the body's acceleration.

Without an accelerometer the sum of all links accelerates the body, and the wheels with it: a force
that is wrong at one corner is shared out over all of them, by their unsprung masses.
"""

from __future__ import annotations

import numpy as np

from recon.base.quantities import COVERAGE_FACTOR, STANDARD_GRAVITY
from recon.examination.term import USUAL
from recon.examination.view import View

SPOILED = 1.0  # half-widths: from there on a corner is doubted with the others


def spoiled_with(view: View, mended: View) -> tuple[str, ...]:
    """Corners whose forces a fault spoils by way of the body's acceleration, without its own.

    `mended` is the drive without the fault.
    """
    changed = {name for name, part in view.parts.items() if mended.parts[name] is not part}
    if len(changed) == len(view.parts) or "u_acceleration" not in view.log:
        return ()
    change = sum(
        np.sum(mended.parts[name].level - view.parts[name].level, axis=0) for name in changed
    )
    size = np.nanquantile(np.abs(change), USUAL, axis=1) / _carried(view)
    out = []
    for part in (part for name, part in view.parts.items() if name not in changed):
        u = np.sqrt(np.diag(part.usual_covariance)).reshape(-1, 3)
        for corner, own in zip(part.solver.assembly.corners, u, strict=True):
            if np.any(corner.unsprung_mass * size > SPOILED * COVERAGE_FACTOR * own):
                out.append(corner.name)
    return tuple(out)


def _carried(view: View) -> float:
    """Mass [kg] of the body on all wheels that have gauges."""
    return sum(
        load / STANDARD_GRAVITY - corner.unsprung_mass
        for part in view.parts.values()
        for load, corner in zip(
            part.solver.estimator.usual_load, part.solver.assembly.corners, strict=True
        )
    )
