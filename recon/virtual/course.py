"""An invented slalom course that ends in a stop, and the states of the wheels on it.

The drive is quasi-static with a few simple motions added: road forces balance mass times
acceleration, load transfer follows from the height of the centre of mass, the body rolls and
pitches with a short delay, and the wheels shake on the road.  Left out: roll and pitch inertia,
aerodynamic load, transient tyre behaviour.  All figures are invented; magnitudes from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.virtual.states import WARM_GAIN, WARM_START, States, level_to_vehicle, rack_of

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Vehicle
    from recon.virtual.drawing import VirtualCar

SPEED, CONES, CONE_PITCH = 15.0, 10, 18.0  # m/s, -, m
RUN_IN, STOP = 1.0, 2.5  # s before the first cone, s of braking at the end
WISHED_SIDEWAYS, WISHED_BRAKING = 8.5, 8.0  # m/s2
LIFT_MARGIN = 0.65  # largest share of the lateral acceleration that would lift a wheel
FRONT_SHARE = 0.52  # share of the front axle in the lateral load transfer
ROLL_RATE, PITCH_RATE = 0.0042, 0.0020  # rad per m/s2, body on its springs
TYRE_RATE = 200e3  # N/m
SPRING_RATE = 35e3  # N/m at the wheel
BODY_LAG = 0.05  # s, delay of roll and pitch after the acceleration
ROAD_BAND = (5.0, 15.0)  # Hz
ROAD_SHAKE = 3.0  # m/s2 rms of the hub, upwards
SIDE_SHAKE = 0.3  # m/s2 rms of the hub, forwards and sideways
ROLLING_DRAG = 0.012  # share of Fz
REAR_PRESSURE = 0.6  # share of the front line's pressure
STEER_PER_ACCELERATION = 0.001  # rad per m/s2, added to the Ackermann angle


@dataclass(frozen=True, slots=True)
class _Stance:
    """Mass and wheel positions: `mass` [kg] and `height` [m] of the centre of mass.

    `arm` (corner, xyz) [m] from the centre of mass to the wheel centres, `radius` (corner,) [m].
    """

    corners: tuple[Corner, ...]
    mass: float
    height: float
    arm: Floats
    radius: Floats

    @property
    def track(self) -> Floats:
        """Track widths of front and rear axle (2,) [m]."""
        return self.arm[[0, 2], 1] - self.arm[[1, 3], 1]

    @property
    def to_front(self) -> float:
        """Distance of the front axle ahead of the centre of mass [m]."""
        return float(self.arm[:2, 0].mean())

    @property
    def to_rear(self) -> float:
        """Distance of the rear axle behind the centre of mass [m]."""
        return float(-self.arm[2:, 0].mean())

    @property
    def base(self) -> float:
        """Wheelbase [m]."""
        return self.to_front + self.to_rear


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
    damping: float = 0.0,
) -> States:
    """Drive a slalom of ten cones 18 m apart at 15 m/s, then brake in a straight line.

    Parameters
    ----------
    virtual_car : VirtualCar
        A car with all four corners described; the result has the drawn corners only.
    rng : numpy.random.Generator
        Draws the shaking of the wheels.
    rate : float
        Sampling rate. [Hz]
    damping : float
        Rate of the dampers at the wheel; the demo's car has none. [N s/m]

    Raises
    ------
    VehicleError
        The car lacks a corner, so that load transfer cannot be calculated.
    """
    stance = _stance(virtual_car.truth)
    course = _course(stance, rate)
    time = course.time
    shake, road_travel = _road(time, rng)
    extra = np.array([c.unsprung_mass for c in stance.corners]) * shake
    extra = extra + SPRING_RATE * road_travel + damping * np.gradient(road_travel, time, axis=0)
    upward = _vertical(stance, course) + extra
    aside = _shared_sideways(stance, course, upward)
    steer = (stance.base / SPEED**2 + STEER_PER_ACCELERATION) * course.sideways
    ahead, pressure, torque = _ahead(stance, course.along, steer, aside, upward)
    travel, roll, pitch = _body(stance, course)
    heave = np.sum(extra, axis=1) / stance.mass
    to_vehicle = level_to_vehicle(roll, pitch)
    level = np.column_stack([course.along, course.sideways, STANDARD_GRAVITY + heave])
    hubs = _hub_level(stance, course, level)
    hubs[..., 2] += shake - heave[:, None]
    hubs[..., :2] += SIDE_SHAKE * rng.standard_normal(hubs[..., :2].shape)
    rolling = (course.speed[:, None] - course.yaw_rate[:, None] * stance.arm[:, 1]) / stance.radius
    all_wheels = States(
        corners=CORNERS,
        time=time,
        travel=travel + road_travel,
        steer=steer,
        rack=rack_of(virtual_car, steer),
        force=np.stack([ahead, aside, upward], axis=2),
        roll=roll,
        pitch=pitch,
        speed=course.speed,
        yaw_rate=course.yaw_rate,
        acceleration=np.einsum("nij,nj->ni", to_vehicle, level),
        specific_force=np.einsum("nij,ncj->nci", to_vehicle, hubs),
        brake_pressure=pressure,
        brake_torque=torque,
        wheel_speed=rolling,
        locked=np.zeros(rolling.shape, dtype=bool),
        temperature=WARM_START + WARM_GAIN * (time / time[-1])[:, None] * [1.0, 0.9, 0.7, 0.8],
    )
    return all_wheels.of(virtual_car.corners)


def _stance(truth: Vehicle) -> _Stance:
    missing = [c for c in CORNERS if c not in truth.corners]
    if missing:
        raise VehicleError(
            where=f"vehicle '{truth.name}'",
            found=f"no corner {', '.join(missing)}",
            needed="all four corners for a slalom",
            do="Describe the missing corners, or use random_states of the corners you have.",
        )
    corners = tuple(truth.corners[c] for c in CORNERS)
    arm = np.array([c.wheel.centre for c in corners]) - np.array(truth.centre_of_mass)
    radius = np.array([c.wheel.loaded_radius for c in corners])
    return _Stance(corners, truth.mass, truth.centre_of_mass[2], arm, radius)


def _course(stance: _Stance, rate: float) -> _Course:
    """Lay out the slalom; the lateral acceleration is reduced for a car that would lift a wheel."""
    lap = RUN_IN + CONES * CONE_PITCH / SPEED
    time = np.arange(0.0, lap + STOP, 1.0 / rate)
    since = time - RUN_IN
    on = np.clip(np.minimum(since, lap - time) / 0.8, 0.0, 1.0)
    lifting = STANDARD_GRAVITY * stance.track.min() / (2 * stance.height)
    size = min(WISHED_SIDEWAYS, LIFT_MARGIN * lifting)
    sideways = size * _smooth(on) * np.sin(np.pi * SPEED / CONE_PITCH * since)
    # Braking ends before the car stops; a car at rest is not part of this drive.
    brake = np.clip((time - lap - 0.3) / 0.4, 0.0, 1.0)
    brake = brake * np.clip((lap + STOP - 0.4 - time) / 0.3, 0.0, 1.0)
    along = -WISHED_BRAKING * _smooth(brake)
    gained = np.cumsum(along[1:] + along[:-1]) / (2 * rate)
    return _Course(time, sideways, along, SPEED + np.concatenate([[0.0], gained]))


def _smooth(share: Floats) -> Floats:
    """Ramp from 0 to 1 with zero slope at both ends."""
    return share**2 * (3 - 2 * share)


def _road(time: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Random upward acceleration [m/s2] and displacement [m] of the four hubs, (n, corner)."""
    frequency = np.fft.rfftfreq(len(time), time[1] - time[0])
    band = (frequency > ROAD_BAND[0]) & (frequency < ROAD_BAND[1])
    spectrum = np.fft.rfft(rng.standard_normal((len(time), 4)), axis=0) * band[:, None]
    shake = np.fft.irfft(spectrum, len(time), axis=0)
    scale = ROAD_SHAKE / np.std(shake)
    # Displacement is acceleration divided by -(2 pi f)^2, frequency by frequency.
    square = -((2 * np.pi * np.where(band, frequency, 1.0)) ** 2)
    moved = np.fft.irfft(spectrum / square[:, None], len(time), axis=0)
    return scale * shake, scale * moved


