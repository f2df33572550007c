"""A solved block in tyre, intermediate and vehicle axes: forces, uncertainties, limits.

Arrays (w, component, sample) in single precision.  Variances are turned by the heading with their
covariance of x and y; the body's roll and pitch are causes of the intermediate and tyre axes
only unless travels are calculated from them, and an error of the steer turns the tyre axes besides
moving the loads.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.status import BIT
from recon.reconstruction.estimator.sample_features import Features, Singles
from recon.reconstruction.estimator.session import Attitude
from recon.reconstruction.solving.interval_limits import limits_of
from recon.reconstruction.solving.solve import Solved
from recon.reconstruction.solving.solver import Solver
from recon.records.forces import AXES, PARTS

# Names of all that `in_axes` gives.
QUANTITIES = (
    *(f"tyre_force{axes}" for axes in AXES),
    *(f"u_tyre_force{axes}" for axes in AXES),
    *(f"u_tyre_force_{part}" for part in ("random", *PARTS)),
    "tyre_force_lower",
    "tyre_force_upper",
    "tyre_force_unbounded",
)


class Angle(NamedTuple):
    """Cosine and sine of the wheels' headings, (w, ..., sample)."""

    c: Singles
    s: Singles


class Squared(NamedTuple):
    """Squares of cosine and sine of the wheels' headings and twice their product, (w, sample)."""

    c: Singles
    s: Singles
    cross: Singles

    @classmethod
    def of(cls, angle: Angle) -> Squared:
        """Those of an angle."""
        return cls(angle.c**2, angle.s**2, 2 * angle.c * angle.s)


def in_axes(
    solver: Solver, block: Solved, attitude: Attitude, *, bounded: bool
) -> dict[str, Singles]:
    """Forces of the road on the tyre, their standard uncertainties and 95 % limits.

    Returns
    -------
    dict of name to (w, 3, sample)
        `QUANTITIES`, all in N.
    """
    angle = Angle(np.cos(block.heading), np.sin(block.heading))
    level = np.einsum("ijn,wjn->win", block.turn, block.force[:, :3])
    # Exactly zero in the axes in which the bound holds, not to rounding.
    level[:, 2][(block.status & BIT["bound_active"]) > 0] = 0.0
    free = np.einsum("ijn,wjn->win", block.turn, block.free)
    out = {
        "tyre_force_vehicle": block.force[:, :3],
        "tyre_force_intermediate": level,
        "tyre_force": _headed(level, angle),
        "tyre_force_unbounded": _headed(free, angle),
    }
    out |= _in_body(solver, block, attitude)
    out |= _in_tyres(solver, block, level, angle)
    force, u = (np.moveaxis(out[name], 1, -1) for name in ("tyre_force", "u_tyre_force"))
    ends = limits_of(force, u, free[:, 2], bounded=bounded)
    for name, end in zip(("lower", "upper"), ends, strict=True):
        out[f"tyre_force_{name}"] = np.moveaxis(end, -1, 1)
    return out


def known_sums(solver: Solver, block: Solved) -> tuple[Singles, Singles]:
    """Known sums of forces without the bound and their standard uncertainties, (k, sample) [N].

    Intermediate axes.
    """
    first = 3 * solver.outputs.wheels
    free = np.einsum("ijn,wjn->win", block.turn, block.free).reshape(first, -1)
    u = np.sqrt((block.whole + block.leak)[first:])
    return solver.outputs.weights @ free, u


