"""Indications that priors and ordinary channels lead to expect, before any gauge is read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.live_axle import T_COLUMN
from recon.reconstruction.estimator.assembly_estimator import FRICTION_SPREAD
from recon.reconstruction.estimator.linear_estimator import FORCE_ROWS, rows_of_wheels
from recon.reconstruction.estimator.sample_features import joint_mode, samples_by_mode
from recon.reconstruction.solving.solve import Samples, forces_of
from recon.reconstruction.solving.solver import Solver

GEOMETRY = 20.0  # N of a gauge's own load, that geometry adds in the course of a drive; no source
FORCE_PRIOR = 2.0  # of the usual load: leaves any real force open, and no impossible one
DAMPERS = 6.0  # times their usual force: a drive that is mostly slalom; no source


@dataclass(frozen=True)
class Expected:
    """Expectation of the indications of an assembly before any of them is read.

    `mean` (n, gauge), from hub accelerations, brake torque and the tare's load; `weight`
    (n, gauge, gauge), the inverse of the covariance V + H U H'; `moving` likewise, with the part
    of V that changes in the course of a drive and more of the dampers beside springs or bars: their
    force follows the change of the load, which looks like gauges that are late.  Both hold what a
    travel or rack that is not logged may change at the forces of the sample.
    """

    mean: Floats
    weight: Floats
    moving: Floats

    @cached_property
    def root(self) -> Floats:
        """Lower triangular roots of `moving`, (n, gauge, gauge) [1/unit]."""
        return np.asarray(np.linalg.cholesky(self.moving))


def expected_indications(solver: Solver, samples: Samples) -> Expected:
    """Expectation of the indications of an assembly at each of n samples."""
    estimator, table, places = solver.estimator, solver.table, _places(solver, samples)
    basis = table.basis(places[:-1], places[-1])
    mass = np.repeat([corner.unsprung_mass for corner in solver.assembly.corners], 3)
    n, gauges = samples.travel.shape[1], len(solver.gauges)
    mean, (weight, moving) = np.empty((n, gauges)), np.empty((2, n, gauges, gauges))
    changing, force = _changing(solver), _plausible_forces(solver, samples)
    elsewhere = [table.basis(other[:-1], other[-1]) for other in _other_places(solver, places)]
    # How springs and bars of a tied axle share its loads is not known to some newtons, and a rack
    # that nobody logged moves the loads as the drive goes.
    by_dampers = DAMPERS * estimator.by_dampers
    wheels = solver.session.wheels
    settled = len(wheels) == 1 and all(w.steer_logged or w.rack == 0 for w in wheels)
    unknowns = 6 * len(wheels)
    forces = rows_of_wheels(FORCE_ROWS, unknowns)
    torques = rows_of_wheels((T_COLUMN,), unknowns)
    for m, chosen in samples_by_mode(joint_mode(samples.mode)):
        H, hub = table.indications_per(m, basis[:, chosen])
        V, u = estimator.weights[m]
        u = u.copy()
        u[forces] = FORCE_PRIOR * np.repeat(estimator.usual_load, 3)
        scaled = H * u
        by_priors = scaled @ np.swapaxes(scaled, -1, -2)
        for other in elsewhere:
            change = table.indications_per(m, other[:, chosen])[0] - H
            off = np.einsum("ngf,fn->ng", change[..., forces], force[:, chosen])
            by_priors += off[:, :, None] * off[:, None]
        weight[chosen] = np.linalg.inv(V + by_priors)
        course = (changing if settled else V) + by_dampers @ by_dampers.T
        moving[chosen] = np.linalg.inv(course + by_priors)
        mean[chosen] = np.einsum("ngt,tn->ng", H[..., torques], samples.brake_torque[:, chosen])
        mean[chosen] -= np.einsum("ngk,kn->ng", hub * mass, samples.hub[:, chosen])
    return Expected(mean - estimator.tare.indication, weight, moving)


def _places(solver: Solver, samples: Samples) -> Floats:
    """Travels of the wheels and rack (w + 1, n) [m] where the assembly has a pose.

    The status says where the rack is beyond its range.
    """
    rack = np.clip(samples.rack, *solver.table.ranges[-1])
    return np.vstack([samples.travel, rack])


def _other_places(solver: Solver, places: Floats) -> list[Floats]:
    """The `places` (w + 1, n) [m] with each that is not logged away by its standard uncertainty."""
    wheels = solver.session.wheels
    u: list[float | Floats] = [0.0 if w.travel_logged else w.travel for w in wheels]
    of_rack = np.hypot(wheels[0].rack, wheels[0].rack_share * places[-1])
    u.append(0.0 if wheels[0].steer_logged else of_rack)
    out = []
    for k, step in enumerate(u):
        if np.any(step > 0):
            other, (low, high) = places.copy(), solver.table.ranges[k]
            inwards = np.where(places[k] > 0.5 * (low + high), -step, step)
            other[k] = np.clip(places[k] + inwards, low, high)
            out.append(other)
    return out


def _plausible_forces(solver: Solver, samples: Samples) -> Floats:
    """Forces of all tyres by their gauges (3 w, n) [N], wrong ones cut to what can be."""
    force = np.nan_to_num(forces_of(solver, samples)[0][:, :3].astype(float))
    most = FORCE_PRIOR * np.array(solver.estimator.usual_load)[:, None, None]
    return np.clip(force, -most, most).reshape(-1, force.shape[-1])


def _changing(solver: Solver) -> Floats:
    """Covariance (gauge, gauge) of what changes in a drive: noise, friction, geometry."""
    fitted = solver.estimator.calibration
    friction = FRICTION_SPREAD * fitted.friction
    return np.diag(solver.session.noise**2 + friction**2 + (GEOMETRY * fitted.main_slope) ** 2)
