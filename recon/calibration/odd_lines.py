"""Pulls whose fitted direction or point is far from what was written: a mark that was mistyped."""

from __future__ import annotations

import numpy as np

from recon.base.errors import DataWarning, warn
from recon.calibration.applied import Pull
from recon.calibration.gross_errors import GROSS
from recon.calibration.solution import JointFit


def warn_of_odd_lines(path: str, title: str, pulls: list[Pull], fit: JointFit) -> None:
    """Name the pull whose line of action the fit had to move farthest, if that is far.

    The other pulls then share its error: a fit with corrected lines shows it in no residual.

    Warns DataWarning: angle and offset of the correction, and its size in standard uncertainties.
    """
    worst, at = GROSS, None
    for (_, p, d), block in fit.of_kind("line").items():
        size = float(np.max(np.abs(fit.deviation[block.place])))
        if size > worst:
            worst, at = size, (int(p), int(d))
    if at is None:
        return
    pull = pulls[at[0]]
    correction = fit.line_corrections(at[0], pull)[at[1]]
    offset, angle = (float(np.linalg.norm(part)) for part in (correction[:2], correction[2:]))
    warn(
        f"{path}, {title}: the other pulls agree with pull '{pull.name}' (from line "
        f"{pull.line_of_file[0]}) only if its {pull.devices[at[1]]} points {np.degrees(angle):.1f} "
        f"deg away from what is written and acts {1e3 * offset:.0f} mm beside it, {worst:.0f} "
        "standard uncertainties. Is a coordinate mistyped, or did the strap touch something?",
        DataWarning,
    )