def _body(stance: _Stance, course: _Course) -> tuple[Floats, Floats, Floats]:
    """Travels (n, corner) [m], roll and pitch (n,) [rad] of the body, delayed by `BODY_LAG`."""
    late = course.time - BODY_LAG
    sideways, along = (np.interp(late, course.time, a) for a in (course.sideways, course.along))
    roll, pitch = ROLL_RATE * sideways, -PITCH_RATE * along
    travel = -roll[:, None] * stance.arm[:, 1] + pitch[:, None] * stance.arm[:, 0]
    # The body also rolls on its tyres, which does not appear in the travels.
    on_tyres = stance.mass * stance.height / (TYRE_RATE * np.sum(stance.track**2) / 2)
    return travel, roll + on_tyres * sideways, pitch


def _vertical(stance: _Stance, course: _Course) -> Floats:
    """Quasi-static vertical forces (n, corner) [N]: weight and load transfer."""
    share = np.array([stance.to_rear] * 2 + [stance.to_front] * 2) / (2 * stance.base)
    pitched = stance.mass * stance.height * course.along / (2 * stance.base)
    out = stance.mass * STANDARD_GRAVITY * share + pitched[:, None] * [-1.0, -1.0, 1.0, 1.0]
    part = np.array([FRONT_SHARE] * 2 + [1 - FRONT_SHARE] * 2)
    side = np.array([-1.0, 1.0, -1.0, 1.0])  # acceleration to the left loads the right wheels
    # Wheels that are not symmetric about the centre of mass change the roll moment as well.
    y = stance.arm[:, 1]
    off_centre = out * (y[[0, 0, 2, 2]] + y[[1, 1, 3, 3]])
    turned = stance.mass * stance.height * course.sideways[:, None] * part
    return np.asarray(out + side * (turned + off_centre) / stance.track[[0, 0, 1, 1]])


