"""How hard wheels are shaken sideways, from their links on straights.

Where a wheel is not cornering, its tyre pushes it sideways hardly at all, and what its links hold
quicker than the driver steers is its own inertia:

    rms of the sideways force of the links = unsprung mass * rms acceleration, noise taken off.

The road is the same in corners, where forces of the tyre hide it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.conditioning.filters import low_pass
from recon.conditioning.hub_motion import QUICK
from recon.reconstruction.solving.solver import Solver

STRAIGHT = 0.05  # of a wheel's usual load: more sideways force is a corner; no source
STEERED = 3.0  # Hz, up to which the driver and the body change the force of a wheel
LEAST = 10  # independent values of which a mean square is taken: 45 %, 22 % of its root


def with_side_shaking(
    log: xr.Dataset, solvers: Iterable[Solver], links: Mapping[str, Floats]
) -> xr.Dataset:
    """The log with u of the wheels' sideways motion as the links show it, not as assumed.

    `links` (3, sample) [N] are the forces of the links of each corner that `solvers` know.
    """
    top = min(float(log.attrs["bandwidth"]), 0.5 * float(log.attrs["rate"]))
    if "u_side_shaking" not in log or top <= QUICK:
        return log
    u = log["u_relative_acceleration"].copy(deep=True)
    for solver in solvers:
        estimator, lost = solver.estimator, solver.outputs.lost_of_wheels()[:, 1]
        weights = estimator.at(estimator.design)[0].forces[1::3]
        noise = np.linalg.norm(weights * solver.session.noise, axis=1) * np.sqrt(1 - QUICK / top)
        for k, corner in enumerate(solver.assembly.corners):
            straight = STRAIGHT * estimator.usual_load[k]
            force = _shaking(links[corner.name][1], straight, float(noise[k]), log)
            if lost[k] or not np.isfinite(force):
                continue
            at = {"corner": corner.name, "component": "y"}
            assumed = float(log["u_side_shaking"].sel(corner=corner.name))
            found = force / corner.unsprung_mass
            u.loc[at] = np.sqrt(u.loc[at] ** 2 - assumed**2 + found**2)
    return log.assign(u_relative_acceleration=u)


def _shaking(force: Floats, straight: float, noise: float, log: xr.Dataset) -> float:
    """Root mean square [N] of a force quicker than `QUICK` where it is slow and below `straight`.

    `noise` [N] is taken off, down to what chance can hide; NaN where straights are too short.
    """
    rate = float(log.attrs["rate"])
    top = min(float(log.attrs["bandwidth"]), 0.5 * rate)
    slow, steered = (low_pass(force[:, None], edge, rate)[:, 0] for edge in (QUICK, STEERED))
    on = np.isfinite(force) & (np.abs(steered) < straight)
    independent = 2 * (top - QUICK) * float(np.sum(on)) / rate
    if independent < LEAST:
        return float("nan")
    square = float(np.mean((force - slow)[on] ** 2))
    return float(np.sqrt(max(square - noise**2, square * np.sqrt(2 / independent))))
