"""The laws of motion of the whole car as rows on the forces of its four tyres.

Vehicle axes.  With forces F at the contacts r (from the centre of the sprung mass), specific forces
f (gravity included), sprung mass m_s and the masses m_u that move with the wheels:

    sum F           = m_s f + sum m_u f_u + drag and lift                                     (1)
    sum r x F + M   = I dw/dt + sum r_u x m_u f_u + spin of the wheels                        (2)

The right-hand sides hold with a stated uncertainty: nobody measured the air's forces, the inertia
of the body, or where exactly its accelerometer is.  Those sizes are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.conditioning.filters import low_pass
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import pose
from recon.reconstruction.whole_car.car_stance import (
    AWAY,
    DRAG,
    FASTEST,
    U_DRAG,
    U_INERTIA,
    U_LIFT,
    U_OFFSET,
    U_TILT,
    Stance,
    inertial_force,
    stance_of,
)

SLOW = 5.0  # Hz; quicker, the body bends, tyres shake, and angular acceleration is mostly noise
U_GAIN = 0.01  # of the reading of the body's accelerometer beside gravity
AIR_HEIGHT = 0.2  # m, of the drag above or below the centre of mass
SAG = 0.02  # m of height: tyres that deflect, a body that rises or sinks, beside what is stated
ROUGH = 0.004  # of weight, and of weight times wheelbase: bending, wind, a slope in the road
ROLLING = 0.015  # rolling resistance over load

ROWS = ("sum of Fx", "sum of Fy", "sum of Fz", "roll moment", "pitch moment", "yaw moment")


@dataclass(frozen=True, slots=True)
class CarBalance:
    """Rows of equations (1) and (2) at n samples: `matrix` @ forces = `given` within `u`.

    `matrix` (row, 12, sample) [1 or m] on Fx, Fy, Fz of FL, FR, RL, RR in vehicle axes; `given`
    (row, sample) [N or N m]; `effects` (cause, row, sample) of errors of the right-hand side, per
    standard uncertainty; `rows` are their names.
    """

    matrix: Floats
    given: Floats
    effects: Floats
    rows: tuple[str, ...]


class Places(NamedTuple):
    """Contacts and centres of wheels in vehicle axes, (wheel, 3, sample) each [m]."""

    contacts: Floats
    centres: Floats


@dataclass(frozen=True, slots=True)
class BodyMotion:
    """Motion of the body at n samples, vehicle axes.

    `force` (3, n) is its specific force and `hubs` (4, 3, n) are those of the wheels [m/s2];
    `turning` (3, n) [rad/s] and `turning_change` (3, n) [rad/s2] its rotation; `speed` (n,) [m/s];
    `known` are the rows whose rotation is logged.
    """

    force: Floats
    hubs: Floats
    places: Places
    turning: Floats
    turning_change: Floats
    speed: Floats
    known: tuple[bool, ...]


def motion_of(log: xr.Dataset, hubs: Floats, places: Places) -> BodyMotion:
    """Motion of the body in a log, `hubs` (4, 3, n) [m/s2] and `places` as `places_of` gives them.

    Raises DataError: the log has no acceleration of the body along some axis.
    """
    where = str(log.attrs.get("path", "log"))
    there = "acceleration" in log and np.isfinite(log["acceleration"].to_numpy())
    # What was inferred from the gauges says nothing about them.
    if "u_acceleration" in log or not np.all(np.any(there, axis=0)):
        raise DataError(
            where,
            "no logged acceleration of the body along x, y and z",
            "one, for the balance of the whole car",
            "Log acceleration_x, _y and _z, gravity included, or leave out --whole-car.",
        )
    n, rate = log.sizes["elapsed_time"], float(log.attrs["rate"])
    turning, change, known = np.zeros((3, n)), np.zeros((3, n)), [True, True, True]
    for axis, (name, order) in enumerate((("roll", 2), ("pitch", 2), ("yaw_rate", 1))):
        known.append(name in log)
        if name in log:
            slow = low_pass(log[name].to_numpy()[:, None], SLOW, rate)[:, 0]
            rates = [slow]
            for _ in range(order):
                rates.append(np.gradient(rates[-1], 1 / rate))
            turning[axis], change[axis] = rates[-2:]
    return BodyMotion(
        force=log["acceleration"].to_numpy().T.astype(float),
        hubs=hubs,
        places=places,
        turning=turning,
        turning_change=change,
        speed=_speed(log),
        known=tuple(known),
    )


def places_of(assembly: Assembly, travel: Floats, rack: Floats) -> Places:
    """Contacts and centres (w, 3, sample) [m] of the wheels of an assembly, vehicle axes.

    `travel` (w, sample) and `rack` (sample,) [m].  Polynomials over both, through exact poses.
    """
    low, high = np.array([c.travel_range for c in assembly.corners]).mean(axis=0)
    reach = float(np.max(np.abs(rack), initial=0.0))
    nodes = [g.ravel() for g in np.meshgrid(np.linspace(low, high, 7), reach * np.arange(-1, 2))]
    posed = pose(assembly.mechanism, np.stack([nodes[0]] * len(travel), axis=-1), nodes[1])
    scale = max(reach, 1e-6)
    fit = np.linalg.pinv(_monomials(nodes[0] / high, nodes[1] / scale).T)
    out = []
    for k, own in enumerate(travel):
        at = _monomials(own / high, rack / scale)
        wheel = posed.wheels[k]
        out.append([(fit @ place).T @ at for place in (wheel.contact, wheel.hub)])
    return Places(*(np.array(places) for places in zip(*out, strict=True)))


def _monomials(travel: Floats, rack: Floats) -> Floats:
    return np.array([travel**i * rack**j for i in range(4) for j in range(3)])


def _speed(log: xr.Dataset) -> Floats:
    """Speed (n,) [m/s]; a high one where it is not logged."""
    n = log.sizes["elapsed_time"]
    speed = np.abs(log["speed"].to_numpy()) if "speed" in log else np.full(n, FASTEST)
    return np.nan_to_num(speed, nan=FASTEST)


def balance_of(car: Vehicle, motion: BodyMotion) -> CarBalance:
    """Rows of a car with four corners; those whose turning is not logged are left out."""
    stance = stance_of(car)
    assert stance is not None  # whoever asks has four corners
    n = motion.force.shape[1]
    contacts, centres = (p - stance.sprung_centre[:, None] for p in motion.places)
    matrix = np.zeros((6, 12, n))
    for k in range(4):
        matrix[:3, 3 * k : 3 * k + 3] = np.eye(3)[..., None]
        matrix[3:, 3 * k : 3 * k + 3] = _cross_matrix(contacts[k])
        matrix[5, 3 * k + 1] -= car.tyre.trail
        matrix[3, 3 * k + 1] += car.tyre.shift_per_force * stance.usual[k]
    own = stance.unsprung[:, None, None] * motion.hubs
    given = np.empty((6, n))
    given[:3] = inertial_force(stance.mass, stance.unsprung, motion.force, motion.hubs)
    given[0] += DRAG * motion.speed**2
    given[3:] = stance.sprung_inertia[:, None] * motion.turning_change
    given[3:] += np.cross(centres, own, axis=1).sum(axis=0)
    spin, gyro = _spin(stance, motion)
    given[3] += gyro
    given[4] += spin
    effects = np.array([_row(effect, n) for effect in _effects(car, stance, motion, given)])
    kept = [k for k, known in enumerate(motion.known) if known]
    return CarBalance(matrix[kept], given[kept], effects[:, kept], tuple(ROWS[k] for k in kept))


def _row(effect: dict[int, Floats], n: int) -> Floats:
    out = np.zeros((6, n))
    for k, values in effect.items():
        out[k] = values
    return out


def _cross_matrix(arm: Floats) -> Floats:
    """Moment per force (3, 3, n) [m] at `arm` (3, n) [m]."""
    x, y, z = arm
    nothing = np.zeros_like(x)
    return np.array([[nothing, -z, y], [z, nothing, -x], [-y, x, nothing]])


def _spin(stance: Stance, motion: BodyMotion) -> tuple[Floats, Floats]:
    """Moments (n,) [N m] that speed up the wheels, and that turn their spin with the car."""
    turns = float(np.sum(stance.spin / stance.radius))
    return turns * motion.force[0], -turns * motion.speed * motion.turning[2]


def _effects(
    car: Vehicle, stance: Stance, motion: BodyMotion, given: Floats
) -> Iterator[dict[int, Floats]]:
    """Effects of the errors of the right-hand sides, as {row: values (n,) [N or N m]}."""
    yield from _sensor_effects(car, motion)
    yield from _air_effects(stance, motion)
    one = np.ones(motion.force.shape[1])
    relative = car.u_mass / car.mass
    yield {k: relative * given[k] for k in range(3)}
    x, y, z = car.u_centre_of_mass
    yield {4: x * given[2], 5: -x * given[1]}
    yield {3: -y * given[2], 5: y * given[0]}
    z = float(np.hypot(z, SAG))
    yield {3: z * given[1], 4: -z * given[0]}
    for axis in range(3):
        yield {3 + axis: U_INERTIA * stance.sprung_inertia[axis] * motion.turning_change[axis]}
    yield {4: _spin(stance, motion)[0]}
    yield {5: car.tyre.u_trail * given[1]}
    weight = car.mass * STANDARD_GRAVITY
    # Four wheels, each with a shift of its own.
    yield {3: 0.5 * weight * car.tyre.u_shift * one}
    yield {4: ROLLING * weight * stance.radius.mean() * one}
    length = np.ptp(stance.ahead)
    for row, size in enumerate((1.0, 1.0, 1.0, length, length, length)):
        yield {row: ROUGH * weight * size * one}


def _sensor_effects(car: Vehicle, motion: BodyMotion) -> Iterator[dict[int, Floats]]:
    """Errors of the body's accelerometer: offset, gain, tilt, place."""
    force, one = motion.force, np.ones(motion.force.shape[1])
    beside = force - STANDARD_GRAVITY * np.array([[0.0], [0.0], [1.0]])
    for axis in range(3):
        yield {axis: car.mass * U_OFFSET * one}
        yield {axis: car.mass * U_GAIN * beside[axis]}
        a, b = (axis + 1) % 3, (axis + 2) % 3
        yield {a: -car.mass * U_TILT * force[b], b: car.mass * U_TILT * force[a]}
    w, change = motion.turning.T, motion.turning_change.T
    for axis in range(3):
        away = AWAY * np.eye(3)[axis]
        felt = np.cross(change, away) + np.cross(w, np.cross(w, away))
        yield dict(enumerate(car.mass * felt.T))


def _air_effects(stance: Stance, motion: BodyMotion) -> Iterator[dict[int, Floats]]:
    square = motion.speed**2
    yield {0: U_DRAG * square}
    yield {4: AIR_HEIGHT * DRAG * square}
    for axle in (slice(0, 2), slice(2, 4)):
        ahead = stance.ahead[axle].mean()
        yield {2: U_LIFT * square, 4: -ahead * U_LIFT * square}
