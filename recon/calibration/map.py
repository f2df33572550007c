"""The calibration of a car: K of every corner with its covariance, and what it was made from.

K (gauge, member) turns loads of the two-force members that hold the upright into indications.
H(q) = K G(q) follows from the geometry at hand; its inverse is never stored.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.uncertainty import COVERAGE_FACTOR
from recon.calibration.gross import GrossError


@dataclass(frozen=True, slots=True)
class PullReport:
    """What the fit found out about one pull; estimates follow the sheet's order.

    `angle` and `offset` are the sizes of the corrections of direction [rad] and point [m];
    `influence` is the largest change of a main slope without this pull, relative.
    """

    name: str
    purpose: str
    peak: float
    angle: float
    offset: float
    hysteresis: float
    zero_return: float
    influence: float


@dataclass(frozen=True, slots=True)
class Verification:
    """Verification pulls of one corner, one entry per load step, never used in the fit.

    `error` (step, component) measured force less reference value, vehicle axes [N]; `u_error`
    its standard uncertainty; `applied` (step,) size of the applied force [N].
    """

    pull: tuple[str, ...]
    applied: Floats
    reference: Floats
    error: Floats
    u_error: Floats

    @property
    def share_inside(self) -> float:
        """Share of components whose error lies inside its 95 % interval."""
        return float(np.mean(np.abs(self.error) <= COVERAGE_FACTOR * self.u_error))


@dataclass(frozen=True, slots=True)
class CornerCalibration:
    """One corner.

    `covariance` (gauge * member, gauge * member) is that of K without the devices' gains;
    `gain_effect` (device, gauge * member) is the change of K per standard uncertainty of each
    device's gain, shared by every corner that used the device.  `noise` and `friction` (gauge,)
    are the scatter of one tared indication and the half-width of the loop that friction made.
    `corner` is a corner's name, or that of an axle whose two wheels are solved together.  `arms`
    (member,) make a force of each load: 1, and an arm [m] for moments at sections.
    """

    corner: str
    gauges: tuple[str, ...]
    units: tuple[str, ...]
    members: tuple[str, ...]
    arms: Floats
    K: Floats
    covariance: Floats
    devices: tuple[str, ...]
    gain_effect: Floats
    K_geometry: Floats
    noise: Floats
    friction: Floats
    travel: float
    rack: float
    temperature: float
    hysteresis: float
    lack_of_fit: float
    dof: float
    force_reached: Floats
    singular_values: Floats
    weak_direction: str
    rests_on_prior: tuple[str, ...]
    gross: tuple[GrossError, ...]
    pulls: tuple[PullReport, ...]
    verification: Verification | None

    @property
    def condition(self) -> float:
        """Ratio of the largest to the smallest singular value of the scaled pulls."""
        return float(self.singular_values[0] / max(self.singular_values[-1], 1e-300))

    @property
    def u_K(self) -> Floats:
        """Standard uncertainty of K [unit/N], devices' gains included."""
        variance = np.diag(self.covariance) + np.sum(self.gain_effect**2, axis=0)
        return np.sqrt(variance).reshape(self.K.shape)

    def covariance_at(self, loads: Floats) -> Floats:
        """Covariance (..., gauge, gauge) of what `loads` (..., member) indicate, that K's leaves.

        Without the devices' gains.
        """
        gauges, members = self.K.shape
        tensor = self.covariance.reshape(gauges, members, gauges, members)
        by_load = np.tensordot(loads, tensor, axes=(-1, 1))
        return np.asarray(np.einsum("...ghn,...n->...gh", by_load, loads))

    @property
    def crosstalk_percent(self) -> Floats:
        """Indication per newton of each member over that of the strongest member, in percent.

        Moments count by the force on their arm.
        """
        per_force = self.K * self.arms
        return 100.0 * per_force / np.max(np.abs(per_force), axis=1, keepdims=True)


@dataclass(frozen=True, slots=True)
class Calibration:
    """The calibration of a car as a later run reads it back."""

    vehicle: str
    vehicle_checksum: str
    created: str
    sources: tuple[tuple[str, str], ...]
    corners: dict[str, CornerCalibration]
