"""Made-up forces of a whole car whose motion, splits, errors and channels are stated.

The car: 1200 kg, wheelbase 2.5 m, centre of mass 1.1 m behind the front axle and 0.5 m high.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import xarray as xr

from recon.reconstruction.result.signed_errors import STATED
from tests.made_forces import ALL, stamped

RATE, MASS, G = 200.0, 1200.0, 9.80665
BASE, TO_FRONT, HEIGHT = 2.5, 1.1, 0.5  # m
RAMP = 0.4  # s, in which forces rise and fall: what a filter of 8 Hz leaves as it is
TORQUE = 1000.0  # N m of the hub wherever there is one, so that its feature is at hand
CONSTANT, FX, FY, FZ, HUB = range(5)  # features of a corner that causes act through


@dataclass
class MadeCar:
    """Loads at rest, to which stretches of motion and causes of error are added.

    `force` (sample, corner, component) [N] of FL, FR, RL, RR.
    """

    seconds: float
    noise: float = 0.0
    channels: dict[str, np.ndarray] = field(default_factory=dict)
    causes: list[tuple[str, np.ndarray]] = field(default_factory=list)
    facts: dict[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.time = np.arange(round(self.seconds * RATE)) / RATE
        self.force = np.zeros((len(self.time), 4, 3))
        self.force[:, :2, 2] = MASS * G * (BASE - TO_FRONT) / BASE / 2
        self.force[:, 2:, 2] = MASS * G * TO_FRONT / BASE / 2

    def profile(self, start: float, end: float) -> np.ndarray:
        """Rise (sample,) from 0 to 1 and back, within a stretch [s]."""
        share = np.clip(np.minimum(self.time - start, end - self.time) / RAMP, 0, 1)
        return share**2 * (3 - 2 * share)

    def add(self, component: int, front: float, rear: float, over: np.ndarray | float = 1) -> None:
        """Add a force of both axles [N] times a profile (sample,), halved between their tyres."""
        halves = np.array([front, front, rear, rear]) / 2
        self.force[..., component] += np.multiply.outer(over * np.ones(len(self.time)), halves)

    def brake(self, start: float, end: float, decel: float, front_share: float) -> None:
        """Brake with `decel` [m/s2]; the load moves with it."""
        profile, total = self.profile(start, end), MASS * decel
        self.add(0, -front_share * total, -(1 - front_share) * total, profile)
        self.add(2, total * HEIGHT / BASE, -total * HEIGHT / BASE, profile)

    def corner(self, start: float, end: float, sideways: float, front_share: float) -> None:
        """Corner with `sideways` [m/s2], left positive."""
        total = MASS * sideways
        over = self.profile(start, end)
        self.add(1, front_share * total, (1 - front_share) * total, over)

    def cause(self, name: str, corner: str, component: int, feature: int, size: float) -> None:
        """Add a cause: `size` per unit of a feature, on one component of one corner."""
        loading = np.zeros((3, 4, 3, 14))
        loading[:, ALL.index(corner), component, feature] = size
        self.causes.append((name, loading))

    def forces(self) -> xr.Dataset:
        """The result of a reconstruction that would have found these forces."""
        n, wide = len(self.time), ("elapsed_time", "corner")
        xyz = (*wide, "component")
        if not self.causes:
            self.cause("nothing", "FL", 0, CONSTANT, 0.0)
        loading = np.array([one for _, one in self.causes])
        flat, u = np.zeros((n, 4)), np.full(self.force.shape, 30.0)
        variables = {
            **{f"tyre_force{axes}": (xyz, self.force.copy())
               for axes in ("", "_intermediate", "_vehicle")},
            **dict.fromkeys(STATED.values(), (xyz, u)),
            "u_tyre_force_random": (xyz, np.full_like(self.force, self.noise)),
            "status": (wide, np.zeros((n, 4), dtype=np.uint16)),
            "hub_mode": (wide, np.zeros((n, 4), dtype=np.int8)),
            "hub_moment": (wide, np.full((n, 4), TORQUE)),
            "travel": (wide, flat), "heading": (wide, flat), "rack": (wide[:1], np.zeros(n)),
            "loading": (("cause", "mode", *xyz[1:], "feature"), loading),
            "loading_added_intermediate": (("cause", *xyz[1:], "feature"), 0 * loading[:, 0]),
            "loading_added_tyre": (("cause", *xyz[1:], "feature"), 0 * loading[:, 0]),
            "cause_name": (("cause",), np.array([name for name, _ in self.causes])),
            "feature_scale": (("corner", "pose"), np.ones((4, 3))),
            "largest_pull": (("corner", "component"), np.full((4, 3), 1e6)),
            "partner": (("corner",), np.full(4, -1)),
            "contact_point": (("corner", "component"), self._contacts()),
            "driven": (("corner",), np.array([0, 0, 1, 1], dtype=np.int8)),
            "vehicle_mass": ((), MASS),
            "centre_of_mass": (("component",), np.array([-TO_FRONT, 0.0, HEIGHT])),
            "u_centre_of_mass": (("component",), np.zeros(3)),
            "brake_torque_per_pressure": (("corner",), np.full(4, 1e-4)),
            "u_brake_torque_per_pressure": (("corner",), np.full(4, 1e-5)),
        } | {
            name: (wide if values.ndim > 1 else wide[:1], values)
            for name, values in self.channels.items()
        }  # fmt: skip
        labels = {"elapsed_time": self.time, "corner": list(ALL), "component": list("xyz")}
        made = xr.Dataset(variables, coords=labels, attrs={"rate_Hz": RATE})
        return stamped(made.assign({name: made[name] * 0 + v for name, v in self.facts.items()}))

    @staticmethod
    def _contacts() -> np.ndarray:
        return np.array([[0, 0.7, 0], [0, -0.7, 0], [-BASE, 0.7, 0], [-BASE, -0.7, 0]])
