"""What the pulls see: singular values of the scaled wrenches and the weak direction in words."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import WRENCH_COMPONENTS
from recon.calibration.fit import JointFit
from recon.calibration.prior import BridgePrior
from recon.calibration.pulls import Pull
from recon.planning.questions import SCALE

BLIND = 0.03  # singular values under this share of the largest are not seen by the pulls


def scaled_wrenches(pulls: list[Pull]) -> Floats:
    """Unit wrenches of every device of every pull, (direction, 6), scaled.

    About the contact; where no brake is outboard about the hub, as no torque of the road passes it.
    """
    rows = [
        _moved(pull.columns(line)[:, 0], _arm(pull)) / SCALE
        for pull in pulls
        for line in pull.lines
    ]
    unit = np.array(rows)
    return unit / np.linalg.norm(unit, axis=1, keepdims=True)


def _arm(pull: Pull) -> Floats:
    """From where wrenches are told about to the hub."""
    return pull.hub - pull.contact if pull.outboard else np.zeros(3)


def _acting(pull: Pull) -> Floats:
    """Scaled wrenches that can act on the upright, (6, k): all, or all but a turn of the wheel."""
    if pull.outboard:
        return np.eye(6)
    from scipy.linalg import null_space

    return np.asarray(null_space(np.concatenate([np.zeros(3), pull.spin])[None]))


def _moved(wrench: Floats, arm: Floats) -> Floats:
    """The wrench about a new point; `arm` points from the new point to the old one."""
    return np.concatenate([wrench[:3], wrench[3:] + np.cross(arm, wrench[:3])])


def least_seen(pulls: list[Pull], corners: tuple[str, ...]) -> tuple[str, Floats, Floats]:
    """The corner whose pulls see least, with its singular values and directions."""
    found = [(name, *seen_directions([p for p in pulls if p.corner == name])) for name in corners]
    return min(found, key=lambda f: f[1][-1] / max(f[1][0], 1e-300))


def seen_directions(pulls: list[Pull]) -> tuple[Floats, Floats]:
    """Singular values (k,) and directions (k, 6) of the scaled wrenches; missing ones are zero.

    Six, or five where no torque of the road passes the hub: what never acts needs no pull.
    """
    if not pulls:
        return np.zeros(6), np.eye(6)
    acting = _acting(pulls[0])
    values = np.zeros(acting.shape[1])
    found, directions = np.linalg.svd(scaled_wrenches(pulls) @ acting)[1:]
    values[: len(found)] = found
    return values, directions @ acting.T


def in_words(direction: Floats) -> str:
    """A scaled wrench direction as a phrase, e.g. 'Mz with Fy (opposite)'."""
    order = np.argsort(-np.abs(direction))
    main = order[0]
    words = [WRENCH_COMPONENTS[main]]
    for k in order[1:3]:
        if abs(direction[k]) > 0.35:
            same = np.sign(direction[k]) == np.sign(direction[main])
            words.append(f"{WRENCH_COMPONENTS[k]} ({'same sign' if same else 'opposite sign'})")
    return " with ".join(words)


def prior_shares(pulls: list[Pull], prior: BridgePrior, fit: JointFit) -> tuple[str, ...]:
    """Wrench directions whose column of H rests on the prior more than on the pulls, in words."""
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
    values, directions = seen_directions(pulls)
    out = []
    gauges, members = fit.shape
    covariance = fit.K_covariance
    for value, direction in zip(values, directions, strict=True):
        load = G @ _moved(direction * SCALE, -_arm(pulls[0]))
        before = after = 0.0
        for g in range(gauges):
            block = slice(g * members, (g + 1) * members)
            if not np.all(np.isfinite(prior.u[g])):
                continue
            before += float(np.sum((prior.u[g] * load) ** 2))
            after += float(load @ covariance[block, block] @ load)
        if before > 0 and (after > 0.5 * before or value < BLIND * values[0]):
            out.append(in_words(direction))
    return out
