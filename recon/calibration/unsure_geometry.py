"""Errors of hardpoints and compliances in pulls that are made at different travels or steers.

K stands for gauges and geometry together: at one pose it takes up any error of the points.  Pulls
that are made elsewhere, or that lift the wheel, contradict that K by what the error changes on the
way.  Out: both changes per unknown of the joint fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import Pose, pose
from recon.mechanics.moved_points import absolute_map, moved_points, wrench_per_load
from recon.mechanics.softness import soft_changes
from recon.mechanics.statics import member_matrix

MOVED = 1e-4  # m; travels are written to whole millimetres
STEP = 0.005  # m, for slopes over travel and rack
NEGLIGIBLE = 5e-4  # of a load: a tenth of what lines and readings leave open


@dataclass(frozen=True, slots=True)
class PulledPose:
    """Where the steps of one pull were made, and what was applied there.

    `places` (step, wheel + 1) are the travels of all wheels and the rack, `tare` (wheel + 1,) those
    at the tares [m].  `wrench` (step, 6) acts on wheel number `wheel` about `hub` (3,) [m], and
    `loads` (step, member) [N] are the member loads that follow from the geometry as it is written.
    """

    places: Floats
    tare: Floats
    wheel: int
    hub: Floats
    wrench: Floats
    loads: Floats


@dataclass(frozen=True, slots=True)
class UnsureGeometry:
    """Effects of unsure points and compliances on one pull, per standard uncertainty.

    The causes are combinations of them, independent of each other and the same in all pulls of a
    list: none where all of these were made at one pose.  `taken_up` (cause, member, member) is the
    relative change of K, which is K times it, and `loads` (cause, step, member) [N] the change of
    the loads that such a K does not take up.
    """

    taken_up: Floats
    loads: Floats

    @classmethod
    def nothing(cls, steps: int, members: int) -> UnsureGeometry:
        """No cause at all."""
        return cls(np.zeros((0, members, members)), np.zeros((0, steps, members)))


def unsure_geometry(
    assembly: Assembly, pulled: list[PulledPose], reference: tuple[float, float]
) -> list[UnsureGeometry]:
    """Effects of unsure geometry on each pull; K takes up what changes at one pose.

    That pose is `reference`, travel and rack [m].
    """
    middle = np.array([*[reference[0]] * len(assembly.corners), reference[1]])
    away = np.vstack([place for p in pulled for place in (p.places, p.tare)]) - middle
    moving = np.abs(away).max(axis=0) > MOVED
    if not (np.any(moving) and assembly.members):
        return [UnsureGeometry.nothing(*p.loads.shape) for p in pulled]
    steps = STEP * np.eye(len(middle))[moving]
    at = middle + np.vstack([np.zeros_like(middle), *steps, *-steps])
    posed = pose(assembly.mechanism, at[:, :-1], at[:, -1])
    (members, by_pose), (_, hanging) = (
        (values[:, 0], _slopes(values[:, 1:])) for values in _changes(assembly, posed)
    )
    arms = assembly.arms[:, None]
    nominal = absolute_map(posed, member_matrix(posed))[0]
    taken_up = arms * (members / arms @ wrench_per_load(nominal / arms)) / arms.T
    loads = []
    for p in pulled:
        own, wrench = slice(6 * p.wheel, 6 * p.wheel + 6), _about(p, assembly.mechanism.reference)
        from_middle, from_tare = ((p.places - of)[:, moving] for of in (middle, p.tare))
        changed = wrench @ np.swapaxes(members[..., own], -1, -2)
        changed += np.einsum("sk,ckmi,si->csm", from_middle, by_pose[..., own], wrench)
        changed += np.einsum("sk,ckm->csm", from_tare, hanging)
        loads.append(changed - p.loads @ np.swapaxes(taken_up, -1, -2))
    return _principal(taken_up, loads, max(np.abs(p.loads / arms.T).max() for p in pulled), arms)


def _slopes(either_way: Floats) -> Floats:
    """Slopes (cause, k, ...) [1/m] by the coordinates that pulls move.

    `either_way` (cause, 2 k, ...) are the values half of them a step ahead and half a step back.
    """
    ahead, back = np.split(either_way, 2, axis=1)
    return np.asarray((ahead - back) / (2 * STEP))


def _about(pulled: PulledPose, point: Floats) -> Floats:
    """The wrench (step, 6) [N, N m] about another point (3,) [m]."""
    force, moment = pulled.wrench[:, :3], pulled.wrench[:, 3:]
    return np.hstack([force, moment + np.cross(pulled.hub - point, force)])


def _changes(assembly: Assembly, at: Pose) -> tuple[Floats, Floats]:
    """Changes per standard uncertainty of each point and compliance, at the poses `at`.

    Loads per wrench about the mechanism's reference (cause, pose, member, 6 w), and loads of the
    hanging wheels (cause, pose, member) [N].
    """
    points, u, centres = moved_points(assembly)
    travels = at.hubs[..., 2] - assembly.mechanism.centres[:, 2]
    moved = pose(assembly.mechanism, travels, at.rack, points=points[:, None],
                 centres=centres[:, None])  # fmt: skip
    members = member_matrix(moved)
    absolute = absolute_map(moved, members)
    soft = soft_changes(assembly, at).values()
    by_wrench = [*((absolute[1:] - absolute[0]) * u[1:, None, None, None]),
                 *(absolute_map(at, change) for change in soft)]  # fmt: skip
    by_hub = [*((members[1:] - members[0]) * u[1:, None, None, None]), *soft]
    weights = [-STANDARD_GRAVITY * corner.unsprung_mass for corner in assembly.corners]
    return np.array(by_wrench), np.array(by_hub)[..., 2::6] @ weights


def _principal(
    taken_up: Floats, loads: list[Floats], largest: float, arms: Floats
) -> list[UnsureGeometry]:
    """The few combinations of causes that change anything by more than a little.

    `taken_up` and `loads` are those of `UnsureGeometry` by single causes; members count by the
    force on their `arms` (member, 1), loads by the `largest` one [N].
    """
    relative = [taken_up * arms.T / arms, *(of / arms.T / largest for of in loads)]
    flat = np.concatenate(relative, axis=1).reshape(len(taken_up), -1)
    chosen, size, along = np.linalg.svd(flat, full_matrices=False)
    chosen = chosen[:, size * np.abs(along).max(axis=1) > NEGLIGIBLE]
    return [
        UnsureGeometry(*(np.tensordot(chosen, one, axes=(0, 0)) for one in (taken_up, of)))
        for of in loads
    ]
