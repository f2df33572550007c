"""A car invented for the tests of the virtual car, and loads on its wheels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from recon.car.bridges import BenchPull
from recon.car.vehicle import (
    Attachment,
    Brake,
    Corner,
    Gauge,
    Sensors,
    Steering,
    Support,
    Tyre,
    Vehicle,
    Wheel,
)
from recon.virtual.elements import Stiffness
from recon.virtual.hub_loads import RoadLoad

LINKS = {
    "upper_front": ((-0.010, 0.580, 0.430), (0.150, 0.330, 0.415)),
    "upper_rear": ((-0.010, 0.580, 0.430), (-0.140, 0.335, 0.405)),
    "lower_front": ((0.012, 0.625, 0.180), (0.160, 0.270, 0.165)),
    "lower_rear": ((0.012, 0.625, 0.180), (-0.190, 0.275, 0.160)),
    "tie_rod": ((0.120, 0.610, 0.230), (0.125, 0.290, 0.212)),
}
ROD = ((0.000, 0.580, 0.205), (-0.005, 0.330, 0.540))


def corner(name: str, x: float, *, driven: bool = False, brake: str = "outboard") -> Corner:
    """One corner of the invented car, `x` [m] behind the front axle."""
    side = 1.0 if name.endswith("L") else -1.0

    def end(on: str, point: tuple, *, rack: bool = False) -> Attachment:
        return Attachment(on, (point[0] + x, side * point[1], point[2]), 0.002, rack)

    steered = name.startswith("F")
    supports = [
        Support(n, "link", end("upright", o),
                end("chassis", i, rack=steered and n == "tie_rod"))
        for n, (o, i) in LINKS.items()
    ]  # fmt: skip
    pivot = end("rocker", (0.02, 0.258, 0.488))
    supports += [
        Support("push_rod", "link", end("upright", ROD[0]), end("rocker", ROD[1])),
        Support("rocker_pivot", "pivot", pivot, replace(pivot, on="chassis"),
                axis_point=(x - 0.04, side * 0.257, 0.490)),
        Support("spring", "spring", end("rocker", (-0.012, 0.236, 0.570)),
                end("chassis", (-0.012, 0.050, 0.585))),
    ]  # fmt: skip
    bench = BenchPull(1.0e-4, 2.0e-6)
    gauges = tuple(Gauge(f"{name}_{n}", n, "mV/V", bench, 0) for n in (*LINKS, "push_rod"))
    return Corner(
        name=name, bodies=("upright", "rocker"), supports=tuple(supports), gauges=gauges,
        wheel=Wheel("upright", (x, side * 0.69, 0.295), 0.002, 0.295, 0.0015, 0.001, -0.026,
                    0.9, 0.05),
        brake=Brake(brake, 11e-5, 5e-6), driven=driven, unsprung_mass=30.0, u_unsprung_mass=0.4,
        travel_range=(-0.06, 0.06), droop_travel=-0.05, u_droop_travel=0.001,
    )  # fmt: skip


def invented_car() -> Vehicle:
    """A light racing car, rear-wheel drive, all brakes outboard."""
    return Vehicle(
        name="Invented test car", source="invented", mass=760.0, u_mass=2.0,
        centre_of_mass=(-1.15, 0.0, 0.44), u_centre_of_mass=(0.006, 0.004, 0.015),
        corners={
            "FL": corner("FL", 0.0), "FR": corner("FR", 0.0),
            "RL": corner("RL", -2.4, driven=True), "RR": corner("RR", -2.4, driven=True),
        },
        tyre=Tyre(), steering=Steering((-0.05, 0.05)), sensors=Sensors(),
    )  # fmt: skip


def stiffness_of(c: Corner, seed: int) -> Stiffness:
    rng = np.random.default_rng(seed)
    n = len(c.supports)
    return Stiffness(
        rng.uniform(5e6, 2e7, n), rng.uniform(3.0, 15.0, (n, 2)), rate=np.full(1, np.nan)
    )


def road(force: np.ndarray, **other) -> RoadLoad:
    """Rolling wheels on a level road under `force` (n, xyz)."""
    n = len(force)
    given = {
        "road_normal": np.tile([0.0, 0.0, 1.0], (n, 1)), "trail": np.full(n, 0.02),
        "shift_per_force": 5e-6, "torque": np.zeros(n), "locked": np.zeros(n, bool),
        "specific_force": np.tile([0.0, 0.0, 9.8], (n, 1)), "unsprung_mass": 30.0,
    }  # fmt: skip
    return RoadLoad(force=force, **(given | other))


FORCES = np.array([[500.0, 2500.0, 3500.0], [-2800.0, -900.0, 4200.0], [0.0, -3000.0, 1500.0]])
TRAVEL = np.array([-0.03, 0.02, 0.04])
RACK = np.array([0.02, 0.0, -0.03])
