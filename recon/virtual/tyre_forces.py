"""From the wish of a driver to the states of the wheels, held to what the tyres can give.

A `Plan` says what acceleration the driver asks for.  The axle that is nearer to its limit decides
what the car gives: with the wish w and the acceleration a at which that axle would be used up,
the car accelerates by a s(w / a), s being the tyre's curve of force over slip.  So the slip of this
axle goes on rising when its force no longer does.  Forces balance mass times acceleration and the
moments of yaw, roll and pitch; roll and pitch follow as damped masses on springs.  Wheels shake on
the road and hop as the plan says.  Left out: sideslip of the body, transient tyre behaviour.  All
figures are invented; magnitudes from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.virtual.dampers import NO_DAMPER, Damper
from recon.virtual.drawing import VirtualCar
from recon.virtual.stance import (
    AXLE,
    FRONT_SHARE,
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
    stance_of,
    vertical,
)
from recon.virtual.states import (
    Body,
    Driver,
    Event,
    States,
    Tyres,
    level_to_vehicle,
    rack_of,
    warmth,
)
from recon.virtual.tyre_curve import SLIP_AHEAD, SLIP_ANGLE, Grip, share_of_limit, slip_of

ROLL_MODE, PITCH_MODE = (2.2, 0.5), (2.5, 0.5)  # Hz and damping ratio of the body
ROLL_GYRATION, PITCH_GYRATION = 0.5, 1.0  # m
AIR_DRAG, DOWNFORCE = 0.4, 0.25  # kg/m: force over the square of the speed
ENGINE_DRAG, USUAL_SPEED = 250.0, 15.0  # N at the driven wheels, throttle shut; m/s, second gear
ENGINE_POWER, ENGINE_FORCE = 110e3, 6500.0  # W, N
RATIOS = (0.0, 10.5, 7.2, 5.4, 4.3)  # engine over wheel, by gear
IDLE, LAUNCHING = 105.0, 480.0  # rad/s
SLOWEST = 3.0  # m/s; below, slip and curvature are taken as at this speed
SMOOTHS = 0.08  # s over which the body averages what its tyres can give sideways
HANDS = 0.04  # s over which the driver's hands average
ROAD_SPEED = 15.0  # m/s at which the road shakes as stated
ROUNDS = 40  # of the fixed-point iteration; 1e-9 of the forces are left


@dataclass(frozen=True, slots=True)
class Plan:
    """Wishes of the driver of one drive, at n samples.

    (n,) each: `time` [s], `ahead` and `aside` [m/s2] as asked of tyres without a limit, `gear`
    and `clutch` (1: pressed).  `hop` (n, corner) [m] is the upward motion of the
    hubs beside that on the road.  `speed` [m/s] is that at the start; `front_share` is that of
    the lateral load transfer; `damper` is that of every wheel; the body leans on its springs
    `lean` times as much as usual; a `geared` engine drags by gear and speed, any other alike.
    """

    time: Floats
    ahead: Floats
    aside: Floats
    gear: Floats
    clutch: Floats
    hop: Floats
    speed: float
    front_share: float = FRONT_SHARE
    grip: Grip = field(default_factory=Grip)
    events: tuple[Event, ...] = ()
    damper: Damper = NO_DAMPER
    lean: float = 1.0
    geared: bool = False

    def strut(self, moved: Floats) -> Floats:
        """Force (n, corner) [N] of springs and dampers under wheels that `moved` [m] likewise."""
        return SPRING_RATE * moved + self.damper.force(np.gradient(moved, self.time, axis=0))

    @property
    def rate(self) -> float:
        """Sampling rate [Hz]."""
        return float(1.0 / (self.time[1] - self.time[0]))


@dataclass(frozen=True, slots=True)
class _Motion:
    """Motion of the centre of mass in level axes and of the body on its springs, (n,) each."""

    along: Floats
    sideways: Floats
    speed: Floats
    yaw_rate: Floats
    yaw_change: Floats
    roll: Floats
    roll_change: Floats
    pitch: Floats
    pitch_change: Floats


@dataclass(frozen=True, slots=True)
class _Forces:
    """Forces (n, corner) [N] in level axes, without the road's shaking, and what belongs to them.

    `limit` (n, corner) [N]; `use` (n, axle) of it; `pressure` [Pa] and `torque` [N m] of the
    brakes (n, corner); `drive` (n,) [N] of the engine; `steer` (n,) [rad].
    """

    ahead: Floats
    aside: Floats
    upward: Floats
    limit: Floats
    use: Floats
    pressure: Floats
    torque: Floats
    drive: Floats


def ride(virtual_car: VirtualCar, plan: Plan, rng: np.random.Generator) -> States:
    """States of the wheels of a car that is driven by `plan`; `rng` draws their shaking.

    The car has all four corners described; the result has the drawn ones only.

    Raises VehicleError: the car lacks a corner.
    """
    stance = stance_of(virtual_car.truth, "a drive")
    bounced = stance.unsprung * _second_derivative(plan.hop, plan.rate) + plan.strut(plan.hop)
    motion, forces, slip, steer = _balanced(stance, plan, bounced)
    shake, moved = rough_road(plan.time, rng)
    pace = np.clip(motion.speed / ROAD_SPEED, 0.0, 1.3)[:, None]
    shake, moved = pace * shake, pace * moved
    hop_change = _second_derivative(plan.hop, plan.rate)
    upward = forces.upward + stance.unsprung * shake + plan.strut(moved)
    sprung = stance.mass - stance.unsprung.sum()
    heave = np.sum(plan.strut(moved + plan.hop), axis=1) / sprung
    level = np.column_stack([motion.along, motion.sideways, STANDARD_GRAVITY + heave])
    hubs = level_hubs(stance, motion.yaw_rate, motion.yaw_change, level)
    hubs[..., 2] = STANDARD_GRAVITY + shake + hop_change
    hubs[..., :2] += SIDE_SHAKE * pace[..., None] * rng.standard_normal(hubs[..., :2].shape)
    travel = -motion.roll[:, None] * stance.arm[:, 1] + motion.pitch[:, None] * stance.arm[:, 0]
    # The body also rolls on its tyres, which does not appear in the travels.
    on_tyres = stance.mass * stance.height / (TYRE_RATE * np.sum(stance.track**2) / 2)
    roll = motion.roll + on_tyres * motion.roll / (plan.lean * ROLL_RATE)
    to_vehicle = level_to_vehicle(roll, motion.pitch)
    tyres = _tyres(forces, slip)
    wheel_speed = _wheel_speed(stance, motion, tyres)
    whole = States(
        corners=CORNERS,
        time=plan.time,
        body=Body(
            steer=steer,
            rack=rack_of(virtual_car, steer),
            roll=roll,
            pitch=motion.pitch,
            speed=motion.speed,
            yaw_rate=motion.yaw_rate,
            acceleration=np.einsum("nij,nj->ni", to_vehicle, level),
        ),
        travel=travel + moved + plan.hop,
        force=np.stack([forces.ahead, forces.aside, upward], axis=2),
        specific_force=np.einsum("nij,ncj->nci", to_vehicle, hubs),
        brake_pressure=forces.pressure,
        brake_torque=forces.torque,
        wheel_speed=wheel_speed,
        locked=np.zeros(wheel_speed.shape, dtype=bool),
        temperature=warmth(plan.time),
        driver=_driver(stance, plan, motion, forces, wheel_speed),
        tyres=tyres,
        events=plan.events,
    )
    return whole.of(virtual_car.corners)


def _balanced(
    stance: Stance, plan: Plan, bounced: Floats
) -> tuple[_Motion, _Forces, Floats, Floats]:
    """Motion and forces that agree, slip (n, axle) and steer (n,) [rad] of the wheels.

    `bounced` (n, corner) [N] is what hop adds to their loads.
    """
    wish = np.hypot(plan.ahead, plan.aside)
    way = np.stack([plan.ahead, plan.aside]) / np.maximum(wish, 1e-9)
    given = np.stack([plan.ahead, plan.aside]) * np.minimum(1.0, 6.0 / np.maximum(wish, 1e-9))
    reach = np.full(len(wish), 10.0)
    turning, steer = np.zeros((2, len(wish)))
    for _ in range(ROUNDS):
        motion = _motion(plan, *given)
        forces = _forces(stance, plan, motion, bounced, turning, steer)
        turning = -forces.ahead @ stance.arm[:, 1]
        size, most = np.hypot(*given), forces.use.max(axis=1)
        # Where the car hardly accelerates, nothing says what it could.
        now = np.where(size > 0.5, size / np.maximum(most, 1e-3), 10.0)
        reach = 0.5 * reach + 0.5 * np.clip(now, 3.0, 25.0)
        evenly = _averaged(reach, SMOOTHS, plan.rate)
        given = way * np.stack(
            [reach * share_of_limit(wish / reach), evenly * share_of_limit(wish / evenly)]
        )
        slip = _slip(forces, wish / reach)
        steer = _steer(stance, motion, forces, slip, plan.rate)
    return motion, forces, slip, steer


def _slip(forces: _Forces, wished: Floats) -> Floats:
    """Slip (n, axle) over that of the largest force; `wished` (n,) is the wish over its reach."""
    slip = slip_of(forces.use)
    spins = (wished > slip_of(np.array(1.0)))[:, None]
    first = forces.use > 0.97 * forces.use.max(axis=1, keepdims=True)
    return np.where(spins & first, np.maximum(slip, wished[:, None]), slip)


def _motion(plan: Plan, along: Floats, sideways: Floats) -> _Motion:
    gained = np.cumsum(along[1:] + along[:-1]) / (2 * plan.rate)
    speed = np.maximum(plan.speed + np.concatenate([[0.0], gained]), 0.0)
    yaw_rate = sideways / np.maximum(speed, SLOWEST)
    roll, roll_change = _settling(plan.lean * ROLL_RATE * sideways, ROLL_MODE, plan.rate)
    pitch, pitch_change = _settling(-plan.lean * PITCH_RATE * along, PITCH_MODE, plan.rate)
    return _Motion(
        along, sideways, speed, yaw_rate, np.gradient(yaw_rate, plan.time),
        roll, roll_change, pitch, pitch_change,
    )  # fmt: skip


def _settling(goal: Floats, mode: tuple[float, float], rate: float) -> tuple[Floats, Floats]:
    """Angle (n,) [rad] of a damped body that follows `goal`, and its second derivative [rad/s2]."""
    from scipy.signal import lfilter

    angle, change = (lfilter(*by, goal - goal[0]) for by in _settling_filters(mode, rate))
    return np.asarray(angle + goal[0]), np.asarray(change)


@cache
def _settling_filters(
    mode: tuple[float, float], rate: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Filters of the angle and of its second derivative, for a body of this `mode`."""
    from scipy.signal import bilinear

    omega = 2 * np.pi * mode[0]
    below = [1.0, 2 * mode[1] * omega, omega**2]
    return bilinear([omega**2], below, rate), bilinear([omega**2, 0.0, 0.0], below, rate)


