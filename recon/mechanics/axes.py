"""Converts forces and wrenches of a wheel between vehicle, intermediate and tyre axes.

Vehicle axes are fixed to the body.  Intermediate axes have x along the heading of the car and are
level with the road; the body is turned against them by roll (left side up) and pitch (nose down),
so a vector in intermediate axes is Ry(pitch) Rx(roll) times the same vector in vehicle axes.  Tyre
axes are level too, with x along the line in which the wheel's middle plane meets the road; they
are intermediate axes turned about z by the heading of the wheel, left positive.

Vectors (..., 3) are forces or moments; wrenches (..., 6) are both about one point, which stays the
same.

Source: ISO 8855, from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.public import public
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed, rack_of_steer, wheel_angles

AXES = ("tyre", "intermediate", "vehicle")


def attitude_matrix(roll: ArrayLike, pitch: ArrayLike) -> Floats:
    """Rotation from vehicle to intermediate axes, Ry(pitch) Rx(roll), (..., 3, 3).

    `roll` (left side up) and `pitch` (nose down) are (...,) [rad], right-handed about x and y.
    """
    roll, pitch = np.broadcast_arrays(roll, pitch)
    cr, sr, cp, sp = np.cos(roll), np.sin(roll), np.cos(pitch), np.sin(pitch)
    # Each entry stays one run of memory, for whoever goes over all samples entry by entry.
    out = np.empty((3, 3, *roll.shape))
    out[0, 0], out[0, 1], out[0, 2] = cp, sp * sr, sp * cr
    out[1, 0], out[1, 1], out[1, 2] = 0.0, cr, -sr
    out[2, 0], out[2, 1], out[2, 2] = -sp, cp * sr, cp * cr
    return np.moveaxis(out, (0, 1), (-2, -1))


def vehicle_to_intermediate(vector: Floats, turn: Floats) -> Floats:
    """Vectors (..., 3 or 6) [N, N m] in intermediate axes.

    `turn` is `attitude_matrix`, (..., 3, 3).
    """
    parts = vector.reshape(*vector.shape[:-1], vector.shape[-1] // 3, 3)
    turned = np.einsum("...ij,...kj->...ki", turn, parts)
    return np.asarray(turned.reshape(*turned.shape[:-2], vector.shape[-1]))


def intermediate_to_vehicle(vector: Floats, turn: Floats) -> Floats:
    """Inverse of `vehicle_to_intermediate`, vectors (..., 3 or 6) [N, N m]."""
    return vehicle_to_intermediate(vector, np.swapaxes(turn, -1, -2))


def intermediate_to_tyre(vector: Floats, heading: ArrayLike) -> Floats:
    """Vectors (..., 3 or 6) [N, N m] in the axes of a wheel with `heading` (...,) [rad]."""
    c, s = np.cos(heading), np.sin(heading)
    parts = vector.reshape(*vector.shape[:-1], vector.shape[-1] // 3, 3)
    x, y, z = (parts[..., axis] for axis in range(3))
    c, s = np.expand_dims(c, -1), np.expand_dims(s, -1)  # force and moment turn alike
    x, y = c * x + s * y, c * y - s * x
    turned = np.stack([x, y, np.broadcast_to(z, x.shape)], axis=-1)
    return np.asarray(turned.reshape(*turned.shape[:-2], vector.shape[-1]))


def tyre_to_intermediate(vector: Floats, heading: ArrayLike) -> Floats:
    """Inverse of `intermediate_to_tyre`, vectors (..., 3 or 6) [N, N m]."""
    return intermediate_to_tyre(vector, -np.asarray(heading))


def require_axes(name: str, where: str) -> None:
    """Check that `name` is one of `AXES`.

    Raises DataError: it is not; the message offers the nearest name.
    """
    if name not in AXES:
        raise DataError(
            where=where,
            found=f"axes '{name}'",
            needed=nearest(name, AXES),
            do="Name one of the three sets of axes for tyre forces.",
        )


@public
def patch_axes(
    car: Vehicle,
    corner: str,
    vector: ArrayLike,
    *,
    given: str,
    wanted: str,
    travel: ArrayLike = 0.0,
    rack: ArrayLike | None = None,
    steer: ArrayLike | None = None,
    partner: ArrayLike | None = None,
    roll: ArrayLike = 0.0,
    pitch: ArrayLike = 0.0,
) -> Floats:
    """Turn forces at the contact patch of one corner from one set of axes into another.

    Parameters
    ----------
    car : Vehicle
    corner : str
    vector : (..., 3) or (..., 6)
        Force of the road on the tyre, Fx, Fy, Fz [N], or a wrench with Mx, My, Mz [N m] after it;
        moments stay about their point.
    given, wanted : {"tyre", "intermediate", "vehicle"}
        Axes of `vector`, and of the answer.
    travel : (...,)
        Rise of the wheel centre against the chassis. [m]
    rack, steer : (...,), optional
        Shift of the rack to the left [m], or the mean heading of the steered wheels [rad], one of
        them; straight ahead unless stated.
    partner : (...,), optional
        Travel of the other wheel where an axle ties the two; that of the corner unless stated. [m]
    roll, pitch : (...,)
        Of the body against the road, left side up and nose down positive. [rad]

    Returns
    -------
    ndarray (..., 3) or (..., 6)
        The same in the wanted axes.  The wheel's heading is that of the posed wheel on the road;
        beside the heading against the car it holds what pitch does to an inclined wheel, which
        results of `reconstruct` leave out (below 0.1 degrees at 1 degree of pitch).

    Raises
    ------
    DataError
        Axes that are not of the three, a last dimension other than 3 or 6, rack and steer at
        once, or a travel outside the stated range.
    VehicleError
        The car has no such corner, or its mechanism does not reach the pose.
    """
    assembly = assembly_of(car, corner)
    wheel = assembly.wheel(corner)
    where = f"corner {corner}"
    require_axes(given, where)
    require_axes(wanted, where)
    out = np.array(vector, dtype=float)
    _require_vectors(out, where)
    if rack is not None and steer is not None:
        raise DataError(
            where=where,
            found=f"both a rack's shift (up to {1e3 * np.max(np.abs(rack)):.1f} mm) and a steer",
            needed="one of them: each follows from the other",
            do="Leave out the one that was not measured.",
        )
    if given == wanted:
        return out
    turn = attitude_matrix(roll, pitch)
    heading: ArrayLike = 0.0
    if "tyre" in (given, wanted):
        if steer is not None:
            rack = rack_of_steer(car, steer)
        other = travel if partner is None else partner
        own = [travel if c.name == corner else other for c in assembly.corners]
        travels = np.stack(np.broadcast_arrays(*own), axis=-1)
        at = posed(assembly, travels, 0.0 if rack is None else rack)
        heading, _ = wheel_angles(vehicle_to_intermediate(at.wheels[wheel].spin, turn))
    if given == "tyre":
        out = tyre_to_intermediate(out, heading)
    if given == "vehicle":
        out = vehicle_to_intermediate(out, turn)
    if wanted == "vehicle":
        return intermediate_to_vehicle(out, turn)
    return intermediate_to_tyre(out, heading) if wanted == "tyre" else out


def _require_vectors(vector: Floats, where: str) -> None:
    if vector.ndim == 0 or vector.shape[-1] not in (3, 6):
        raise DataError(
            where=where,
            found=f"an array of shape {vector.shape}",
            needed="three components (forces) or six (wrenches) in the last dimension",
            do="Put the components last: np.moveaxis does.",
        )
