"""The calibration of a car: K of every corner with its covariance, and what it was made from.

K (gauge, member) turns loads of the two-force members that hold the upright into indications.
H(q) = K G(q) follows from the geometry at hand; its inverse is never stored.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.quantities import COVERAGE_FACTOR
from recon.calibration.gross_errors import GrossError


@dataclass(frozen=True, slots=True)
class PullReport:
    """Estimates of the fit about one pull.

    `peak` is its largest load [N]; `angle` and `offset` are the sizes of the corrections of
    direction [rad] and point [m]; `hysteresis` is relative to the peak, `zero_return` the change
    of the tares relative to the largest indication; `influence` is the largest relative change of
    a main slope if this pull were left out, and `lack_without` what `lack_of_fit` would be.
    """

    name: str
    peak: float
    angle: float
    offset: float
    hysteresis: float
    zero_return: float
    influence: float
    lack_without: float


@dataclass(frozen=True, slots=True)
class Verification:
    """Verification pulls of one corner, one entry per load step, never used in the fit.

    `reference` (step, 3) is the applied force on the wheel in vehicle axes [N], `applied` (step,)
    its size; `error` (step, 3) measured force less reference value, `u_error` its standard
    uncertainty; `pull` (step,) the names.
    """

    pull: tuple[str, ...]
    applied: Floats
    reference: Floats
    error: Floats
    u_error: Floats

    def __repr__(self) -> str:
        """The lines that a notebook shows: how the errors lie, instead of each of them."""
        rms = " / ".join(f"{one:.0f}" for one in np.sqrt(np.mean(self.error**2, axis=0)))
        return (
            f"Verification: {len(self.pull)} load steps, errors of {rms} N (rms) in x / y / z, "
            f"{100 * self.share_inside:.0f} % of them inside their 95 % limits"
        )

    @property
    def share_inside(self) -> float:
        """Share of components whose error lies inside its 95 % interval."""
        return float(np.mean(np.abs(self.error) <= COVERAGE_FACTOR * self.u_error))


@dataclass(frozen=True, slots=True)
class Conditions:
    """State of the corner during its pulls.

    Mean `travel` and `rack` shift [m] (bump and left positive), mean `temperature` [degC], and
    `force_reached` (3,) the largest force component that a pull in the fit applied [N].
    `tare` (gauge,) is the median indication with nothing but the wheel's weight on the links, and
    `tare_scatter` (gauge,) its standard deviation from pull to pull [unit]; NaN without pulls.
    """

    travel: float
    rack: float
    temperature: float
    force_reached: Floats
    tare: Floats
    tare_scatter: Floats

    def of_gauges(self, kept: list[int]) -> Conditions:
        """The conditions of some of the gauges."""
        return replace(self, tare=self.tare[kept], tare_scatter=self.tare_scatter[kept])


@dataclass(frozen=True, slots=True)
class Quality:
    """How well the pulls determine K, and how well they agree.

    `hysteresis` is the width of the loop between rising and falling loads, relative to a pull's
    peak (root mean square over the pulls); `lack_of_fit` the cost per degree of freedom, 1 where
    pulls agree within their stated uncertainties; `dof` the degrees of freedom.
    `singular_values` (direction,) are those of the scaled unit wrenches of the pulls, the largest
    first; `weak_direction` names the direction of the last.  `rests_on_prior` names directions in
    which K follows bridge data and geometry more than the pulls.
    """

    hysteresis: float
    lack_of_fit: float
    dof: float
    singular_values: Floats
    weak_direction: str
    rests_on_prior: tuple[str, ...]
    gross: tuple[GrossError, ...]
    pulls: tuple[PullReport, ...]

    @property
    def condition(self) -> float:
        """Ratio of the largest to the smallest singular value of the scaled pulls."""
        return float(self.singular_values[0] / max(self.singular_values[-1], 1e-300))


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a corner can be used: `state` is one of `base.status.VERDICTS`.

    `words` say it in one sentence with the reasons; `doubts` are sentences about everything that
    speaks against the calibration.
    """

    state: str
    words: str
    doubts: tuple[str, ...]

    @property
    def unusable(self) -> bool:
        """True where the corner is not to be used unless the user accepts it by name."""
        return self.state == "unusable"