def _shared_sideways(stance: _Stance, course: _Course, upward: Floats) -> Floats:
    """Lateral forces (n, corner) [N], split within an axle nearly in proportion to Fz.

    The split is from memory.  Yaw inertia is that of two masses over the axles, common practice,
    no source.
    """
    gyration = stance.to_front * stance.to_rear
    front = (stance.to_rear * course.sideways + gyration * course.yaw_change) / stance.base
    axle = stance.mass * np.stack([front, course.sideways - front], axis=1)
    pull = np.maximum(upward, 1.0) ** 0.9
    both = np.stack([pull[:, :2].sum(axis=1), pull[:, 2:].sum(axis=1)], axis=1)
    return np.asarray(pull / both[:, [0, 0, 1, 1]] * axle[:, [0, 0, 1, 1]])


def _ahead(
    stance: _Stance, along: Floats, steer: Floats, aside: Floats, upward: Floats
) -> tuple[Floats, Floats, Floats]:
    """Longitudinal forces [N], brake pressures [Pa] and torques [N m], (n, corner) each.

    `aside` and `upward` (n, corner) [N] are the other forces.  Driven wheels supply the force
    that the acceleration still needs; if no wheel is stated to be driven, the rear ones do.
    """
    corners, radius = stance.corners, stance.radius
    inertia = np.array([c.wheel.spin_inertia for c in corners])
    factor = np.array(
        [0.0 if c.brake.place == "none" else c.brake.torque_per_pressure for c in corners]
    )
    line = np.array([1.0, 1.0, REAR_PRESSURE, REAR_PRESSURE])
    spun = inertia * along[:, None] / radius  # torque that spins the wheel up
    wanted = -stance.mass * along - np.sum(spun / radius, axis=1)
    grip = float(np.sum(factor * line / radius))
    front = np.where(along < 0, wanted, 0.0) / grip if grip > 0 else np.zeros_like(along)
    pressure = front.clip(0)[:, None] * line
    torque = factor * pressure
    rolled = -ROLLING_DRAG * upward - (torque + spun) / radius
    turned = steer[:, None] * np.array([c.steered for c in corners])
    ahead = rolled / np.cos(turned) - aside * np.tan(turned)
    driven = np.array([c.driven for c in corners])
    driven = driven if driven.any() else np.array([False, False, True, True])
    missing = stance.mass * along - ahead.sum(axis=1)
    return ahead + missing[:, None] * driven / driven.sum(), pressure, torque


def _hub_level(stance: _Stance, course: _Course, level: Floats) -> Floats:
    """Specific force of the hubs in level axes (n, corner, xyz) [m/s2], yaw terms included."""
    rate, change = course.yaw_rate[:, None], course.yaw_change[:, None]
    x, y = stance.arm[:, 0], stance.arm[:, 1]
    out = np.repeat(level[:, None], len(x), axis=1)
    out[..., 0] += -change * y - rate**2 * x
    out[..., 1] += change * x - rate**2 * y
    return out
