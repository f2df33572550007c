"""Lateral forces of tyres and axles at a bandwidth, with their noise and their fixed errors."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.status import AT_BOUND
from recon.car.vehicle import SIDES
from recon.conditioning.filters import low_pass, noise_left
from recon.planning.combinations import NEARLY
from recon.reconstruction.result.signed_errors import Loadings, loadings_of

Y = 1


@dataclass(frozen=True, slots=True)
class Lateral:
    """Lateral force of a tyre or an axle, `value` and `noise` (sample,) [N].

    `members` are positions of its corners.  An axle of which only the sum is known has `u_sum`
    (sample,) [N] instead of signed errors.
    """

    value: Floats
    noise: Floats
    members: tuple[int, ...]
    u_sum: Floats | None = None


@dataclass(frozen=True, slots=True)
class LateralForces:
    """Lateral forces of all tyres and axles of a drive.

    `axles` are those with both corners, `sums` those of them whose tyres are not known by
    themselves.  `bound` (sample, corner) is true where a wheel is at a bound.
    """

    corners: list[str]
    tyres: list[Lateral]
    axles: dict[str, Lateral]
    sums: dict[str, Lateral]
    bound: NDArray[np.bool_]
    loadings: Loadings
    rate: float

    @classmethod
    def of(cls, forces: xr.Dataset, bandwidth: float, rate: float) -> LateralForces:
        """Forces of a drive, low-passed to `bandwidth` [Hz]; `rate` [Hz] is that of its samples."""
        raw = forces["tyre_force_intermediate"].to_numpy()[:, :, Y].astype(float)
        value = low_pass(raw, bandwidth, rate)
        own = float(forces.attrs.get("bandwidth_Hz", 0.5 * rate))
        noise = forces["u_tyre_force_random"].to_numpy()[:, :, Y].astype(float)
        noise *= noise_left(bandwidth, own, rate)
        corners = corner_names(forces)
        tyres = [Lateral(value[:, k], noise[:, k], (k,)) for k in range(len(corners))]
        sums = {
            axle: replace(known, value=low_pass(known.value[:, None], bandwidth, rate)[:, 0])
            for axle, known in _known_sums(forces, corners).items()
        }
        axles = {
            axle: sums[axle] if axle in sums else _together(corners, tyres, names)
            for axle, names in SIDES.items()
            if set(names) <= set(corners)
        }
        bound = (forces["status"].to_numpy() & AT_BOUND) > 0
        return cls(corners, tyres, axles, sums, bound, loadings_of(forces), rate)

    @property
    def known(self) -> bool:
        """Whether any lateral force is known anywhere."""
        return bool(self.sums) or any(np.isfinite(tyre.value).any() for tyre in self.tyres)

    @property
    def parts(self) -> list[Lateral]:
        """Tyres, and in place of those that are not known by themselves the sums of axles."""
        summed = {k for known in self.sums.values() for k in known.members}
        return [t for k, t in enumerate(self.tyres) if k not in summed] + list(self.sums.values())

    @property
    def total(self) -> Floats:
        """Sum of everything that is known (sample,) [N]."""
        return np.asarray(np.nansum([part.value for part in self.parts], axis=0))

    def effects(self, force: Lateral, samples: NDArray[np.int64]) -> Floats:
        """Signed effect of each cause at some samples.

        `samples` (sample,) are positions along time; the result is (cause, sample) [N].  Where
        only a sum is known, one row holds its uncertainty without a sign.
        """
        if force.u_sum is not None:
            return np.asarray(force.u_sum[samples])[None]
        effects = [self.loadings.errors(k, samples)[..., Y] for k in force.members]
        return np.asarray(np.sum(effects, axis=0))


def _together(corners: list[str], tyres: list[Lateral], names: tuple[str, ...]) -> Lateral:
    """Force of an axle from those of its tyres."""
    members = tuple(corners.index(name) for name in names)
    left, right = (tyres[k] for k in members)
    return Lateral(left.value + right.value, np.hypot(left.noise, right.noise), members)


def _known_sums(forces: xr.Dataset, corners: list[str]) -> dict[str, Lateral]:
    """Axles of which the sum of both lateral forces is known, and neither of the two."""
    if "known_sum" not in forces:
        return {}
    out = {}
    for axle, names in SIDES.items():
        at = tuple(corners.index(name) for name in names if name in corners)
        for j, weight in enumerate(forces["sum_weight"].to_numpy()):
            own = weight[list(at), Y]
            if len(at) < 2 or np.abs(weight).sum() > np.abs(own).sum() + NEARLY or own.min() <= 0:
                continue
            value = forces["sum_of_forces"].to_numpy()[:, j].astype(float)
            # Weights that differ leave a share of the tyres' difference in it, at most the sum.
            mixed = np.ptp(own) / 2 * np.abs(value) / np.sqrt(3.0)
            u = np.hypot(forces["u_sum_of_forces"].to_numpy()[:, j], mixed)
            out[axle] = Lateral(value, np.zeros_like(value), at, u)
    return out
