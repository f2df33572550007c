"""Motion of the body over a drive, as the ordinary channels of a view show it, in level axes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.quantities import CORNERS
from recon.car.vehicle import Wheel
from recon.examination.inferred_turning import INFERRED
from recon.examination.view import View
from recon.reconstruction.inputs.attitude import has_four_wheels, of_travels
from recon.reconstruction.steer_from_gauges import USUAL_SPEED
from recon.reconstruction.whole_car.car_stance import Stance, inertial_force, stance_of

LEAST_SPEED = 4.0  # m/s; below, angles of slip and rates of curvature say nothing
# A slide: speed times yaw rate is so many times the sideways acceleration of the hardest turn, for
# which no less than so much is taken, and so long before and after.  Common practice, no source.
BEYOND, LEAST_TURN, AROUND = 1.2, 3.0, 2.0  # 1; m/s2; s
AT_LIMIT = 0.8  # of the hardest turn, if the car slides in the same drive


@dataclass(frozen=True)
class Motion:
    """Ordinary channels of a view, (n,) each; NaN where a channel is not logged."""

    view: View

    def channel(self, name: str, corner: str | None = None) -> Floats:
        """Values (n,) of a channel of the car or a corner [SI unit]."""
        found = self.view.channel(name, corner)
        return np.full(self.count, np.nan) if found is None else found

    @cached_property
    def count(self) -> int:
        """Number of samples."""
        return len(self.view.elapsed)

    @cached_property
    def stance(self) -> Stance | None:
        """Masses of the car and where its wheels stand, None if its wheelbase is not known."""
        return stance_of(self.view.prepared.car)

    @property
    def wheels(self) -> tuple[Wheel, ...]:
        """Wheels of all described corners."""
        return tuple(c.wheel for c in self.view.prepared.car.corners.values())

    @cached_property
    def turn(self) -> Floats:
        """Rotation (3, 3, n) from vehicle into intermediate axes [1]."""
        return next(iter(self.view.parts.values())).samples.turn

    @cached_property
    def body(self) -> Floats:
        """Specific force of the body (3, n) [m/s2] in level axes."""
        found = self.view.channel("acceleration")
        if found is None:
            return np.full((3, self.count), np.nan)
        return np.einsum("ijn,nj->in", self.turn, found)

    @cached_property
    def jerk(self) -> Floats:
        """Change of the body's specific force (3, n) [m/s3], zero where it is not logged."""
        found = self.view.channel("slope_of_acceleration")
        return np.zeros((3, self.count)) if found is None else np.nan_to_num(found.T)

    @cached_property
    def inertial(self) -> Floats:
        """Sum (3, n) [N] of mass times specific force, body and wheels, in level axes."""
        car = self.view.prepared.car
        found = self.view.channel("acceleration")
        if found is None:
            return np.full((3, self.count), np.nan)
        hubs = [
            (self.channel("hub_acceleration", name) if self._has_hub(name) else found).T
            for name in car.corners
        ]
        unsprung = np.array([corner.unsprung_mass for corner in car.corners.values()])
        out = inertial_force(car.mass, unsprung, found.T, np.array(hubs))
        return np.einsum("ijn,jn->in", self.turn, out)

    @cached_property
    def hopping(self) -> Floats:
        """Upward inertia of wheels against the body as far as it was inferred, (4, n) [N].

        In the order of `CORNERS`; short means of a wheel that hops are not zero.
        """
        log, out = self.view.log, np.zeros((len(CORNERS), self.count))
        if INFERRED not in log:
            return out
        for place, name in enumerate(corner_names(log)):
            if not self._has_hub(name):
                moved = log.variables[INFERRED].to_numpy()[:, place, 2]
                mass = self.view.prepared.car.corners[name].unsprung_mass
                out[CORNERS.index(name)] = mass * np.nan_to_num(moved)
        return out

    def _has_hub(self, corner: str) -> bool:
        """Whether the acceleration of a hub is logged in all directions."""
        hub = self.view.channel("hub_acceleration", corner)
        return hub is not None and bool(np.isfinite(hub).any(axis=0).all())

    @cached_property
    def speed(self) -> Floats:
        """Speed (n,) [m/s]; if it is not logged, that at which the logged wheels roll."""
        return self._of_car("speed", "wheel_speed")

    @cached_property
    def speed_change(self) -> Floats:
        """Change of the speed (n,) [m/s2], found as the speed is."""
        return self._of_car("slope_of_speed", "slope_of_wheel_speed")

    def _of_car(self, own: str, of_wheels: str) -> Floats:
        """A channel of the car (n,), or the median of its wheels' times their radii."""
        found = self.view.channel(own)
        if found is not None:
            return found
        corners = self.view.prepared.car.corners
        wheels = {name: self.view.channel(of_wheels, name) for name in corners}
        rolled = [
            w * corners[name].wheel.loaded_radius for name, w in wheels.items() if w is not None
        ]
        return np.median(rolled, axis=0) if rolled else np.full(self.count, np.nan)

    @cached_property
    def yaw_rate(self) -> Floats:
        """Yaw rate (n,) [rad/s]."""
        return self.channel("yaw_rate")

    @cached_property
    def yaw_change(self) -> Floats:
        """Yaw acceleration (n,) [rad/s2]."""
        return self.channel("slope_of_yaw_rate")

    @cached_property
    def turns(self) -> tuple[Floats, Floats]:
        """Yaw rate (n,) [rad/s] and its change (n,) [rad/s2], zero where they are not known.

        Where no yaw rate is logged, a car that does not slide turns as it is accelerated sideways.
        """
        if self.view.channel("yaw_rate") is not None:
            return np.nan_to_num(self.yaw_rate), np.nan_to_num(self.yaw_change)
        speed = np.where(np.isfinite(self.speed), np.abs(self.speed), USUAL_SPEED)
        speed = np.maximum(speed, LEAST_SPEED)
        return np.nan_to_num(self.body[1] / speed), self.jerk[1] / speed

    @cached_property
    def leaning(self) -> tuple[Floats, Floats]:
        """Roll and pitch acceleration (n,) [rad/s2] of the body, zero where nothing shows them.

        Where roll and pitch are not logged, travels show how the body leans on its springs.
        """
        own = self.channel("bend_of_roll"), self.channel("bend_of_pitch")
        car = self.view.prepared.car
        if np.isnan(own).all(axis=1).any() and has_four_wheels(car):
            lean = of_travels(car, {c: self.channel("bend_of_travel", c) for c in CORNERS})
            own = lean.roll, lean.pitch
        return np.nan_to_num(own[0]), np.nan_to_num(own[1])

    @cached_property
    def moving(self) -> NDArray[np.bool_]:
        """True (n,) where the car moves well."""
        return np.asarray(np.nan_to_num(self.speed) > LEAST_SPEED)

    @cached_property
    def hardest_turn(self) -> float:
        """Sideways acceleration [m/s2] of the hardest turn, `LEAST_TURN` of a drive without one."""
        aside = np.abs(self.body[1])
        known = aside[np.isfinite(aside)]
        return max(float(np.quantile(known, 0.99)), LEAST_TURN) if len(known) else np.inf

    @cached_property
    def sliding(self) -> NDArray[np.bool_]:
        """True (n,) around moments in which the car yaws more than its tyres can turn its path.

        Then it does not move where it points.  As it cannot go on like this for long, a yaw rate or
        speed in another unit is not taken for it.
        """
        turned = np.abs(np.where(self.moving, self.speed * self.yaw_rate, np.nan))
        beyond = turned > BEYOND * self.hardest_turn
        if 2 * np.count_nonzero(beyond) > np.count_nonzero(turned > self.hardest_turn / 2):
            return np.zeros(self.count, dtype=bool)
        elapsed = self.view.elapsed
        first, end = (np.searchsorted(elapsed[beyond], elapsed + t) for t in (-AROUND, AROUND))
        return np.asarray(end > first)

    @cached_property
    def at_limit(self) -> NDArray[np.bool_]:
        """True (n,) where a drive in which the car slides shows that tyres are near their limit.

        There more steer turns the car no more.
        """
        near = np.abs(self.body[1]) > AT_LIMIT * self.hardest_turn
        return np.asarray(self.sliding | (near & bool(self.sliding.any())))


def motion_of(view: View) -> Motion:
    """The motion that a view's log shows, worked out once for each log."""
    return view.kept.setdefault("motion", Motion(view))


def scatter(values: Floats) -> float:
    """Standard deviation of the values (n,) that are there, in their unit [SI unit]; 0 of none."""
    there = values[np.isfinite(values)]
    return float(np.std(there)) if len(there) else 0.0
