"""Equilibrium of a posed mechanism: loads of all rows and sections per wrench on the wheels.

With rows J (elongation per motion), equilibrium reads J' t = W.  With more rows than motions,
states of self-stress N (J' N = 0) can be added to t without changing W.  The loads are then those
of least complementary energy: t0 + N x with the smallest t' C t, where C are the stated
compliances.  Loads that depend on a compliance that is not stated are NaN.

Source: principle of least work (Menabrea, Castigliano), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.car.vehicle import TWO_FORCE
from recon.mechanics.rows import Rows, idle_rows, lift_rows, rows_of
from recon.mechanics.structure import Mechanism, Redundant, State, cross, design_state, hubs_of

MOST_CONDITION = 1e9  # beyond it the supports hold nothing: a dead centre
TAKES_PART = 1e-9  # share of a state of self-stress below which a row is rounding
RIGID = 1e-14  # reciprocal condition below which stated compliances do not decide a split


@dataclass(frozen=True, slots=True)
class Balance:
    """Loads of the rows at a pose."""

    rows: Rows
    # (..., row, 6 * wheel) N per N or N m of a wrench about the wheel centres, tension positive.
    loads: Floats
    stress: Floats  # (..., row, k) states of self-stress
    unsplit: Floats  # (..., row, k), what no stated compliance determines of `stress`; else zero

    @property
    def known(self) -> Floats:
        """Loads (..., row, 6 * wheel) as `loads` [N per N], NaN where a split is not stated."""
        return hidden(self.loads, self.unsplit)


def balance(mechanism: Mechanism, state: State, wrench: Floats | None = None) -> Balance:
    """Loads of all rows per wrench about the wheel centres, for one state or a batch of them.

    `wrench` (..., 6 * body, column) [N, N m] are other loads on the bodies about the reference
    point, which then take the place of unit wrenches on the wheels.

    Raises VehicleError: the mechanism passes a dead centre, or all supports that share a load have
    compliance zero.
    """
    rows, hubs = rows_of(mechanism, state), hubs_of(mechanism, state)
    idle = idle_rows(mechanism, state.rotation)
    gradient = np.concatenate([rows.gradient, idle], axis=-2)
    wrench = _wrench(mechanism, hubs) if wrench is None else wrench
    transposed = np.swapaxes(gradient, -1, -2)
    n = rows.gap.shape[-1]
    _require_held(mechanism, transposed, hubs - state.centres)
    if gradient.shape[-2] == gradient.shape[-1]:
        loads = np.linalg.solve(transposed, wrench)[..., :n, :]
        none = np.zeros((*loads.shape[:-1], 0))
        return Balance(rows, loads, none, none)
    stress = _left_null(gradient)[..., :n, :]
    loads = (np.linalg.pinv(transposed) @ wrench)[..., :n, :]
    unstated = np.isnan(mechanism.compliance) & _needs_statement(mechanism, rows, idle, hubs)
    open_rows = _connected(stress, unstated)
    loads = _split(mechanism, loads, stress, open_rows)
    return Balance(rows, loads, stress, np.where(open_rows[..., None], stress, 0.0))


def _wrench(mechanism: Mechanism, hubs: Floats) -> Floats:
    """Unit wrenches about the wheel centres as wrenches on the bodies about the reference point."""
    wheels = mechanism.wheels
    out = np.zeros((*hubs.shape[:-2], 6 * len(mechanism.bodies), 6 * len(wheels)))
    for k, wheel in enumerate(wheels):
        b, c = 6 * wheel.body, 6 * k
        out[..., b : b + 6, c : c + 6] = np.eye(6)
        arm = hubs[..., k, :] - mechanism.reference
        for j in range(3):
            out[..., b + 3 : b + 6, c + j] = cross(arm, np.eye(3)[j])
    return out


def _require_held(mechanism: Mechanism, transposed: Floats, moved: Floats) -> None:
    """Refuse a dead centre; `moved` (..., wheel, xyz) is the way of each wheel centre [m]."""
    condition = np.linalg.cond(transposed)
    passed = not np.all(condition < MOST_CONDITION)
    if transposed.shape[-1] == transposed.shape[-2]:
        # Poses are connected: between two whose determinants differ in sign one of them is zero.
        passed |= np.ptp(np.linalg.slogdet(transposed)[0]) > 0
    if not passed:
        return
    worst = np.unravel_index(np.argmax(condition), condition.shape)
    held_by = np.abs(np.linalg.svd(transposed[worst])[2][-1])[: len(mechanism.owner)]
    lines = [mechanism.kinds[support] in TWO_FORCE for support in mechanism.owner]
    support = mechanism.owner[np.argmax(held_by * (lines if any(lines) else 1.0))]
    travels = " / ".join(f"{1e3 * z:.0f}" for z in moved[worst][:, 2])
    raise VehicleError(
        where=mechanism.title,
        found="the supports pass a dead centre, where they hold nothing up (near travel "
        f"{travels} mm, at {mechanism.supports[support]}; condition number up to "
        f"{np.max(condition):.1e})",
        needed="supports that hold the wheel at every travel and steer of the stated ranges",
        do="Check the points of this support, and of its rod or rocker, and the range travel_mm.",
    )


def _left_null(gradient: Floats) -> Floats:
    """Self-stress t with gradient' t = 0, (..., row, k); the rows must span all motions."""
    _, _, right = np.linalg.svd(np.swapaxes(gradient, -1, -2))
    return np.swapaxes(right[..., gradient.shape[-1] :, :], -1, -2)


