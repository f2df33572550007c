"""Apply a prepared corner to samples: forces, bound, uncertainty in its parts.

Kernels on plain arrays; the sample axis stands first, components last.  A batch is one block
of samples, so that memory stays bounded however long the log is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from recon.reconstruction.causes import PARTS, Cause, Features
from recon.reconstruction.prepare import Prepared, joint_mode

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
BLOCK = 16384  # samples; fits in cache, measured best among powers of two
KEPT_VARIANCE = 1e-3  # share of a part's variance that may be dropped with its least directions


@dataclass(frozen=True, slots=True)
class Solved:
    """One block of one corner, ready to be turned into the three axes.

    Of w wheels: `force` (sample, w, 4) Fx, Fy, Fz, T and `free` (sample, w, 3) without the bound,
    vehicle axes; `turn` (sample, 3, 3) into intermediate axes, `heading` (sample, w) [rad];
    `random` (sample, w, 3), `variance` (part, sample, w, 3) and `xy` (part, sample, w) [N2] as in
    `variances_of`; `late` (sample, w, 3) [N] as in `late_effect`; `status`, `mode`, `travel`
    (sample, w).  `sums` (sample, k) and `u_sums` [N] of forces that are known together only.
    """

    force: Floats
    free: Floats
    turn: Floats
    heading: Floats
    random: Floats
    variance: Singles
    xy: Singles
    late: Floats
    status: NDArray[np.uint16]
    mode: NDArray[np.int64]
    travel: Floats
    sums: Floats
    u_sums: Floats

    def wheel(self, k: int) -> Solved:
        """The same of one wheel, without its axis."""
        by_wheel = ("force", "free", "heading", "random", "late", "status", "mode", "travel")
        own = {name: getattr(self, name)[:, k] for name in by_wheel}
        return replace(self, variance=self.variance[:, :, k], xy=self.xy[:, :, k], **own)


@dataclass(frozen=True, slots=True)
class Samples:
    """Inputs of one unit of w wheels.

    `indication` (sample, gauge), `hub` (sample, 3 w) specific force [m/s2], `brake_torque`
    (sample, w) [N m], `travel` (sample, w), `rack` (sample,) [m], `mode` (sample, w).
    """

    indication: Floats
    hub: Floats
    brake_torque: Floats
    travel: Floats
    rack: Floats
    mode: NDArray[np.int64]

    def block(self, part: slice) -> Samples:
        """The samples of one block."""
        return Samples(*(getattr(self, f)[part] for f in self.__dataclass_fields__))


def forces_of(prepared: Prepared, samples: Samples) -> tuple[Floats, Floats]:
    """Fx, Fy, Fz, T (sample, w, 4) without bounds, vehicle axes, and the basis used."""
    basis = prepared.basis(samples.travel, samples.rack)
    n = len(basis)
    inputs = np.concatenate(
        [samples.indication, samples.hub, samples.brake_torque, np.ones((n, 1))], axis=1
    )
    wheels = samples.travel.shape[1]
    out = np.empty((n, 4 * wheels))
    mode = joint_mode(samples.mode)
    for m in np.unique(mode):
        chosen = mode == m
        every = bool(np.all(chosen))
        x, phi = (inputs, basis) if every else (inputs[chosen], basis[chosen])
        table = prepared.table[m]  # (basis, input, 4 w)
        flat = x @ table.transpose(1, 0, 2).reshape(table.shape[1], -1)
        out[chosen] = np.einsum("nb,nbo->no", phi, flat.reshape(len(x), -1, 4 * wheels))
    force = out.reshape(n, wheels, 4)
    # Twisted bushes carry their share beside the links; the tare has it at its own travel.
    force[:, :, 2] += prepared.bush_rate * (samples.travel - prepared.tare_travel)
    return force, basis


def bound_vertical(force: Floats, covariance: Floats, normal: Floats) -> tuple[Floats, Floats]:
    """Forces with F . n >= 0, exact, and where the bound was active.

    The constrained optimum of a quadratic objective with covariance C under one linear
    inequality is F - C n (n' F) / (n' C n) where n' F < 0, and F elsewhere.

    Parameters
    ----------
    force : (sample, 3)
        Unbounded optimum. [N]
    covariance : (sample, 3, 3)
        Inverse of the objective's curvature in the forces. [N2]
    normal : (sample, 3)
        Road normal.
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
    """Forces (sample, w, 3) of all wheels of a unit with F . n >= 0 at those that are `held` to it.

    Each set of wheels in contact gives one candidate; the optimum is the one that meets every
    bound with contact forces that only push.  `covariance` (sample, 3 w, 3 w), `held` (w,).
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


def spread_of(prepared: Prepared, basis: Floats, mode: NDArray[np.int64]) -> Floats:
    """Covariance [N2] of the forces (sample, 3 w, 3 w) for the bound."""
    flat = np.einsum("nb,nbk->nk", basis, prepared.spread[joint_mode(mode)])
    size = round(flat.shape[1] ** 0.5)
    return flat.reshape(-1, size, size)


def features_of(force: Floats, travel: Floats, rack: Floats, scale: tuple[float, ...]) -> Floats:
    """Features (sample, feature) of equation (1) in `causes`.

    `force` (sample, w, 4) is Fx, Fy, Fz, T, `travel` (sample, w).
    """
    n, wheels = force.shape[:2]
    places = Features(wheels)
    out = np.empty((n, places.size), dtype=force.dtype)
    flat = force.reshape(n, -1)
    out[:, 0] = 1.0
    out[:, places.forces] = flat
    for j in range(wheels):
        scaled = travel[:, j] / scale[j]
        np.multiply(flat, scaled[:, None], out=out[:, places.by_travel(j)])
        out[:, places.travel(j)] = scaled
    np.multiply(flat, (rack / scale[-1])[:, None], out=out[:, places.by_rack])
    return out


def compressed(causes: tuple[Cause, ...], typical: Floats) -> list[Singles]:
    """Each part's causes by their strongest directions, (mode, feature, 3 w * direction).

    Causes that turn the tyre axes are left to `late_effect`.  The sums of squares and products
    over all other causes are kept to `KEPT_VARIANCE`; `typical` (feature,) are the sizes at
    which directions are judged.
    """
    out = []
    for part in PARTS:
        rows = [_intermediate(c) for c in causes if c.part == part and c.steered is None]
        if not rows:
            shape = causes[0].loading.shape
            out.append(np.zeros((shape[0], shape[2], 0), dtype=np.float32))
            continue
        stacked = np.array(rows) * typical  # (cause, mode, 3 w, feature)
        flat = stacked.reshape(len(rows), -1)
        _, size, right = np.linalg.svd(flat, full_matrices=False)
        lost = 1 - np.cumsum(size**2) / np.sum(size**2)
        keep = int(np.searchsorted(-lost, -KEPT_VARIANCE)) + 1
        kept = (size[:keep, None] * right[:keep]).reshape(keep, *stacked.shape[1:]) / typical
        by_feature = kept.transpose(1, 3, 2, 0).reshape(*kept.shape[1:4:2], -1)
        out.append(by_feature.astype(np.float32))
    return out


def _intermediate(cause: Cause) -> Floats:
    return cause.loading if cause.turned is None else cause.loading + cause.turned


def late_effect(cause: Cause | None, features: Floats, mode: NDArray[np.int64]) -> Floats:
    """Effect (sample, w, 3) [N] of the cause that turns the tyre axes too, intermediate axes."""
    wheels = 1 if features.shape[1] == Features(1).size else 2
    out = np.zeros((len(features), 3 * wheels))
    if cause is not None:
        for m in np.unique(mode):
            chosen = mode == m
            out[chosen] = features[chosen] @ cause.loading[m].T
    return out.reshape(len(features), wheels, 3)


def variances_of(
    features: Floats, mode: NDArray[np.int64], parts: list[Singles], sums: Floats
) -> tuple[Singles, Singles, Singles]:
    """Variance (part, sample, w, 3) [N2] of each part, covariance xy (part, sample, w).

    Last, the variance (sample, k) of weighted sums of the forces, `sums` (k, 3 w) the weights.
    """
    n, size = len(features), sums.shape[1]
    variance = np.zeros((len(parts), n, size), dtype=np.float32)
    xy = np.zeros((len(parts), n, size // 3), dtype=np.float32)
    together = np.zeros((n, len(sums)), dtype=np.float32)
    single = features.astype(np.float32)
    for m in np.unique(mode):
        chosen = mode == m
        x = single if np.all(chosen) else single[chosen]
        for p, loading in enumerate(parts):
            effect = (x @ loading[m]).reshape(len(x), size, -1)
            variance[p, chosen] = np.einsum("nkc,nkc->nk", effect, effect)
            xy[p, chosen] = np.einsum("nwc,nwc->nw", effect[:, 0::3], effect[:, 1::3])
            if len(sums):
                summed = np.einsum("sk,nkc->nsc", sums.astype(np.float32), effect)
                together[chosen] += np.einsum("nsc,nsc->ns", summed, summed)
    return variance.reshape(len(parts), n, -1, 3), xy, together
