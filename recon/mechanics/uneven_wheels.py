"""Loads that bars, beams and bound links hold against each other where wheels hang.

Springs and stops hold the wheels at given travels with whatever load that takes, so they have no
law here; dampers on lines of their own, which are undone for a tare, give way by theirs.  With rows
J of `rows_of`, gaps g of the posed mechanism, small motions q and compliances c of all other rows
(zero where none is stated), their loads t and those of the springs follow from

    J' t = 0,    c t - J q = g,    no rise of a wheel centre by q.

Source: equilibrium, Hooke's law and compatibility, any textbook of elasticity; from memory.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.car.vehicle import DAMPER
from recon.mechanics.motion import Pose, pose
from recon.mechanics.rows import idle_rows, lift_rows, rows_of
from recon.mechanics.section_loads import cut
from recon.mechanics.structure import Mechanism

STEP = 1e-3  # m, for slopes over travel
UNIT = 1e6  # N, of loads in the equations, so that compliances are numbers as large as rows


def twist_is_stated(mechanism: Mechanism) -> bool:
    """Whether stated rates and compliances say what ties the wheels of an axle holds."""
    twists = [mechanism.kinds[support] == "torsion" for support in mechanism.owner]
    known = bool(np.all(mechanism.compliance[twists] > 0))  # NaN is not
    return len(mechanism.wheels) > 1 and mechanism.shares_loads and known


def twist_loads(mechanism: Mechanism, travel: Floats) -> Floats:
    """Loads of members per rise of each wheel against the others (member, wheel) [N/m, N m/m].

    `travel` (wheel,) [m] is where the wheels are; all of them free of the road.

    Raises VehicleError: the mechanism does not reach the pose.
    """
    step = STEP * np.eye(len(travel))
    higher, lower = (tied_loads(pose(mechanism, travel + way)) for way in (step, -step))
    return (higher - lower).T / (2 * STEP)


def tied_loads(at: Pose) -> Floats:
    """Loads of members (pose, member) [N, N m] that balance each other with the wheels held.

    None at design height, where all supports are taken to fit.
    """
    mechanism, rows = at.mechanism, rows_of(at.mechanism, at)
    springs = np.array([mechanism.kinds[support] == "spring" for support in mechanism.owner])
    springs &= mechanism.compliance != DAMPER
    idle = idle_rows(mechanism, at.rotation)
    held = np.concatenate([lift_rows(mechanism, at.hubs), idle], axis=-2)
    pushing = np.concatenate([rows.gradient, idle], axis=-2)  # idle turns are held by moments
    n, loads, motions = len(springs), pushing.shape[-2], pushing.shape[-1]
    laws = np.zeros((*rows.gap.shape, loads + motions))
    laws[..., :n] = np.diag(UNIT * np.nan_to_num(mechanism.compliance))
    laws[..., loads:] = -rows.gradient
    still = np.concatenate([np.zeros((*held.shape[:-1], loads)), held], axis=-1)
    balanced = np.swapaxes(pushing, -1, -2)
    balanced = np.concatenate([balanced, np.zeros((*balanced.shape[:-1], motions))], axis=-1)
    matrix = np.concatenate([balanced, laws[..., ~springs, :], still], axis=-2)
    right = np.zeros(matrix.shape[:-1])
    right[..., motions : motions + int(np.sum(~springs))] = rows.gap[..., ~springs]
    found = UNIT * (np.linalg.pinv(matrix) @ right[..., None])[..., :n, 0]
    cuts = [
        np.sum(cut(mechanism, at, rows, k)[0] * found, axis=-1)
        for k in range(len(mechanism.sections))
    ]
    every = np.concatenate([found, *(one[..., None] for one in cuts)], axis=-1)
    return every[..., list(mechanism.members)]
