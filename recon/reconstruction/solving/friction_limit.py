"""The loose bound sqrt(Fx^2 + Fy^2) <= limit Fz for all wheels of an assembly or of the car.

With the unbounded forces f, their joint covariance P and pushes s of the cones, the optimum meets

    x = f + P s,   x_k in the cone,   s_k in the dual cone,   x_k' s_k = 0  for every wheel k   (1)

An interior-point method (predictor and corrector in the algebra of second-order cones) comes near;
then it is plain which wheel is free, on the mantle of its cone or at its apex, and Newton's method
on the equations of that pattern takes the last digits.  All samples go side by side, and the
residual of (1) is checked for every one.

Source: conditions of optimality and direction as in Alizadeh and Goldfarb, Second-order cone
programming, Mathematical Programming 95 (2003), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import SolveError
from recon.base.status import BIT
from recon.reconstruction.estimator.sample_features import Singles
from recon.reconstruction.solving.fz_bound import TOUCHING

EXACT = 1e-12  # scaled complementarity at which the interior-point method stops
ACCEPTED = 1e-10  # scaled residual that is not exceeded
LEAST = 1e-2  # scaled push; the interior-point method needs no smaller one relatively exact
STEPS, NEWTON, PATTERNS = 60, 6, 8
FREE, MANTLE, APEX = 0, 1, 2  # contacts of a wheel
MIRROR = np.array([-1.0, -1.0, 1.0])  # (x, J x) >= 0 in a cone with limit 1
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class Limited:
    """Forces (sample, w, 3) [N] within the limit; scaled `residual` (sample,) of (1) of each."""

    force: Floats
    residual: Floats


def limit_wheels(force: Floats, covariance: Floats, limit: float) -> Limited:
    """Nearest forces of all wheels that the friction limit allows.

    `force` (sample, w, 3) [N] is the unbounded optimum, axes with z along the normal of the road,
    `covariance` (sample, 3 w, 3 w) [N2] that of all forces together, `limit` the largest horizontal
    force of a tyre over its vertical force.

    Raises SolveError: equations (1) are not met to `ACCEPTED`; the message has the residual.
    """
    out, residual = force.astype(float), np.zeros(len(force))
    at = np.flatnonzero(beyond_limit(out, limit).any(axis=1))
    if len(at):
        problem = _Problem.of(out[at], covariance[at], limit)
        x, push = problem.solved()
        residual[at] = problem.residual(x, push)
        worst = float(residual.max())
        if not worst <= ACCEPTED:
            raise SolveError(
                where=f"friction limit {limit:g}",
                found=f"a scaled residual of {worst:.1e}",
                needed=f"one of at most {ACCEPTED:g}",
                do="Report this with the vehicle file and the log: the problem is convex.",
            )
        out[at] = x * problem.unit
    return Limited(out, residual)


def hold_within_limit(
    force: Singles, spread: Floats, turn: Floats, at: NDArray[np.int64], limit: float
) -> NDArray[np.uint16]:
    """Hold `force` (w, 4, sample) [N] within the friction `limit` at the samples `at`, in place.

    Takes the covariance `spread` (at, 3 w, 3 w) [N2] and the `turn` (3, 3, sample) into
    intermediate axes.  Returns the flags (w, at): on the limit, or with Fz at zero.
    """
    wheels, n = len(force), len(at)
    turned = np.moveaxis(turn[..., at], -1, 0)
    level = np.einsum("nij,wjn->nwi", turned, force[:, :3, at].astype(float))
    by_wheel = spread.reshape(n, wheels, 3, wheels, 3)
    joint = np.einsum("nij,nwjvk,nlk->nwivl", turned, by_wheel, turned, optimize=True)
    found = limit_wheels(level, joint.reshape(spread.shape), limit).force
    force[:, :3, at] = np.einsum("nij,nwi->wjn", turned, found)
    flat, up = np.hypot(found[..., 0], found[..., 1]).T, found[..., 2].T
    flags = np.zeros((wheels, n), dtype=np.uint16)
    flags[np.abs(limit * up - flat) < TOUCHING] = BIT["friction_limited"]
    flags[up < TOUCHING] = BIT["bound_active"]
    return flags


def beyond_limit(force: Floats, limit: float) -> NDArray[np.bool_]:
    """Whether forces (..., 3) [N] are more than the limit allows."""
    return np.asarray(np.hypot(force[..., 0], force[..., 1]) > limit * force[..., 2])


@dataclass(frozen=True)
class _Problem:
    """Equations (1) in units that make every cone |(x, y)| <= z and every wheel's variance one.

    `f` (sample, w, 3), `P` (sample, 3 w, 3 w); forces times `unit` (sample, w, 3) are newtons.
    """

    f: Floats
    P: Floats
    unit: Floats

    @classmethod
    def of(cls, force: Floats, covariance: Floats, limit: float) -> _Problem:
        n, w = force.shape[:2]
        shape = np.array([limit, limit, 1.0])
        variance = np.diagonal(covariance, axis1=1, axis2=2).reshape(n, w, 3) / shape**2
        each = np.sqrt(variance.mean(axis=2, keepdims=True)) * shape
        size = np.max(np.abs(force / each), axis=(1, 2), keepdims=True)
        flat = each.reshape(n, -1)
        return cls(force / each / size, covariance / flat[:, :, None] / flat[:, None], each * size)

    def part(self, at: NDArray[np.int64]) -> _Problem:
        """Some of the samples."""
        return _Problem(self.f[at], self.P[at], self.unit[at])

    def moved(self, push: Floats) -> Floats:
        """P s (sample, w, 3)."""
        return np.asarray((self.P @ push.reshape(len(push), -1, 1)).reshape(push.shape))

    def residual(self, x: Floats, push: Floats) -> Floats:
        """Largest violation (sample,) of (1), over the sizes of forces and of pushes.

        A push smaller than would move the forces by their own size counts as one of that size.
        """
        force = _largest(self.f)
        size = np.maximum(_largest(push), force / _largest(self.P))
        parts = (
            _largest(x - self.f - self.moved(push)) / (force + _largest(self.P) * size),
            np.max(-_lowest(x), axis=1) / force,
            np.max(-_lowest(push), axis=1) / size,
            np.max(np.abs(np.sum(x * push, axis=2)), axis=1) / (force * size),
        )
        return np.asarray(np.max(parts, axis=0))

    def solved(self) -> tuple[Floats, Floats]:
        """Forces and pushes (sample, w, 3) each."""
        x, push = self._interior()
        residual = self.residual(x, push)
        contact = _contacts(x, push)
        left = np.arange(len(x))
        for _ in range(PATTERNS):
            own = self.part(left)
            exact = own._polished(x[left], push[left], contact[left])
            found = own.residual(*exact)
            better = found <= residual[left]
            at = left[better]
            x[at], push[at], residual[at] = (v[better] for v in (*exact, found))
            contact[left] = _corrected(*exact, contact[left])
            left = left[residual[left] > EXACT]
            if not len(left):
                break
        return x, push

    def _interior(self) -> tuple[Floats, Floats]:
        """Interior-point method; samples that are done leave."""
        x = np.zeros_like(self.f) + 2.0 * UP
        pull = np.linalg.solve(self.P, self.f.reshape(len(x), -1, 1))
        push = np.maximum(2.0, 2.0 * np.max(np.abs(pull), axis=1))[..., None] * np.ones_like(x) * UP
        left = np.arange(len(x))
        for _ in range(STEPS):
            own = self.part(left)
            x[left], push[left] = own._step(x[left], push[left])
            gap = np.mean(np.sum(x[left] * push[left], axis=2), axis=1)
            apart = _largest(x[left] - own.f - own.moved(push[left]))
            # Where hardly anything pushes, the pattern of contacts is found all the same.
            size = EXACT * np.maximum(_largest(push[left]), LEAST)
            done = (gap < size) & (apart < size)
            left = left[~done]
            if not len(left):
                break
        return x, push

    def _step(self, x: Floats, push: Floats) -> tuple[Floats, Floats]:
        n, w = x.shape[:2]
        apart = x - self.f - self.moved(push)
        arrow = _arrow(push)
        matrix = _block(arrow) @ self.P + _block(_arrow(x))
        own = _times(x, push)
        shift = np.einsum("nkij,nkj->nki", arrow, apart)

        def direction(right: Floats) -> tuple[Floats, Floats]:
            flat = (right + shift).reshape(n, -1, 1)
            ds = np.linalg.solve(matrix, flat).reshape(n, w, 3)
            return self.moved(ds) - apart, ds

        gap = np.mean(np.sum(x * push, axis=2), axis=1)
        dx, ds = direction(-own)
        reach = np.minimum(_reach(x, dx), _reach(push, ds))[:, None, None]
        gap = np.maximum(gap, 1e-300)
        ahead = np.mean(np.sum((x + reach * dx) * (push + reach * ds), axis=2), axis=1)
        centre = np.clip(ahead / gap, 0.0, 1.0) ** 3 * gap
        dx, ds = direction(centre[:, None, None] * UP - own - _times(dx, ds))
        reach = np.minimum(_reach(x, dx), _reach(push, ds))
        length = np.minimum(1.0, np.clip(1.0 - gap, 0.9, 0.9995) * reach)[:, None, None]
        return x + length * dx, push + length * ds

    def _polished(
        self, x: Floats, push: Floats, contact: NDArray[np.int8]
    ) -> tuple[Floats, Floats]:
        """Newton's method with the contacts (sample, w) as they are."""
        push = np.where((contact == FREE)[..., None], 0.0, push)
        turned = x * MIRROR
        share = np.sum(push * turned, axis=2) / np.maximum(np.sum(turned**2, axis=2), 1e-300)
        share = np.where(contact == MANTLE, share, 0.0)
        for _ in range(NEWTON):
            dpush, dshare = self._newton(push, share, contact)
            push, share = push + dpush, share + dshare
        x = np.where((contact == APEX)[..., None], 0.0, self.f + self.moved(push))
        return x, push

    def _newton(
        self, push: Floats, share: Floats, contact: NDArray[np.int8]
    ) -> tuple[Floats, Floats]:
        """Step of pushes and multipliers.

        Free: s = 0.  Mantle: s = share J x and x' J x / 2 = 0.  Apex: x = 0.
        """
        n, w = push.shape[:2]
        x = self.f + self.moved(push)
        mantle, at_apex = contact == MANTLE, (contact == APEX)[..., None]
        turned, scaled = np.where(mantle[..., None], x * MIRROR, 0.0), share[..., None] * MIRROR
        by_x = _block(np.where(at_apex, 1.0, -scaled)[..., None] * np.eye(3))
        by_push = _block(np.where(at_apex, 0.0, np.ones(3))[..., None] * np.eye(3))
        turned_rows = _rows(turned)
        matrix = np.zeros((n, 4 * w, 4 * w))
        matrix[:, : 3 * w, : 3 * w] = by_x @ self.P + by_push
        matrix[:, : 3 * w, 3 * w :] = -np.swapaxes(turned_rows, 1, 2)
        matrix[:, 3 * w :, : 3 * w] = turned_rows @ self.P
        matrix[:, 3 * w :, 3 * w :] = np.where(mantle, 0.0, 1.0)[..., None] * np.eye(w)
        equation = np.where(at_apex, x, push - share[..., None] * turned).reshape(n, -1)
        right = -np.concatenate([equation, 0.5 * np.sum(x * turned, axis=2)], axis=1)
        try:
            step = np.linalg.solve(matrix, right[..., None])[..., 0]
        except np.linalg.LinAlgError:
            step = np.zeros_like(right)  # the interior point is left as it is
        return step[:, : 3 * w].reshape(n, w, 3), step[:, 3 * w :]


