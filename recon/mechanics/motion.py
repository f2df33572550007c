"""Motion with travel and steer: where bodies and wheels are.

Travel is the rise of a wheel centre against the chassis from design height, bump positive.  Rack
is the shift of the steering rack to the left.  All functions work on batches of poses, which come
first in the shape of arrays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import prod

import numpy as np
from numpy.typing import ArrayLike

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.car.vehicle import Corner, Vehicle
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.mechanics.balance import Balance, balance
from recon.mechanics.closure import closed
from recon.mechanics.structure import Mechanism, State, hubs_of

POSES = 128  # batches of poses that are kept: every calibration of a car needs the same ones
MANY = 4096  # poses of a batch that is not kept


@dataclass(frozen=True, slots=True)
class WheelAt:
    """One wheel at each pose, in vehicle axes (ISO 8855).

    `hub` and `contact` (..., xyz) are wheel centre and contact centre [m]; `spin` (..., xyz) is a
    unit vector to the left; `heading` and `inclination` (...,) [rad] are right-handed rotations
    about z and x.
    """

    hub: Floats
    spin: Floats
    contact: Floats
    heading: Floats
    inclination: Floats


@dataclass(frozen=True, eq=False)  # without slots, so that its balance can be kept
class Pose(State):
    """A batch of poses of one mechanism: its state with closed gaps, and its wheels.

    `wheels` has one or two entries, in the order of the mechanism's wheels.
    """

    mechanism: Mechanism
    wheels: tuple[WheelAt, ...]

    @property
    def hubs(self) -> Floats:
        """Wheel centres (..., wheel, xyz) [m]."""
        return np.stack([w.hub for w in self.wheels], axis=-2)

    @cached_property
    def balance(self) -> Balance:
        """Loads of all supports per wrench about the wheel centres; see `balance`."""
        return balance(self.mechanism, self)


def pose(
    mechanism: Mechanism,
    travel: ArrayLike,
    rack: ArrayLike = 0.0,
    *,
    points: Floats | None = None,
    centres: Floats | None = None,
) -> Pose:
    """Pose a mechanism at each travel of its wheels and rack shift.

    `travel` (..., wheel) [m], or one number for all wheels, is the rise of each wheel centre
    against the chassis, bump positive; `rack` (...,) [m] is the shift to the left, broadcast with
    travel. `points` (..., support, 3, xyz) and `centres` (..., wheel, xyz) [m] stand for the
    mechanism's own design points, for their uncertainty.

    Raises VehicleError: the mechanism does not reach a pose; the message names travel and rack.
    """
    points = mechanism.points if points is None else points
    centres = mechanism.centres if centres is None else centres
    travel = np.atleast_1d(np.asarray(travel, dtype=float))
    rack = np.asarray(rack, dtype=float)
    batch = np.broadcast_shapes(
        travel.shape[:-1], rack.shape, points.shape[:-3], centres.shape[:-2]
    )
    given = ((each.shape, each.tobytes()) for each in (travel, rack, points, centres))
    make = _pose if prod(batch) <= MANY else _pose.__wrapped__
    return make(mechanism, batch, *given)


@lru_cache(maxsize=POSES)
def _pose(
    mechanism: Mechanism, batch: tuple[int, ...], *given: tuple[tuple[int, ...], bytes]
) -> Pose:
    """Poses of shape `batch`; `given` are shapes and contents of `pose`'s arrays in their order."""
    travel, rack, points, centres = (np.frombuffer(b).reshape(shape) for shape, b in given)
    travels = np.broadcast_to(travel, (*batch, len(mechanism.wheels)))
    rack = np.broadcast_to(rack, batch)
    points = np.broadcast_to(points, (*batch, *points.shape[-3:]))
    centres = np.broadcast_to(centres, (*batch, *centres.shape[-2:]))
    n_bodies = len(mechanism.bodies)
    rotation = np.broadcast_to(np.eye(3), (*batch, n_bodies, 3, 3)).copy()
    shift = np.zeros((*batch, n_bodies, 3))
    # A fair first guess: everything rises with the wheels.
    shift[..., 2] = np.mean(travels, axis=-1)[..., None]
    state = closed(mechanism, State(rotation, shift, points, centres, rack), travels)
    return Pose(
        rotation=state.rotation,
        shift=state.shift,
        points=points,
        centres=centres,
        rack=rack,
        mechanism=mechanism,
        wheels=_wheels(mechanism, state),
    )