@dataclass(frozen=True, slots=True)
class Facts:
    """Facts of the vehicle file that K depends on: the `place` of each and its `value` in words."""

    place: tuple[str, ...]
    value: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CornerCalibration:
    """K of one corner, or of an axle whose two wheels are solved together, with its covariance.

    `K` (gauge, member) [unit/N]; `K_geometry` the same as bridge data and geometry predict it, NaN
    where they do not.  `arms` (member,) make a force of each load: 1, and an arm [m] for moments
    at sections.  A term of the covariances is one slope, gauge by gauge.

    `covariance_by_source` (source, term, term) parts the covariance of K by what it comes from:
    `indications` (noise), `readings` of loads, `lines` (points and directions), `wheel centre`,
    `geometry` (points and compliances, where pulls were made at several poses), `hysteresis`,
    `prior` (bridges and geometry).
    Devices' gains are not in there: `gain_effect` (device, term) is the change of K per standard
    uncertainty of each device's gain, shared by every corner that used the device.

    `noise` and `friction` (gauge,) are the standard uncertainty of one tared indication and the
    half-width of the loop that friction made. [unit]  `verdict` is None where gauges were
    left out afterwards.
    """

    corner: str
    gauges: tuple[str, ...]
    units: tuple[str, ...]
    members: tuple[str, ...]
    arms: Floats
    K: Floats
    K_geometry: Floats
    sources: tuple[str, ...]
    covariance_by_source: Floats
    devices: tuple[str, ...]
    gain_effect: Floats
    noise: Floats
    friction: Floats
    conditions: Conditions
    quality: Quality
    verification: Verification | None
    verdict: Verdict | None = None
    facts: Facts = field(default_factory=lambda: Facts((), ()))

    def __repr__(self) -> str:
        """The lines that a notebook shows: the verdict instead of its arrays."""
        return self.verdict.words if self.verdict else f"{self.corner}: no verdict"

    @property
    def covariance(self) -> Floats:
        """Covariance of K (term, term) [unit2/N2] from all sources but the devices' gains."""
        return np.asarray(self.covariance_by_source.sum(axis=0))

    @property
    def u_K(self) -> Floats:
        """Standard uncertainty of K (gauge, member) [unit/N], devices' gains included."""
        variance = np.diag(self.covariance) + np.sum(self.gain_effect**2, axis=0)
        return np.sqrt(variance).reshape(self.K.shape)

    def covariance_at(self, loads: Floats) -> Floats:
        """Covariance (..., gauge, gauge) of the indications under `loads`, gains aside.

        It follows from K's covariance, in the product of the gauges' units; `loads` (..., member)
        [N] are member loads, tension positive.
        """
        gauges, members = self.K.shape
        tensor = self.covariance.reshape(gauges, members, gauges, members)
        by_load = np.tensordot(loads, tensor, axes=(-1, 1))
        return np.asarray(np.einsum("...ghn,...n->...gh", by_load, loads))

    @property
    def main_slope(self) -> Floats:
        """Size of each gauge's largest slope, (gauge,) [unit/N].

        Moments count by the force on their arm.  A slope whose sign nobody knows, of a damper that
        no pull loads, counts by its uncertainty.
        """
        return np.asarray(np.max(np.maximum(np.abs(self.K), self.u_K) * self.arms, axis=1))

    @property
    def crosstalk_percent(self) -> Floats:
        """Slopes (gauge, member) relative to the gauge's largest slope [%].

        Moments count by the force on their arm.
        """
        return 100.0 * self.K * self.arms / self.main_slope[:, None]

    def without(self, *names: str) -> CornerCalibration:
        """The calibration of the remaining gauges, as if the named ones had not been there.

        Slopes of the others keep their values and covariance, which the pulls gave them together.
        The verification and the verdict go, as they were made with all gauges.

        Raises DataError: the corner has no gauge of that name, or none would be left.
        """
        for name in names:
            if name not in self.gauges:
                raise DataError(
                    where=f"calibration of {self.corner}",
                    found=f"no gauge '{name}' to leave out",
                    needed=nearest(name, self.gauges),
                    do="Name a gauge of this corner.",
                )
        kept = [g for g, name in enumerate(self.gauges) if name not in names]
        if not kept:
            raise DataError(
                where=f"calibration of {self.corner}",
                found=f"none of its {len(self.gauges)} gauges left",
                needed="at least one gauge",
                do="Leave fewer gauges out, or do without this corner.",
            )
        terms = np.arange(self.K.size).reshape(self.K.shape)[kept].ravel()
        return replace(
            self,
            gauges=tuple(self.gauges[g] for g in kept),
            units=tuple(self.units[g] for g in kept),
            K=self.K[kept],
            K_geometry=self.K_geometry[kept],
            covariance_by_source=self.covariance_by_source[:, terms[:, None], terms],
            gain_effect=self.gain_effect[:, terms],
            noise=self.noise[kept],
            friction=self.friction[kept],
            conditions=self.conditions.of_gauges(kept),
            verification=None,
            verdict=None,
        )


@dataclass(frozen=True, slots=True)
class Calibration:
    """The calibration of a car as a later run reads it back."""

    vehicle: str
    vehicle_checksum: str
    created: str
    sources: tuple[tuple[str, str], ...]
    corners: dict[str, CornerCalibration]

    def __repr__(self) -> str:
        """The lines that a notebook shows: the verdict on each corner instead of its arrays."""
        first = f"Calibration of {self.vehicle}, {self.created.partition('T')[0]}"
        return "\n  ".join([first, *map(repr, self.corners.values())])

    @property
    def unusable(self) -> tuple[str, ...]:
        """Names of the corners and axles that are not to be used."""
        return tuple(n for n, c in self.corners.items() if c.verdict and c.verdict.unusable)