def _in_body(solver: Solver, block: Solved, attitude: Attitude) -> dict[str, Singles]:
    """Standard uncertainties in vehicle and intermediate axes."""
    whole = _of_wheels(solver, block.whole)
    x, y, z = np.square(block.force[:, :3]).swapaxes(0, 1)
    roll, pitch = np.float32(attitude.u_roll**2), np.float32(attitude.u_pitch**2)
    turned = np.stack([pitch * z, roll * z, roll * y + pitch * x], axis=1)
    for cause, loads in zip(solver.leaning, block.leaning, strict=True):
        turned += 2 * _of_wheels(solver, loads) * _turned(cause.turned, block.force[:, :3])
    # Rounding could leave a difference below zero.
    body = np.maximum(whole - turned, _of_wheels(solver, block.random))
    if solver.outputs.lost:  # from the axes of a tied axle back into those of the body
        back = np.einsum("jin,jkn->ikn", block.turn, block.rest)
        body += _of_wheels(solver, solver.outputs.leak(back).astype(np.float32))
    leak = _of_wheels(solver, block.leak)
    return {
        "u_tyre_force_vehicle": np.sqrt(body),
        "u_tyre_force_intermediate": np.sqrt(whole + leak),
    }


def _in_tyres(solver: Solver, block: Solved, level: Singles, angle: Angle) -> dict[str, Singles]:
    """Standard uncertainties in tyre axes, in total and in the four parts."""
    squared = Squared.of(angle)
    total = _headed_variance(_of_wheels(solver, block.random), None, squared)
    out = {"u_tyre_force_random": np.sqrt(total)}
    for p, name in enumerate(PARTS):
        own = _of_wheels(solver, block.variance[p])
        variance = _headed_variance(own, block.xy[p], squared)
        if name == "assumption" and solver.outputs.lost:
            turn = np.broadcast_to(block.rest, (len(level), *block.rest.shape))
            variance += solver.outputs.leak_by_wheel(
                _headed(turn, Angle(angle.c[:, None], angle.s[:, None]))
            )
        for cause, loads in zip(solver.steering, block.steering, strict=True):
            if cause.part == name:
                turned = _turned(cause.steered, level, block.rack)
                variance += _headed(_of_wheels(solver, loads) + turned, angle) ** 2
        out[f"u_tyre_force_{name}"] = np.sqrt(variance)
        total += variance
    return out | {"u_tyre_force": np.sqrt(total)}


def _of_wheels(solver: Solver, outputs: Singles) -> Singles:
    """Rows (output, sample) of the forces, as (w, 3, sample)."""
    wheels = solver.outputs.wheels
    return outputs[: 3 * wheels].reshape(wheels, 3, -1)


def _turned(turn: Floats | None, force: Singles, rack: Singles | None = None) -> Singles:
    """Effect [N] on forces (w, 3, sample) of turning their axes by a cause (3 w, feature).

    `rack` (sample,) [1] is its shift over its scale, for a cause that turns axes in proportion.
    """
    assert turn is not None
    features = Features(len(force))
    out = np.zeros_like(force)
    for places, by in ((features.forces, 1.0), (features.by_rack, rack)):
        if by is not None and turn[:, places].any():
            own = [turn[3 * k : 3 * k + 3, places][:, 4 * k : 4 * k + 3] for k in range(len(force))]
            out += by * np.einsum("wij,wjn->win", np.array(own, dtype=np.float32), force)
    return out


def _headed(level: Singles, angle: Angle) -> Singles:
    """Intermediate to tyre axes, (w, 3, ..., sample)."""
    c, s = angle
    x, y, z = level[:, 0], level[:, 1], level[:, 2]
    return np.stack([c * x + s * y, c * y - s * x, z], axis=1)


def _headed_variance(variance: Singles, xy: Singles | None, by: Squared) -> Singles:
    """Variances (w, 3, sample) in tyre axes, with the covariance of x and y (w, sample)."""
    x, y, z = variance[:, 0], variance[:, 1], variance[:, 2]
    out = np.stack([by.c * x + by.s * y, by.c * y + by.s * x, z], axis=1)
    if xy is not None:
        cross = by.cross * xy
        out[:, 0] += cross
        out[:, 1] -= cross
        np.maximum(out[:, :2], 0.0, out=out[:, :2])
    return out
