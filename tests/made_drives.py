"""Made-up forces of a whole car with its facts and channels, for tests of answers.

One cause stands for all fixed errors: a gain of the vertical forces of one corner.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import xarray as xr

from recon.reconstruction.result.signed_errors import STATED
from tests.made_forces import ALL, stamped

RATE = 200.0
FORCES = ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle")


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
        n, corners = self.force.shape[:2]
        rng = np.random.default_rng(3)
        force = self.force + self.noise * rng.standard_normal(self.force.shape)
        loading = np.zeros((1, 3, corners, 3, 14))
        loading[0, :, 0, 2, 3] = self.gain
        t, c, xyz = "elapsed_time", "corner", "component"
        u = np.full(force.shape, self.noise)
        u[:, 0, 2] = np.hypot(u[:, 0, 2], self.gain * np.abs(force[:, 0, 2]))
        flat, names = np.zeros((n, corners)), list(self.corners)
        at = [ALL.index(name) for name in names]
        wide = dict.fromkeys(FORCES, ((t, c, xyz), force))
        wide |= dict.fromkeys(STATED.values(), ((t, c, xyz), u))
        zeros = np.zeros((1, corners, 3, 14))
        facts = {
            "contact_point": ((c, xyz), self.car.contacts[at]),
            "loaded_radius": (c, np.full(corners, self.car.radius)),
            "driven": (c, np.array([int(name[0] == "R") for name in names], dtype=np.int8)),
            "unsprung_mass": (c, np.full(corners, 30.0)),
            "vehicle_mass": ((), self.car.mass),
            "u_vehicle_mass": ((), 2.0),
            "centre_of_mass": (xyz, np.array([-self.car.ahead, 0.0, self.car.height])),
            "u_centre_of_mass": (xyz, np.array([0.01, 0.005, self.car.u_height])),
        }
        made = xr.Dataset(
            {
                **wide,
                **facts,
                "u_tyre_force_random": ((t, c, xyz), np.full_like(force, self.noise)),
                "status": ((t, c), np.zeros((n, corners), dtype=np.uint16)),
                "hub_mode": ((t, c), np.zeros((n, corners), dtype=np.int8)),
                "hub_moment": ((t, c), flat), "travel": ((t, c), flat), "heading": ((t, c), flat),
                "rack": (t, np.zeros(n)),
                "loading": (("cause", "mode", c, xyz, "feature"), loading),
                "loading_added_intermediate": (("cause", c, xyz, "feature"), zeros),
                "loading_added_tyre": (("cause", c, xyz, "feature"), zeros),
                "feature_scale": ((c, "pose"), np.ones((corners, 3))),
                "partner": (c, np.full(corners, -1)),
                "largest_pull": ((c, xyz), np.full((corners, 3), 1e5)),
                "cause_name": ("cause", np.array([f"{names[0]} zeros"])),
                **{name: ((t, xyz)[: value.ndim], value) for name, value in self.channels.items()},
            },
            coords={t: np.arange(n) / RATE, c: names, xyz: ["x", "y", "z"]},
            attrs={"title": "Forces of a made-up drive", "vehicle": "made up"},
        )  # fmt: skip
        return stamped(made)
