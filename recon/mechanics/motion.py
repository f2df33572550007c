"""Motion with travel and steer: where bodies and wheels stand.

Travel is the rise of a wheel centre against the chassis, bump positive, zero at design
height.  Rack is the shift of the steering rack to the left.  Everything is a batch: poses
stand in the leading axes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.mechanics.closure import closed, rotation_matrix
from recon.mechanics.mechanism import Mechanism, assembly_of, mechanism_of
from recon.mechanics.structure import State, hubs_of

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Vehicle

__all__ = [
    "Pose",
    "WheelAt",
    "pose",
    "pose_assembly",
    "pose_at",
    "pose_corner",
    "rack_of_steer",
    "rotation_matrix",
    "wheel_angles",
    "wheel_of",
]


@dataclass(frozen=True, slots=True)
class WheelAt:
    """One wheel at each pose, in vehicle axes.

    `hub` and `contact` (..., xyz) [m]; `spin` (..., xyz) unit vector to the left; `heading` and
    `inclination` (...,) [rad], both as right-handed rotations about z and x.
    """

    hub: Floats
    spin: Floats
    contact: Floats
    heading: Floats
    inclination: Floats


@dataclass(frozen=True, slots=True)
class Pose:
    """A batch of poses of one mechanism, in vehicle axes.

    `rotation` (..., body, 3, 3), `shift` (..., body, 3) as in `rows_of`; `points` and `rack` as
    posed; `wheels` one or two.  `hub`, `contact`, `spin`, `heading`, `inclination` are those of
    the first wheel.
    """

    mechanism: Mechanism
    rotation: Floats
    shift: Floats
    points: Floats
    rack: Floats
    wheels: tuple[WheelAt, ...]

    @property
    def hub(self) -> Floats:
        """Centre of the first wheel, in m."""
        return self.wheels[0].hub

    @property
    def contact(self) -> Floats:
        """Contact centre of the first wheel, in m."""
        return self.wheels[0].contact

    @property
    def spin(self) -> Floats:
        """Spin axis of the first wheel."""
        return self.wheels[0].spin

    @property
    def heading(self) -> Floats:
        """Heading of the first wheel, in rad."""
        return self.wheels[0].heading

    @property
    def inclination(self) -> Floats:
        """Inclination of the first wheel, in rad."""
        return self.wheels[0].inclination

    @property
    def hubs(self) -> Floats:
        """Centres of all wheels in m, (..., wheel, xyz)."""
        return np.stack([w.hub for w in self.wheels], axis=-2)


def pose(
    mechanism: Mechanism,
    travel: ArrayLike,
    rack: ArrayLike = 0.0,
    *,
    points: Floats | None = None,
    centre: Floats | None = None,
) -> Pose:
    """Pose a corner at each travel and rack, or an axle at each pair of travels.

    Parameters
    ----------
    mechanism : Mechanism
    travel : (...,), of an axle (..., wheel)
        Rise of each wheel centre against the chassis. [m]
    rack : (...,)
        Rack shift, broadcast with travel. [m]
    points, centre : (..., support, 3, 3), (..., 3), of an axle (..., wheel, 3), optional
        Other design points than the mechanism's own (for their uncertainty). [m]

    Raises
    ------
    VehicleError
        The mechanism does not reach a pose; the message names travel and rack.
    """
    lone = len(mechanism.wheels) == 1
    points = mechanism.points if points is None else points
    centre = mechanism.centre if centre is None else centre
    centres = centre[..., None, :] if lone else centre
    wished = np.asarray(travel, dtype=float)
    travels = wished[..., None] if lone else wished
    rack = np.asarray(rack, dtype=float)
    batch = np.broadcast_shapes(
        travels.shape[:-1], rack.shape, points.shape[:-3], centres.shape[:-2]
    )
    travels = np.broadcast_to(travels, (*batch, len(mechanism.wheels)))
    rack = np.broadcast_to(rack, batch)
    points = np.broadcast_to(points, (*batch, *points.shape[-3:]))
    centres = np.broadcast_to(centres, (*batch, *centres.shape[-2:]))
    n_bodies = len(mechanism.bodies)
    rotation = np.broadcast_to(np.eye(3), (*batch, n_bodies, 3, 3)).copy()
    shift = np.zeros((*batch, n_bodies, 3))
    # A fair first guess: everything rises with the wheels.
    shift[..., 2] = np.mean(travels, axis=-1)[..., None]
    state = closed(mechanism, (rotation, shift, points, rack), centres, travels)
    return Pose(mechanism, *state, wheels=_wheels(mechanism, state, centres))


def pose_at(
    mechanism: Mechanism,
    places: Floats,
    *,
    points: Floats | None = None,
    centre: Floats | None = None,
) -> Pose:
    """`pose` at places (..., wheel + 1), each wheel's travel and the rack's shift [m].

    `centre` (..., wheel, 3) of a lone corner, too.
    """
    travel = places[..., :-1]
    if travel.shape[-1] == 1:
        travel = travel[..., 0]
        centre = None if centre is None else centre[..., 0, :]
    return pose(mechanism, travel, places[..., -1], points=points, centre=centre)


def _wheels(mechanism: Mechanism, state: State, centres: Floats) -> tuple[WheelAt, ...]:
    rotation, shift, _, _ = state
    hubs = hubs_of(mechanism, rotation, shift, centres)
    up = np.array([0.0, 0.0, 1.0])
    out = []
    for k, wheel in enumerate(mechanism.wheels):
        spin = np.einsum("...ij,j->...i", rotation[..., wheel.body, :, :], wheel.spin)
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
    """Heading and inclination (...,) [rad] of a wheel with spin axis (..., xyz), to the left.

    Right-handed rotations about z and x of the axes in which the spin axis is given.
    """
    heading = np.arctan2(-spin[..., 0], spin[..., 1])  # of spin x up, which points ahead
    return heading, np.arcsin(np.clip(spin[..., 2], -1.0, 1.0))


def wheel_of(at: Pose, corner: str) -> WheelAt:
    """The wheel of `corner` at the poses."""
    return at.wheels[[w.corner for w in at.mechanism.wheels].index(corner)]


def pose_corner(corner: Corner, travel: ArrayLike, rack: ArrayLike = 0.0) -> Pose:
    """Pose `corner` of a vehicle; see `pose`.

    Raises
    ------
    VehicleError
        The mechanism is not determinate or does not reach a pose.
    DataError
        Travel outside the range that the vehicle file states.
    """
    t = _within_range(corner, travel)
    return pose(mechanism_of(corner), t, rack)


def pose_assembly(
    car: Vehicle,
    corner: str,
    travel: ArrayLike,
    rack: ArrayLike = 0.0,
    *,
    partner: ArrayLike | None = None,
) -> Pose:
    """Pose `corner`, with its partner where an axle ties the two; see `pose`.

    Parameters
    ----------
    travel, rack : (...,)
        Of the corner. [m]
    partner : (...,), optional
        Travel of the other wheel of its axle; that of the corner unless stated. [m]

    Raises
    ------
    VehicleError
        The mechanism is not determinate or does not reach a pose.
    DataError
        Travel outside the range that the vehicle file states.
    """
    axle = car.axle_of(corner)
    if axle is None:
        return pose_corner(car.corners[corner], travel, rack)
    mechanism = assembly_of(car, corner).mechanism
    other = travel if partner is None else partner
    travels = [
        _within_range(car.corners[w.corner], travel if w.corner == corner else other)
        for w in mechanism.wheels
    ]
    return pose(mechanism, np.stack(np.broadcast_arrays(*travels), axis=-1), rack)


def _within_range(corner: Corner, travel: ArrayLike) -> Floats:
    low, high = corner.travel_range
    t = np.asarray(travel, dtype=float)
    out = (t < low - 1e-9) | (t > high + 1e-9)
    if np.any(out):
        value = t[out].flat[0] if t.ndim else float(t)
        raise DataError(
            where=f"corner {corner.name}",
            found=f"travel {1e3 * value:.1f} mm",
            needed=f"travel within {1e3 * low:.0f} to {1e3 * high:.0f} mm (travel_mm of the "
            "vehicle file)",
            do="State the range that the suspension really has, or check the travel channel's "
            "zero.",
        )
    return t


def rack_of_steer(car: Vehicle, steer: ArrayLike) -> Floats:
    """Rack shift [m] that gives the mean heading `steer` [rad] of the steered wheels.

    Headings are taken at zero travel, static toe left out (it cancels in the mean of two
    wheels); left is positive.  Steer beyond the rack's range gives a shift beyond it, along
    the last slope, for callers to refuse or flag.
    """
    steered = [c for c in car.corners.values() if c.steered]
    steer = np.asarray(steer, dtype=float)
    low, high = car.steering.rack_range
    if not steered or low == high:
        return np.zeros_like(steer)
    rack = np.linspace(low, high, 81)
    mean = np.zeros_like(rack)
    for corner in steered:
        mechanism = assembly_of(car, corner.name).mechanism
        still = np.zeros(np.shape(mechanism.centre)[:-1])  # no travel of any wheel
        heading = wheel_of(pose(mechanism, still, rack), corner.name).heading
        mean += (heading - np.interp(0.0, rack, heading)) / len(steered)
    from scipy.interpolate import PchipInterpolator

    order = np.argsort(mean)
    mean, rack = mean[order], rack[order]
    inverse = PchipInterpolator(mean, rack)
    held = np.clip(steer, mean[0], mean[-1])
    slope = np.where(steer > held, *(inverse(mean[k], 1) for k in (-1, 0)))
    return np.asarray(inverse(held) + slope * (steer - held))