def _forces(
    stance: Stance, plan: Plan, motion: _Motion, bounced: Floats, turning: Floats, steer: Floats
) -> _Forces:
    """Forces of one round.

    `turning` (n,) [N m] is the yaw moment of the forces ahead, `steer` (n,) [rad] the angle of the
    steered wheels, by which their side forces point backwards.
    """
    air = AIR_DRAG * motion.speed**2
    pitching = stance.height * (stance.mass * motion.along + air)
    pitching = pitching + stance.mass * PITCH_GYRATION**2 * motion.pitch_change
    rolling = stance.height * stance.mass * motion.sideways
    rolling = rolling - stance.mass * ROLL_GYRATION**2 * motion.roll_change
    share = np.array([stance.to_rear] * 2 + [stance.to_front] * 2) / (2 * stance.base)
    upward = vertical(stance, pitching, rolling, plan.front_share)
    upward = upward + DOWNFORCE * motion.speed[:, None] ** 2 * share + bounced
    limit = plan.grip.limit(upward)
    front = stance.to_rear * motion.sideways + stance.gyration * motion.yaw_change
    front = (stance.mass * front - turning) / stance.base
    axle = np.stack([front, stance.mass * motion.sideways - front], axis=1)
    steered = np.array([c.steered for c in stance.corners])
    turned = steer[:, None] * steered
    rolled = _rolling(stance, motion, upward, plan)
    aside = axle[:, AXLE] * limit / _by_axle(limit)[:, AXLE]
    held = rolled / np.cos(turned) - aside * np.tan(turned)
    need = stance.mass * motion.along + air - held.sum(axis=1)
    pressure, torque = _brakes(stance, np.maximum(-need, 0.0))
    drive = np.maximum(need, 0.0)
    driven = stance.driven * limit
    pulled = drive[:, None] * driven / driven.sum(axis=1, keepdims=True)
    ahead = held - torque / stance.radius + pulled
    # What the brakes leave of each tyre takes the side force.
    left = np.sqrt(np.maximum(limit**2 - ahead**2, (0.2 * limit) ** 2))
    aside = axle[:, AXLE] * left / _by_axle(left)[:, AXLE]
    use = np.hypot(_by_axle(ahead), _by_axle(aside)) / _by_axle(limit)
    return _Forces(ahead, aside, upward, limit, use, pressure, torque, drive)