def _contacts(x: Floats, push: Floats) -> NDArray[np.int8]:
    """Contacts (sample, w) by which of force and push is the smaller one."""
    out = np.full(x.shape[:2], MANTLE, dtype=np.int8)
    out[_highest(x) < _lowest(push)] = APEX
    out[_highest(push) < _lowest(x)] = FREE
    return out


def _corrected(x: Floats, push: Floats, contact: NDArray[np.int8]) -> NDArray[np.int8]:
    """Contacts (sample, w) with those changed whose own condition the solution violates."""
    out = contact.copy()
    out[(contact == FREE) & (_lowest(x) < 0)] = MANTLE
    out[(contact == MANTLE) & (push[..., 2] < 0)] = FREE
    out[(contact == MANTLE) & (x[..., 2] <= 0)] = APEX
    out[(contact == APEX) & (_lowest(push) < 0)] = MANTLE
    return out


def _largest(values: Floats) -> Floats:
    return np.asarray(np.max(np.abs(values), axis=(1, 2)))


def _lowest(vector: Floats) -> Floats:
    """Smaller eigenvalue (..., ) of vectors (..., 3): not below zero within the cone."""
    return np.asarray(vector[..., 2] - np.hypot(vector[..., 0], vector[..., 1]))


def _highest(vector: Floats) -> Floats:
    return np.asarray(vector[..., 2] + np.hypot(vector[..., 0], vector[..., 1]))


