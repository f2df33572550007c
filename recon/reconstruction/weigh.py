"""Weighing the car on pads: the one check that the pulls' load cell cannot hide from.

Pulls and verification pulls share one cell; a cell that reads 1 % too much makes every force
1 % too large and no pull shows it.  A tare with the wheel hanging and one with the wheel on a
pad give the vertical force of the gauges against that of the pad.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recon.base.quantities import STANDARD_GRAVITY
from recon.base.uncertainty import COVERAGE_FACTOR
from recon.mechanics.assembly import assemblies_of
from recon.planning.unknowns import MODES
from recon.reconstruction.features import features_of, joint_mode
from recon.reconstruction.prepare import prepare_unit
from recon.reconstruction.session import AssemblySession, WheelSensors
from recon.reconstruction.solve import Samples, forces_of
from recon.reconstruction.tare import PAD_SHARE, PAD_TRAVEL, Tare

if TYPE_CHECKING:
    from recon.calibration.map import Calibration, CornerCalibration
    from recon.car.vehicle import Vehicle
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


def weigh_check(tares: Tares, calibration: Calibration, car: Vehicle) -> tuple[Weighing, ...]:
    """Every corner with a hanging tare and one on pads at the same time (before or after).

    Returns
    -------
    tuple of Weighing
        Empty where nobody weighed.
    """
    out: list[Weighing] = []
    if not {"hanging", "pads"} <= set(tares.state.tolist()):
        return ()
    units = assemblies_of(car)
    for name, fitted in calibration.corners.items():
        for when in ("before", "after"):
            rows = {
                state: [
                    np.flatnonzero(
                        (tares.gauge == g) & (tares.when == when) & (tares.state == state)
                    )
                    for g in fitted.gauges
                ]
                for state in ("hanging", "pads")
            }
            if not all(len(r) for state in rows.values() for r in state):
                continue
            hanging = np.array([r[0] for r in rows["hanging"]])
            pads = np.array([r[0] for r in rows["pads"]])
            out += _weighings(tares, fitted, car, (units[name], when, hanging, pads))
    return tuple(out)


def _weighings(tares: Tares, fitted: CornerCalibration, car: Vehicle, job: tuple) -> list[Weighing]:
    """One weighing per wheel of the unit whose pad was written down with its own gauges."""
    assembly, when, hanging, pads = job
    w = len(assembly.corners)
    noise = np.where(np.isfinite(tares.sd[pads]), tares.sd[pads], 0.0) / np.sqrt(10.0)
    session = AssemblySession(
        noise=np.fmax(noise, fitted.noise),
        u_zero=fitted.noise,
        tare=Tare("hanging"),
        warming=0.0,
        wheels=(WheelSensors(travel=PAD_TRAVEL),) * w,
    )
    prepared = prepare_unit(car, assembly, fitted, session)
    samples = Samples(
        indication=(tares.indication[pads] - tares.indication[hanging])[:, None],
        hub=np.tile([0.0, 0.0, STANDARD_GRAVITY], w)[:, None],
        brake_torque=np.zeros((w, 1)),
        travel=np.zeros((w, 1)),
        rack=np.zeros(1),
        # A wheel at rest on a pad may be held by anything: the hub's moment is open.
        mode=np.full((w, 1), MODES.index("braked")),
    )
    force = forces_of(prepared, samples)[0]
    features = features_of(force, samples.travel, samples.rack, prepared.scale)[:, 0]
    mode = int(joint_mode(samples.mode)[0])
    by_cause = np.array([c.loading[mode] @ features for c in prepared.causes])
    out = []
    for k, corner in enumerate(assembly.corners):
        own = [i for i, g in enumerate(fitted.gauges) if g in {x.name for x in corner.gauges}]
        if not own or 3 * k + 2 in prepared.seen.lost:
            continue
        pad = float(tares.pad_load[pads[own[0]]])
        u = float(np.hypot(np.linalg.norm(by_cause[:, 3 * k + 2]), PAD_SHARE * pad))
        out.append(Weighing(corner.name, when, float(force[k, 2, 0]), pad, u))
    return out
