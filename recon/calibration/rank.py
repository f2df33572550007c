"""Directions of the wrench that the pulls cover, and those in which K follows its prior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import WRENCH_COMPONENTS
from recon.calibration.applied import Pull
from recon.calibration.prior import BridgePrior
from recon.calibration.solution import JointFit
from recon.planning.questions import SCALE

BLIND = 0.03  # singular values under this share of the largest are not seen by the pulls


@dataclass(frozen=True, slots=True)
class Seen:
    """Directions that the pulls of one corner see, the best first.

    `values` (k,) are the singular values of the scaled unit wrenches, `directions` (k, 6) the
    scaled wrenches (Fx, Fy, Fz, Mx, My, Mz) that belong to them.
    """

    corner: str
    values: Floats
    directions: Floats


def scaled_wrenches(pulls: list[Pull]) -> Floats:
    """Unit wrenches of every device of every pull, (direction, 6), over `SCALE` [1].

    About the contact; where no brake is outboard about the hub, as no torque of the road passes it.
    """
    rows = [
        _about(pull.columns(line)[:, 0], _arm(pull)) / SCALE
        for pull in pulls
        for line in pull.lines
    ]
    unit = np.array(rows)
    return unit / np.linalg.norm(unit, axis=1, keepdims=True)


def _arm(pull: Pull) -> Floats:
    """From the point that wrenches are taken about to the hub, (3,) [m]."""
    wheel = pull.wheel
    return wheel.hub - wheel.contact if wheel.outboard else np.zeros(3)


def _acting(pull: Pull) -> Floats:
    """Scaled wrenches that can act on the upright, (6, k): all, or all but a turn of the wheel."""
    if pull.wheel.outboard:
        return np.eye(6)
    from scipy.linalg import null_space

    return np.asarray(null_space(np.concatenate([np.zeros(3), pull.wheel.spin])[None]))


def _about(wrench: Floats, arm: Floats) -> Floats:
    """The wrench about a new point; `arm` points from the new point to the old one."""
    return np.concatenate([wrench[:3], wrench[3:] + np.cross(arm, wrench[:3])])


def least_seen(pulls: list[Pull], corners: tuple[str, ...]) -> Seen:
    """Directions of the corner whose pulls see least."""
    found = [seen_directions(name, [p for p in pulls if p.corner == name]) for name in corners]
    return min(found, key=lambda seen: seen.values[-1] / max(seen.values[0], 1e-300))


def seen_directions(corner: str, pulls: list[Pull]) -> Seen:
    """Directions that the pulls of one corner see; missing ones have the singular value zero.

    Six, or five where no torque of the road passes the hub: what never acts needs no pull.
    """
    if not pulls:
        return Seen(corner, np.zeros(6), np.eye(6))
    acting = _acting(pulls[0])
    values = np.zeros(acting.shape[1])
    found, directions = np.linalg.svd(scaled_wrenches(pulls) @ acting)[1:]
    values[: len(found)] = found
    return Seen(corner, values, directions @ acting.T)


def direction_words(direction: Floats) -> str:
    """A scaled wrench (6,) [1] as a phrase, e.g. 'Mz with Fy (opposite sign)'."""
    order = np.argsort(-np.abs(direction))
    main = order[0]
    words = [WRENCH_COMPONENTS[main]]
    for k in order[1:3]:
        if abs(direction[k]) > 0.35:
            same = np.sign(direction[k]) == np.sign(direction[main])
            words.append(f"{WRENCH_COMPONENTS[k]} ({'same sign' if same else 'opposite sign'})")
    return " with ".join(words)


def prior_directions(pulls: list[Pull], prior: BridgePrior, fit: JointFit) -> tuple[str, ...]:
    """Wrench directions in which H follows the prior more than the pulls, in words."""
    corners = tuple(dict.fromkeys(pull.corner for pull in pulls))
    out = []
    for corner in corners:
        before = f"{corner}: " if len(corners) > 1 else ""
        own = [pull for pull in pulls if pull.corner == corner]
        out += [before + words for words in _resting(own, prior, fit)]
    return tuple(out)


def _resting(pulls: list[Pull], prior: BridgePrior, fit: JointFit) -> list[str]:
    """The same for the pulls of one wheel."""
    G = pulls[0].members
    seen = seen_directions(pulls[0].corner, pulls)
    out = []
    gauges, members = fit.shape
    covariance = fit.K_covariance
    for value, direction in zip(seen.values, seen.directions, strict=True):
        load = G @ _about(direction * SCALE, -_arm(pulls[0]))
        before = after = 0.0
        for g in range(gauges):
            block = slice(g * members, (g + 1) * members)
            if not np.all(np.isfinite(prior.u[g])):
                continue
            before += prior.variance_at(g, load)
            after += float(load @ covariance[block, block] @ load)
        if before > 0 and (after > 0.5 * before or value < BLIND * seen.values[0]):
            out.append(direction_words(direction))
    return out
