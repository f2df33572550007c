"""An invented slalom with a stop at its end.

Quasi-static, with a few simple motions on top: forces of the road balance mass times
acceleration, load moves between the wheels as the centre of mass asks, the body rolls and
pitches a little late, and the wheels shake on the road.  Left out: roll and pitch inertia,
aerodynamic load, transient tyres.  All figures are invented; magnitudes from memory.
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
LIFT_MARGIN = 0.65  # of the sideways acceleration that would lift a wheel
FRONT_SHARE = 0.52  # of the load transfer in turns
ROLL_RATE, PITCH_RATE = 0.0042, 0.0020  # rad per m/s2 of the body on its springs
TYRE_RATE = 200e3  # N/m
SPRING_RATE = 35e3  # N/m at the wheel
BODY_LAG = 0.05  # s, roll and pitch behind the acceleration
ROAD_BAND = (5.0, 15.0)  # Hz
ROAD_SHAKE = 3.0  # m/s2 rms of the hub, upwards
SIDE_SHAKE = 0.3  # m/s2 rms of the hub, forwards and sideways
ROLLING_DRAG = 0.012
REAR_PRESSURE = 0.6  # of the front line
STEER_PER_ACCELERATION = 0.001  # rad per m/s2 on top of the geometry's


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the wheels stand: `arm` (corner, xyz) from the centre of mass, `radius` (corner,)."""

    corners: tuple[Corner, ...]
    mass: float
    height: float
    arm: Floats
    radius: Floats

    @property
    def track(self) -> Floats:
        """Track of front and rear axle (2,) [m]."""
        return self.arm[[0, 2], 1] - self.arm[[1, 3], 1]

    @property
    def to_front(self) -> float:
        """Front axle ahead of the centre of mass [m]."""
        return float(self.arm[:2, 0].mean())

    @property
    def to_rear(self) -> float:
        """Rear axle behind the centre of mass [m]."""
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
        """Yaw rate of a car that always looks where it goes [rad/s]."""
        return self.sideways / np.maximum(self.speed, 1.0)

    @property
    def yaw_change(self) -> Floats:
        """Yaw acceleration [rad/s2]."""
        return np.asarray(np.gradient(self.yaw_rate, self.time))


def slalom_states(
    virtual_car: VirtualCar, rng: np.random.Generator, *, rate: float = 200.0
) -> States:
    """Drive a slalom of ten cones 18 m apart at 15 m/s, then brake on the straight.

    Parameters
    ----------
    virtual_car : VirtualCar
        Its description needs all four corners; the states are those of the corners drawn.
    rng : numpy.random.Generator
        Shakes the wheels.
    rate : float
        Samples per second.

    Raises
    ------
    VehicleError
        The car lacks a corner: loads cannot be shared out.
    """
    layout = _layout(virtual_car.truth)
    course = _course(layout, rate)
    time = course.time
    shake, road_travel = _road(time, rng)
    extra = np.array([c.unsprung_mass for c in layout.corners]) * shake
    extra = extra + SPRING_RATE * road_travel
    upward = _vertical(layout, course) + extra
    aside = _shared_sideways(layout, course, upward)
    steer = (layout.base / SPEED**2 + STEER_PER_ACCELERATION) * course.sideways
    ahead, pressure, torque = _ahead(layout, course.along, steer, (aside, upward))
    travel, roll, pitch = _body(layout, course)
    heave = np.sum(extra, axis=1) / layout.mass
    to_vehicle = level_to_vehicle(roll, pitch)
    level = np.column_stack([course.along, course.sideways, STANDARD_GRAVITY + heave])
    hubs = _hub_level(layout, course, level)
    hubs[..., 2] += shake - heave[:, None]
    hubs[..., :2] += SIDE_SHAKE * rng.standard_normal(hubs[..., :2].shape)
    rolling = (course.speed[:, None] - course.yaw_rate[:, None] * layout.arm[:, 1]) / layout.radius
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


def _layout(truth: Vehicle) -> _Layout:
    missing = [c for c in CORNERS if c not in truth.corners]
    if missing:
        raise VehicleError(
            where=f"vehicle '{truth.name}'",
            found=f"no corner {', '.join(missing)}",
            needed="all four corners for a slalom",
            do="Describe the missing corners, or draw random states of the ones there are.",
        )
    corners = tuple(truth.corners[c] for c in CORNERS)
    arm = np.array([c.wheel.centre for c in corners]) - np.array(truth.centre_of_mass)
    radius = np.array([c.wheel.loaded_radius for c in corners])
    return _Layout(corners, truth.mass, truth.centre_of_mass[2], arm, radius)


def _course(layout: _Layout, rate: float) -> _Course:
    """Lay the slalom out; a car that would lift a wheel takes it more gently."""
    lap = RUN_IN + CONES * CONE_PITCH / SPEED
    time = np.arange(0.0, lap + STOP, 1.0 / rate)
    since = time - RUN_IN
    on = np.clip(np.minimum(since, lap - time) / 0.8, 0.0, 1.0)
    lifting = STANDARD_GRAVITY * layout.track.min() / (2 * layout.height)
    size = min(WISHED_SIDEWAYS, LIFT_MARGIN * lifting)
    sideways = size * _smooth(on) * np.sin(np.pi * SPEED / CONE_PITCH * since)
    # Braking ends before the car stands; a car at rest is not part of this run.
    brake = np.clip((time - lap - 0.3) / 0.4, 0.0, 1.0)
    brake = brake * np.clip((lap + STOP - 0.4 - time) / 0.3, 0.0, 1.0)
    along = -WISHED_BRAKING * _smooth(brake)
    gained = np.cumsum(along[1:] + along[:-1]) / (2 * rate)
    return _Course(time, sideways, along, SPEED + np.concatenate([[0.0], gained]))


