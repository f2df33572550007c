"""Equilibrium at a pose: loads of supports and sections from wrenches on the wheels.

With rows J of `rows_of` (elongation per motion), virtual work gives J' t = W, where t are loads,
tension positive, and W the wrenches on the bodies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.motion import Pose, WheelAt
from recon.mechanics.rows import idle_rows, lift_rows
from recon.mechanics.section_loads import cut, open_section_loads, section_loads
from recon.mechanics.structure import cross

STIFFENED = 1e-3  # of a spring's compliance: a spring that hardly gives
LEAST_LEVER = 0.05  # of a wheel's rise: a spring that hardly moves with it damps nothing


def load_matrix(at: Pose) -> Floats:
    """Loads of all rows per wrench about the wheel centres, (..., row, 6 * wheel), vehicle axes.

    The columns of each wheel are Fx, Fy, Fz [N per N] and Mx, My, Mz about the wheel centre [N per
    N m], acting on the body that carries the wheel.  Rows are those of `rows_of`, tension positive;
    torsion is a moment.  Loads that depend on a compliance that is not stated are NaN, see
    `Mechanism.redundant`.

    Raises VehicleError: the mechanism passes a dead centre; the message names corner and condition
    number.
    """
    return at.balance.known


def section_matrix(at: Pose) -> Floats:
    """Internal loads at the sections, (..., section, 6 * wheel).

    Columns are those of `load_matrix`: [N per N] for forces, [N per N m] for moments; loads of
    bending and torsion are in N m.
    """
    return section_loads(at.mechanism, at, at.balance)


def member_matrix(at: Pose) -> Floats:
    """Loads of `Mechanism.members`, (..., member, 6 * wheel).

    Columns are those of `load_matrix`: [N per N] for forces, [N per N m] for moments.
    """
    found = at.balance
    loads = found.known
    if at.mechanism.sections:
        cuts = section_loads(at.mechanism, at, found)
        loads = np.concatenate([loads, cuts], axis=-2)
    return loads[..., list(at.mechanism.members), :]


def inside_matrix(at: Pose) -> Floats:
    """`member_matrix` of loads that act on the wheels' bodies between their gauged sections.

    (..., member, 6 * wheel), units [N per N] and columns as there; a section of an axle sees
    nothing of them but what its links answer with.
    """
    mechanism = at.mechanism
    out = member_matrix(at)
    rows = len(mechanism.owner)
    cuts = [(k, m - rows) for k, m in enumerate(mechanism.members) if m >= rows]
    if cuts:
        out = out.copy()
    for k, section in cuts:
        out[..., k, :] -= cut(mechanism, at, at.balance.rows, section)[1]
    return out


def spring_share(at: Pose) -> Floats:
    """The part of `member_matrix` that exists only because springs give, (..., member, 6 * wheel).

    Units are those of `member_matrix` [N per N].  It is the load that a bar, a beam or
    over-constrained links carry beside the springs; zero where no load is shared.  If a twist or
    other rates share the same load differently, the loads change by a multiple of this.
    """
    mechanism = at.mechanism
    springs = np.array([mechanism.kinds[support] == "spring" for support in mechanism.owner])
    stiff = np.where(springs, STIFFENED, 1.0) * mechanism.compliance
    rigid = replace(at, mechanism=replace(mechanism, compliance=stiff))
    return member_matrix(at) - member_matrix(rigid)


def damper_loads(at: Pose) -> Floats:
    """`loads_by_dampers` of the members alone, (member, damper) [N per N]."""
    return loads_by_dampers(at)[list(at.mechanism.members)]


def loads_by_dampers(at: Pose) -> Floats:
    """Loads (row and section, damper) [N per N] by what a damper gives its wheel, at one pose.

    A spring that shares a load may have a damper on its line, or be one: no stated rate tells its
    force.  Springs and bars hold it against each other while no force of the road changes, which
    is a state of self-stress of least complementary energy; see `balance`.  There is none,
    (row and section, 0), where equilibrium alone determines all loads or a rate is not stated.
    """
    mechanism, found = at.mechanism, at.balance
    if not mechanism.shares_loads or np.any(found.unsplit):
        return np.zeros((len(mechanism.row_names), 0))
    springs = [r for r, own in enumerate(mechanism.owner) if mechanism.kinds[own] == "spring"]
    held = (found.stress * np.nan_to_num(mechanism.compliance)[:, None]).T
    loads = found.stress @ np.linalg.solve(held @ found.stress, held[:, springs])
    cuts = [cut(mechanism, at, found.rows, k)[0] @ loads for k in range(len(mechanism.sections))]
    loads = np.vstack([loads, *cuts])
    lever = _lever(at, springs)
    moves = lever > LEAST_LEVER
    return loads[:, moves] / lever[moves]


def _lever(at: Pose, springs: list[int]) -> Floats:
    """Largest change of length of each spring per rise of a wheel, (spring,) [1]."""
    rows, idle = at.balance.rows, idle_rows(at.mechanism, at.rotation)
    lift = lift_rows(at.mechanism, at.hubs)
    held = np.vstack([rows.gradient[~rows.free], idle, lift])
    motion = np.linalg.pinv(held)[:, -len(lift) :]
    return np.asarray(np.max(np.abs(rows.gradient[springs] @ motion), axis=1))


def open_loads(at: Pose, *, inside: bool = False) -> tuple[Floats, Floats]:
    """Loads of all rows and sections, with undetermined loads as free states instead of NaN.

    Loads (..., row and section, 6 * wheel) [N per N, N per N m] are those of `load_matrix` and
    `section_matrix`, one possible solution where compliances are missing; states of self-stress
    (..., row and section, k) may be added in any amount.  Loads `inside` act between the sections
    of an axle, see `inside_matrix`.
    """
    found = at.balance
    cuts, loose = open_section_loads(at.mechanism, at, found)
    if inside:
        for k in range(len(at.mechanism.sections)):
            cuts[..., k, :] -= cut(at.mechanism, at, found.rows, k)[1]
    return (
        np.concatenate([found.loads, cuts], axis=-2),
        np.concatenate([found.unsplit, loose], axis=-2),
    )


def road_columns(at: Pose, *, hub_passes_spin: bool | Sequence[bool]) -> Floats:
    """Wrench about the wheel centres per unit wrench at the contact centres.

    The columns of each wheel are Fx, Fy, Fz, Mx, T, Mz: force and moments of the road on the tyre
    about the contact centre, vehicle axes, and T, the moment that the hub passes to the upright
    about the spin axis.  If the hub passes spin (wheel held by an outboard brake, or locked), all
    moments of the road reach the upright and T is added to them; otherwise the upright gets only T
    about the spin axis.  `hub_passes_spin` is that of all wheels, or wheel by wheel.

    Rows of the result (..., 6 * wheel, 6 * wheel) are Fx, Fy, Fz [N] and Mx, My, Mz [N m] about
    each wheel centre.
    """
    passes = (
        [hub_passes_spin] * len(at.wheels) if isinstance(hub_passes_spin, bool) else hub_passes_spin
    )
    blocks = [
        _wheel_columns(w, hub_passes_spin=held) for w, held in zip(at.wheels, passes, strict=True)
    ]
    out = np.zeros((*blocks[0].shape[:-2], 6 * len(blocks), 6 * len(blocks)))
    for k, block in enumerate(blocks):
        out[..., 6 * k : 6 * k + 6, 6 * k : 6 * k + 6] = block
    return out


def _wheel_columns(at: WheelAt, *, hub_passes_spin: bool) -> Floats:
    arm = at.contact - at.hub
    out = np.zeros((*arm.shape[:-1], 6, 6))
    for k, unit in enumerate(np.eye(3)):
        out[..., k, k] = 1.0
        out[..., 3:, k] = cross(arm, unit)
    out[..., 3, 3] = 1.0
    out[..., 5, 5] = 1.0
    if not hub_passes_spin:
        out[..., 3:, :] = strip_spin(out[..., 3:, :], at.spin)
    out[..., 3:, 4] = at.spin
    return out


def strip_spin(moment: Floats, spin: Floats) -> Floats:
    """Moment columns (..., 3, column) without their part about the spin axis (..., 3)."""
    along = np.einsum("...i,...ij->...j", spin, moment)
    return moment - spin[..., :, None] * along[..., None, :]
