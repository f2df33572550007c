"""Apply a prepared assembly to samples: forces, bound, variances in their parts.

Kernels on plain arrays; the sample axis stands last, so that every step runs along memory.  A
batch is one block of samples, so that memory stays bounded however long the log is.  Single
precision holds a force to a thousandth of a newton and halves the work; the bound, which has to
be exact, is solved in double precision.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.status import BIT
from recon.mechanics.assembly import axle_roll
from recon.mechanics.axes import attitude_matrix
from recon.reconstruction.estimator.sample_features import (
    Singles,
    Turns,
    features_of,
    joint_mode,
    modes_in_turn,
)
from recon.reconstruction.solving.friction_limit import beyond_limit, hold_within_limit
from recon.reconstruction.solving.fz_bound import Bound, hold_upward
from recon.reconstruction.solving.solver import Solver
from recon.reconstruction.solving.variance import late_effect, variances_of

BLOCK = 16384  # samples; fits in cache, measured best among powers of two
EXCESS_SHARE = 0.005  # of what a force exceeds the largest pull; common practice, no source
WITHIN_PULLS = 1.02  # of the largest pull; a force up to this is not beyond it
# Motion that folds into a slow log: half of what shows just below half the sampling rate, in so
# many seconds, if that is more than so many times the variance that noise alone may show there.
FOLDED, FOLDS_FOR, NOISE_MAY_SHOW = 0.5, 0.5, 3.0
SUSPECT = 3.0  # standard uncertainties below zero, with the suspension compressed


@dataclass(frozen=True, slots=True)
class Samples:
    """Inputs of one assembly of w wheels.

    `time` (sample,) [s], `indication` (gauge, sample), `quick` (gauge, sample) the part of it that
    may have folded, or (0, sample) if none may, `hub` (3 w, sample) specific force [m/s2],
    `shaking` (w, sample) [m2/s4] the square of what moves each hub up and down, `brake_torque`
    (w, sample) [N m], `brake_timing` (w, sample) [N m] its error by the clock of the pressure,
    `travel` (w, sample), `rack` (sample,) [m], `turn` (3, 3, sample) from vehicle into intermediate
    axes; `mode` (w, sample) of the hubs and `status` (w, sample), the flags that are known
    beforehand.
    """

    time: Floats
    indication: Floats
    quick: Floats
    hub: Floats
    shaking: Floats
    brake_torque: Floats
    brake_timing: Floats
    travel: Floats
    rack: Floats
    turn: Floats
    mode: NDArray[np.int64]
    status: NDArray[np.uint16]

    def block(self, part: slice | NDArray[np.int64]) -> Samples:
        """The samples of one block, or those at positions (sample,)."""
        return Samples(*(getattr(self, f)[..., part] for f in self.__dataclass_fields__))


@dataclass(frozen=True, slots=True)
class Solved:
    """One block of one assembly of w wheels, ready to be turned into the three axes.

    `force` (w, 4, sample) Fx, Fy, Fz, T and `free` (w, 3, sample) without the bound, vehicle axes;
    `turn` (3, 3, sample) into intermediate axes, and its `rest` beside the lean of a tied axle;
    `heading` (w, sample) [rad], `rack` (sample,) [1] its shift over its scale.  Of the outputs in
    intermediate axes: `random`, `leak` (output, sample), `variance` (part, output, sample) and
    `xy` (part, w, sample) [N2], `steering` and `leaning` (cause, output, sample) [N], see
    `variance`, `outputs`, `Solver.steering` and `Solver.leaning`.
    """

    force: Singles
    free: Singles
    turn: Singles
    rest: Singles
    heading: Singles
    rack: Singles
    random: Singles
    leak: Singles
    variance: Singles
    xy: Singles
    steering: list[Singles]
    leaning: list[Singles]
    status: NDArray[np.uint16]
    mode: NDArray[np.int64]
    travel: Floats

    @property
    def whole(self) -> Singles:
        """Variance (output, sample) [N2] in intermediate axes but for `leak`."""
        return sum((loads**2 for loads in self.steering), self.random + self.variance.sum(axis=0))


def solve_block(solver: Solver, samples: Samples, *, bound: Bound) -> Solved:
    """Forces and variances of one block, held to `bound`."""
    mode, turn = joint_mode(samples.mode), samples.turn.astype(np.float32)
    turns = modes_in_turn(mode)
    outputs, status = solver.outputs, samples.status.copy()
    lost = outputs.lost_of_wheels()
    status[lost.any(axis=1)] |= BIT["not_observable"]
    force, basis = forces_of(solver, samples, turns)
    free = force[:, :3].copy()
    vertical = np.einsum("wkn,kn->wn", free, turn[2])
    # The bound is evidence about a vertical force that gauges determine, and about no other.
    low = (vertical < 0.0) & ~lost[:, 2:]
    if bound.friction < np.inf and not lost.any():
        over = beyond_limit(np.einsum("ijn,wjn->nwi", turn, free), bound.friction)
        at = np.flatnonzero(over.any(axis=1))
        spread = _spread(solver, basis[:, at], mode[at])
        status[:, at] |= hold_within_limit(force, spread, samples.turn, at, bound.friction)
    elif bound.vertical and low.any():
        at = np.flatnonzero(low.any(axis=0))
        spread = _spread(solver, basis[:, at], mode[at])
        low[:, at] |= hold_upward(force, spread, turn[2], at, ~lost[:, 2])
        status[low] |= BIT["bound_active"]
    features = features_of(force, samples.travel, samples.rack, solver.scale)
    rack = (samples.rack / solver.scale[-1]).astype(np.float32)
    products = solver.squares.products.at(features, rack)
    variance, xy = variances_of(outputs, solver.squares, products, turns)
    beyond = beyond_pulls(force[:, :3], solver.force_reached[..., None].astype(np.float32))
    beyond[lost] = 0.0
    status[(beyond > 0).any(axis=1)] |= BIT["beyond_pulls"]
    excess = np.square(EXCESS_SHARE * beyond)
    variance[2, : 3 * outputs.wheels] += excess.reshape(3 * outputs.wheels, -1)
    rest = _beside_axle(solver, samples).astype(np.float32)
    out = Solved(
        force=force,
        free=free,
        turn=turn,
        rest=rest,
        heading=solver.table.heading.astype(np.float32) @ basis,
        rack=rack,
        random=_random(solver, samples, turns, force),
        leak=outputs.leak(rest).astype(np.float32),
        variance=variance,
        xy=xy,
        steering=[late_effect(outputs, cause, features, turns) for cause in solver.steering],
        leaning=[late_effect(outputs, cause, features, turns) for cause in solver.leaning],
        status=status,
        mode=samples.mode,
        travel=samples.travel,
    )
    if low.any():
        u = np.sqrt(out.whole + out.leak)[2 : 3 * outputs.wheels : 3]
        ends = np.array([[high] for _, high in solver.table.ranges[:-1]])
        compressed = samples.travel > 0.1 * ends
        status[low & (vertical < -SUSPECT * u) & compressed] |= BIT["zero_or_sign_suspect"]
    return out


def _beside_axle(solver: Solver, samples: Samples) -> NDArray:
    """Part (3, 3, sample) of turning into intermediate axes that a tied axle does not turn with.

    Its own lean is in the causes of forces that no gauge sees, see `every_cause`.
    """
    if solver.outputs.wheels == 1 or not solver.outputs.lost:
        return samples.turn
    roll = axle_roll(solver.assembly, samples.travel)
    axle = attitude_matrix(roll, np.zeros_like(roll))
    return np.einsum("ijn,nkj->ikn", samples.turn, axle)


def _random(solver: Solver, samples: Samples, turns: Turns, force: Singles) -> Singles:
    """Variance (output, sample) [N2] of single samples: noise, fast motion, the gauges' clock.

    Where a hub moves up and down, its acceleration is wrong by a share of what moves it, now up and
    now down: in wheel hop that is more than the noise of the gauges.
    """
    moved = samples.shaking.astype(np.float32)
    noise, hop = np.empty((2, len(solver.outputs.rows), moved.shape[1]), dtype=np.float32)
    for m, chosen in turns:
        noise[:, chosen] = solver.random[m].astype(np.float32)[:, None]
        hop[:, chosen] = np.square(solver.hub_gain[m]).astype(np.float32) @ moved[:, chosen]
    hop += noise
    clocks = _of_clock(solver, samples, force) + _of_brake_timing(solver, samples)
    return hop + _folded(solver, samples, noise) + clocks


def _folded(solver: Solver, samples: Samples, noise: Singles) -> Singles | float:
    """Variance (output, sample) [N2] by motion that is too fast for the log.

    `noise` (output, sample) [N2] is the variance by the noise of the sensors.
    """
    if not len(samples.quick) or len(samples.time) < 2:
        return 0.0
    from scipy.ndimage import uniform_filter1d

    per = forces_per_indication(solver, samples)
    force = np.einsum("wcgn,gn->wcn", per, samples.quick).reshape(-1, len(samples.time))
    width = max(round(FOLDS_FOR / float(np.median(np.diff(samples.time)))), 1)
    shown = uniform_filter1d(np.square(solver.outputs.rows @ force), width, axis=-1, mode="nearest")
    beyond = shown - NOISE_MAY_SHOW * noise
    return np.maximum(FOLDED * beyond, 0.0).astype(np.float32)


def _of_clock(solver: Solver, samples: Samples, force: Singles) -> Singles | float:
    """Variance (output, sample) [N2] by the clock of gauges that another logger recorded.

    What `force` (w, 4, sample) changes by in the time by which they may be early or late.
    """
    u = solver.session.u_clock
    if u == 0.0 or len(samples.time) < 2:
        return 0.0
    change = np.gradient(force[:, :3], samples.time, axis=-1).reshape(-1, len(samples.time))
    return np.square((u * solver.outputs.rows @ change).astype(np.float32))


def _of_brake_timing(solver: Solver, samples: Samples) -> Singles | float:
    """Variance (output, sample) [N2] by the clock of brakes that another logger recorded."""
    if not samples.brake_timing.any():
        return 0.0
    first = len(solver.gauges) + len(samples.hub)
    per = _forces_per(solver, samples, slice(first, first + len(samples.brake_timing)))
    force = per * samples.brake_timing.astype(np.float32)
    flat = np.moveaxis(force, 2, 0).reshape(force.shape[2], -1, force.shape[-1])
    return np.square(solver.outputs.rows.astype(np.float32) @ flat).sum(axis=0)


def beyond_pulls(force: NDArray, reached: Floats) -> NDArray:
    """Amount by which forces (..., 3) exceed the largest pull `reached` (..., 3), or zero [N]."""
    return np.asarray(np.maximum(np.abs(force) - WITHIN_PULLS * reached, 0.0))


def forces_of(
    solver: Solver, samples: Samples, turns: Turns | None = None
) -> tuple[Singles, Singles]:
    """Fx, Fy, Fz, T (w, 4, sample) without bounds, vehicle axes [N, N m], and the basis used.

    `turns` are the modes of the samples, where these are known already.
    """
    basis = solver.table.basis(samples.travel, samples.rack)
    wheels, n = samples.travel.shape
    given = (samples.indication, samples.hub, samples.brake_torque, np.ones((1, n)))
    inputs = np.concatenate(given, dtype=np.float32, casting="same_kind")
    out = np.empty((4 * wheels, n), dtype=np.float32)
    for m, chosen in turns or modes_in_turn(joint_mode(samples.mode)):
        x, table = inputs[:, chosen], solver.table.inputs[m]  # (input, 4 w, basis)
        flat = table.reshape(-1, table.shape[-1]).astype(np.float32) @ basis[:, chosen]
        out[:, chosen] = np.einsum("in,ion->on", x, flat.reshape(*table.shape[:2], -1))
    return out.reshape(wheels, 4, n), basis


def forces_per_indication(solver: Solver, samples: Samples) -> Singles:
    """Change of Fx, Fy, Fz per indication of each gauge, (w, 3, gauge, sample) [N/unit].

    Vehicle axes, without bounds; where the hubs are and what they do decide it.
    """
    return _forces_per(solver, samples, slice(len(solver.gauges)))


def _forces_per(solver: Solver, samples: Samples, inputs: slice) -> Singles:
    """The same per some of the inputs that `forces_of` has, (w, 3, input, sample)."""
    basis = solver.table.basis(samples.travel, samples.rack)
    wheels, n = samples.travel.shape
    out = np.empty((inputs.stop - (inputs.start or 0), 4 * wheels, n), dtype=np.float32)
    for m, chosen in modes_in_turn(joint_mode(samples.mode)):
        out[..., chosen] = solver.table.inputs[m][inputs].astype(np.float32) @ basis[:, chosen]
    return np.moveaxis(out.reshape(len(out), wheels, 4, n)[:, :, :3], 0, 2)


def _spread(solver: Solver, basis: Singles, mode: NDArray[np.int64]) -> Floats:
    """Covariance [N2] of the forces (sample, 3 w, 3 w) for the bound; `mode` is the joint one."""
    flat: Floats = np.einsum("bn,nkb->nk", basis, solver.table.spread[mode])
    size = round(flat.shape[1] ** 0.5)
    return flat.reshape(-1, size, size)
