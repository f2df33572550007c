"""A stated friction limit against the forces that the gauges show without it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.base.doubt import Doubt
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT

FAR = 3.0  # half-widths by which a limit moves a force that it contradicts
LASTING = 0.1  # s of them in all; impacts are shorter, and vibration falsifies them


def friction_doubts(forces: xr.Dataset) -> list[Doubt]:
    """A doubt about each corner whose gauges contradict the friction limit that was stated.

    `forces` (elapsed_time, corner, component) [N] as `Prepared.solve` returns them.
    """
    names = ("tyre_force", "tyre_force_unbounded", "u_tyre_force")
    held, free, u = (forces[name].to_numpy().astype(float) for name in names)
    limited = (forces["status"].to_numpy() & BIT["friction_limited"]) > 0
    far = limited & (np.abs(free - held) > FAR * COVERAGE_FACTOR * u).any(axis=2)
    elapsed = forces["elapsed_time"].to_numpy()
    seconds = far.sum(axis=0) * sampling_interval(elapsed)
    return [
        _doubt(corner, elapsed, far[:, k], held[:, k], free[:, k], float(seconds[k]))
        for k, corner in enumerate(corner_names(forces))
        if seconds[k] > LASTING
    ]


def _doubt(
    corner: str, elapsed: Floats, far: NDArray[np.bool_], held: Floats, free: Floats, seconds: float
) -> Doubt:
    limit, shown = (
        float(np.median(np.hypot(f[far, 0], f[far, 1]) / f[far, 2])) for f in (held, free)
    )
    return Doubt(
        corners=(corner,),
        cause="friction limit",
        channels=(),
        probability=1.0,
        start=float(elapsed[far][0]),
        end=float(elapsed[far][-1]),
        found=f"For {seconds:.1f} s the gauges show a horizontal force of {shown:.2f} times Fz "
        f"(median); the stated limit of {limit:.2f} moves it by more than {FAR:g} half-widths.",
        do="State no friction limit, or one that no tyre exceeds, such as 2.5.",
    )
