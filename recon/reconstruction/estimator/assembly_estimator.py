"""The estimator of one assembly in a session: what its gauges weigh, mode by mode of its hubs."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.calibration.calibrated import CornerCalibration
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly
from recon.mechanics.live_axle import T_COLUMN, inside_of
from recon.mechanics.motion import Pose, pose
from recon.mechanics.statics import damper_loads, member_matrix, spring_share
from recon.planning.unknowns import (
    BEARING_DRAG,
    LOCKED_FLOOR,
    MODES,
    OPEN_FORCE,
    Reference,
    free_torque,
    prior_u,
    reference_of,
    tyre_columns,
)
from recon.reconstruction.estimator.linear_estimator import (
    FORCE_ROWS,
    AtPose,
    Weights,
    estimator,
    loads_of,
    rows_of_wheels,
)
from recon.reconstruction.estimator.sample_features import Modes
from recon.reconstruction.estimator.session import AssemblySession
from recon.reconstruction.estimator.tare_load import TareLoad, tare_load

# Share of a wheel's load that a bar, a beam or bound links may take from the springs: twist by
# steer, rates that are not as stated, springs that do not pull by one law; no source.
SPLIT = 0.3
# Prior of a wheel's force, as a share of its usual load: shifts an answer known to 50 N by one in
# some 5000 and keeps a force that no gauge sees from being any number; no source.
SIZE = 1.0
# Friction holds a link's load off by up to the half-width of its loop, either way and anywhere
# between, at the tare: a rectangular distribution.  Where one gauge is weighed against others it
# does so while driving, too.
FRICTION_AT_TARE = float(np.sqrt(1.0 / 3.0))
FRICTION_SPREAD = float(np.sqrt(1.0 / 3.0 + 1.0 / 3.0))


def typical_unknowns(usual: tuple[float, ...]) -> Floats:
    """Unknowns (case, 6 w) [N, N m] of wheels with usual loads (w,): driven, braked, cornering."""
    one = [[0.5, 0, 1, 0, 0, 0], [-0.8, 0, 1, 0, 0, 0], [0, 1, 1, 0, 0, 0], [0, -1, 1, 0, 0, 0]]
    return np.tile(np.array(one), len(usual)) * np.repeat(usual, 6)


def unsure_indications(calibration: CornerCalibration, load: Floats) -> Floats:
    """Indications (gauge, k) of `load` (member,) [N] left open by K's covariance, as columns."""
    values, vectors = np.linalg.eigh(calibration.covariance_at(load))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def unsure_by_dampers(calibration: CornerCalibration, damped: Floats) -> Floats:
    """Indications (gauge, k) of `damped` (member, damper) [N] and what K leaves open of them.

    No pull shows the loads of a damper, so the map at them rests on the bridges.
    """
    columns = [calibration.K @ damped, *(unsure_indications(calibration, d) for d in damped.T)]
    return np.hstack(columns)


@dataclass(frozen=True, slots=True)
class AssemblyEstimator:
    """The estimator of one assembly of w wheels in each of its modes, at any pose.

    `columns` (6 w, 6 w) are the means of tyre moments that follow forces; `design` is the pose at
    design height; `shared` (member, 6 w) by mode are loads per unknown whose split is unsure, see
    `spring_share`; `by_dampers` (gauge, k) are indications of usual dampers that bars share, see
    `unsure_by_dampers`; `weights` stand mode by mode.
    """

    assembly: Assembly
    calibration: CornerCalibration
    session: AssemblySession
    references: tuple[Reference, ...]
    columns: Floats
    rack_range: tuple[float, float]
    modes: Modes
    design: Pose
    tare: TareLoad
    shared: tuple[Floats, ...]
    by_dampers: Floats
    weights: tuple[Weights, ...]

    @property
    def K(self) -> Floats:
        """Indication per load, (gauge, member) [unit/N]."""
        return self.calibration.K

    @property
    def usual_load(self) -> tuple[float, ...]:
        """Usual vertical load of each wheel, (w,) [N]."""
        return tuple(r.vertical for r in self.references)

    def at(self, posed: Pose) -> list[AtPose]:
        """Estimators at a batch of poses, one entry per mode."""
        members = member_matrix(posed)
        inside = inside_of(posed, members)
        return [
            estimator(self.K, loads_of(posed, self.columns, mode, members, inside), weights)
            for mode, weights in zip(self.modes, self.weights, strict=True)
        ]

    def seen_covariance(self) -> Floats:
        """Covariance (3 w, 3 w) [N2] that gauges alone leave of the forces, whatever their size."""
        V, u = self.weights[0]
        rows = rows_of_wheels(FORCE_ROWS, len(u))
        u = u.copy()
        u[rows] = OPEN_FORCE
        loads = loads_of(self.design, self.columns, self.modes[0])
        return estimator(self.K, loads, Weights(V, u)).C[np.ix_(rows, rows)]

    def torque_floor(self, k: int, mode: str) -> float:
        """Standard uncertainty of hub moment `k` beside a share of the caliper's torque [N m]."""
        if mode == "braked":
            known = self.assembly.corners[k].brake.torque_per_pressure > 0
            known &= self.session.wheels[k].pressure_logged
            return BEARING_DRAG if known else self.references[k].torque
        if mode == "locked":
            return LOCKED_FLOOR
        return free_torque(self.assembly.corners[k], self.references[k])


