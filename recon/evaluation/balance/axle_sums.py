"""Both axles of a car: sums of their tyres' forces, and the highest use of friction they showed.

Forces are those of the road on the tyre in
intermediate axes: x along the car's heading, y to the left, z up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.kept_results import shared
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.base.status import AT_BOUND
from recon.car.vehicle import SIDES
from recon.evaluation.common.alternatives import MANY_DRAWS, Alternatives, Drive
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.common.short_means import at_bandwidth
from recon.evaluation.sections.car_motion import Course
from recon.reconstruction.result.signed_errors import RANDOM, STATED
from recon.records.forces import SIGNED

Positions = NDArray[np.int64]
PER_PERIOD = 6  # samples that are looked at in each period of the bandwidth
BANDWIDTH = 8.0  # Hz, of forces in answers on axles: above it a road shakes the wheels
FORCES = (*SIGNED, "status", RANDOM, *STATED.values())
CHANNELS = (
    "speed", "yaw_rate", "acceleration", "wheel_speed", "brake_pressure", "throttle", "gear",
    "clutch",
)  # fmt: skip
HARD = 0.5  # g; below it no axle comes near its limit
HELD = 0.25  # s, for which a use is held that counts as highest; a shorter peak is no level


def unknown_tyres(forces: xr.Dataset, axle: str, components: str = "xyz") -> list[str]:
    """Tyres of an axle of which one of the forces is never known."""
    known = _known(forces)[:, [COMPONENTS.index(c) for c in components]].all(axis=1)
    there = forces["corner"].to_numpy()[known].tolist()
    return [name for name in SIDES[axle] if name not in there]


@shared
def _known(forces: xr.Dataset) -> NDArray[np.bool_]:
    """Forces (corner, component) that are known anywhere."""
    return np.isfinite(forces["tyre_force_intermediate"].to_numpy()).any(axis=0)


def complete_axles(forces: xr.Dataset, components: str = "xyz") -> list[str]:
    """Axles of which these forces of both tyres are known."""
    return [axle for axle in SIDES if not unknown_tyres(forces, axle, components)]


def axle_forces(force: Floats, corners: Sequence[str]) -> Floats:
    """Sums (..., sample, axle, component) [N] of forces (..., sample, corner, component).

    Front axle first; NaN for an axle that lacks a tyre.
    """
    # Each component by itself in memory: answers look at one component of many samples.
    out = np.moveaxis(np.full((3, *force.shape[:-2], len(SIDES)), np.nan), 0, -1)
    for a, names in enumerate(SIDES.values()):
        if set(names) <= set(corners):
            left, right = (list(corners).index(name) for name in names)
            np.add(force[..., left, :], force[..., right, :], out=out[..., a, :])
    return out


def means_by_axle(values: Floats, corners: Sequence[str]) -> Floats:
    """Means (sample, axle) of values (sample, corner) over those tyres of an axle that are there.

    In the unit of the values [any]; NaN for an axle without a tyre.
    """
    out = np.full((len(values), len(SIDES)), np.nan)
    for a, names in enumerate(SIDES.values()):
        at = [list(corners).index(name) for name in names if name in corners]
        if at:
            out[:, a] = values[:, at].mean(axis=1)
    return out


def axle_places(forces: xr.Dataset) -> tuple[float, float]:
    """Places x [m] of front and rear axle, vehicle axes."""
    x = forces["contact_point"].sel(component="x")
    front, rear = (float(x.sel(corner=list(names)).mean()) for names in SIDES.values())
    return front, rear


def centre_of_mass(forces: xr.Dataset, component: str) -> tuple[float, float]:
    """One coordinate of the centre of mass as stated, and its standard uncertainty [m]."""
    names = ("centre_of_mass", "u_centre_of_mass")
    place, u = (float(forces[name].sel(component=component)) for name in names)
    return place, u


def sampling(forces: xr.Dataset) -> str:
    """Bandwidth and rate of forces, in words."""
    bandwidth, rate = forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"]
    return f"forces at {bandwidth:g} Hz, {rate:.4g} samples a second"


@shared
def axle_drive(forces: xr.Dataset) -> Drive:
    """A drive of which the sums of both axles are looked at, see `axle_forces`."""
    return Drive(forces, sums=partial(axle_forces, corners=corner_names(forces)))


def use_of(axle: Floats) -> Floats:
    """Friction use sqrt(Fx^2 + Fy^2) / Fz (..., axle) [1] of `axle` (..., axle, 3) [N]."""
    return np.asarray(np.sqrt(axle[..., 0] ** 2 + axle[..., 1] ** 2) / axle[..., 2])


@shared
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
    count = max(len(at) // spacing(rate), 1)
    return at[((np.arange(count) + 0.5) * len(at) / count).astype(np.int64)]


def spacing(rate: float) -> int:
    """Samples from one to the next that `thinned` keeps; `rate` in Hz."""
    return max(int(rate / (PER_PERIOD * BANDWIDTH)), 1)


@shared
def for_axles(forces: xr.Dataset) -> xr.Dataset:
    """Forces at the bandwidth of answers on axles, and the channels that these need."""
    return at_bandwidth(forces, BANDWIDTH, *FORCES, *CHANNELS)


def step_between(rate: float) -> float:
    """Time [s] between samples that `thinned` keeps; `rate` in Hz."""
    return spacing(rate) / rate


def held_use(use: Floats, step: float) -> Floats:
    """Highest use (..., axle) that was held for `HELD` s on average.

    `use` (..., sample, axle) [1] is that at thinned samples, `step` the time between them [s].
    """
    ends = np.array([0, use.shape[-2]])
    return highest_held(np.swapaxes(use, -1, -2), np.array([step]), ends)[..., 0]


def highest_held(use: Floats, step: Floats, ends: Positions) -> Floats:
    """Highest use (..., axle, stretch) that was held in stretches one after another.

    `use` (..., axle, sample) [1]; samples are `step` (stretch,) [s] apart, and stretches begin and
    end at `ends` (stretch + 1,).
    """
    size = np.clip(np.round(HELD / step).astype(np.int64), 1, np.diff(ends))
    total = np.zeros((*use.shape[:-1], use.shape[-1] + 1))
    np.cumsum(use, axis=-1, out=total[..., 1:])
    out = np.empty((*use.shape[:-1], len(size)))
    for count in np.unique(size):
        own = np.flatnonzero(size == count)
        held = total[..., count:] - total[..., : total.shape[-1] - count]
        # From the first to the last within each stretch; those across its end are left out.
        edges = np.column_stack([ends[own], ends[own + 1] - count + 1]).ravel()
        edges = edges[edges < held.shape[-1]]
        out[..., own] = np.maximum.reduceat(held, edges, axis=-1)[..., ::2] / count
    return out


@dataclass(frozen=True, slots=True)
class Highest:
    """Highest use of friction that was demonstrated: level (1,) [1], axle, and time [s]."""

    level: Estimate
    axle: str
    time: float


def highest_use(forces: xr.Dataset, course: Course) -> Highest | None:
    """Highest use that either axle held anywhere in the drive.

    Looked at where the car, by its motion in `course`, accelerates, brakes or corners with more
    than `HARD` g.  `forces` are those of `for_axles`.  None where the car was never driven hard
    enough, or no axle is known there.
    """
    corners = corner_names(forces)
    axle = axle_forces(forces["tyre_force_intermediate"].to_numpy().astype(float), corners)
    use = use_of(axle)
    size = np.hypot(np.nan_to_num(course.along), np.nan_to_num(course.sideways))
    hard = (size > HARD * STANDARD_GRAVITY) & usable(forces)
    best, found, step = -np.inf, None, step_between(course.rate)
    for a, b in runs(hard):
        if b - a < HELD * course.rate:
            continue
        at = thinned(np.arange(a, b), course.rate)
        held = np.nan_to_num(held_use(use[at], step), nan=-np.inf)
        if held.max() > best:
            best, found = float(held.max()), (at, int(held.argmax()))
    if found is None:
        return None
    at, first = found
    window = Alternatives(axle_drive(forces), at)
    level = window.estimate(
        lambda axle: held_use(use_of(axle), step)[..., [first]], draws=MANY_DRAWS, together=True
    )
    return Highest(level, list(SIDES)[first], float(course.time[int(at.mean())]))