def _rolling(stance: Stance, motion: _Motion, upward: Floats, plan: Plan) -> Floats:
    """Forces (n, corner) [N] of wheels that roll: drag, spin and the engine's drag."""
    inertia = np.array([c.wheel.spin_inertia for c in stance.corners])
    moving = np.clip(motion.speed, 0.0, 1.0)[:, None]
    out = -moving * ROLLING_DRAG * upward - inertia * motion.along[:, None] / stance.radius**2
    shut = np.clip(-plan.ahead, 0.0, 1.0) * (1 - plan.clutch) * np.clip(motion.speed / 5, 0.0, 1.0)
    drag = engine_drag(plan.gear, motion.speed) if plan.geared else ENGINE_DRAG
    return np.asarray(out - (drag * shut)[:, None] * stance.driven / stance.driven.sum())


def engine_drag(gear: Floats, speed: Floats) -> Floats:
    """Drag (n,) [N] at the driven wheels of an engine whose throttle is shut.

    In a `gear` (n,) at a `speed` (n,) [m/s]: a torque of which half grows with the engine's speed
    (from memory).
    """
    ratio = np.array(RATIOS)[gear.astype(int)] / RATIOS[2]
    return ENGINE_DRAG * ratio * (0.5 + 0.5 * ratio * speed / USUAL_SPEED)


