"""Masses of a car, where its wheels stand, and what nobody measured of both.

The whole-car answer and the examination of a drive state the laws of motion with these numbers.
Standard uncertainties are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.car.vehicle import Corner, Vehicle
from recon.planning.unknowns import reference_of

U_OFFSET = 0.1  # m/s2, of the body's accelerometer
U_TILT = 0.01  # rad, of its axes
AWAY = 0.25  # m, of the accelerometer from the centre of mass, along each axis
DRAG, U_DRAG = 0.4, 0.4  # kg/m: half of density, drag coefficient and frontal area
U_LIFT = 0.4  # kg/m at each axle, up or down
FASTEST = 40.0  # m/s, where speed is not logged
U_INERTIA = 0.2  # of the moments of inertia
ROLL_RADIUS = 0.35  # radius of gyration in roll over the track, from memory


@dataclass(frozen=True)
class Stance:
    """A car whose wheelbase is known: lengths in m, masses in kg, vehicle axes.

    Of the wheels FL, FR, RL, RR: `centres` (4, 3), and (4,) each `unsprung` mass, loaded `radius`
    [m], `spin` inertia [kg m2] and `usual` vertical load [N].  `height` is that of the
    centre of mass above the road.
    """

    mass: float
    u_mass: float
    centre_of_mass: Floats
    height: float
    u_height: float
    centres: Floats
    unsprung: Floats
    radius: Floats
    spin: Floats
    usual: Floats

    @cached_property
    def ahead(self) -> Floats:
        """Distance (4,) [m] from the centre of mass forward to each wheel."""
        return self.centres[:, 0] - self.centre_of_mass[0]

    @cached_property
    def aside(self) -> Floats:
        """Distance (4,) [m] from the centre of mass to the left to each wheel."""
        return self.centres[:, 1] - self.centre_of_mass[1]

    @cached_property
    def base(self) -> float:
        """Wheelbase [m]."""
        return float(self.ahead[:2].mean() - self.ahead[2:].mean())

    @cached_property
    def track(self) -> Floats:
        """Track widths of front and rear axle (2,) [m]."""
        return self.aside[[0, 2]] - self.aside[[1, 3]]

    @cached_property
    def share(self) -> Floats:
        """Share of front and rear axle in the weight (2,) [1]."""
        front = -self.ahead[2:].mean() / self.base
        return np.array([front, 1.0 - front])

    @cached_property
    def yaw_inertia(self) -> float:
        """Yaw inertia [kg m2] of two masses over the axles; common practice, no source."""
        return float(-self.mass * self.ahead[:2].mean() * self.ahead[2:].mean())

    @cached_property
    def sprung(self) -> float:
        """Sprung mass [kg]."""
        return self.mass - float(self.unsprung.sum())

    @cached_property
    def sprung_centre(self) -> Floats:
        """Centre of the sprung mass (3,) [m]."""
        moment = self.mass * self.centre_of_mass - self.unsprung @ self.centres
        return np.asarray(moment / self.sprung)

    @cached_property
    def sprung_inertia(self) -> Floats:
        """Moments of inertia of the sprung mass about its centre (3,) [kg m2]."""
        away = self.centres - self.sprung_centre
        ahead, behind = away[:2, 0].mean(), -away[2:, 0].mean()
        wheels = float(self.unsprung @ (away[:, 0] ** 2 + away[:, 1] ** 2))
        flat = self.mass * ahead * behind - wheels
        roll = self.sprung * (ROLL_RADIUS * np.ptp(away[:, 1])) ** 2
        return np.array([roll, flat, flat])


def stance_of(car: Vehicle) -> Stance | None:
    """Stance of a car, None if its wheelbase is not known.

    Wheels that are not described stand opposite their partners, or a wheelbase away from the other
    axle's, and weigh as much as these.
    """
    if not np.isfinite(car.wheelbase):
        return None
    described = [_like(car, name) for name in CORNERS]
    wheels = [corner.wheel for corner in described]
    ground = np.mean([w.centre[2] - w.loaded_radius for w in wheels])
    return Stance(
        mass=car.mass,
        u_mass=car.u_mass,
        centre_of_mass=np.array(car.centre_of_mass),
        height=float(car.centre_of_mass[2] - ground),
        u_height=car.u_centre_of_mass[2],
        centres=np.array([w.centre for w in wheels]),
        unsprung=np.array([corner.unsprung_mass for corner in described]),
        radius=np.array([w.loaded_radius for w in wheels]),
        spin=np.array([w.spin_inertia for w in wheels]),
        usual=np.array([reference_of(car, corner).vertical for corner in described]),
    )


def _like(car: Vehicle, name: str) -> Corner:
    """The corner of that name, or what is most like it: its partner, or its side's other one."""
    other = min(car.corners, key=lambda c: (c[0] != name[0], c[1] != name[1]))
    corner = car.corners[other]
    x, y, z = corner.wheel.centre
    ahead = 0.0 if other[0] == name[0] else car.wheelbase * (1.0 if name[0] == "F" else -1.0)
    centre = (x + ahead, y if other[1] == name[1] else -y, z)
    return replace(corner, name=name, wheel=replace(corner.wheel, centre=centre))


def inertial_force(mass: float, unsprung: Floats, body: Floats, hubs: Floats) -> Floats:
    """Force (3, n) [N] that a car with wheels of their own motion needs.

    `mass` [kg] is that of the whole car and `unsprung` (w,) [kg] those that move with the wheels;
    `body` (3, n) and `hubs` (w, 3, n) are specific forces [m/s2] in the same axes.
    """
    return np.asarray(mass * body + np.tensordot(unsprung, hubs - body, axes=1))