def _arrow(vector: Floats) -> Floats:
    """Matrices (..., 3, 3) of the product of the cone's algebra with vectors (..., 3)."""
    out = vector[..., 2, None, None] * np.eye(3)
    out[..., 2, :2], out[..., :2, 2] = vector[..., :2], vector[..., :2]
    return np.asarray(out)


def _times(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.einsum("...ij,...j->...i", _arrow(a), b))


def _block(blocks: Floats) -> Floats:
    """Block-diagonal matrices (sample, 3 w, 3 w) of blocks (sample, w, 3, 3)."""
    n, w = blocks.shape[:2]
    out = np.zeros((n, w, 3, w, 3))
    for k in range(w):
        out[:, k, :, k] = blocks[:, k]
    return out.reshape(n, 3 * w, 3 * w)


def _rows(vectors: Floats) -> Floats:
    """Rows (sample, w, 3 w), each with the vector of one wheel (sample, w, 3)."""
    n, w = vectors.shape[:2]
    out = np.zeros((n, w, w, 3))
    for k in range(w):
        out[:, k, k] = vectors[:, k]
    return out.reshape(n, w, 3 * w)


def _reach(at: Floats, step: Floats) -> Floats:
    """Largest share (sample,) of a step (sample, w, 3) that stays in all cones, at most one."""
    bare = np.sum(at * at * MIRROR, axis=2)
    mixed = np.sum(at * step * MIRROR, axis=2)
    square = np.sum(step * step * MIRROR, axis=2)
    inner = mixed**2 - square * bare
    below = np.sqrt(np.maximum(inner, 0.0)) - mixed
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where((inner >= 0) & (below > 0), bare / below, np.inf)
    # Through the apex into the mirror image, which the quadratic equation does not see.
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.where(step[..., 2] < 0, -at[..., 2] / step[..., 2], np.inf)
    return np.asarray(np.minimum(np.min(np.minimum(share, level), axis=1), 1.0))
