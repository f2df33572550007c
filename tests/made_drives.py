"""Made-up forces of a whole car with its facts and channels, for tests of answers.

One cause stands for all fixed errors: a gain of the vertical forces of one corner.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import xarray as xr

from tests.made_forces import ALL, result_of


@dataclass(frozen=True)
class MadeCar:
    """Facts of a made-up car, SI: mass, places of wheels and centre of mass."""

    mass: float = 1000.0
    height: float = 0.5
    ahead: float = 1.2  # of the centre of mass to the front axle
    base: float = 2.4
    tracks: tuple[float, float] = (1.5, 1.5)
    radius: float = 0.3
    u_height: float = 0.02

    @property
    def contacts(self) -> np.ndarray:
        """Contacts (corner, xyz) [m], the front axle at x = 0."""
        front, rear = (t / 2 for t in self.tracks)
        return np.array([[0, front, 0], [0, -front, 0], [-self.base, rear, 0],
                         [-self.base, -rear, 0]])  # fmt: skip


@dataclass(frozen=True)
class MadeDrive:
    """Forces (sample, corner, xyz) [N] in level axes and channels of a made-up drive.

    `noise` [N] of every force; `gain` is the standard uncertainty of the first corner's Fz.
    """

    force: np.ndarray
    car: MadeCar = MadeCar()
    noise: float = 5.0
    gain: float = 0.002
    channels: dict[str, np.ndarray] = field(default_factory=dict)
    corners: tuple[str, ...] = ALL

    @property
    def forces(self) -> xr.Dataset:
        """As `reconstruct` returns it, noise included."""
        corners = self.force.shape[1]
        rng = np.random.default_rng(3)
        force = self.force + self.noise * rng.standard_normal(self.force.shape)
        loading = np.zeros((1, 3, corners, 3, 14))
        loading[0, :, 0, 2, 3] = self.gain
        u = np.full(force.shape, self.noise)
        u[:, 0, 2] = np.hypot(u[:, 0, 2], self.gain * np.abs(force[:, 0, 2]))
        at = [ALL.index(name) for name in self.corners]
        t, c, xyz = "elapsed_time", "corner", "component"
        driven = [int(name[0] == "R") for name in self.corners]
        facts = {
            "contact_point": ((c, xyz), self.car.contacts[at]),
            "loaded_radius": (c, np.full(corners, self.car.radius)),
            "driven": (c, np.array(driven, dtype=np.int8)),
            "unsprung_mass": (c, np.full(corners, 30.0)),
            "vehicle_mass": ((), self.car.mass),
            "u_vehicle_mass": ((), 2.0),
            "centre_of_mass": (xyz, np.array([-self.car.ahead, 0.0, self.car.height])),
            "u_centre_of_mass": (xyz, np.array([0.01, 0.005, self.car.u_height])),
        }
        facts |= {name: ((t, xyz)[: value.ndim], value) for name, value in self.channels.items()}
        cause = f"{self.corners[0]} zeros"
        return result_of(force, u, self.noise, loading, cause, self.corners, **facts)


@dataclass(frozen=True)
class Made:
    """A made-up result: lateral forces (sample, corner), known noise, one shared cause."""

    lateral: np.ndarray
    noise: float = 0.0
    gain: float = 0.01

    @property
    def forces(self) -> xr.Dataset:
        n, corners = self.lateral.shape
        force = np.stack([0 * self.lateral, self.lateral, np.full((n, corners), 3000.0)], axis=2)
        whole = np.hypot(self.noise, self.gain * np.abs(force) * [0.0, 1.0, 0.0])
        loading = np.zeros((1, 3, corners, 3, 14))
        loading[0, :, :, 1, 2] = self.gain  # Fy is off by a share common to all corners
        return result_of(force, whole, self.noise, loading, "gain", ALL[:corners])
