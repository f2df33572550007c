"""A stated friction limit against the forces that the gauges show without it."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats, sampling_interval
from recon.base.doubt import Doubt
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.records.scratch import at_rows

FAR = 3.0  # half-widths by which a limit moves a force that it contradicts
FORCES = ("tyre_force", "tyre_force_unbounded", "u_tyre_force")
LASTING = 0.1  # s of them in all; impacts are shorter, and vibration falsifies them


def friction_doubts(forces: xr.Dataset) -> list[Doubt]:
    """A doubt about each corner whose gauges contradict the friction limit that was stated.

    `forces` (elapsed_time, corner, component) [N] as `Prepared.solve` returns them.
    """
    status, elapsed = forces["status"].to_numpy(), forces["elapsed_time"].to_numpy()
    step, out = sampling_interval(elapsed), []
    for k, corner in enumerate(corner_names(forces)):
        limited = np.flatnonzero(status[:, k] & BIT["friction_limited"])
        if len(limited) * step > LASTING:
            held, free, u = (
                at_rows(forces[n].to_numpy()[:, k], limited).astype(float) for n in FORCES
            )
            far = (np.abs(free - held) > FAR * COVERAGE_FACTOR * u).any(axis=1)
            if far.sum() * step > LASTING:
                at = elapsed[limited[far]]
                out.append(_doubt(corner, at, held[far], free[far], float(far.sum() * step)))
    return out


def _doubt(corner: str, elapsed: Floats, held: Floats, free: Floats, seconds: float) -> Doubt:
    """The doubt about a corner, by the samples at `elapsed` (sample,) [s] that are moved far."""
    limit, shown = (float(np.median(np.hypot(f[:, 0], f[:, 1]) / f[:, 2])) for f in (held, free))
    return Doubt(
        corners=(corner,),
        cause="friction limit",
        channels=(),
        probability=1.0,
        start=float(elapsed[0]),
        end=float(elapsed[-1]),
        found=f"For {seconds:.1f} s the gauges show a horizontal force of {shown:.2f} times Fz "
        f"(median); the stated limit of {limit:.2f} moves it by more than {FAR:g} half-widths.",
        do="State no friction limit, or one that no tyre exceeds, such as 2.5.",
    )
