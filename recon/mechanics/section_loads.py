"""Loads at gauged sections of bodies (axial, shear, bending, torsion) per wrench on the wheels.

The load at a section is the sum of all loads that act on its outer side, about its station.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.mechanics.balance import Balance, hidden
from recon.mechanics.rows import Rows, rows_of
from recon.mechanics.structure import (
    INNER,
    OUTER,
    Mechanism,
    Section,
    State,
    cross,
    design_state,
    hubs_of,
    moved_point,
)


def section_loads(mechanism: Mechanism, state: State, found: Balance) -> Floats:
    """Internal loads at the sections per wrench about the wheel centres.

    The shape is (..., section, 6 * wheel).
    The load at a cut is the sum of all loads that act on its outer side: axial and shear [N per N,
    N per N m], bending and torsion [N m per N, N m per N m].  NaN where a compliance is missing.
    """
    return hidden(*open_section_loads(mechanism, state, found))


def open_section_loads(mechanism: Mechanism, state: State, found: Balance) -> tuple[Floats, Floats]:
    """`section_loads` with nothing hidden, and the loads of each state of `found.unsplit`.

    Returns
    -------
    loads : (..., section, 6 * wheel)
    loose : (..., section, k)
    """
    count = len(mechanism.sections)
    loads = np.zeros((*found.loads.shape[:-2], count, found.loads.shape[-1]))
    loose = np.zeros((*found.loads.shape[:-2], count, found.unsplit.shape[-1]))
    for k in range(count):
        by_rows, by_wheels = cut(mechanism, state, found.rows, k)
        loads[..., k, :] = (by_rows[..., None, :] @ found.loads)[..., 0, :] + by_wheels
        loose[..., k, :] = (by_rows[..., None, :] @ found.unsplit)[..., 0, :]
    return loads, loose


def cut(mechanism: Mechanism, state: State, rows: Rows, k: int) -> tuple[Floats, Floats]:
    """Load at section `k` per load of each row (..., row) and per wrench (..., 6 * wheel)."""
    section = mechanism.sections[k]
    rotation = state.rotation[..., section.body, :, :]
    shift = state.shift[..., section.body, :]
    hubs = hubs_of(mechanism, state)
    station = moved_point(mechanism, rotation, shift, section.station)
    # Force and moment about the station that the section measures, as one covector.
    force, moment = np.zeros(3), np.zeros(3)
    if section.measures == "axial":
        force = section.along
    elif section.measures == "shear":
        force = section.across
    elif section.measures == "torsion":
        moment = section.along
    else:
        moment = cross(section.across, section.along)
    force, moment = rotation @ force, rotation @ moment
    beyond = rows_beyond(mechanism, section)
    b = 6 * section.body
    arm = mechanism.reference - station
    about = np.concatenate([force + cross(moment, arm), moment], axis=-1)
    by_rows = -np.einsum("...rj,...j->...r", rows.gradient[..., b : b + 6], about)
    by_rows = np.where(beyond, by_rows, 0.0)
    by_wheels = np.zeros((*station.shape[:-1], 6 * len(mechanism.wheels)))
    for w, wheel in enumerate(mechanism.wheels):
        if wheel.body == section.body and _is_beyond(section, wheel.centre):
            lever = hubs[..., w, :] - station
            by_wheels[..., 6 * w : 6 * w + 3] = force + cross(moment, lever)
            by_wheels[..., 6 * w + 3 : 6 * w + 6] = moment
    return by_rows, by_wheels


def _is_beyond(section: Section, point: Floats) -> bool:
    return bool(np.dot(point - section.station, section.along) > 0)


def rows_beyond(mechanism: Mechanism, section: Section) -> NDArray[np.bool_]:
    """Mask (row,) of rows that act on the outer side of the section's body, at design height."""
    rows = rows_of(mechanism, design_state(mechanism))
    out = np.zeros(len(rows.support), dtype=bool)
    for end, bodies in ((OUTER, mechanism.outer_body), (INNER, mechanism.inner_body)):
        for r in np.flatnonzero(bodies[rows.support] == section.body):
            out[r] |= _is_beyond(section, rows.place[r, end])
    return out
