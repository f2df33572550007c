"""Forces with the balance of the whole car: the third answer, beside gauges alone and the bound.

The forces F of all tyres with their joint covariance P, signs and shared causes included, meet the
rows A F = c with covariance U of `car_balance`.  By generalised least squares:

    F' = F + S (A P A' + U)^-1 (c - A F),        S = P A',        P' = P - S (...)^-1 S'       (1)

Only what is slow is compared, and the correction is slow: quicker than a few hertz nobody knows the
angular acceleration of the body.  Errors of the hubs' accelerations enter both sides alike, cancel
in the difference, and are no part of P.  Then Fz >= 0 is held for all wheels together, exactly.

Source: generalised least squares with exact and uncertain constraints, e.g. Rao, Linear
statistical inference and its applications, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import corner_names, stamped
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.base.threads import one_thread
from recon.conditioning.filters import low_pass
from recon.planning.unknowns import reference_of
from recon.reconstruction.inputs.samples import body_of, samples_of
from recon.reconstruction.prepare import Prepared
from recon.reconstruction.result.signed_errors import Loadings
from recon.reconstruction.solving.friction_limit import beyond_limit, limit_wheels
from recon.reconstruction.solving.fz_bound import TOUCHING, Bound, bound_wheels
from recon.reconstruction.solving.interval_limits import limits_of
from recon.reconstruction.whole_car.car_balance import (
    SLOW,
    CarBalance,
    Places,
    balance_of,
    motion_of,
    places_of,
)
from recon.records.forces import FORCES

GRID = 4 * SLOW  # Hz, at which gains are worked out; they change with the forces, slowly
BLOCK = 512  # samples at a time: all causes of all corners at once
UP = np.array([0.0, 0.0, 1.0])


def with_whole_car(
    prepared: Prepared,
    log: xr.Dataset,
    forces: xr.Dataset,
    *,
    bounded: bool = True,
    friction_limit: float | None = None,
) -> xr.Dataset:
    """Add the answer with whole-car rows to forces.

    `log` (elapsed_time, gauge) is the conditioned log from which `prepared.solve` made the
    `forces`. If `bounded`, Fz >= 0 holds; the horizontal force of each tyre is held to
    `friction_limit` times its Fz.

    Returns forces with `tyre_force_whole_car` (elapsed_time, corner, component) [N], its standard
    uncertainty and limits, and `whole_car_at_bound`; the attribute `whole_car_rows` names the rows
    used.

    Raises DataError: one of the four corners is not there, the body's acceleration is not logged,
    or the limit of friction makes no sense.
    """
    bound = Bound.of(bounded, friction_limit)
    found = corner_names(forces)
    if sorted(found) != sorted(CORNERS):
        raise DataError(
            str(log.attrs.get("path", "log")),
            f"forces of {', '.join(found)}",
            "all four corners, for the balance of the whole car",
            "Calibrate and log the other corners, or leave out --whole-car.",
        )
    with one_thread():
        state = CarState.of(prepared, log, forces)
        answer = _solve(state, bound)
    out = forces.assign(stamped(FORCES, answer))
    out.attrs["whole_car_rows"] = ", ".join(state.balance.rows)
    return out


@dataclass(frozen=True)
class CarState:
    """Everything that equation (1) needs, corners in the order of `CORNERS`.

    `force` (12, sample) [N] unbounded in tyre axes, zero where `lost` (12,) has no number;
    `variance` and `random` (12, sample) [N2] in tyre axes; `prior` (12,) [N2] of lost forces;
    `to_vehicle` (4, 3, 3, sample) from tyre axes; `kept` (cause,) are causes that do not act on
    both sides alike.
    """

    loadings: Loadings
    order: list[int]
    force: Floats
    variance: Floats
    random: Floats
    lost: NDArray[np.bool_]
    prior: Floats
    to_vehicle: Floats
    balance: CarBalance
    kept: NDArray[np.bool_]
    rate: float
    share: float

    @classmethod
    def of(cls, prepared: Prepared, log: xr.Dataset, forces: xr.Dataset) -> CarState:
        """The state of a drive: conditioned `log` and the `forces` that were solved from it."""
        car = prepared.car
        found = corner_names(forces)
        order = [found.index(c) for c in CORNERS]
        body = body_of(log, car, prepared.session, prepared.to_rack)
        given = [samples_of(log, car, solver, body) for solver in prepared.solvers]
        hubs = np.concatenate([own.hub for own in given]).reshape(4, 3, -1)[order]
        posed = [
            places_of(solver.assembly, own.travel, own.rack)
            for solver, own in zip(prepared.solvers, given, strict=True)
        ]
        places = Places(*(np.concatenate(of)[order] for of in zip(*posed, strict=True)))
        by_wheel = {
            name: np.moveaxis(forces[name].to_numpy()[:, order].astype(float), 0, -1)
            for name in ("tyre_force_unbounded", "u_tyre_force", "u_tyre_force_random",
                         "heading")
        }  # fmt: skip
        force = by_wheel["tyre_force_unbounded"].reshape(12, -1)
        lost = np.isnan(force).all(axis=1)
        usual = [reference_of(car, car.corners[c]).vertical for c in CORNERS]
        prior = np.where(lost, np.repeat(np.square(usual), 3), 0.0)
        force[lost] = 0.0
        random, variance = (
            by_wheel[n].reshape(12, -1) ** 2 for n in ("u_tyre_force_random", "u_tyre_force")
        )
        random[lost] = _fast(force, lost, prior, float(forces.attrs["rate_Hz"]))[lost, None]
        variance[lost] = random[lost] + prior[lost, None]
        names = [str(n) for n in forces["cause_name"].to_numpy()]
        bandwidth = min(float(forces.attrs["bandwidth_Hz"]), 0.5 * float(forces.attrs["rate_Hz"]))
        return cls(
            loadings=Loadings(forces),
            order=order,
            force=force,
            variance=variance,
            random=random,
            lost=lost,
            prior=prior,
            to_vehicle=_to_vehicle(by_wheel["heading"], body.turn),
            balance=_with_known_sums(
                balance_of(car, motion_of(log, hubs, places)), forces, order, body.turn
            ),
            kept=np.array(["acceleration" not in name for name in names]),
            rate=float(forces.attrs["rate_Hz"]),
            share=min(1.0, SLOW / bandwidth),
        )

    @property
    def grid(self) -> NDArray[np.int64]:
        """Samples (node,) at which gains are worked out, the last one among them."""
        last = self.force.shape[1] - 1
        step = max(1, round(self.rate / GRID))
        return np.unique(np.append(np.arange(0, last, step), last))

    def rows(self, at: NDArray[np.int64]) -> Floats:
        """Rows on forces in tyre axes (row, 12, at) [1 or m]."""
        by_wheel = self.balance.matrix[..., at].reshape(len(self.balance.rows), 4, 3, -1)
        turned = np.einsum("rwin,wijn->rwjn", by_wheel, self.to_vehicle[..., at])
        return turned.reshape(len(by_wheel), 12, -1)

    def effects(self, at: NDArray[np.int64], axes: str) -> Floats:
        """Effects (cause, 12, at) [N] of all causes, and of what leaves forces lost."""
        errors = [self.loadings.errors(k, at, axes) for k in self.order]
        out = np.concatenate([np.moveaxis(e, -1, 1) for e in errors], axis=1)
        out = np.nan_to_num(out)
        out[:, self.lost] = 0.0
        own = np.zeros((12, 12, len(at)))
        own[self.lost, self.lost] = np.sqrt(self.prior[self.lost])[:, None]
        return np.concatenate([out, own])


@dataclass(frozen=True, slots=True)
class Gain:
    """Of some samples, sample first: `gain` (sample, 12, row); `removed` (sample, 12, 12) [N2]."""

    gain: Floats
    removed: Floats


def gain_of(state: CarState, at: NDArray[np.int64]) -> Gain:
    """Equation (1) at the samples `at` (sample,), in N."""
    tyre, vehicle = state.effects(at, "tyre"), state.effects(at, "vehicle")
    kept = np.concatenate([state.kept, np.ones(len(tyre) - len(state.kept), dtype=bool)])
    matrix, rows = state.balance.matrix[..., at], state.rows(at)
    by_cause = np.einsum("rkn,ckn->crn", matrix, vehicle[kept])
    noise = state.share * state.random[:, at]
    shared = np.einsum("ckn,crn->nkr", tyre[kept], by_cause)
    shared += np.einsum("kn,rkn->nkr", noise, rows)
    given = state.balance.effects[..., at]
    variance = np.einsum("crn,csn->nrs", by_cause, by_cause)
    variance += np.einsum("rkn,kn,skn->nrs", rows, noise, rows, optimize=True)
    variance += np.einsum("crn,csn->nrs", given, given)
    gain = np.swapaxes(np.linalg.solve(variance, np.swapaxes(shared, 1, 2)), 1, 2)
    return Gain(gain, gain @ np.swapaxes(shared, 1, 2))


def _solve(state: CarState, bound: Bound) -> dict[str, NDArray]:
    n = state.force.shape[1]
    full = np.arange(n)
    apart = state.balance.given - _product(state.rows(full), state.force)
    slow = low_pass(apart.T, SLOW, state.rate).T if state.rate > 2 * SLOW else apart
    usable = np.isfinite(slow).all(axis=0)
    slow = np.where(usable, slow, 0.0)
    grid = state.grid
    force, u = state.force.copy(), np.empty_like(state.force)
    for start in range(0, len(grid), BLOCK):
        # One sample of the grid in common with the next block, so that no gap is left.
        nodes = grid[start : start + BLOCK + 1]
        if len(nodes) < 2:
            break
        found = gain_of(state, nodes)
        own = np.arange(nodes[0], nodes[-1] + (nodes[-1] == n - 1))
        weights = _Between.of(nodes, own)
        force[:, own] += _product(np.moveaxis(weights.mean(found.gain), 0, -1), slow[:, own])
        removed = weights.mean(np.diagonal(found.removed, axis1=1, axis2=2)).T
        u[:, own] = np.sqrt(np.maximum(state.variance[:, own] - removed, state.random[:, own]))
    force[:, ~usable], u[:, ~usable] = np.nan, np.nan
    return _bounded(state, force, u, bound)


@dataclass(frozen=True, slots=True)
class _Between:
    """Linear interpolation: sample i lies between nodes `left` and `left` + 1, by `share`."""

    left: NDArray[np.int64]
    share: Floats

    @classmethod
    def of(cls, nodes: NDArray[np.int64], samples: NDArray[np.int64]) -> _Between:
        left = np.minimum(np.searchsorted(nodes, samples, side="right") - 1, len(nodes) - 2)
        return cls(left, (samples - nodes[left]) / (nodes[left + 1] - nodes[left]))

    def mean(self, values: Floats) -> Floats:
        """Values at the nodes (node, ...) [any unit] at the samples (sample, ...)."""
        share = self.share.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray((1 - share) * values[self.left] + share * values[self.left + 1])


def _product(matrix: Floats, vector: Floats) -> Floats:
    """Matrices (row, column, sample) times vectors (column, sample)."""
    return np.asarray(np.einsum("rkn,kn->rn", matrix, vector))


def _bounded(state: CarState, force: Floats, u: Floats, bound: Bound) -> dict[str, NDArray]:
    free = force.reshape(4, 3, -1).transpose(2, 0, 1).copy()
    out, held = free.copy(), np.zeros(free.shape[:2], dtype=bool)
    over = free[..., 2] < 0
    if bound.friction < np.inf:
        over = beyond_limit(free, bound.friction)
    beyond = np.flatnonzero(over.any(axis=1) & bound.vertical)
    for start in range(0, len(beyond), BLOCK):
        at = beyond[start : start + BLOCK]
        out[at], held[at] = _held(free[at], _covariance(state, at), bound)
    u_wheels = u.reshape(4, 3, -1).transpose(2, 0, 1)
    lower, upper = limits_of(out, u_wheels, np.nan_to_num(free[..., 2]), bounded=bound.vertical)
    back = np.argsort(state.order)  # into the order of the file
    named = {
        "tyre_force_whole_car": out,
        "u_tyre_force_whole_car": u_wheels,
        "tyre_force_whole_car_lower": lower,
        "tyre_force_whole_car_upper": upper,
    }
    answer = {name: values[:, back].astype(np.float32) for name, values in named.items()}
    return answer | {"whole_car_at_bound": held[:, back].astype(np.int8)}


def _held(free: Floats, covariance: Floats, bound: Bound) -> tuple[Floats, NDArray[np.bool_]]:
    """Forces (at, 4, 3) [N] held to the bound, and the wheels (at, 4) that touch it."""
    if bound.friction < np.inf:
        out = limit_wheels(free, covariance, bound.friction).force
        left = bound.friction * out[..., 2] - np.hypot(out[..., 0], out[..., 1])
        return out, left < TOUCHING
    normal = np.broadcast_to(UP, (len(free), 3))
    out = bound_wheels(free, covariance, normal, np.ones(4, dtype=bool))
    held = out[..., 2] < TOUCHING
    out[..., 2][held] = 0.0  # exactly, not to rounding
    return out, held


def _covariance(state: CarState, at: NDArray[np.int64]) -> Floats:
    """P' (at, 12, 12) [N2] of equation (1), tyre axes."""
    tyre = state.effects(at, "tyre")
    found = np.einsum("ckn,cln->nkl", tyre, tyre) - gain_of(state, at).removed
    found[:, np.arange(12), np.arange(12)] += state.random[:, at].T
    return found


