"""Equilibrium: from a wrench on the wheel's body to the loads of all supports.

Virtual work ties loads to motion: with rows J of `rows_of` (elongations per motion),
equilibrium reads J^T t = W, t tension positive, W the wrench on each body.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import VehicleError
from recon.car.mechanism import rows_of
from recon.car.motion import Pose

Floats = NDArray[np.float64]


def load_matrix(at: Pose) -> Floats:
    """Loads per wrench about the hub, (..., row, 6), vehicle axes.

    Columns are Fx, Fy, Fz [N per N] and Mx, My, Mz about the wheel centre [N per N m] on the
    wheel's body; rows are those of `rows_of`, tension positive.

    Raises
    ------
    VehicleError
        The corner passes a dead centre; the message names corner and condition.
    """
    mechanism = at.mechanism
    rows = rows_of(mechanism, at.rotation, at.shift, at.points, at.rack)
    wrench = np.zeros((*rows.gradient.shape[:-2], rows.gradient.shape[-1], 6))
    b = 6 * mechanism.wheel_body
    wrench[..., b : b + 6, :] = np.eye(6)
    # Moments are about the hub; rows are written about the reference point.
    arm = at.hub - mechanism.reference
    for k in range(3):
        unit = np.broadcast_to(np.eye(3)[k], arm.shape)
        wrench[..., b + 3 : b + 6, k] = np.cross(arm, unit)
    transposed = np.swapaxes(rows.gradient, -1, -2)
    condition = np.linalg.cond(transposed)
    if not np.all(condition < 1e9):
        raise VehicleError(
            where=f"corner {mechanism.name}",
            found=f"the supports pass a dead centre (condition {np.max(condition):.1e})",
            needed="supports that hold the upright at every travel and steer of the stated ranges",
            do="Check the points of the links and of the rod or rocker.",
        )
    return np.asarray(np.linalg.solve(transposed, wrench), dtype=np.float64)


def member_matrix(at: Pose) -> Floats:
    """Loads of the two-force members that hold the upright, (..., member, 6); see `load_matrix`."""
    rows = rows_of(at.mechanism, at.rotation, at.shift, at.points, at.rack)
    chosen = [int(np.flatnonzero(rows.support == m)[0]) for m in at.mechanism.members]
    return load_matrix(at)[..., chosen, :]


def shift_wrench(force: Floats, moment: Floats, arm: Floats) -> tuple[Floats, Floats]:
    """Wrench about a new point; `arm` points from the new point to the old one."""
    return force, moment + np.cross(arm, force)


def road_columns(at: Pose, *, hub_passes_spin: bool) -> Floats:
    """Wrench about the hub per unit wrench at the contact centre, (..., 6, 6).

    Columns are Fx, Fy, Fz, Mx, T, Mz: force and moments of the road on the tyre in vehicle
    axes about the contact centre, and T, the moment that the hub gives the upright about the
    spin axis.  With `hub_passes_spin` (wheel held by an outboard brake, or locked) the whole
    moment of the road reaches the upright and T counts on top of it; otherwise its part about
    the spin axis stays in the wheel and only T is passed.
    """
    arm = at.contact - at.hub
    out = np.zeros((*arm.shape[:-1], 6, 6))
    for k in range(3):
        unit = np.broadcast_to(np.eye(3)[k], arm.shape)
        out[..., k, k] = 1.0
        out[..., 3:, k] = np.cross(arm, unit)
    out[..., 3, 3] = 1.0
    out[..., 5, 5] = 1.0
    if not hub_passes_spin:
        out[..., 3:, :] = strip_spin(out[..., 3:, :], at.spin)
    out[..., 3:, 4] = at.spin
    return out


def strip_spin(moment: Floats, spin: Floats) -> Floats:
    """Take the part about the spin axis out of moment columns (..., 3, column)."""
    along = np.einsum("...i,...ij->...j", spin, moment)
    return moment - spin[..., :, None] * along[..., None, :]
