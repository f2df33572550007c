"""Gauges that fail during a drive, and the solver that does without them while they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import RankError
from recon.base.status import BIT
from recon.calibration.calibrated import CornerCalibration
from recon.car.vehicle import Vehicle
from recon.reconstruction.estimator.session import Attitude
from recon.reconstruction.solving.solver import Solver, solver_of
from recon.records.time_checks import usual_step

UNUSABLE = BIT["channel_flat"] | BIT["channel_clipped"] | BIT["missing_input"]
SHORTEST_TIME = 0.5  # s in all; for less a second solver is not worth its preparation
MOST = 4  # sets of failed gauges of an assembly that get a solver of their own
Failed = tuple[str, ...]


def failed_together(
    gauges: tuple[str, ...], gauge_status: NDArray[np.uint16], elapsed: Floats
) -> tuple[Failed, ...]:
    """Sets of gauges that fail together for long enough, the longest first.

    `gauge_status` (sample, gauge) holds flags of `recon.base.status`, at `elapsed` (sample,) [s].
    """
    some = np.bitwise_or.reduce(gauge_status, axis=1) & UNUSABLE
    rows = np.flatnonzero(some)
    bad = (gauge_status[rows] & UNUSABLE) > 0
    bad = bad[~bad.all(axis=1)]
    if not len(bad):
        return ()
    patterns, counts = np.unique(bad, axis=0, return_counts=True)
    needed = SHORTEST_TIME / usual_step(elapsed)
    return tuple(
        tuple(gauges[g] for g in np.flatnonzero(patterns[k]))
        for k in np.argsort(-counts)[:MOST]
        if counts[k] >= needed
    )


def outage_of(
    gauges: tuple[str, ...], failed: Failed, gauge_status: NDArray[np.uint16]
) -> NDArray[np.int64]:
    """Positions (sample,) at which exactly the `failed` of the gauges have no usable value.

    `gauge_status` (sample, gauge) are the flags of an assembly's `gauges` [1].
    """
    pattern = np.isin(gauges, failed)
    return np.flatnonzero((((gauge_status & UNUSABLE) > 0) == pattern).all(axis=1))


def spare_solver(
    car: Vehicle, full: Solver, calibration: CornerCalibration, attitude: Attitude, failed: Failed
) -> Solver | None:
    """The solver of an assembly without the failed gauges, None if nothing can be known then.

    Warns PriorWarning: force components that the other gauges do not see.
    """
    kept = ~np.isin(full.gauges, failed)
    own = full.session
    drift = None if own.drift is None else own.drift[kept]
    session = replace(own, noise=own.noise[kept], u_zero=own.u_zero[kept], drift=drift, outages=())
    try:
        return solver_of(car, full.assembly, calibration.without(*failed), session, attitude)
    except RankError:
        return None