def _with_known_sums(
    balance: CarBalance, forces: xr.Dataset, order: list[int], turn: Floats
) -> CarBalance:
    """The balance with the sums that gauges know where they do not know the forces, as more rows.

    Their errors are taken as independent of those of the other forces.
    """
    if "known_sum" not in forces:
        return balance
    weight = forces["sum_weight"].to_numpy()[:, order]
    rows = np.einsum("kwi,ijn->kwjn", weight, turn).reshape(len(weight), 12, -1)
    value, u = (forces[n].to_numpy().T.astype(float) for n in ("sum_of_forces", "u_sum_of_forces"))
    laws = len(balance.rows)
    effects = np.zeros((len(balance.effects) + len(u), laws + len(u), u.shape[1]))
    effects[: len(balance.effects), :laws] = balance.effects
    for k, own in enumerate(u):
        effects[len(balance.effects) + k, laws + k] = own
    return CarBalance(
        np.concatenate([balance.matrix, rows]),
        np.concatenate([balance.given, value]),
        effects,
        (*balance.rows, *("known sum of a corner" for _ in u)),
    )


def _fast(force: Floats, lost: NDArray[np.bool_], prior: Floats, rate: float) -> Floats:
    """Variance (12,) [N2] of forces quicker than the correction, as those of the known wheels.

    The balance does not give it back where a force is lost.
    """
    quick = force - low_pass(force.T, SLOW, rate).T if rate > 2 * SLOW else np.zeros_like(force)
    size = np.where(lost, np.nan, np.nanmean(quick**2, axis=1)).reshape(4, 3)
    some = np.isfinite(size).any(axis=0)
    known = np.where(some, np.nanmax(np.where(some, size, 0.0), axis=0), 0.0)
    return np.where(np.tile(some, 4), np.tile(known, 4), prior)


def _to_vehicle(heading: Floats, turn: Floats) -> Floats:
    """Rotations (4, 3, 3, sample) [1] from the axes of each tyre into those of the vehicle."""
    c, s, nothing, one = np.cos(heading), np.sin(heading), 0 * heading, np.ones_like(heading)
    level = np.array([[c, -s, nothing], [s, c, nothing], [nothing, nothing, one]])
    return np.einsum("jin,jkwn->wikn", turn, level)
