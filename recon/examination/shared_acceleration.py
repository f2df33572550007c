"""Corners that the gauge of another corner spoils, where all gauges show the body's acceleration.

Without an accelerometer the sum of all links accelerates the body, and the wheels with it: a force
that is wrong at one corner is shared out over all of them, by their unsprung masses.
"""

from __future__ import annotations

import numpy as np

from recon.examination.term import USUAL
from recon.examination.view import View

SPOILED = 1.0  # half-widths: from there on a corner is doubted with the others; no source


def spoiled_with(view: View, mended: View) -> tuple[str, ...]:
    """Corners whose forces a fault spoils by way of the body's acceleration, without its own.

    `mended` is the drive without the fault.
    """
    changed = {
        name
        for name, part in view.parts.items()
        if mended.parts[name].samples.indication is not part.samples.indication
    }
    if len(changed) == len(view.parts) or "u_acceleration" not in view.log:
        return ()
    change = sum(
        np.sum(mended.parts[name].level - view.parts[name].level, axis=0) for name in changed
    )
    carried = sum(sum(part.solver.carried) for part in view.parts.values())  # kg
    size = np.nanquantile(np.abs(change), USUAL, axis=1) / carried
    out = []
    for part in (part for name, part in view.parts.items() if name not in changed):
        for corner, own in zip(part.solver.assembly.corners, part.half_width, strict=True):
            if np.any(corner.unsprung_mass * size > SPOILED * own):
                out.append(corner.name)
    return tuple(out)


def also_spoiled(corners: tuple[str, ...]) -> str:
    """Sentence about the corners that a fault spoils in this way; empty if it spoils none."""
    if not corners:
        return ""
    suffer = "suffers" if len(corners) == 1 else "suffer"
    return f" Acceleration is inferred from these gauges: {', '.join(corners)} {suffer} too."
