"""Directions of the wrench that the pulls cover, and those in which K follows its prior."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import WRENCH_COMPONENTS
from recon.calibration.applied import Pull
from recon.calibration.prior import BridgePrior
from recon.calibration.solution import JointFit
from recon.mechanics.statics import strip_spin
from recon.planning.questions import SCALE

BLIND = 0.03  # singular values under this share of the largest are not seen by the pulls
MY = WRENCH_COMPONENTS.index("My")
# How a strap or pad applies each component about the contact.
PULL = {
    "Fx": "pull forwards or backwards",
    "Fy": "pull outwards or inwards",
    "Fz": "push the wheel up by a pad under it, or load it by the car's weight",
    "Mx": "push up on a pad beside the tyre's middle, outboard or inboard, or pull inwards or "
    "outwards at the top of the rim",
    "My": "hold the wheel by its brake and pull forwards or backwards at another height, such as "
    "the hub's",
    "Mz": "pull inwards or outwards well ahead of the wheel's centre or behind it, at the rim",
}


class Uncovered(NamedTuple):
    """A direction that no pull covers, in words, and the pull that would."""

    words: str
    pull: str


@dataclass(frozen=True, slots=True)
class Seen:
    """Directions that the pulls of one corner see, the best first.

    `values` (k,) are the singular values of the scaled unit wrenches, `directions` (k, 6) the
    scaled wrenches (Fx, Fy, Fz, Mx, My, Mz) about the contact that belong to them.
    """

    corner: str
    values: Floats
    directions: Floats


def scaled_wrenches(pulls: list[Pull]) -> Floats:
    """Unit wrenches about the contact of every device of every pull, (direction, k) [1].

    Free components alone, over their `SCALE`.
    """
    rows = [
        _free(pull) @ (_about(pull.columns(line)[:, 0], _arm(pull)) / SCALE)
        for pull in pulls
        for line in pull.lines
    ]
    unit = np.array(rows)
    return unit / np.linalg.norm(unit, axis=1, keepdims=True)


def _arm(pull: Pull) -> Floats:
    """From the contact to the hub, (3,) [m]."""
    return pull.wheel.hub - pull.wheel.contact


def _free(pull: Pull) -> Floats:
    """Components of a wrench about the contact that do not follow from the others, (k, 6).

    My does where no brake is outboard, as no torque of the road passes such a hub.
    """
    return np.eye(6) if pull.wheel.outboard else np.delete(np.eye(6), MY, axis=0)


def _on_upright(pull: Pull, direction: Floats) -> Floats:
    """Wrench about the hub, (6,) [N, N m], of a scaled one about the contact, (6,) [1]."""
    wrench = _about(direction * SCALE, -_arm(pull))
    if not pull.wheel.outboard:
        wrench[3:] = strip_spin(wrench[3:, None], pull.wheel.spin)[:, 0]
    return wrench


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
    free = _free(pulls[0])
    values = np.zeros(len(free))
    found, directions = np.linalg.svd(scaled_wrenches(pulls))[1:]
    values[: len(found)] = found
    return Seen(corner, values, directions @ free)


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


def pull_for(direction: Floats) -> str:
    """The pull that covers a scaled wrench (6,) [1], in words."""
    return PULL[WRENCH_COMPONENTS[int(np.argmax(np.abs(direction)))]]


def prior_directions(pulls: list[Pull], prior: BridgePrior, fit: JointFit) -> tuple[Uncovered, ...]:
    """Wrench directions in which H follows the prior more than the pulls."""
    corners = tuple(dict.fromkeys(pull.corner for pull in pulls))
    out = []
    for corner in corners:
        before = f"{corner}: " if len(corners) > 1 else ""
        own = [pull for pull in pulls if pull.corner == corner]
        out += [
            Uncovered(before + direction_words(one), pull_for(one))
            for one in _resting(own, prior, fit)
        ]
    return tuple(out)


def _resting(pulls: list[Pull], prior: BridgePrior, fit: JointFit) -> list[Floats]:
    """The same for the pulls of one wheel, as scaled wrenches (6,) [1]."""
    G = pulls[0].members
    seen = seen_directions(pulls[0].corner, pulls)
    out = []
    gauges, members = fit.shape
    covariance = fit.K_covariance
    for value, direction in zip(seen.values, seen.directions, strict=True):
        load = G @ _on_upright(pulls[0], direction)
        before = after = 0.0
        for g in range(gauges):
            block = slice(g * members, (g + 1) * members)
            if not np.all(np.isfinite(prior.u[g])):
                continue
            before += prior.variance_at(g, load)
            after += float(load @ covariance[block, block] @ load)
        if before > 0 and (after > 0.5 * before or value < BLIND * seen.values[0]):
            out.append(direction)
    return out