def _needs_statement(mechanism: Mechanism, rows: Rows, idle: Floats, hubs: Floats) -> NDArray:
    """Mask (..., row) of the rows whose compliance affects how loads are shared.

    Springs always do.  Links count as rigid, as they do in posing, unless the rigid supports and
    the travels alone contradict each other.
    """
    held = ~rows.free
    lift = lift_rows(mechanism, hubs)
    fixed = np.concatenate([rows.gradient[..., held, :], lift, idle], axis=-2)
    needs = np.broadcast_to(rows.free, rows.gap.shape).copy()
    if fixed.shape[-2] > fixed.shape[-1]:
        part = np.max(np.abs(_left_null(fixed)), axis=-1)
        needs[..., held] = part[..., : int(held.sum())] > TAKES_PART
    return needs


def _connected(stress: Floats, unstated: NDArray) -> NDArray:
    """Mask (..., row) of rows that share a state of self-stress with one of `unstated`."""
    joined = np.abs(stress @ np.swapaxes(stress, -1, -2)) > TAKES_PART
    for _ in range(int(np.ceil(np.log2(joined.shape[-1])))):
        joined = (joined.astype(float) @ joined.astype(float)) > 0
    takes_part = np.max(np.abs(stress), axis=-1) > TAKES_PART
    return np.any(joined & (unstated & takes_part)[..., None, :], axis=-1)


def _split(mechanism: Mechanism, loads: Floats, stress: Floats, open_rows: NDArray) -> Floats:
    """Loads of least complementary energy; open groups, hidden later, get any compliance."""
    compliance = np.where(open_rows, 1.0, np.nan_to_num(mechanism.compliance))
    largest = np.max(compliance, axis=-1)[..., None]
    scale = np.where(largest > 0, largest, 1.0)
    weighted = np.swapaxes(stress, -1, -2) * (compliance / scale)[..., None, :]
    energy = weighted @ stress
    weakest = np.linalg.eigvalsh(energy)[..., 0]
    if not np.all(weakest > RIGID):
        taking = np.any(np.abs(stress) > TAKES_PART, axis=-1).reshape(-1, stress.shape[-2])
        names = dict.fromkeys(
            mechanism.supports[mechanism.owner[r]] for r in np.flatnonzero(taking.any(axis=0))
        )
        raise VehicleError(
            where=mechanism.title,
            found=f"a compliance of 0 for all of {', '.join(names)}, which share the load",
            needed="at least one of them above 0",
            do="State compliance_mm_per_kN of the bushes or links that give way.",
        )
    return loads - stress @ np.linalg.solve(energy, weighted @ loads)


def hidden(loads: Floats, unsplit: Floats) -> Floats:
    """`loads` (..., row, wrench) with NaN in rows that `unsplit` (..., row, k) changes."""
    depends = np.any(np.abs(unsplit) > TAKES_PART, axis=-1)
    return np.where(depends[..., None], np.nan, loads)


def redundant_groups(mechanism: Mechanism) -> tuple[Redundant, ...]:
    """Groups of supports that share a load, at design height, in a way that nobody stated."""
    state = design_state(mechanism)
    hubs = hubs_of(mechanism, state)
    found = balance(mechanism, state)
    if not np.any(found.unsplit):
        return ()
    rows, idle = found.rows, idle_rows(mechanism, state.rotation)
    open_rows = np.any(np.abs(found.unsplit) > TAKES_PART, axis=-1)
    unstated = np.isnan(mechanism.compliance) & _needs_statement(mechanism, rows, idle, hubs)
    joined = np.abs(found.unsplit @ found.unsplit.T) > TAKES_PART
    for _ in range(len(joined)):
        joined = joined | ((joined.astype(float) @ joined.astype(float)) > 0)
    groups = {tuple(np.flatnonzero(joined[r]).tolist()) for r in np.flatnonzero(open_rows)}
    owner = mechanism.owner

    spring = np.array([mechanism.kinds[i] == "spring" for i in owner])

    def names(chosen: list[int]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(mechanism.supports[owner[r]] for r in chosen))

    def group_of(rows: list[int]) -> Redundant:
        open_ones = [r for r in rows if unstated[r]]
        return Redundant(names(rows), names(open_ones), names([r for r in open_ones if spring[r]]))

    return tuple(group_of(list(g)) for g in sorted(groups))
