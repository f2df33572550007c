"""An invented slalom course that ends in a stop, and the states of the wheels on it.

The drive is quasi-static with a few simple motions added: road forces balance mass times
acceleration, load transfer follows from the height of the centre of mass, the body rolls and
pitches with a short delay, and the wheels shake on the road.  Left out: roll and pitch inertia,
aerodynamic load, transient tyre behaviour.  All figures are invented; magnitudes from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.virtual.dampers import NO_DAMPER, Damper
from recon.virtual.drawing import VirtualCar
from recon.virtual.stance import (
    PITCH_RATE,
    REAR_PRESSURE,
    ROLL_RATE,
    ROLLING_DRAG,
    SIDE_SHAKE,
    SPRING_RATE,
    TYRE_RATE,
    Stance,
    level_hubs,
    rough_road,
    smooth,
    stance_of,
    vertical,
)
from recon.virtual.states import (
    WARM_GAIN,
    WARM_START,
    WARMS,
    Body,
    States,
    level_to_vehicle,
    rack_of,
)

CONES = 10
RUN_IN, STOP = 1.0, 2.5  # s before the first cone, s of braking at the end
WISHED_SIDEWAYS, WISHED_BRAKING = 8.5, 8.0  # m/s2
FULL_BRAKING = 15.0  # m/s from which the car may brake that much and not stop
LIFT_MARGIN = 0.65  # largest share of the lateral acceleration that would lift a wheel
BODY_LAG = 0.05  # s, delay of roll and pitch after the acceleration
STEER_PER_ACCELERATION = 0.001  # rad per m/s2, added to the Ackermann angle


@dataclass(frozen=True, slots=True)
class Slalom:
    """How a slalom is driven, and by what car.

    `speed` [m/s], `pitch` [m] of the cones; `damper` of every wheel, of which the demo's car has
    none; `lean` and `road`: how much more than usual the body leans on its springs and the road
    shakes the wheels.
    """

    speed: float = 15.0
    pitch: float = 18.0
    damper: Damper = NO_DAMPER
    lean: float = 1.0
    road: float = 1.0


@dataclass(frozen=True, slots=True)
class _Course:
    """Motion of the centre of mass in level axes; (n,) each, SI."""

    time: Floats
    sideways: Floats
    along: Floats
    speed: Floats

    @property
    def yaw_rate(self) -> Floats:
        """Yaw rate of a car without sideslip (n,) [rad/s]."""
        return self.sideways / np.maximum(self.speed, 1.0)

    @property
    def yaw_change(self) -> Floats:
        """Yaw acceleration (n,) [rad/s2]."""
        return np.asarray(np.gradient(self.yaw_rate, self.time))


def slalom_states(
    virtual_car: VirtualCar,
    rng: np.random.Generator,
    *,
    rate: float = 200.0,
    wish: Slalom = Slalom(),
) -> States:
    """Drive a slalom of ten cones, 18 m apart at 15 m/s by default, then brake straight ahead.

    The car has all four corners described; the result has the drawn ones only.  `rng` draws the
    shaking of the wheels; `rate` is the sampling rate [Hz].

    Raises
    ------
    VehicleError
        The car lacks a corner, so that load transfer cannot be calculated.
    """
    stance = stance_of(virtual_car.truth, "a slalom")
    course = _course(stance, wish, rate)
    time = course.time
    shake, road_travel = (wish.road * moved for moved in rough_road(time, rng))
    damped = wish.damper.force(np.gradient(road_travel, time, axis=0))
    extra = stance.unsprung * shake + SPRING_RATE * road_travel + damped
    leaning = stance.mass * stance.height
    upward = vertical(stance, leaning * course.along, leaning * course.sideways) + extra
    aside = _shared_sideways(stance, course, upward)
    steer = (stance.base / wish.speed**2 + STEER_PER_ACCELERATION) * course.sideways
    gained = course.along[:, None] - course.yaw_change[:, None] * stance.arm[:, 1]
    ahead, pressure, torque = _ahead(stance, course.along, gained, steer, aside, upward)
    travel, roll, pitch = _body(stance, course, wish.lean)
    heave = np.sum(extra, axis=1) / stance.mass
    to_vehicle = level_to_vehicle(roll, pitch)
    level = np.column_stack([course.along, course.sideways, STANDARD_GRAVITY + heave])
    hubs = level_hubs(stance, course.yaw_rate, course.yaw_change, level)
    hubs[..., 2] += shake - heave[:, None]
    hubs[..., :2] += SIDE_SHAKE * rng.standard_normal(hubs[..., :2].shape)
    rolling = (course.speed[:, None] - course.yaw_rate[:, None] * stance.arm[:, 1]) / stance.radius
    all_wheels = States(
        corners=CORNERS,
        time=time,
        body=Body(
            steer=steer,
            rack=rack_of(virtual_car, steer),
            roll=roll,
            pitch=pitch,
            speed=course.speed,
            yaw_rate=course.yaw_rate,
            acceleration=np.einsum("nij,nj->ni", to_vehicle, level),
        ),
        travel=travel + road_travel,
        force=np.stack([ahead, aside, upward], axis=2),
        specific_force=np.einsum("nij,ncj->nci", to_vehicle, hubs),
        brake_pressure=pressure,
        brake_torque=torque,
        wheel_speed=rolling,
        locked=np.zeros(rolling.shape, dtype=bool),
        temperature=WARM_START + WARM_GAIN * (time / time[-1])[:, None] * WARMS,
    )
    return all_wheels.of(virtual_car.corners)


def _course(stance: Stance, wish: Slalom, rate: float) -> _Course:
    """Lay out the slalom; the lateral acceleration is reduced for a car that would lift a wheel."""
    lap = RUN_IN + CONES * wish.pitch / wish.speed
    time = np.arange(0.0, lap + STOP, 1.0 / rate)
    since = time - RUN_IN
    on = np.clip(np.minimum(since, lap - time) / 0.8, 0.0, 1.0)
    size = min(WISHED_SIDEWAYS, LIFT_MARGIN * stance.lifting)
    sideways = size * smooth(on) * np.sin(np.pi * wish.speed / wish.pitch * since)
    # Braking ends before the car stops; a car at rest is not part of this drive.
    brake = np.clip((time - lap - 0.3) / 0.4, 0.0, 1.0)
    brake = brake * np.clip((lap + STOP - 0.4 - time) / 0.3, 0.0, 1.0)
    along = -WISHED_BRAKING * min(wish.speed / FULL_BRAKING, 1.0) * smooth(brake)
    gained = np.cumsum(along[1:] + along[:-1]) / (2 * rate)
    return _Course(time, sideways, along, wish.speed + np.concatenate([[0.0], gained]))


def _body(stance: Stance, course: _Course, lean: float) -> tuple[Floats, Floats, Floats]:
    """Travels (n, corner) [m], roll and pitch (n,) [rad] of the body, delayed by `BODY_LAG`."""
    late = course.time - BODY_LAG
    sideways, along = (np.interp(late, course.time, a) for a in (course.sideways, course.along))
    roll, pitch = lean * ROLL_RATE * sideways, -lean * PITCH_RATE * along
    travel = -roll[:, None] * stance.arm[:, 1] + pitch[:, None] * stance.arm[:, 0]
    # The body also rolls on its tyres, which does not appear in the travels.
    on_tyres = stance.mass * stance.height / (TYRE_RATE * np.sum(stance.track**2) / 2)
    return travel, roll + on_tyres * sideways, pitch


def _shared_sideways(stance: Stance, course: _Course, upward: Floats) -> Floats:
    """Lateral forces (n, corner) [N], split within an axle nearly in proportion to Fz.

    The split is from memory.
    """
    front = (stance.to_rear * course.sideways + stance.gyration * course.yaw_change) / stance.base
    axle = stance.mass * np.stack([front, course.sideways - front], axis=1)
    pull = np.maximum(upward, 1.0) ** 0.9
    both = np.stack([pull[:, :2].sum(axis=1), pull[:, 2:].sum(axis=1)], axis=1)
    return np.asarray(pull / both[:, [0, 0, 1, 1]] * axle[:, [0, 0, 1, 1]])


def _ahead(
    stance: Stance, along: Floats, gained: Floats, steer: Floats, aside: Floats, upward: Floats
) -> tuple[Floats, Floats, Floats]:
    """Longitudinal forces [N], brake pressures [Pa] and torques [N m], (n, corner) each.

    `gained` (n, corner) [m/s2] is how quick each wheel rolls faster, yaw included; `aside` and
    `upward` (n, corner) [N] are the other forces.  Driven wheels supply the force
    that the acceleration still needs; if no wheel is stated to be driven, the rear ones do.
    """
    corners, radius = stance.corners, stance.radius
    inertia = np.array([c.wheel.spin_inertia for c in corners])
    factor = np.array(
        [0.0 if c.brake.place == "none" else c.brake.torque_per_pressure for c in corners]
    )
    line = np.array([1.0, 1.0, REAR_PRESSURE, REAR_PRESSURE])
    spun = inertia * gained / radius  # torque that spins the wheel up
    wanted = -stance.mass * along - np.sum(spun / radius, axis=1)
    grip = float(np.sum(factor * line / radius))
    front = np.where(along < 0, wanted, 0.0) / grip if grip > 0 else np.zeros_like(along)
    pressure = front.clip(0)[:, None] * line
    torque = factor * pressure
    rolled = -ROLLING_DRAG * upward - (torque + spun) / radius
    turned = steer[:, None] * np.array([c.steered for c in corners])
    ahead = rolled / np.cos(turned) - aside * np.tan(turned)
    driven = stance.driven
    missing = stance.mass * along - ahead.sum(axis=1)
    return ahead + missing[:, None] * driven / driven.sum(), pressure, torque