def posed(assembly: Assembly, travel: ArrayLike, rack: ArrayLike = 0.0) -> Pose:
    """Pose an assembly within the ranges of travel that its vehicle file states; see `pose`.

    `travel` (..., wheel) [m] of each corner, bump positive, or one number for all wheels; `rack`
    (...,) [m], left positive.

    Raises VehicleError: the mechanism does not reach a pose.
    Raises DataError: travel outside the range that the vehicle file states.
    """
    travels = np.atleast_1d(np.asarray(travel, dtype=float))
    travels = np.broadcast_to(travels, (*travels.shape[:-1], len(assembly.corners)))
    for corner, own in zip(assembly.corners, np.moveaxis(travels, -1, 0), strict=True):
        _require_within_range(corner, own)
    return pose(assembly.mechanism, travels, rack)


def _wheels(mechanism: Mechanism, state: State) -> tuple[WheelAt, ...]:
    hubs = hubs_of(mechanism, state)
    up = np.array([0.0, 0.0, 1.0])
    out = []
    for k, wheel in enumerate(mechanism.wheels):
        spin = np.einsum("...ij,j->...i", state.rotation[..., wheel.body, :, :], wheel.spin)
        # Lowest point of the wheel's middle plane: straight down, less its part along the axis.
        down = spin * spin[..., 2:3] - up
        down = down / np.linalg.norm(down, axis=-1)[..., None]
        heading, inclination = wheel_angles(spin)
        out.append(
            WheelAt(
                hub=hubs[..., k, :],
                spin=spin,
                contact=hubs[..., k, :] + wheel.radius * down,
                heading=heading,
                inclination=inclination,
            )
        )
    return tuple(out)


def wheel_angles(spin: Floats) -> tuple[Floats, Floats]:
    """Heading and inclination (...,) [rad] of a wheel whose spin axis (..., xyz) points left.

    Right-handed rotations about z and x of the axes in which the spin axis is given (ISO 8855, from
    memory).
    """
    heading = np.arctan2(-spin[..., 0], spin[..., 1])  # of spin x up, which points ahead
    return heading, np.arcsin(np.clip(spin[..., 2], -1.0, 1.0))


def _require_within_range(corner: Corner, travel: Floats) -> None:
    low, high = corner.travel_range
    out = (travel < low - 1e-9) | (travel > high + 1e-9)
    if np.any(out):
        raise DataError(
            where=f"corner {corner.name}",
            found=f"travel {1e3 * travel[out].flat[0]:.1f} mm",
            needed=f"travel within {1e3 * low:.0f} to {1e3 * high:.0f} mm (travel_mm of the "
            "vehicle file)",
            do="State the range that the suspension really has, or check the travel channel's "
            "zero.",
        )


def rack_of_steer(car: Vehicle, steer: ArrayLike) -> Floats:
    """Rack shift [m] at which the steered wheels have the mean heading `steer` [rad].

    Both (...,) are left positive; see `steer_to_rack`, which serves many calls.
    """
    if not np.any(steer):  # headings count from there, and no table of them is needed
        return np.zeros(np.shape(steer))
    return steer_to_rack(car, assemblies_of(car))(steer)


def steer_to_rack(car: Vehicle, assemblies: dict[str, Assembly]) -> Callable[[ArrayLike], Floats]:
    """Function from mean heading (...,) [rad] of the steered wheels to rack shift (...,) [m].

    Both are left positive.  Headings are taken at zero travel and without static toe, which
    cancels in the mean of two wheels.  Steer beyond the range of the rack gives a shift beyond
    that range, extrapolated linearly, so that callers can reject or flag it.
    """
    steered = [c for c in car.corners.values() if c.steered]
    low, high = car.steering.rack_range
    if not steered or low == high:
        return lambda steer: np.zeros(np.shape(steer))
    rack = np.linspace(low, high, 81)
    mean = np.zeros_like(rack)
    for assembly in assemblies.values():
        if assembly.steered:
            at = pose(assembly.mechanism, 0.0, rack)
            for corner, wheel in zip(assembly.corners, at.wheels, strict=True):
                if corner.steered:
                    mean += (wheel.heading - np.interp(0.0, rack, wheel.heading)) / len(steered)
    from scipy.interpolate import PchipInterpolator

    order = np.argsort(mean)
    mean, rack = mean[order], rack[order]
    inverse = PchipInterpolator(mean, rack)

    def shift(steer: ArrayLike) -> Floats:
        steer = np.asarray(steer, dtype=float)
        held = np.clip(steer, mean[0], mean[-1])
        slope = np.where(steer > held, *(inverse(mean[k], 1) for k in (-1, 0)))
        return np.asarray(inverse(held) + slope * (steer - held))

    return shift
