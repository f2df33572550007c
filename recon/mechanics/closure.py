"""Newton's method that closes the gaps of the supports at given travels and rack, for a batch.

With as many rows as motions the linear equations are solved directly.  If the rigid supports and
the travels outnumber the motions, supports with a stated compliance give way: their gaps,
weighted by stiffness, are minimised (Gauss-Newton) while all other gaps are closed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.mechanics.rows import Rows, idle_rows, lift_rows, rows_of
from recon.mechanics.structure import Mechanism, State, hubs_of

CLOSED = 1e-12  # m; gaps of a posed corner are smaller, a thousandth of an atom
MOST_STEPS = 25
RANK = 1e-9  # share of the largest singular value that is rounding
BINDS = 0.02  # m; rigid supports that miss by less bind, those that miss by more do not reach


def closed(mechanism: Mechanism, state: State, travels: Floats) -> State:
    """State with closed gaps at `travels` (..., wheel) [m], from the first guess `state`.

    Travels are the rise of each wheel centre from design height, bump positive.

    Raises VehicleError: the mechanism does not reach a pose or binds there; the message states
    travel and rack.
    """
    with np.errstate(all="ignore"):
        for _ in range(MOST_STEPS):
            step, gap = _step(mechanism, state, travels)
            still = np.max(np.abs(gap), axis=-1)
            if _is_yielding(mechanism):
                still = np.maximum(still, np.max(np.abs(step), axis=-1))
            if np.all(still < CLOSED):
                break
            state = _advanced(state, step)
        else:
            _, gap = _step(mechanism, state, travels)
    _require_closed(mechanism, state, gap, travels)
    return state


def _is_yielding(mechanism: Mechanism) -> bool:
    held = int(np.sum(~mechanism.free)) + len(mechanism.wheels) + len(mechanism.idle)
    return held > 6 * len(mechanism.bodies)


def _step(mechanism: Mechanism, state: State, travels: Floats) -> tuple[Floats, Floats]:
    """Next step (..., 6 * body) and the gaps that must close (..., row)."""
    rows = rows_of(mechanism, state)
    hubs = hubs_of(mechanism, state)
    yields = _yields(mechanism)
    held = ~rows.free & ~yields
    idle = idle_rows(mechanism, state.rotation)
    gradient = np.concatenate([rows.gradient[..., held, :], lift_rows(mechanism, hubs), idle], -2)
    rise = hubs[..., 2] - state.centres[..., 2] - travels
    gap = np.concatenate([rows.gap[..., held], rise, np.zeros(idle.shape[:-1])], axis=-1)
    try:
        if _is_yielding(mechanism):
            return _yielding(mechanism, rows, gradient, gap), gap
        step = np.linalg.solve(gradient, -gap[..., None])[..., 0]
    except np.linalg.LinAlgError:
        step = np.full((*gap.shape[:-1], gradient.shape[-1]), np.nan)
    return step, gap


def _yields(mechanism: Mechanism) -> NDArray[np.bool_]:
    """Mask (row,) of rigid rows that give way by a stated compliance, if any must."""
    if not _is_yielding(mechanism):
        return np.zeros_like(mechanism.free)
    return ~mechanism.free & (np.nan_to_num(mechanism.compliance) > 0)


def _yielding(mechanism: Mechanism, rows: Rows, gradient: Floats, gap: Floats) -> Floats:
    """Step that closes `gap` and minimises the gaps of yielding rows, weighted by stiffness."""
    yields = _yields(mechanism)
    inverse = np.linalg.pinv(gradient, rcond=RANK)
    exact = -(inverse @ gap[..., None])
    if not np.any(yields):
        return exact[..., 0]
    weight = 1.0 / np.sqrt(mechanism.compliance[yields])
    weight = (weight / np.max(weight))[:, None]
    soft, miss = weight * rows.gradient[..., yields, :], weight * rows.gap[..., yields, None]
    open_ = np.eye(gradient.shape[-1]) - inverse @ gradient
    rest = np.linalg.pinv(soft @ open_, rcond=RANK) @ (miss + soft @ exact)
    return (exact - open_ @ rest)[..., 0]


def _advanced(state: State, step: Floats) -> State:
    """State after twists about the reference point: first the rotation, then the shift."""
    twist = step.reshape(*step.shape[:-1], -1, 6)
    turn = rotation_matrix(twist[..., 3:])
    shift = np.einsum("...ij,...j->...i", turn, state.shift) + twist[..., :3]
    return replace(state, rotation=turn @ state.rotation, shift=shift)


def rotation_matrix(vector: Floats) -> Floats:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3) [rad].

    Source: Rodrigues' formula, from memory.
    """
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    x, y, z = np.moveaxis(vector, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack(
        [np.stack(r, axis=-1) for r in ((zero, -z, y), (z, zero, -x), (-y, x, zero))], axis=-2
    )
    # sinc keeps both factors smooth at zero angle.
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.eye(3) + first * cross + second * (cross @ cross)


def _require_closed(mechanism: Mechanism, state: State, gap: Floats, travels: Floats) -> None:
    worst = np.max(np.abs(gap), axis=-1)
    bad = ~(worst < 1e3 * CLOSED)
    if not np.any(bad):
        return
    binds = _is_yielding(mechanism) and bool(np.all(worst < BINDS))
    size = worst if binds else np.max(np.abs(travels), axis=-1)
    at = int(np.argmax(np.where(bad, size, -1.0)))
    stated = " and ".join(f"{1e3 * t:.1f}" for t in travels.reshape(-1, travels.shape[-1])[at])
    place = f"travel {stated} mm with the rack at {1e3 * state.rack.flat[at]:.1f} mm"
    if binds:
        names = ", ".join(_rigid(mechanism))
        raise VehicleError(
            where=mechanism.title,
            found=f"rigid supports bind by {1e3 * worst.flat[at]:.2f} mm at {place}",
            needed=f"a stated compliance of the supports that give way, among {names}",
            do="State compliance_mm_per_kN of the bushes or links that give way there.",
        )
    raise VehicleError(
        where=mechanism.title,
        found=f"the mechanism does not reach {place}",
        needed="supports that can follow the wheel over the stated ranges",
        do="Check the points of the links and of the rocker, or reduce travel_mm or rack_mm.",
    )


def _rigid(mechanism: Mechanism) -> list[str]:
    """Names of supports that neither give way nor have a stated compliance."""
    stiff = ~mechanism.free & ~_yields(mechanism)
    return list(dict.fromkeys(mechanism.supports[i] for i in mechanism.owner[stiff]))