def _brakes(stance: Stance, wanted: Floats) -> tuple[Floats, Floats]:
    """Pressures [Pa] and torques [N m] (n, corner) that hold the car back by `wanted` (n,) [N]."""
    factor = np.array(
        [0.0 if c.brake.place == "none" else c.brake.torque_per_pressure for c in stance.corners]
    )
    line = np.array([1.0, 1.0, REAR_PRESSURE, REAR_PRESSURE])
    grip = float(np.sum(factor * line / stance.radius))
    pressure = (wanted / grip if grip > 0 else np.zeros_like(wanted))[:, None] * line
    return pressure, factor * pressure


def _by_axle(values: Floats) -> Floats:
    """Sums (n, axle) over the corners of each axle."""
    return np.stack([values[:, :2].sum(axis=1), values[:, 2:].sum(axis=1)], axis=1)


def _steer(stance: Stance, motion: _Motion, forces: _Forces, slip: Floats, rate: float) -> Floats:
    """Steer angle (n,) [rad]: curvature of the path and the slip angles of both axles."""
    x, y = _by_axle(forces.ahead), _by_axle(forces.aside)
    angle = SLIP_ANGLE * np.minimum(slip, 3.0) * y / np.maximum(np.hypot(x, y), 1.0)
    curve = stance.base * motion.yaw_rate / np.maximum(motion.speed, SLOWEST)
    return _averaged(curve + angle[:, 0] - angle[:, 1], HANDS, rate)


def _tyres(forces: _Forces, slip: Floats) -> Tyres:
    own = np.hypot(forces.ahead, forces.aside) / forces.limit
    each = slip[:, AXLE] * own / np.maximum(forces.use[:, AXLE], 1e-6)
    ahead = SLIP_AHEAD * each * forces.ahead
    ahead = ahead / np.maximum(np.hypot(forces.ahead, forces.aside), 1.0)
    return Tyres(each, ahead, forces.limit)


def _wheel_speed(stance: Stance, motion: _Motion, tyres: Tyres) -> Floats:
    """Speeds of rotation (n, corner) [rad/s]."""
    rolls = motion.speed[:, None] - motion.yaw_rate[:, None] * stance.arm[:, 1]
    slides = tyres.slip_ahead * np.maximum(motion.speed, SLOWEST)[:, None]
    moving = np.clip(motion.speed / 0.3, 0.0, 1.0)[:, None]
    return np.asarray((rolls + moving * slides) / stance.radius)


def _driver(
    stance: Stance, plan: Plan, motion: _Motion, forces: _Forces, wheel_speed: Floats
) -> Driver:
    could = np.minimum(ENGINE_FORCE, ENGINE_POWER / np.maximum(motion.speed, 1.0))
    asked = np.maximum(plan.ahead * stance.mass, np.where(plan.ahead < -0.5, 0.0, forces.drive))
    throttle = np.clip(asked / (0.85 * could), 0.0, 1.0) * (plan.clutch < 0.5)
    turning = np.array(RATIOS)[plan.gear.astype(int)] * wheel_speed[:, stance.driven].mean(axis=1)
    slipping = (plan.gear == 1) & (plan.ahead > 0) & (turning < LAUNCHING)
    engine = np.where(slipping, LAUNCHING * throttle, np.where(plan.clutch > 0.5, 0.8, 1) * turning)
    moved = np.cumsum(motion.speed[1:] + motion.speed[:-1]) / (2 * plan.rate)
    return Driver(
        throttle=np.round(throttle, 2),
        clutch=plan.clutch,
        gear=plan.gear,
        engine_speed=np.maximum(engine, IDLE),
        distance=np.concatenate([[0.0], moved]),
    )


def _averaged(values: Floats, spread: float, rate: float) -> Floats:
    """Moving average (n,) with a bell of standard deviation `spread` [s]."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(values, spread * rate, mode="nearest"))


def _second_derivative(values: Floats, rate: float) -> Floats:
    """Second derivative (n, corner) of motions that are zero at both ends."""
    frequency = np.fft.rfftfreq(len(values), 1.0 / rate)
    spectrum = -((2 * np.pi * frequency[:, None]) ** 2) * np.fft.rfft(values, axis=0)
    return np.asarray(np.fft.irfft(spectrum, len(values), axis=0))
