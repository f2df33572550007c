"""Loads of an axle between its wheels: the drive of its differential, and its own mass.

Half-shafts inside a live axle pass the torque that drives its wheels to the differential, whose
housing holds it.  The propeller shaft brings the share 1 / ratio of it, about its own axis: it
presses the axle down on one side.  Neither passes the tubes outside the differential.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.motion import Pose
from recon.mechanics.statics import inside_matrix
from recon.mechanics.structure import Mechanism, cross

T_COLUMN = 4  # of the six unknowns of a wheel: the moment that its hub passes
# (2 k / w)^2 of an axle whose radius of gyration k is a fifth of its track w: a heavy middle;
# 1/3 would be a rod.  Common practice, no source.
SPREAD = 0.16


def loaded_inside(mechanism: Mechanism) -> bool:
    """True where a differential or the mass of an axle acts between its wheels."""
    return any(wheel.rolls or wheel.in_axle for wheel in mechanism.wheels)


def inside_of(at: Pose, members: Floats) -> Floats:
    """`inside_matrix` where something acts there, else `members` (..., member, 6 w) [N per N]."""
    return inside_matrix(at) if loaded_inside(at.mechanism) else members


def shaft_columns(at: Pose, driving: Sequence[bool]) -> Floats:
    """Wrench about the wheel centres per torque T of each wheel that its differential turns.

    Shape (..., 6 w, 6 w) [N m per N m], zero but for the columns T of wheels that are `driving` and
    whose differential is in the axle: the moment about the spin axis, and the propeller shaft's
    couple about the axis ahead, which is that of an engine that turns clockwise seen from the
    front.
    """
    n = 6 * len(at.wheels)
    out = np.zeros((*at.wheels[0].spin.shape[:-1], n, n))
    for k, (wheel, on) in enumerate(zip(at.wheels, at.mechanism.wheels, strict=True)):
        if driving[k] and on.rolls:
            way = wheel.spin + on.rolls * ahead(wheel.spin)
            out[..., 6 * k + 3 : 6 * k + 6, 6 * k + T_COLUMN] = way
    return out


def ahead(spin: Floats) -> Floats:
    """Level unit vector (..., xyz) [1] ahead of a wheel whose spin axis (..., xyz) [1] is left."""
    way = cross(spin, np.array([0.0, 0.0, 1.0]))
    return np.asarray(way / np.linalg.norm(way, axis=-1)[..., None])


def hub_columns(mechanism: Mechanism, members: Floats, inside: Floats) -> Floats:
    """Loads (..., member, 3 w) [N per N] per unsprung mass of each wheel times its acceleration.

    `members` and `inside` (..., member, 6 w) [N per N] are loads per wrench outside and between the
    sections.  What is in the axle has the mean acceleration of both wheels and turns with their
    difference.
    """
    by_wheel, within = (_forces(each) for each in (members, inside))
    out = by_wheel.copy()
    for k, wheel in enumerate(mechanism.wheels):
        if wheel.in_axle:
            own, other = within[..., k, :], within[..., 1 - k, :]
            middle = 0.5 * ((1 + SPREAD) * own + (1 - SPREAD) * other)
            out[..., k, :] += wheel.in_axle * (middle - by_wheel[..., k, :])
    return out.reshape(*out.shape[:-2], 3 * len(mechanism.wheels))


def _forces(members: Floats) -> Floats:
    """Columns of the forces, (..., member, wheel, 3)."""
    return members.reshape(*members.shape[:-1], members.shape[-1] // 6, 6)[..., :3]
