"""Design points moved by their uncertainty, one coordinate at a time, and what moves with them."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.car.vehicle import TWO_FORCE, TWO_POINTS
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import Pose

CARRIES = 1e-9  # of the largest loads: a damper's share, by its rate of nearly nothing, is less


def absolute_map(at: Pose, members: Floats) -> Floats:
    """Loads per wrench about the mechanism's reference point, (..., member, 6 w).

    `members` (..., member, 6 w) are loads per wrench about the wheel centres.
    """
    out = []
    for k, wheel in enumerate(at.wheels):
        arm = at.mechanism.reference - wheel.hub
        turn = np.zeros((*arm.shape[:-1], 6, 6))
        turn[..., :, :] = np.eye(6)
        for axis in range(3):
            turn[..., 3:, axis] = np.cross(arm, np.eye(3)[axis])
        out.append(members[..., 6 * k : 6 * k + 6] @ turn)
    return np.concatenate(out, axis=-1)


def wrench_per_load(members: Floats) -> Floats:
    """Wrenches per load of members (..., 6 w, member), the least that have these loads.

    `members` (..., member, 6 w) are loads per wrench.  What a member shows that carries nothing,
    such as a damper without a rate, tells of no wrench.
    """
    return np.asarray(np.linalg.pinv(members, rcond=CARRIES))


def moved_points(assembly: Assembly) -> tuple[Floats, Floats, Floats]:
    """Design points with one coordinate of one joint moved at a time; the first is unmoved.

    Points (move, support, 3, xyz) [m], standard uncertainty over the move (move,) [1], and wheel
    centres (move, wheel, xyz) [m].  Ends that share a place on one body are one joint and move
    together.
    """
    mechanism = assembly.mechanism
    joints: dict[tuple, list[tuple[int, int]]] = {}
    for i, support in enumerate(assembly.supports):
        ends = [(0, mechanism.outer_body[i], support.outer.point, support.outer.u)]
        if support.kind in TWO_POINTS:
            ends.append((2, mechanism.outer_body[i], support.axis_point, support.outer.u))
        elif support.kind in TWO_FORCE:
            ends.append((1, mechanism.inner_body[i], support.inner.point, support.inner.u))
        for slot, body, point, u in ends:
            joints.setdefault((body, point, u), []).append((i, slot))
    step = 1e-4  # m; differences over it are linear to 1e-6 of the effect
    at_design = mechanism.centres
    points, centres, scale = [mechanism.points], [at_design], [0.0]
    for (_, _, u), places in joints.items():
        for axis in range(3):
            moved = mechanism.points.copy()
            for i, slot in places:
                moved[i, slot, axis] += step
                if mechanism.kinds[i] not in TWO_FORCE and slot == 0:
                    moved[i, 1, axis] += step  # both halves of the joint move together
            points.append(moved)
            centres.append(at_design)
            scale.append(u / step)
    for k, corner in enumerate(assembly.corners):
        for axis in range(3):
            away = at_design.copy()
            away[k, axis] += step
            points.append(mechanism.points)
            centres.append(away)
            scale.append(corner.wheel.u_centre / step)
    return np.array(points), np.array(scale), np.array(centres)