def estimator_of(
    car: Vehicle, assembly: Assembly, calibration: CornerCalibration, session: AssemblySession
) -> AssemblyEstimator:
    """The estimator of an assembly in a session.

    Raises DataError: a gauge shows no noise at all, neither in the log nor in tares nor in the
    pulls, or its noise or zero is not a number: a dead channel.
    """
    from scipy.linalg import block_diag

    references = tuple(reference_of(car, c) for c in assembly.corners)
    columns = np.asarray(block_diag(*(tyre_columns(car.tyre, r.vertical) for r in references)))
    design = pose(assembly.mechanism, 0.0)
    modes: Modes = tuple(product(MODES, repeat=len(assembly.corners)))
    usual = tuple(r.vertical for r in references)
    tare = tare_load(assembly, calibration, session.tare, usual)
    members, share = member_matrix(design), spring_share(design)
    inside = inside_of(design, members)
    shared = tuple(loads_of(design, columns, mode, share).per_unknown for mode in modes)
    by_dampers = unsure_by_dampers(calibration, damper_loads(design) * session.damper_force)
    weights = []
    for mode, split in zip(modes, shared, strict=True):
        loads = loads_of(design, columns, mode, members, inside).per_unknown
        V = _gauge_covariance(calibration, session, usual, loads, split)
        V += calibration.covariance_at(tare.twist.T).sum(axis=0)
        V += by_dampers @ by_dampers.T
        _require_alive(V, calibration)
        weights.append(Weights(V, _priors(car, assembly, session, references, mode)))
    return AssemblyEstimator(
        assembly=assembly,
        calibration=calibration,
        session=session,
        references=references,
        columns=columns,
        rack_range=car.steering.rack_range if assembly.steered else (0.0, 0.0),
        modes=modes,
        design=design,
        tare=tare,
        shared=shared,
        by_dampers=by_dampers,
        weights=tuple(weights),
    )


def _gauge_covariance(
    calibration: CornerCalibration,
    session: AssemblySession,
    usual: tuple[float, ...],
    loads: Floats,
    split: Floats,
) -> Floats:
    """V (gauge, gauge): noise, zeros and friction, K's uncertainty and splits at typical loads.

    `loads` and `split` (member, 6 w) are loads per unknown, and the part whose split is unsure.
    """
    friction = FRICTION_SPREAD * calibration.friction
    V = np.diag(session.noise**2 + session.u_zero**2 + friction**2)
    typical = typical_unknowns(usual)
    V += calibration.covariance_at(typical @ loads.T).mean(axis=0)
    for k in range(len(usual)):
        own = slice(6 * k, 6 * k + 6)
        effect = SPLIT * calibration.K @ split[:, own] @ typical[:, own].T
        V += effect @ effect.T / len(typical)
    return np.asarray(V)


def _require_alive(V: Floats, calibration: CornerCalibration) -> None:
    """Refuse gauges whose variance is no positive number: nothing is that well known."""
    variance = np.diag(V)
    dead = np.flatnonzero(~(np.isfinite(variance) & (variance > 0)))
    if len(dead):
        name = calibration.gauges[dead[0]]
        raise DataError(
            where=f"gauge {name}",
            found=f"a standard uncertainty of {np.sqrt(variance[dead[0]]):g} from noise, zero and "
            "calibration",
            needed="an indication with some noise, in the pulls or in the log",
            do="The channel is dead or unplugged: leave the gauge out of the vehicle file and "
            "calibrate again.",
        )


def _priors(
    car: Vehicle,
    assembly: Assembly,
    session: AssemblySession,
    references: tuple[Reference, ...],
    mode: tuple[str, ...],
) -> Floats:
    """Standard uncertainties (6 w,) of the unknowns before any gauge is read."""
    out = []
    for k, (corner, reference, own) in enumerate(
        zip(assembly.corners, references, mode, strict=True)
    ):
        u = prior_u(corner, car.tyre, reference, own)
        if own == "braked" and not session.wheels[k].pressure_logged:
            u[T_COLUMN] = reference.torque  # nobody knows what the caliper gave
        u[list(FORCE_ROWS)] = SIZE * reference.vertical
        out.append(u)
    return np.concatenate(out)
