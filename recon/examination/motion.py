"""Motion of the body over a drive, as the ordinary channels of a view show it, in level axes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.examination.view import View

if TYPE_CHECKING:
    from recon.car.vehicle import Vehicle, Wheel

LEAST_SPEED = 4.0  # m/s; below, angles of slip and rates of curvature say nothing


@dataclass(frozen=True)
class Stance:
    """Where the wheels of a car with four described corners stand; lengths in m, masses in kg.

    `ahead` and `aside` (4,) from the centre of mass to the wheels FL, FR, RL, RR; `height` of the
    centre of mass above the road; `base` and `track` (2,), front and rear.
    """

    mass: float
    u_mass: float
    height: float
    u_height: float
    ahead: Floats
    aside: Floats

    @property
    def base(self) -> float:
        """Wheelbase [m]."""
        return float(self.ahead[:2].mean() - self.ahead[2:].mean())

    @property
    def track(self) -> Floats:
        """Track widths of front and rear axle (2,) [m]."""
        return self.aside[[0, 2]] - self.aside[[1, 3]]

    @property
    def share(self) -> Floats:
        """Share of front and rear axle in the weight (2,) [1]."""
        front = -self.ahead[2:].mean() / self.base
        return np.array([front, 1.0 - front])

    @property
    def inertia(self) -> float:
        """Yaw inertia [kg m2] of two masses over the axles; common practice, no source."""
        return float(-self.mass * self.ahead[:2].mean() * self.ahead[2:].mean())


def stance_of(car: Vehicle) -> Stance | None:
    """Stance of a car, None unless all four corners are described."""
    if not set(CORNERS) <= set(car.corners):
        return None
    wheels = [car.corners[c].wheel for c in CORNERS]
    arm = np.array([w.centre for w in wheels]) - np.array(car.centre_of_mass)
    ground = np.mean([w.centre[2] - w.loaded_radius for w in wheels])
    return Stance(
        mass=car.mass,
        u_mass=car.u_mass,
        height=float(car.centre_of_mass[2] - ground),
        u_height=car.u_centre_of_mass[2],
        ahead=arm[:, 0],
        aside=arm[:, 1],
    )


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
        out = car.mass * found
        for name, corner in car.corners.items():
            hub = self.view.channel("hub_acceleration", name)
            if hub is not None and np.isfinite(hub).any(axis=0).all():
                out = out + corner.unsprung_mass * (hub - found)
        return np.einsum("ijn,nj->in", self.turn, out)

    @cached_property
    def speed(self) -> Floats:
        """Speed (n,) [m/s], from the wheels if it is not logged."""
        found = self.view.channel("speed")
        if found is not None:
            return found
        rolled = [
            self.channel("wheel_speed", name) * corner.wheel.loaded_radius
            for name, corner in self.view.prepared.car.corners.items()
        ]
        return np.median(rolled, axis=0)

    @cached_property
    def yaw_rate(self) -> Floats:
        """Yaw rate (n,) [rad/s]."""
        return self.channel("yaw_rate")

    @cached_property
    def yaw_change(self) -> Floats:
        """Yaw acceleration (n,) [rad/s2]."""
        return self.channel("slope_of_yaw_rate")

    @cached_property
    def moving(self) -> NDArray[np.bool_]:
        """True (n,) where the car moves well."""
        return np.asarray(np.nan_to_num(self.speed) > LEAST_SPEED)


def motion_of(view: View) -> Motion:
    """The motion that a view's log shows, worked out once for each log."""
    return view.kept.setdefault("motion", Motion(view))


def scatter(values: Floats) -> float:
    """Standard deviation of the values (n,) that are there, in their unit [SI unit]; 0 of none."""
    there = values[np.isfinite(values)]
    return float(np.std(there)) if len(there) else 0.0
