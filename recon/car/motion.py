"""Motion of a corner with travel and steer: the supports' gaps closed by Newton's method.

Travel is the rise of the wheel centre against the chassis, bump positive, zero at design
height.  Rack is the shift of the steering rack to the left.  Everything is a batch: poses
stand in the leading axes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.errors import DataError, VehicleError
from recon.car.mechanism import Mechanism, mechanism_of, rows_of

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Vehicle

Floats = NDArray[np.float64]
CLOSED = 1e-12  # m; gaps of a posed corner are smaller, a thousandth of an atom
MOST_STEPS = 25


@dataclass(frozen=True, slots=True)
class Pose:
    """A batch of poses of one corner, in vehicle axes.

    `rotation` (..., body, 3, 3), `shift` (..., body, 3) as in `rows_of`; `hub` and `contact`
    (..., xyz) [m]; `spin` (..., xyz) unit vector to the left; `heading` and `inclination`
    (...,) [rad], both as right-handed rotations about z and x; `points` and `rack` as posed.
    """

    mechanism: Mechanism
    rotation: Floats
    shift: Floats
    points: Floats
    rack: Floats
    hub: Floats
    spin: Floats
    contact: Floats
    heading: Floats
    inclination: Floats


def pose(
    mechanism: Mechanism,
    travel: ArrayLike,
    rack: ArrayLike = 0.0,
    *,
    points: Floats | None = None,
    centre: Floats | None = None,
) -> Pose:
    """Pose a corner at each travel and rack.

    Parameters
    ----------
    mechanism : Mechanism
    travel, rack : (...,)
        Wheel centre rise and rack shift, broadcast together. [m]
    points, centre : (..., support, 3, 3), (..., 3), optional
        Other design points than the mechanism's own (for their uncertainty). [m]

    Raises
    ------
    VehicleError
        The mechanism does not reach a pose; the message names travel and rack.
    """
    points = mechanism.points if points is None else points
    centre = mechanism.centre if centre is None else centre
    travel, rack = np.broadcast_arrays(
        np.asarray(travel, dtype=float), np.asarray(rack, dtype=float)
    )
    batch = np.broadcast_shapes(travel.shape, points.shape[:-3], centre.shape[:-1])
    travel, rack = np.broadcast_to(travel, batch), np.broadcast_to(rack, batch)
    points = np.broadcast_to(points, (*batch, *points.shape[-3:]))
    centre = np.broadcast_to(centre, (*batch, 3))
    n_bodies = len(mechanism.bodies)
    rotation = np.broadcast_to(np.eye(3), (*batch, n_bodies, 3, 3)).copy()
    shift = np.zeros((*batch, n_bodies, 3))
    shift[..., 2] = travel[..., None]  # a fair first guess: everything rises with the wheel
    with np.errstate(all="ignore"):
        for _ in range(MOST_STEPS):
            step, gap = _newton_step(mechanism, (rotation, shift, points, rack), centre, travel)
            rotation, shift = _advance(rotation, shift, step)
            if np.nanmax(np.abs(gap), initial=0.0) < CLOSED and np.all(np.isfinite(gap)):
                break
    # The last evaluation was before the last step; one more look decides.
    _, gap = _newton_step(mechanism, (rotation, shift, points, rack), centre, travel)
    _require_closed(mechanism, gap, travel, rack)
    return _wheel(mechanism, (rotation, shift, points, rack), centre)


def _newton_step(
    mechanism: Mechanism, state: tuple, centre: Floats, travel: Floats
) -> tuple[Floats, Floats]:
    rows = rows_of(mechanism, *state)
    held = ~rows.free
    hub = _hub(mechanism, state[0], state[1], centre)
    lift = np.zeros_like(rows.gradient[..., :1, :])
    b = 6 * mechanism.wheel_body
    up = np.broadcast_to([0.0, 0.0, 1.0], hub.shape)
    lift[..., 0, b : b + 3] = up
    lift[..., 0, b + 3 : b + 6] = np.cross(hub - mechanism.reference, up)
    gradient = np.concatenate([rows.gradient[..., held, :], lift], axis=-2)
    gap = np.concatenate(
        [rows.gap[..., held], (hub[..., 2] - centre[..., 2] - travel)[..., None]], axis=-1
    )
    try:
        step = np.linalg.solve(gradient, -gap[..., None])[..., 0]
    except np.linalg.LinAlgError:
        step = np.full(gap.shape, np.nan)
    return step, gap


def _advance(rotation: Floats, shift: Floats, step: Floats) -> tuple[Floats, Floats]:
    """Apply twists about the reference point: rotate, then shift."""
    twist = step.reshape(*step.shape[:-1], -1, 6)
    turn = rotation_matrix(twist[..., 3:])
    moved = np.einsum("...ij,...j->...i", turn, shift) + twist[..., :3]
    return turn @ rotation, moved


def rotation_matrix(vector: Floats) -> Floats:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3), Rodrigues' formula."""
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    x, y, z = np.moveaxis(vector, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack(
        [np.stack(r, axis=-1) for r in ((zero, -z, y), (z, zero, -x), (-y, x, zero))], axis=-2
    )
    # sinc keeps both factors smooth at zero angle.
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.eye(3) + first * cross + second * (cross @ cross)


def _hub(mechanism: Mechanism, rotation: Floats, shift: Floats, centre: Floats) -> Floats:
    b = mechanism.wheel_body
    arm = centre - mechanism.reference
    turned = np.einsum("...ij,...j->...i", rotation[..., b, :, :], arm)
    return turned + mechanism.reference + shift[..., b, :]


def _require_closed(mechanism: Mechanism, gap: Floats, travel: Floats, rack: Floats) -> None:
    worst = np.max(np.abs(gap), axis=-1)
    bad = ~(worst < 1e3 * CLOSED)
    if np.any(bad):
        at = np.argmax(np.where(bad, np.abs(travel), -1.0))
        raise VehicleError(
            where=f"corner {mechanism.name}",
            found=f"the mechanism does not reach travel {1e3 * travel.flat[at]:.1f} mm with the "
            "rack at "
            f"{1e3 * rack.flat[at]:.1f} mm",
            needed="supports that stay whole over the stated ranges",
            do="Check the points of the links and of the rocker, or state shorter travel_mm, "
            "rack_mm.",
        )


def _wheel(mechanism: Mechanism, state: tuple, centre: Floats) -> Pose:
    rotation, shift, points, rack = state
    hub = _hub(mechanism, rotation, shift, centre)
    spin = np.einsum("...ij,j->...i", rotation[..., mechanism.wheel_body, :, :], mechanism.spin)
    up = np.array([0.0, 0.0, 1.0])
    # Lowest point of the wheel's middle plane: straight down, less its part along the axis.
    down = spin * spin[..., 2:3] - up
    down = down / np.linalg.norm(down, axis=-1)[..., None]
    ahead = np.cross(spin, up)
    return Pose(
        mechanism=mechanism,
        rotation=rotation,
        shift=shift,
        points=points,
        rack=rack,
        hub=hub,
        spin=spin,
        contact=hub + mechanism.radius * down,
        heading=np.arctan2(ahead[..., 1], ahead[..., 0]),
        inclination=np.arcsin(np.clip(spin[..., 2], -1.0, 1.0)),
    )


def pose_corner(corner: Corner, travel: ArrayLike, rack: ArrayLike = 0.0) -> Pose:
    """Pose `corner` of a vehicle; see `pose`.

    Raises
    ------
    VehicleError
        The mechanism is not determinate or does not reach a pose.
    DataError
        Travel outside the range that the vehicle file states.
    """
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
    return pose(mechanism_of(corner), t, rack)


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
        heading = pose(mechanism_of(corner), np.zeros_like(rack), rack).heading
        mean += (heading - np.interp(0.0, rack, heading)) / len(steered)
    from scipy.interpolate import PchipInterpolator

    order = np.argsort(mean)
    mean, rack = mean[order], rack[order]
    inverse = PchipInterpolator(mean, rack)
    held = np.clip(steer, mean[0], mean[-1])
    slope = np.where(steer > held, *(inverse(mean[k], 1) for k in (-1, 0)))
    return np.asarray(inverse(held) + slope * (steer - held))