def _smooth(share: Floats) -> Floats:
    """Ramp from 0 to 1 without a kink at its ends."""
    return share**2 * (3 - 2 * share)


def _road(time: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Draw upward acceleration [m/s2] and displacement [m] of four hubs shaking on the road."""
    frequency = np.fft.rfftfreq(len(time), time[1] - time[0])
    band = (frequency > ROAD_BAND[0]) & (frequency < ROAD_BAND[1])
    spectrum = np.fft.rfft(rng.standard_normal((len(time), 4)), axis=0) * band[:, None]
    shake = np.fft.irfft(spectrum, len(time), axis=0)
    scale = ROAD_SHAKE / np.std(shake)
    # Displacement is acceleration divided by -(2 pi f)^2, frequency by frequency.
    square = -((2 * np.pi * np.where(band, frequency, 1.0)) ** 2)
    moved = np.fft.irfft(spectrum / square[:, None], len(time), axis=0)
    return scale * shake, scale * moved


def _body(layout: _Layout, course: _Course) -> tuple[Floats, Floats, Floats]:
    """Return travels (n, corner) [m], roll and pitch (n,) [rad] of the body, a little late."""
    late = course.time - BODY_LAG
    sideways, along = (np.interp(late, course.time, a) for a in (course.sideways, course.along))
    roll, pitch = ROLL_RATE * sideways, -PITCH_RATE * along
    travel = -roll[:, None] * layout.arm[:, 1] + pitch[:, None] * layout.arm[:, 0]
    # The body also leans on its tyres, which the travels do not see.
    on_tyres = layout.mass * layout.height / (TYRE_RATE * np.sum(layout.track**2) / 2)
    return travel, roll + on_tyres * sideways, pitch


def _vertical(layout: _Layout, course: _Course) -> Floats:
    """Return quasi-static vertical forces (n, corner) [N]: weight and its transfer."""
    share = np.array([layout.to_rear] * 2 + [layout.to_front] * 2) / (2 * layout.base)
    pitched = layout.mass * layout.height * course.along / (2 * layout.base)
    out = layout.mass * STANDARD_GRAVITY * share + pitched[:, None] * [-1.0, -1.0, 1.0, 1.0]
    part = np.array([FRONT_SHARE] * 2 + [1 - FRONT_SHARE] * 2)
    side = np.array([-1.0, 1.0, -1.0, 1.0])  # to the left means load on the right
    # What stands off centre must be balanced as well; the roll moment is then exact.
    y = layout.arm[:, 1]
    off_centre = out * (y[[0, 0, 2, 2]] + y[[1, 1, 3, 3]])
    turned = layout.mass * layout.height * course.sideways[:, None] * part
    return np.asarray(out + side * (turned + off_centre) / layout.track[[0, 0, 1, 1]])


def _shared_sideways(layout: _Layout, course: _Course, upward: Floats) -> Floats:
    """Share sideways forces (n, corner) [N] among the tyres of an axle, nearly as Fz; from memory.

    Yaw inertia is that of two masses over the axles, common practice, no source.
    """
    gyration = layout.to_front * layout.to_rear
    front = (layout.to_rear * course.sideways + gyration * course.yaw_change) / layout.base
    axle = layout.mass * np.stack([front, course.sideways - front], axis=1)
    pull = np.maximum(upward, 1.0) ** 0.9
    both = np.stack([pull[:, :2].sum(axis=1), pull[:, 2:].sum(axis=1)], axis=1)
    return np.asarray(pull / both[:, [0, 0, 1, 1]] * axle[:, [0, 0, 1, 1]])


def _ahead(
    layout: _Layout, along: Floats, steer: Floats, tyres: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats]:
    """Return forward forces (n, corner) [N], brake pressure [Pa] and torque [N m].

    Driven wheels (the rear ones where none is said to be driven) make up what is missing.
    """
    corners, radius = layout.corners, layout.radius
    aside, upward = tyres
    inertia = np.array([c.wheel.spin_inertia for c in corners])
    factor = np.array(
        [0.0 if c.brake.place == "none" else c.brake.torque_per_pressure for c in corners]
    )
    line = np.array([1.0, 1.0, REAR_PRESSURE, REAR_PRESSURE])
    spun = inertia * along[:, None] / radius  # torque that spins the wheel up
    wanted = -layout.mass * along - np.sum(spun / radius, axis=1)
    grip = float(np.sum(factor * line / radius))
    front = np.where(along < 0, wanted, 0.0) / grip if grip > 0 else np.zeros_like(along)
    pressure = front.clip(0)[:, None] * line
    torque = factor * pressure
    rolled = -ROLLING_DRAG * upward - (torque + spun) / radius
    turned = steer[:, None] * np.array([c.steered for c in corners])
    ahead = rolled / np.cos(turned) - aside * np.tan(turned)
    driven = np.array([c.driven for c in corners])
    driven = driven if driven.any() else np.array([False, False, True, True])
    missing = layout.mass * along - ahead.sum(axis=1)
    return ahead + missing[:, None] * driven / driven.sum(), pressure, torque


def _hub_level(layout: _Layout, course: _Course, level: Floats) -> Floats:
    """Return specific force of the hubs in level axes (n, corner, xyz), terms of yaw included."""
    rate, change = course.yaw_rate[:, None], course.yaw_change[:, None]
    x, y = layout.arm[:, 0], layout.arm[:, 1]
    out = np.repeat(level[:, None], len(x), axis=1)
    out[..., 0] += -change * y - rate**2 * x
    out[..., 1] += change * x - rate**2 * y
    return out
