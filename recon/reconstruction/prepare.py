"""Prepare an assembly once: estimator tabulated over travel and rack, loadings of every cause.

In: car, calibration, session (noise, zeros, sensors).  Out: a `Prepared` assembly, a corner or a
tied axle, that `solve` applies to any number of samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.assembly import Assembly
from recon.reconstruction.assembly_estimator import AssemblyEstimator, estimator_of
from recon.reconstruction.bench import Bench, bench_of
from recon.reconstruction.cause import Cause
from recon.reconstruction.causes import causes_of, table_causes
from recon.reconstruction.estimator import AtPose
from recon.reconstruction.features import Features, Modes
from recon.reconstruction.seen import Seen, forces_seen
from recon.reconstruction.session import AssemblySession
from recon.reconstruction.table import WANTED, Table, fine_table

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class Prepared:
    """One assembly of w wheels, ready to solve.

    `modes` are what the hubs pass, wheel by wheel; `scale` (w + 1,) [m] of travels and rack in
    the features; `u_random` (mode, 3 w, 3 w) the random covariance [N2]; `hidden` (3 w, 3 w) that
    of the forces that are not known [N2], with each other and with the known ones, zero among
    those; `force_reached` (w, 3) [N] the largest force of the pulls.
    """

    assembly: Assembly
    gauges: tuple[str, ...]
    modes: Modes
    scale: tuple[float, ...]
    table: Table
    u_random: Floats
    bush_rate: Floats
    tare_travel: Floats
    causes: tuple[Cause, ...]
    force_reached: Floats
    seen: Seen
    hidden: Floats

    @property
    def sum_weights(self) -> Floats:
        """Weights (k, 3 w) of the forces that are known together only."""
        weights = [weights for weights, _ in self.seen.sums]
        return np.array(weights).reshape(-1, 3 * len(self.assembly.corners))

    @property
    def hidden_by_wheel(self) -> Floats:
        """Each wheel's own block (w, 3, 3) of `hidden`."""
        wheels = len(self.assembly.corners)
        return np.einsum("wjwk->wjk", self.hidden.reshape(wheels, 3, wheels, 3))


def prepare_unit(
    car: Vehicle, assembly: Assembly, calibration: CornerCalibration, session: AssemblySession
) -> Prepared:
    """Tabulate the estimator and collect the causes of one assembly.

    Raises
    ------
    DataError
        A gauge is dead: it has no noise, or none that is a number.
    RankError
        No force component is seen by the gauges; the message names the cure.

    Warns
    -----
    PriorWarning
        Some force components are not seen: they are NaN in the result, with reason and cure.
    """
    estimator = estimator_of(car, assembly, calibration, session)
    bench = bench_of(estimator)
    causes = causes_of(bench, car.tyre)
    seen = forces_seen(car, assembly, calibration.gauges, _usual_covariance(causes, estimator))
    table = fine_table(estimator, seen.lost)
    if table.error.max() >= WANTED:
        # Few gauges can make estimates that turn quickly with the pose: a stated widening.
        causes += table_causes(bench, table.error)
    return Prepared(
        assembly=assembly,
        gauges=calibration.gauges,
        modes=estimator.modes,
        scale=bench.grid.scale,
        table=table,
        u_random=_random(bench),
        bush_rate=np.array([c.bush_rate for c in assembly.corners]),
        tare_travel=np.array(estimator.tare.travel),
        causes=tuple(causes),
        force_reached=calibration.force_reached,
        seen=seen,
        hidden=_hidden(bench.centre[0], seen.lost),
    )


def _random(bench: Bench) -> Floats:
    """Covariance [N2] per sample from gauge and accelerometer noise, (mode, 3 w, 3 w)."""
    session = bench.estimator.session
    mass = np.repeat([c.unsprung_mass for c in bench.assembly.corners], 3)
    hub_noise = np.repeat([sensors.hub_noise for sensors in session.wheels], 3)
    out = []
    for at in bench.centre:
        gauges = at.forces * session.noise
        hub = at.forces @ at.hub * mass * hub_noise
        out.append(gauges @ gauges.T + hub @ hub.T)
    return np.array(out)


def _hidden(at: AtPose, lost: tuple[int, ...]) -> Floats:
    """Covariance (3 w, 3 w) [N2] that lost forces, as large as a tyre's are, have a part in."""
    rows = at.force_rows
    known = np.setdiff1d(np.arange(len(rows)), lost)
    out = at.C[np.ix_(rows, rows)].copy()
    out[np.ix_(known, known)] = 0.0
    return out


def _usual_covariance(causes: list[Cause], estimator: AssemblyEstimator) -> Floats:
    """Covariance [N2] of the forces, (3 w, 3 w), at the assembly's usual load."""
    features = np.zeros(causes[0].loading.shape[-1])
    features[0] = 1.0
    for k, usual in enumerate(estimator.usual_load):
        first = Features.force(k, 0)
        features[first : first + 3] = np.array([0.3, 0.7, 1.0]) * usual
    effects = np.array([cause.loading[0] @ features for cause in causes])
    return np.asarray(estimator.seen_covariance() + effects.T @ effects)
