"""One assembly prepared once, ready to solve any samples: table, outputs, causes, noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.calibrated import CornerCalibration
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly
from recon.reconstruction.causes.bench import Bench, bench_of
from recon.reconstruction.causes.cause import Cause
from recon.reconstruction.causes.every_cause import causes_of, table_causes
from recon.reconstruction.causes.sensor_causes import attitude_causes
from recon.reconstruction.estimator.assembly_estimator import AssemblyEstimator, estimator_of
from recon.reconstruction.estimator.estimator_table import WANTED, Table, fine_table
from recon.reconstruction.estimator.sample_features import Features
from recon.reconstruction.estimator.session import AssemblySession, Attitude
from recon.reconstruction.solving.outputs import Outputs, outputs_of
from recon.reconstruction.solving.variance import Squares, squares_of


@dataclass(frozen=True, slots=True)
class Solver:
    """One assembly of w wheels, ready to solve.

    `scale` (w + 1,) [m] divides travels and rack in the features; `squares` are sums over the
    causes, mode by mode; `random` (mode, output) [N2] is the variance of single samples,
    `hub_gain` (mode, output, w) [N per m/s2] what the share of a hub's acceleration that is not
    known adds where the hub moves up and down; `force_reached` (w, 3) [N] the largest force of the
    pulls.
    """

    assembly: Assembly
    gauges: tuple[str, ...]
    session: AssemblySession
    estimator: AssemblyEstimator
    table: Table
    scale: tuple[float, ...]
    outputs: Outputs
    causes: tuple[Cause, ...]
    squares: Squares
    random: Floats
    hub_gain: Floats
    force_reached: Floats

    @property
    def steering(self) -> list[Cause]:
        """The causes that turn the tyre axes."""
        return [cause for cause in self.causes if cause.steered is not None]

    @property
    def carried(self) -> tuple[float, ...]:
        """Mass [kg] of the body on each of its wheels when the car stands."""
        loads = zip(self.estimator.usual_load, self.assembly.corners, strict=True)
        return tuple(load / STANDARD_GRAVITY - corner.unsprung_mass for load, corner in loads)

    @property
    def leaning(self) -> list[Cause]:
        """The causes that turn the body and move the loads at once."""
        of_body = (cause for cause in self.causes if cause.source.of == "")
        return [c for c in of_body if c.turned is not None and c.loading.any()]


def solver_of(
    car: Vehicle,
    assembly: Assembly,
    calibration: CornerCalibration,
    session: AssemblySession,
    attitude: Attitude,
) -> Solver:
    """Tabulate the estimator and collect the causes of one assembly.

    Raises DataError: a gauge is dead: it has no noise, or none that is a number.
    Raises RankError: no force component is seen by the gauges; the message names the cure.
    Warns PriorWarning: some force components are not seen: they are NaN in the result, with reason
    and cure.
    """
    estimator = estimator_of(car, assembly, calibration, session)
    bench = bench_of(estimator)
    causes = causes_of(bench, car.tyre)
    covariance = usual_covariance(causes, estimator)
    outputs = outputs_of(car, assembly, calibration.gauges, covariance, bench.centre[0])
    table = fine_table(estimator, outputs.lost)
    if table.error.max() >= WANTED:
        # Few gauges can make estimates that turn quickly with the pose: a stated widening.
        causes += table_causes(bench, table.error)
    causes += attitude_causes(bench, attitude)
    return Solver(
        assembly=assembly,
        gauges=calibration.gauges,
        session=session,
        estimator=estimator,
        table=table,
        scale=bench.grid.scale,
        outputs=outputs,
        causes=tuple(causes),
        squares=squares_of(outputs, causes),
        random=_random(bench, outputs),
        hub_gain=_hub_gain(bench, outputs),
        force_reached=calibration.conditions.force_reached,
    )


def _random(bench: Bench, outputs: Outputs) -> Floats:
    """Variance [N2] per sample from gauge and accelerometer noise, (mode, output)."""
    session = bench.estimator.session
    mass = np.repeat([c.unsprung_mass for c in bench.assembly.corners], 3)
    hub_noise = np.concatenate([sensors.hub_noise for sensors in session.wheels])
    out = []
    for at in bench.centre:
        gauges = outputs.rows @ at.forces * session.noise
        hub = outputs.rows @ at.forces @ at.hub * mass * hub_noise
        out.append(np.sum(gauges**2, axis=1) + np.sum(hub**2, axis=1))
    return np.array(out)


def _hub_gain(bench: Bench, outputs: Outputs) -> Floats:
    """Standard uncertainty of forces per vertical acceleration of a hub beside gravity's.

    (mode, output, w) [N per m/s2].
    """
    wheels = zip(bench.assembly.corners, bench.estimator.session.wheels, strict=True)
    size = np.array(
        [c.unsprung_mass * (of.acceleration_share[2] + of.hop_share) for c, of in wheels]
    )
    return np.array([outputs.rows @ at.forces @ at.hub[:, 2::3] * size for at in bench.centre])


def usual_covariance(causes: list[Cause], estimator: AssemblyEstimator) -> Floats:
    """Covariance [N2] of the forces, (3 w, 3 w), at the assembly's usual load."""
    features = np.zeros(causes[0].loading.shape[-1])
    features[0] = 1.0
    for k, usual in enumerate(estimator.usual_load):
        first = Features.force(k, 0)
        features[first : first + 3] = np.array([0.3, 0.7, 1.0]) * usual
    effects = np.array([cause.loading[0] @ features for cause in causes])
    return np.asarray(estimator.seen_covariance() + effects.T @ effects)
