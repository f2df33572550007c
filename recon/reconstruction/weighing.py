"""Weighing the car on pads: the one check that the pulls' load cell cannot hide from.

Pulls and verification pulls share one cell; a cell that reads 1 % too much makes every force
1 % too large and no pull shows it.  A tare with the wheel hanging and one with the wheel on a
pad give the vertical force of the gauges against that of the pad.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.labelled import stamped
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR, STANDARD_GRAVITY
from recon.calibration.calibrated import Calibration, CornerCalibration
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.planning.unknowns import MODES
from recon.reconstruction.estimator.sample_features import features_of, joint_mode
from recon.reconstruction.estimator.session import AssemblySession, Attitude, WheelSensors
from recon.reconstruction.estimator.tare_load import PAD_SHARE, PAD_TRAVEL, Tare
from recon.reconstruction.solving.solve import Samples, forces_of
from recon.reconstruction.solving.solver import solver_of
from recon.records.forces import FORCES
from recon.records.sheets import Tares


@dataclass(frozen=True, slots=True)
class Weighing:
    """One corner on its pad: vertical force of gauges and of pad, u of the difference, all N."""

    corner: str
    when: str
    measured: float
    pad: float
    u: float

    @property
    def agrees(self) -> bool:
        """True where the difference lies inside its 95 % interval."""
        return abs(self.measured - self.pad) <= COVERAGE_FACTOR * self.u


@dataclass(frozen=True, slots=True)
class _Pair:
    """Rows of the tares of one time, gauge by gauge: wheels hanging, and on pads."""

    when: str
    hanging: NDArray[np.int64]
    pads: NDArray[np.int64]


@public
def weigh_check(tares: Tares, calibration: Calibration, car: Vehicle) -> tuple[Weighing, ...]:
    """Every corner with a hanging tare and one on pads at the same time (before or after).

    Returns
    -------
    tuple of Weighing
        Empty where the car was not weighed.
    """
    out: list[Weighing] = []
    if not {"hanging", "pads"} <= set(tares.state.tolist()):
        return ()
    assemblies = assemblies_of(car)
    for name, fitted in calibration.corners.items():
        for pair in _pairs(tares, fitted.gauges):
            out += _weighings(tares, fitted, car, assemblies[name], pair)
    return tuple(out)


def with_weighings(forces: xr.Dataset, weighings: tuple[Weighing, ...]) -> xr.Dataset:
    """The forces with all weighings (weighing,) [N] beside them."""
    if not weighings:
        return forces
    columns = {
        "weighing_corner": np.array([w.corner for w in weighings]),
        "weighing_when": np.array([w.when for w in weighings]),
        "weighing_gauges": np.array([w.measured for w in weighings]),
        "weighing_pad": np.array([w.pad for w in weighings]),
        "u_weighing": np.array([w.u for w in weighings]),
    }
    return forces.assign(stamped(FORCES, columns))


def _pairs(tares: Tares, gauges: tuple[str, ...]) -> list[_Pair]:
    """Times at which every gauge was tared in both states."""
    out = []
    for when in ("before", "after"):
        found = []
        for state in ("hanging", "pads"):
            at = (tares.when == when) & (tares.state == state)
            found.append([np.flatnonzero(at & (tares.gauge == gauge))[:1] for gauge in gauges])
        if all(len(rows) for state in found for rows in state):
            out.append(_Pair(when, *(np.concatenate(state) for state in found)))
    return out


def _weighings(
    tares: Tares, fitted: CornerCalibration, car: Vehicle, assembly: Assembly, pair: _Pair
) -> list[Weighing]:
    """One weighing per wheel of the assembly whose pad was written down with its own gauges."""
    w = len(assembly.corners)
    noise = np.where(np.isfinite(tares.sd[pair.pads]), tares.sd[pair.pads], 0.0) / np.sqrt(10.0)
    session = AssemblySession(
        noise=np.fmax(noise, fitted.noise),
        u_zero=fitted.noise,
        tare=Tare("hanging"),
        warming=0.0,
        wheels=(WheelSensors(travel=PAD_TRAVEL),) * w,
    )
    solver = solver_of(car, assembly, fitted, session, Attitude())
    samples = Samples(
        time=np.zeros(1),
        indication=(tares.indication[pair.pads] - tares.indication[pair.hanging])[:, None],
        quick=np.zeros((0, 1)),
        hub=np.tile([0.0, 0.0, STANDARD_GRAVITY], w)[:, None],
        shaking=np.zeros((w, 1)),
        brake_torque=np.zeros((w, 1)),
        brake_timing=np.zeros((w, 1)),
        travel=np.zeros((w, 1)),
        rack=np.zeros(1),
        turn=np.eye(3)[..., None],
        # A wheel at rest on a pad may be held by anything: the hub's moment is open.
        mode=np.full((w, 1), MODES.index("braked")),
        status=np.zeros((w, 1), dtype=np.uint16),
    )
    force = forces_of(solver, samples)[0]
    features = features_of(force, samples.travel, samples.rack, solver.scale)[:, 0]
    mode = int(joint_mode(samples.mode)[0])
    by_cause = np.array([c.loading[mode] @ features for c in solver.causes])
    out = []
    for k, corner in enumerate(assembly.corners):
        own = [i for i, g in enumerate(fitted.gauges) if g in {x.name for x in corner.gauges}]
        if not own or 3 * k + 2 in solver.outputs.lost:
            continue
        pad = float(tares.pad_load[pair.pads[own[0]]])
        u = float(np.hypot(np.linalg.norm(by_cause[:, 3 * k + 2]), PAD_SHARE * pad))
        out.append(Weighing(corner.name, pair.when, float(force[k, 2, 0]), pad, u))
    return out
