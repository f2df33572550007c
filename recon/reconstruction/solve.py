"""Apply a prepared corner to samples: forces, bound, uncertainty in its parts.

Kernels on plain arrays; the sample axis stands first, components last.  A batch is one block
of samples, so that memory stays bounded however long the log is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.car.unknowns import MODES
from recon.reconstruction.causes import FEATURES, PARTS, TRAVEL, Cause
from recon.reconstruction.prepare import Prepared

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
BLOCK = 16384  # samples; fits in cache, measured best among powers of two
KEPT_VARIANCE = 1e-3  # share of a part's variance that may be dropped with its least directions


@dataclass(frozen=True, slots=True)
class Solved:
    """One block of one corner, ready to be turned into the three axes.

    `force` (sample, 4) Fx, Fy, Fz, T and `free` (sample, 3) without the bound, vehicle axes;
    `turn` (sample, 3, 3) into intermediate axes, `heading` (sample,) [rad]; `random`
    (sample, 3), `variance` (part, sample, 3) and `xy` (part, sample) [N2] as in `variances_of`;
    `late` (sample, 3) [N] as in `late_effect`; `status`, `mode`, `travel` (sample,).
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


@dataclass(frozen=True, slots=True)
class Samples:
    """Inputs of one corner.

    `indication` (sample, gauge), `hub` (sample, 3) specific force
    [m/s2], `brake_torque` (sample,) [N m], `travel`, `rack` (sample,) [m], `mode` (sample,).
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
    """Fx, Fy, Fz, T (sample, 4) without bounds, vehicle axes, and the basis used."""
    basis = prepared.basis(samples.travel, samples.rack)
    n = len(basis)
    inputs = np.concatenate(
        [samples.indication, samples.hub, samples.brake_torque[:, None], np.ones((n, 1))], axis=1
    )
    out = np.empty((n, 4))
    for m in np.unique(samples.mode):
        chosen = samples.mode == m
        every = bool(np.all(chosen))
        x, phi = (inputs, basis) if every else (inputs[chosen], basis[chosen])
        table = prepared.table[m]  # (basis, input, 4)
        flat = x @ table.transpose(1, 0, 2).reshape(table.shape[1], -1)
        part = np.einsum("nb,nbo->no", phi, flat.reshape(len(x), -1, 4))
        out[chosen] = part
    # Twisted bushes carry their share beside the links; the tare has it at its own travel.
    out[:, 2] += prepared.bush_rate * (samples.travel - prepared.tare_travel)
    return out, basis


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


def spread_of(prepared: Prepared, basis: Floats, mode: NDArray[np.int64]) -> Floats:
    """Covariance [N2] of the forces (sample, 3, 3) for the bound."""
    flat = np.einsum("nb,nbk->nk", basis, prepared.spread[mode])
    order = np.array([[0, 3, 4], [3, 1, 5], [4, 5, 2]])
    return flat[:, order]


def features_of(force: Floats, travel: Floats, rack: Floats, scale: tuple[float, float]) -> Floats:
    """Features (sample, feature) of equation (1) in `causes`; `force` is Fx, Fy, Fz, T."""
    out = np.empty((len(force), FEATURES), dtype=force.dtype)
    out[:, 0] = 1.0
    out[:, 1:5] = force
    np.multiply(force, (travel / scale[0])[:, None], out=out[:, 5:9])
    np.multiply(force, (rack / scale[1])[:, None], out=out[:, 9:13])
    out[:, TRAVEL] = travel / scale[0]
    return out


def compressed(causes: tuple[Cause, ...], typical: Floats) -> list[Singles]:
    """Each part's causes by their strongest directions, (mode, feature, 3 * direction).

    Causes that turn the tyre axes are left to `late_effect`.  The sums of squares and products
    over all other causes are kept to `KEPT_VARIANCE`; `typical` (feature,) are the sizes at
    which directions are judged.
    """
    out = []
    for part in PARTS:
        rows = [_intermediate(c) for c in causes if c.part == part and c.steered is None]
        if not rows:
            out.append(np.zeros((len(MODES), FEATURES, 0), dtype=np.float32))
            continue
        stacked = np.array(rows) * typical  # (cause, mode, 3, feature)
        flat = stacked.reshape(len(rows), -1)
        _, size, right = np.linalg.svd(flat, full_matrices=False)
        lost = 1 - np.cumsum(size**2) / np.sum(size**2)
        keep = int(np.searchsorted(-lost, -KEPT_VARIANCE)) + 1
        kept = (size[:keep, None] * right[:keep]).reshape(keep, len(MODES), 3, FEATURES) / typical
        out.append(kept.transpose(1, 3, 2, 0).reshape(len(MODES), FEATURES, -1).astype(np.float32))
    return out


def _intermediate(cause: Cause) -> Floats:
    return cause.loading if cause.turned is None else cause.loading + cause.turned


def late_effect(cause: Cause | None, features: Floats, mode: NDArray[np.int64]) -> Floats:
    """Effect (sample, 3) [N] of the cause that turns the tyre axes too, intermediate axes."""
    out = np.zeros((len(features), 3))
    if cause is not None:
        for m in np.unique(mode):
            chosen = mode == m
            out[chosen] = features[chosen] @ cause.loading[m].T
    return out


def variances_of(
    features: Floats, mode: NDArray[np.int64], parts: list[Singles]
) -> tuple[Singles, Singles]:
    """Variance (part, sample, 3) [N2] of each part and covariance xy (part, sample)."""
    n = len(features)
    variance = np.zeros((len(parts), n, 3), dtype=np.float32)
    xy = np.zeros((len(parts), n), dtype=np.float32)
    single = features.astype(np.float32)
    for m in np.unique(mode):
        chosen = mode == m
        x = single if np.all(chosen) else single[chosen]
        for p, loading in enumerate(parts):
            effect = (x @ loading[m]).reshape(len(x), 3, -1)
            variance[p, chosen] = np.einsum("nkc,nkc->nk", effect, effect)
            xy[p, chosen] = np.einsum("nc,nc->n", effect[:, 0], effect[:, 1])
    return variance, xy
