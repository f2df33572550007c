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
from recon.reconstruction.causes import FEATURES, PAD_SHARE, PAD_TRAVEL
from recon.reconstruction.prepare import SensorErrors, Session, prepare_corner
from recon.reconstruction.solve import Samples, forces_of

if TYPE_CHECKING:
    from recon.calibration.map import Calibration
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
    out = []
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
            out.append(_weighing(tares, calibration, car, (name, when, hanging, pads)))
    return tuple(out)


def _weighing(tares: Tares, calibration: Calibration, car: Vehicle, job: tuple) -> Weighing:
    name, when, hanging, pads = job
    corner, fitted = car.corners[name], calibration.corners[name]
    noise = np.where(np.isfinite(tares.sd[pads]), tares.sd[pads], 0.0) / np.sqrt(10.0)
    session = Session(
        noise=np.fmax(noise, fitted.noise),
        u_zero=fitted.noise,
        tare_u=None,
        sensors=SensorErrors(travel=PAD_TRAVEL),
        u_hub_noise=0.0,
        warming=0.0,
        pressure_logged=False,
        tare_travel=max(corner.droop_travel, corner.travel_range[0]),
    )
    prepared = prepare_corner(car, corner, fitted, session)
    seen = tares.indication[pads] - tares.indication[hanging]
    samples = Samples(
        indication=seen[None, :],
        hub=np.array([[0.0, 0.0, STANDARD_GRAVITY]]),
        brake_torque=np.zeros(1),
        travel=np.zeros(1),
        rack=np.zeros(1),
        # A wheel at rest on a pad may be held by anything: the hub's moment is open.
        mode=np.ones(1, dtype=np.int64),
    )
    force = forces_of(prepared, samples)[0][0]
    features = np.zeros(FEATURES)
    features[0], features[1:5] = 1.0, force
    by_cause = [c.loading[1, 2] @ features for c in prepared.causes]
    pad = float(tares.pad_load[pads[0]])
    u = float(np.sqrt(np.sum(np.square(by_cause)) + (PAD_SHARE * pad) ** 2))
    return Weighing(name, when, float(force[2]), pad, u)
