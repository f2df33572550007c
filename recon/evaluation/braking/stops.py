"""Stops of a drive: the samples of each that count, and the forces of both axles in them.

Braking forces keep the sign of Fx: the road pushes backwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.errors import NoAnswerError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.base.status import BIT
from recon.car.vehicle import SIDES
from recon.evaluation.balance.axle_sums import (
    BANDWIDTH,
    Positions,
    axle_drive,
    complete_axles,
    for_axles,
    means_by_axle,
    thinned,
    usable,
)
from recon.evaluation.common.alternatives import Stretches, estimate_each
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.sections.car_motion import Course, course_of
from recon.evaluation.sections.detection import BRAKING, STRAIGHT_BRAKING
from recon.evaluation.sections.find_sections import Section, searched, sections_of

SLIPPING = 0.15  # of the speed, of a braked wheel beyond the limit of its tyre
SHORTEST = 0.3  # s in the gate; in less time a mean holds hardly three periods of the bandwidth
LEAST = f"{SHORTEST:g} s of straight braking above {BRAKING:g} g with known forces"
GATE = (
    f"straight braking above {BRAKING:g} g, less than {STRAIGHT_BRAKING:g} g sideways, all forces "
    f"of the gauged tyres known and none at a bound, {SHORTEST:g} s or more"
)


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop: its section, its samples in the gate, and means of forces over them.

    `forces` holds Fx of both axles, Fz of both axles, and the Fx that the front axle would have
    had if it shared braking as it shares the load. [N]
    """

    section: Section
    at: Positions
    forces: Estimate


def shares_of(force: Floats) -> Floats:
    """Front share, ideal one, and the first less the second, (..., 3) [1].

    `force` (..., 5) [N] is as `Stop.forces` holds it.
    """
    front, ideal = force[..., 0], force[..., 4]
    shares = np.stack([front, ideal, front - ideal], axis=-1)
    return np.asarray(shares / (front + force[..., 1])[..., None])


def _means(axle: Floats, some: Stretches) -> Floats:
    """Means over stretches of forces (..., sample, axle, component), as of `Stop.forces`."""
    ahead, upward = (np.swapaxes(axle[..., j], -1, -2) for j in (0, 2))
    ideal = ahead.sum(axis=-2) * upward[..., 0, :] / upward.sum(axis=-2)
    rows = np.concatenate([ahead, upward, ideal[..., None, :]], axis=-2)
    return np.swapaxes(some.means(rows), -1, -2)


class BrakedDrive:
    """A drive whose stops are looked at.

    Raises NoAnswerError: neither axle has both of its tyres; DataError: the dataset is no result
    of `reconstruct`.
    """

    def __init__(self, forces: xr.Dataset) -> None:
        self.forces = forces = for_axles(forces)
        self.corners = corner_names(forces)
        self.axles = complete_axles(forces, "x")
        if not self.axles:
            raise NoAnswerError(
                place_of(forces),
                f"no axle with both longitudinal forces known (of {', '.join(self.corners)})",
                "both tyres of an axle",
                "Gauge the other wheel of the axle; one wheel says nothing about shares.",
            )
        self.course: Course = course_of(forces)
        self.usable = usable(forces)
        self.drive = axle_drive(forces)

    @cached_property
    def driven(self) -> NDArray[np.bool_]:
        """Axles (axle,) with a driven wheel."""
        driven = dict(zip(self.corners, self.forces["driven"].to_numpy(), strict=True))
        return np.array([any(driven.get(w, False) for w in wheels) for wheels in SIDES.values()])

    @cached_property
    def braked(self) -> NDArray[np.bool_]:
        """Samples (sample,) of straight braking."""
        along, sideways = self.course.along, np.abs(self.course.sideways)
        g = STANDARD_GRAVITY
        return np.asarray((along < -BRAKING * g) & ~(sideways >= STRAIGHT_BRAKING * g))

    @cached_property
    def skidding(self) -> NDArray[np.bool_]:
        """Samples (sample, axle) in which a wheel of the axle is locked or nearly so, or near them.

        Its brake then holds what the road gives, and not what the line asks for.
        """
        locked = (self.forces["status"].to_numpy() & BIT["wheel_locked"]) > 0
        turning = self.channel("wheel_speed")
        if turning is not None:
            rim = turning * self.forces["loaded_radius"].to_numpy()
            locked |= rim < (1.0 - SLIPPING) * self.course.speed[:, None]
        by_axle = means_by_axle(locked.astype(float), self.corners) > 0
        near = np.ones(2 * int(self.course.rate / BANDWIDTH) + 1)
        return np.array([np.convolve(one, near, mode="same") > 0 for one in by_axle.T]).T

    @cached_property
    def pressure(self) -> Floats | None:
        """Line pressure (sample, axle) [Pa], if it was logged."""
        logged = self.channel("brake_pressure")
        return None if logged is None else means_by_axle(logged, self.corners)

    def channel(self, name: str) -> Floats | None:
        """A logged channel [any], (sample,) or (sample, corner), in SI units; None without it."""
        return self.forces[name].to_numpy().astype(float) if name in self.forces else None

    def means(self, stretches: list[Positions]) -> list[Estimate]:
        """Means of forces [N] over the samples of each stretch, as `Stop.forces` holds them."""
        some = [thinned(at, self.course.rate) for at in stretches]
        return estimate_each(self.drive, some, _means)

    def stops(self, sections: xr.Dataset) -> list[Stop]:
        """Stops among the sections that have samples enough in the gate.

        Raises NoAnswerError: there is none; the message says how long and how hard the car was
        braked.
        """
        counted, found = self.braked & self.usable, []
        for section in sections_of(sections, "straight braking"):
            inside = section.slice_of(self.course.time)
            at = np.flatnonzero(counted[inside]) + inside.start
            if len(at) >= SHORTEST * self.course.rate:
                found.append((section, at))
        if not found:
            raise self._no_stop(counted, sections)
        means = self.means([at for _, at in found])
        return [Stop(*one, of) for one, of in zip(found, means, strict=True)]

    def without_skid(self, stops: list[Stop], axle: int) -> dict[int, Stop]:
        """The stops, by number, in the samples in which no wheel of the `axle` skids, if enough."""
        left = [stop.at[~self.skidding[stop.at, axle]] for stop in stops]
        enough = [i for i, at in enumerate(left) if len(at) >= SHORTEST * self.course.rate]
        fewer = [i for i in enough if len(left[i]) < len(stops[i].at)]
        means = self.means([left[i] for i in fewer]) if fewer else []
        again = {i: Stop(stops[i].section, left[i], of) for i, of in zip(fewer, means, strict=True)}
        return {i: again.get(i, stops[i]) for i in enough}

    def _no_stop(self, counted: NDArray[np.bool_], sections: xr.Dataset) -> NoAnswerError:
        names, inside = searched(self.course.time, sections, "straight braking")
        lasted = max((b - a for a, b in runs(counted & inside)), default=0) / self.course.rate
        along = self.course.along[inside]
        known = np.isfinite(along).any()
        hardest = max(-np.nanmin(along), 0.0) / STANDARD_GRAVITY if known else np.nan
        return NoAnswerError(
            f"{place_of(self.forces)}{names}",
            f"at most {lasted:.1f} s of straight braking above {BRAKING:g} g with known forces "
            f"(hardest {hardest:.2f} g)",
            f"{SHORTEST:g} s of it in one section, with less than {STRAIGHT_BRAKING:g} g sideways",
            "Brake once from speed in a straight line; two seconds are plenty.",
        )
