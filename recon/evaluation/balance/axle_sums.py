"""Both axles of a car: sums of their tyres' forces, and the highest use of friction they showed.

Forces are those of the road on the tyre in
intermediate axes: x along the car's heading, y to the left, z up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.labelled import corner_names
from recon.base.quantities import STANDARD_GRAVITY
from recon.base.status import AT_BOUND
from recon.car.vehicle import SIDES
from recon.conditioning.filters import low_pass
from recon.evaluation.common.alternatives import MANY_DRAWS, Alternatives
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.sections.car_motion import Course

if TYPE_CHECKING:
    import xarray as xr

Positions = NDArray[np.int64]
BANDWIDTH = 8.0  # Hz, of forces in answers on axles: above it a road shakes the wheels
PER_PERIOD = 6  # samples kept of each period of the bandwidth
HARD = 0.5  # g; below it no axle comes near its limit
HELD = 0.25  # s, for which a use is held that counts as highest; a shorter peak is no level


def unknown_tyres(forces: xr.Dataset, axle: str, components: str = "xyz") -> list[str]:
    """Tyres of an axle of which one of the forces is never known."""
    force = forces["tyre_force_intermediate"].sel(component=list(components))
    known = np.isfinite(force.to_numpy()).any(axis=0).all(axis=1)
    there = forces["corner"].to_numpy()[known].tolist()
    return [name for name in SIDES[axle] if name not in there]


def complete_axles(forces: xr.Dataset, components: str = "xyz") -> list[str]:
    """Axles of which these forces of both tyres are known."""
    return [axle for axle in SIDES if not unknown_tyres(forces, axle, components)]


def axle_forces(force: Floats, corners: Sequence[str]) -> Floats:
    """Sums (..., sample, axle, component) [N] of forces (..., sample, corner, component).

    Front axle first; NaN for an axle that lacks a tyre.
    """
    out = np.full((*force.shape[:-2], len(SIDES), 3), np.nan)
    for a, names in enumerate(SIDES.values()):
        if set(names) <= set(corners):
            left, right = (list(corners).index(name) for name in names)
            out[..., a, :] = force[..., left, :] + force[..., right, :]
    return out


def use_of(axle: Floats) -> Floats:
    """Friction use sqrt(Fx^2 + Fy^2) / Fz (..., axle) [1] of `axle` (..., axle, 3) [N]."""
    return np.asarray(np.hypot(axle[..., 0], axle[..., 1]) / axle[..., 2])


def usable(forces: xr.Dataset) -> NDArray[np.bool_]:
    """Samples (sample,) with all forces that the gauges determine, and no tyre at a bound."""
    force = forces["tyre_force_intermediate"].to_numpy()
    finite = np.isfinite(force)
    held = (forces["status"].to_numpy() & AT_BOUND) > 0
    return np.asarray((finite | ~finite.any(axis=0)).all(axis=(1, 2)) & ~held.any(axis=1))


def thinned(at: Positions, rate: float) -> Positions:
    """As many of the positions (sample,) as forces of that bandwidth need; `rate` in Hz.

    They are the middles of equal parts: ends count no more than the samples between them.
    """
    count = -(-len(at) // spacing(rate))
    return at[((np.arange(count) + 0.5) * len(at) / count).astype(np.int64)]


def spacing(rate: float) -> int:
    """Samples from one to the next that `thinned` keeps; `rate` in Hz."""
    return max(int(rate / (PER_PERIOD * BANDWIDTH)), 1)


def held_use(use: Floats, rate: float) -> Floats:
    """Highest use (..., axle) that was held for `HELD` s on average.

    Parameters
    ----------
    use : (..., sample, axle)
        At thinned samples. [1]
    rate : float
        Of the forces before they were thinned. [Hz]
    """
    count = min(max(round(HELD * rate / spacing(rate)), 1), use.shape[-2])
    total = np.cumsum(np.concatenate([np.zeros_like(use[..., :1, :]), use], axis=-2), axis=-2)
    held = total[..., count:, :] - total[..., : total.shape[-2] - count, :]
    return np.asarray(np.max(held, axis=-2) / count)


@dataclass(frozen=True, slots=True)
class Highest:
    """Highest use of friction that was demonstrated: level (1,) [1], axle, and time [s]."""

    level: Estimate
    axle: str
    time: float


def highest_use(forces: xr.Dataset, course: Course) -> Highest | None:
    """Highest use that either axle held anywhere in the drive.

    Looked at where the car accelerates, brakes or corners with more than `HARD` g.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    course : Course
        Motion of the car in the same drive.

    Returns
    -------
    Highest or None
        None where the car was never driven hard enough, or no axle is known there.
    """
    corners = corner_names(forces)
    force = forces["tyre_force_intermediate"]
    size = np.hypot(np.nan_to_num(course.along), np.nan_to_num(course.sideways))
    hard = (size > HARD * STANDARD_GRAVITY) & usable(forces)
    best, found = -np.inf, None
    for a, b in runs(hard):
        if b - a < HELD * course.rate:
            continue
        values = force.isel(elapsed_time=slice(a, b)).to_numpy().astype(float)
        flat = low_pass(values.reshape(len(values), -1), BANDWIDTH, course.rate)
        at = thinned(np.arange(b - a), course.rate)
        axle = axle_forces(flat.reshape(values.shape)[at], corners)
        held = np.nan_to_num(held_use(use_of(axle), course.rate), nan=-np.inf)
        if held.max() > best:
            best, found = float(held.max()), (at + a, int(held.argmax()))
    if found is None:
        return None
    at, first = found
    window = Alternatives(forces, at, bandwidth=BANDWIDTH)
    level = window.estimate(
        lambda f: held_use(use_of(axle_forces(f, corners)), course.rate)[..., [first]],
        draws=MANY_DRAWS,
        together=True,
    )
    return Highest(level, list(SIDES)[first], float(course.time[int(at.mean())]))
