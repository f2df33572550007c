"""Unrelated states of the wheels of a virtual car, for tests of single samples."""

from __future__ import annotations

import numpy as np

from recon.base.quantities import STANDARD_GRAVITY
from recon.virtual.drawing import VirtualCar
from recon.virtual.states import WARM_GAIN, WARM_START, Body, States, level_to_vehicle, rack_of

LEAST_BRAKING = 20.0  # N m; with less torque the brake is off
FRICTION_CIRCLE = 1.3  # of Fz


def random_states(
    virtual_car: VirtualCar,
    n: int,
    rng: np.random.Generator,
    *,
    corners: tuple[str, ...] | None = None,
    locked_share: float = 0.0,
) -> States:
    """Draw `n` unrelated states of each of `corners`, each realistic for that corner by itself.

    Samples are one second apart; forces stay within a friction circle of 1.3 Fz.  In a share
    `locked_share` of the braked samples the wheel stands still.
    """
    truth = virtual_car.truth
    names = corners or virtual_car.corners
    parts = [truth.corners[c] for c in names]
    shape = (n, len(names))
    static = truth.mass * STANDARD_GRAVITY / 4
    upward = static * rng.uniform(0.3, 2.6, shape)
    use = FRICTION_CIRCLE * np.sqrt(rng.uniform(0, 1, shape))
    way = rng.uniform(-np.pi, np.pi, shape)
    driven = np.array([c.driven for c in parts])
    braked = np.array([c.brake.place != "none" for c in parts])
    ahead, aside = use * upward * np.cos(way), use * upward * np.sin(way)
    ahead = np.where(ahead > 0, np.where(driven, ahead, 0.02 * ahead), ahead)
    ahead = np.where((ahead < 0) & ~braked, 0.02 * ahead, ahead)
    radius = np.array([c.wheel.loaded_radius for c in parts])
    factor = np.array([c.brake.torque_per_pressure for c in parts])
    torque = np.where(braked, np.maximum(-ahead, 0) * radius, 0.0)
    torque = np.where(torque > LEAST_BRAKING, torque, 0.0)
    locked = (torque > 0) & (rng.uniform(size=shape) < locked_share)
    low, high = np.array([c.travel_range for c in parts]).T
    steer = rng.uniform(-0.12, 0.12, n)
    roll, pitch = rng.uniform(-0.05, 0.05, n), rng.uniform(-0.025, 0.025, n)
    level = np.column_stack([rng.uniform(-9, 6, n), rng.uniform(-10, 10, n),
                             STANDARD_GRAVITY + rng.standard_normal(n)])  # fmt: skip
    hubs = level[:, None] + np.array([1.0, 1.5, 5.0]) * rng.standard_normal((*shape, 3))
    to_vehicle = level_to_vehicle(roll, pitch)
    speed = rng.uniform(8.0, 30.0, n)
    warming = np.sqrt(np.linspace(0.0, 1.0, n))[:, None]
    return States(
        corners=names,
        time=np.arange(n, dtype=float),
        body=Body(
            steer=steer,
            rack=rack_of(virtual_car, steer),
            roll=roll,
            pitch=pitch,
            speed=speed,
            yaw_rate=level[:, 1] / speed,
            acceleration=np.einsum("nij,nj->ni", to_vehicle, level),
        ),
        travel=rng.uniform(0.7 * low, 0.7 * high, shape),
        force=np.stack([ahead, aside, upward], axis=2),
        specific_force=np.einsum("nij,ncj->nci", to_vehicle, hubs),
        brake_pressure=torque / factor,
        brake_torque=torque,
        wheel_speed=np.where(locked, 0.0, speed[:, None] / radius),
        locked=locked,
        # Gauges warm up slowly, although the loads of successive samples are unrelated.
        temperature=WARM_START + WARM_GAIN * rng.uniform(0.3, 1.0, len(names)) * warming,
    )
