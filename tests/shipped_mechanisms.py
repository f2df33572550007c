"""Every mechanism of the shipped vehicle files, one side of each, and random poses of it."""

from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import Pose, pose
from recon.records.vehicles import read_vehicle

Floats = NDArray[np.float64]
VEHICLES = Path(__file__).parents[1] / "vehicles"
SHIPPED = (
    ("club_racer", "FL"),
    ("club_racer", "RR"),
    ("wishbone_spring_on_arm", "FR"),
    ("wishbone_spring_on_arm", "RL"),
    ("strut", "FL"),
    ("strut", "RL"),
    ("anti_roll_bar", "FL"),
    ("anti_roll_bar", "RR"),
    ("solid_axle", "RL"),
    ("solid_axle_tubes", "RL"),
)
NAMES = ["-".join(s) for s in SHIPPED]


@cache
def shipped(file: str) -> Vehicle:
    return read_vehicle(VEHICLES / f"{file}.toml")


def random_poses(file: str, corner: str, n: int, seed: int = 60) -> Pose:
    """Poses all over the ranges of travel (of both wheels) and rack."""
    car = shipped(file)
    mechanism = assembly_of(car, corner).mechanism
    rng = np.random.default_rng(seed)
    travel = rng.uniform(*car.corners[corner].travel_range, (n, len(mechanism.wheels)))
    steered = car.corners[corner].steered
    rack = rng.uniform(*car.steering.rack_range, n) if steered else np.zeros(n)
    return pose(mechanism, travel, rack)
