"""The bound Fz >= 0: tyres push, the road does not pull; closed forms, exact."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.reconstruction.estimator.sample_features import Singles

TOUCHING = 1e-6  # N; the bound is met to rounding


@dataclass(frozen=True, slots=True)
class Bound:
    """Physics that forces are held to: Fz >= 0, and horizontal forces up to `friction` times Fz."""

    vertical: bool = True
    friction: float = np.inf

    @classmethod
    def of(cls, bounded: bool, friction_limit: float | None) -> Bound:
        """The bound that a user asks for; None is no limit of friction.

        Raises DataError: the limit is no positive number, or there is a limit and no bound of Fz.
        """
        if friction_limit is None:
            return cls(bounded)
        where, found = "reconstruction", f"friction_limit = {friction_limit:g}"
        if not 0 < friction_limit < np.inf:
            needed = "a ratio of horizontal to vertical force above 0, such as 2.5"
            raise DataError(where, found, needed, "Correct it, or leave it out.")
        if not bounded:
            needed = "Fz >= 0, which a limit of friction includes"
            raise DataError(where, f"{found} without bounds", needed, "Leave out one of them.")
        return cls(bounded, friction_limit)


def bound_vertical(force: Floats, covariance: Floats, normal: Floats) -> tuple[Floats, Floats]:
    """Forces with F . n >= 0, exact, and where the bound was active.

    The constrained optimum of a quadratic objective with covariance C under one linear inequality
    is F - C n (n' F) / (n' C n) where n' F < 0, and F elsewhere (Lagrange multiplier of one active
    constraint).  `force` (sample, 3) [N] is the unbounded optimum F, `covariance` (sample, 3, 3)
    [N2] the inverse of the objective's curvature in the forces, `normal` (sample, 3) that of the
    road.
    """
    vertical = np.einsum("nk,nk->n", force, normal)
    active = vertical < 0.0
    along = np.einsum("nij,nj->ni", covariance, normal)
    step = vertical / np.einsum("ni,ni->n", along, normal)
    bounded = np.where(active[:, None], force - along * step[:, None], force)
    return bounded, active


def bound_wheels(
    force: Floats, covariance: Floats, normal: Floats, held: NDArray[np.bool_]
) -> Floats:
    """Forces (sample, w, 3) of all wheels of an assembly, those that are `held` with F . n >= 0.

    Each set of wheels in contact gives one candidate; the optimum is the one that meets every bound
    with contact forces that only push.  `force` (sample, w, 3) [N] is the unbounded optimum in
    vehicle axes, `covariance` (sample, 3 w, 3 w) [N2] that of all forces together, `normal`
    (sample, 3) that of the road; `held` (w,) marks the wheels whose bound counts.
    """
    n, wheels = force.shape[:2]
    if wheels == 1:
        bounded = bound_vertical(force[:, 0], covariance, normal)[0] if held[0] else force[:, 0]
        return bounded[:, None]
    vertical = np.einsum("nwk,nk->nw", force, normal)
    columns = np.zeros((n, 3 * wheels, wheels))
    for k in range(wheels):
        columns[:, 3 * k : 3 * k + 3, k] = normal
    out, done = force.reshape(n, -1).copy(), np.all((vertical >= 0) | ~held, axis=1)
    for contact in product((False, True), repeat=wheels):
        at = [k for k in range(wheels) if contact[k] and held[k]]
        if not at or len(at) != sum(contact):
            continue
        along = covariance @ columns[:, :, at]
        inner = np.swapaxes(columns[:, :, at], 1, 2) @ along
        push = np.linalg.solve(inner, -vertical[:, at, None])
        moved = force.reshape(n, -1) + (along @ push)[..., 0]
        now = np.einsum("niw,ni->nw", columns, moved)
        now[:, at] = 0.0  # by construction; rounding must not decide
        good = ~done & np.all(push[..., 0] >= 0, axis=1) & np.all((now >= 0) | ~held, axis=1)
        out[good], done = moved[good], done | good
    return out.reshape(n, wheels, 3)


def hold_upward(
    force: Singles, spread: Floats, normal: Singles, at: NDArray[np.int64], held: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Hold Fz >= 0 in `force` (w, 4, sample) [N] in place; returns which wheels are at the bound.

    Takes the covariance `spread` (at, 3 w, 3 w) [N2], the road's `normal` (3, sample), the samples
    `at`, and the wheels (w,) that are `held`; returns (w, at).  Where the partner's bound moves a
    force to its own, that one is at its bound too.
    """
    upward = normal[:, at].T.astype(np.float64)
    free = force[:, :3, at].transpose(2, 0, 1).astype(np.float64)
    found = bound_wheels(free, spread, upward, held)
    force[:, :3, at] = found.transpose(1, 2, 0)
    touching = np.abs(np.einsum("nwk,nk->wn", found, upward)) < TOUCHING
    return np.asarray(touching & held[:, None])
