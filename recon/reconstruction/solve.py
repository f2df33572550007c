"""Apply a prepared unit to samples: forces, bound, uncertainty in its parts.

Kernels on plain arrays; the sample axis stands last, so that every step runs along memory.  A
batch is one block of samples, so that memory stays bounded however long the log is.  Single
precision holds a force to a thousandth of a newton and halves the work; the bound, which has to
be exact, is solved in double precision.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.reconstruction.cause import PARTS, Cause
from recon.reconstruction.features import Features, joint_mode, samples_by_mode
from recon.reconstruction.prepare import Prepared

Singles = NDArray[np.float32]
BLOCK = 16384  # samples; fits in cache, measured best among powers of two
KEPT_VARIANCE = 1e-3  # share of a part's variance that may be dropped with its least directions


@dataclass(frozen=True, slots=True)
class Solved:
    """One block of one unit, ready to be turned into the three axes.

    Of w wheels: `force` (w, 4, sample) Fx, Fy, Fz, T and `free` (w, 3, sample) without the bound,
    vehicle axes; `turn` (3, 3, sample) into intermediate axes, `heading` (w, sample) [rad];
    `random` (w, 3, sample), `variance` (part, w, 3, sample) and `xy` (part, w, sample) [N2] as in
    `variances_of`; `late` (w, 3, sample) [N] as in `late_effect`; `status`, `mode`, `travel`
    (w, sample).  `sums` (k, sample) and `u_sums` [N] of forces that are known together only.
    """

    force: Singles
    free: Singles
    turn: Singles
    heading: Singles
    random: Singles
    variance: Singles
    xy: Singles
    late: Singles
    status: NDArray[np.uint16]
    mode: NDArray[np.int64]
    travel: Floats
    sums: Singles
    u_sums: Singles

    def wheel(self, k: int) -> Solved:
        """The same of one wheel, without its axis."""
        by_wheel = ("force", "free", "heading", "random", "late", "status", "mode", "travel")
        own = {name: getattr(self, name)[k] for name in by_wheel}
        return replace(self, variance=self.variance[:, k], xy=self.xy[:, k], **own)


@dataclass(frozen=True, slots=True)
class Samples:
    """Inputs of one unit of w wheels.

    `indication` (gauge, sample), `hub` (3 w, sample) specific force [m/s2], `brake_torque`
    (w, sample) [N m], `travel` (w, sample), `rack` (sample,) [m], `mode` (w, sample).
    """

    indication: Floats
    hub: Floats
    brake_torque: Floats
    travel: Floats
    rack: Floats
    mode: NDArray[np.int64]

    def block(self, part: slice) -> Samples:
        """The samples of one block."""
        return Samples(*(getattr(self, f)[..., part] for f in self.__dataclass_fields__))


def forces_of(prepared: Prepared, samples: Samples) -> tuple[Singles, Singles]:
    """Fx, Fy, Fz, T (w, 4, sample) without bounds, vehicle axes, and the basis used."""
    basis = prepared.table.basis(samples.travel, samples.rack)
    wheels, n = samples.travel.shape
    given = (samples.indication, samples.hub, samples.brake_torque, np.ones((1, n)))
    inputs = np.concatenate(given, dtype=np.float32, casting="same_kind")
    out = np.empty((4 * wheels, n), dtype=np.float32)
    mode = joint_mode(samples.mode)
    for m, chosen in samples_by_mode(mode):
        x, table = inputs[:, chosen], prepared.table.inputs[m]  # (input, 4 w, basis)
        flat = table.reshape(-1, table.shape[-1]).astype(np.float32) @ basis[:, chosen]
        out[:, chosen] = np.einsum("in,ion->on", x, flat.reshape(*table.shape[:2], -1))
    force = out.reshape(wheels, 4, n)
    # Twisted bushes carry their share beside the links; the tare has it at its own travel.
    twist = samples.travel - prepared.tare_travel[:, None]
    force[:, 2] += prepared.bush_rate[:, None] * twist
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


def spread_of(prepared: Prepared, basis: Singles, mode: NDArray[np.int64]) -> Floats:
    """Covariance [N2] of the forces (sample, 3 w, 3 w) for the bound; `mode` is the joint one."""
    flat = np.einsum("bn,nkb->nk", basis, prepared.table.spread[mode])
    size = round(flat.shape[1] ** 0.5)
    return flat.reshape(-1, size, size)


class Group(NamedTuple):
    """Forces whose causes are compressed together: x and y of a wheel, z of one, or a sum.

    `rows` of the compressed matrix hold `width` forces, each by its directions.
    """

    part: int
    place: int
    width: int
    rows: slice


class Compressed(NamedTuple):
    """All causes of one mode by their strongest directions, `matrix` (row, feature)."""

    matrix: Singles
    groups: tuple[Group, ...]


def compressed(prepared: Prepared, causes: tuple[Cause, ...], typical: Floats) -> list[Compressed]:
    """Each part's causes by their strongest directions, mode by mode.

    Causes that turn the tyre axes are left to `late_effect`.  The sums of squares and products
    over all other causes are kept to `KEPT_VARIANCE`; `typical` (feature,) are the sizes at
    which directions are judged.  Forces that the gauges do not see would outweigh all others and
    are left out; the sums of them that are known stand beside the forces.
    """
    modes, outputs, _ = causes[0].loading.shape
    forces = np.eye(outputs)
    forces[list(prepared.seen.lost)] = 0.0
    weights = [forces[first : first + width] for first, width in _flat_and_vertical(outputs)]
    weights += list(prepared.sum_weights[:, None])
    by_part = [
        np.array([_intermediate(c) for c in causes if c.part == part and c.steered is None])
        for part in PARTS
    ]
    out = []
    for m in range(modes):
        matrix, groups, row = [], [], 0
        for p, rows in enumerate(by_part):
            for place, weight in enumerate(weights if len(rows) else []):
                kept = _strongest(weight @ rows[:, m] * typical)
                width, count = len(weight), kept.shape[1] * len(weight)
                matrix.append(kept.reshape(count, -1) / typical)
                groups.append(Group(p, place, width, slice(row, row + count)))
                row += count
        out.append(Compressed(np.concatenate(matrix).astype(np.float32), tuple(groups)))
    return out


def _flat_and_vertical(outputs: int) -> list[tuple[int, int]]:
    """First force and how many of each group: x and y of every wheel together, z by itself."""
    return [group for k in range(0, outputs, 3) for group in ((k, 2), (k + 2, 1))]


def _strongest(rows: Floats) -> Floats:
    """Rows (cause, force, feature) by directions (force, direction, feature) that matter."""
    _, size, right = np.linalg.svd(rows.reshape(len(rows), -1), full_matrices=False)
    total = np.sum(size**2)
    dropped = 1 - np.cumsum(size**2) / total if total > 0 else np.zeros_like(size)
    keep = int(np.searchsorted(-dropped, -KEPT_VARIANCE)) + 1
    kept = (size[:keep, None] * right[:keep]).reshape(keep, *rows.shape[1:])
    return np.swapaxes(kept, 0, 1)


def _intermediate(cause: Cause) -> Floats:
    return cause.loading if cause.turned is None else cause.loading + cause.turned


def late_effect(cause: Cause | None, features: Singles, mode: NDArray[np.int64]) -> Singles:
    """Effect (w, 3, sample) [N] of the cause that turns the tyre axes too, intermediate axes."""
    wheels = 1 if len(features) == Features(1).size else 2
    out = np.zeros((3 * wheels, features.shape[1]), dtype=np.float32)
    if cause is not None:
        for m, chosen in samples_by_mode(mode):
            out[:, chosen] = cause.loading[m].astype(np.float32) @ features[:, chosen]
    return out.reshape(wheels, 3, -1)


def variances_of(
    features: Singles, mode: NDArray[np.int64], by_mode: list[Compressed], sums: int
) -> tuple[Singles, Singles, Singles]:
    """Variance (part, w, 3, sample) [N2] of each part, covariance xy (part, w, sample).

    Last, the variance (k, sample) of the `sums` weighted sums of forces that were compressed.
    """
    n = features.shape[1]
    wheels = 1 if len(features) == Features(1).size else 2
    variance = np.zeros((len(PARTS), wheels, 3, n), dtype=np.float32)
    xy = np.zeros((len(PARTS), wheels, n), dtype=np.float32)
    together = np.zeros((sums, n), dtype=np.float32)
    for m, chosen in samples_by_mode(mode):
        effects = by_mode[m].matrix @ features[:, chosen]
        for part, place, width, rows in by_mode[m].groups:
            effect = effects[rows].reshape(width, -1, effects.shape[1])
            square = np.einsum("kcn,kcn->kn", effect, effect)
            wheel, vertical = divmod(place, 2)
            if wheel >= wheels:
                together[place - 2 * wheels, chosen] += square[0]
            elif vertical:
                variance[part, wheel, 2, chosen] = square[0]
            else:
                variance[part, wheel][:2, chosen] = square
                xy[part, wheel, chosen] = np.einsum("cn,cn->n", effect[0], effect[1])
    return variance, xy, together


def hidden_in_forces(hidden: Floats, turn: Singles) -> Singles:
    """Variance (..., 3, sample) [N2] that a wheel's forces which are not known bring into the rest.

    `hidden` (..., 3, 3) is their covariance in vehicle axes, also with known forces, `turn`
    (3, 3, sample) leads from there to others.  Where errors cancel nothing is taken off: the
    covariance is that of design height.
    """
    if not np.any(hidden):
        return np.zeros((*hidden.shape[:-1], 1), dtype=np.float32)
    single = hidden.astype(np.float32)
    variance = np.einsum("ijn,...jk,ikn->...in", turn, single, turn, optimize=True)
    return np.asarray(np.maximum(variance, 0.0))


def hidden_in_sums(prepared: Prepared, turn: Singles) -> Floats:
    """Variance (k, sample) [N2] that forces which are not known bring into the known sums.

    The gauges know a sum in the axes of the body; one in axes that are turned by roll and pitch
    takes in a little of what they do not know.
    """
    weights = prepared.sum_weights
    by_wheel = weights.reshape(len(weights), len(prepared.assembly.corners), 3)
    turned = np.einsum("kwi,ijn->kwjn", by_wheel, turn).reshape(*weights.shape, turn.shape[-1])
    level, body = (
        np.einsum("kin,ij,kjn->kn", rows, prepared.hidden, rows, optimize=True)
        for rows in (turned, weights[..., None])
    )
    return np.asarray(np.maximum(level - body, 0.0))
