"""Candidate gauges and unknowns of an assembly as a `Question`.

Candidates are all loads that a gauge can measure: links, springs, torsion, and the sections that
the vehicle file states.  Unknowns are six per wheel, with their priors, and the states of
self-stress that no stated compliance determines, which have no prior.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import MOMENT_ARM
from recon.car.vehicle import TWO_FORCE, Vehicle
from recon.mechanics.assembly import Assembly
from recon.mechanics.build_mechanism import load_arms
from recon.mechanics.live_axle import shaft_columns
from recon.mechanics.motion import posed
from recon.mechanics.statics import open_loads, road_columns
from recon.mechanics.structure import Mechanism
from recon.planning.knowledge import Question
from recon.planning.unknowns import OPEN_FORCE, UNKNOWNS, prior_u, reference_of, tyre_columns

FORCES = UNKNOWNS[:3]
SCALE = np.array([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM])
REPEATS = 1e-9  # of a row's size: a smaller difference from another row's direction is rounding


def question_of(
    car: Vehicle,
    assembly: Assembly,
    *,
    mode: str = "rolling",
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
    named: tuple[str, ...] = (),
) -> Question:
    """The question for one assembly whose hubs all pass what `mode` says.

    `noise` [N] is the standard uncertainty of each gauge's load; for moments, on an arm of
    `MOMENT_ARM`.  `travel` and `rack` [m], bump and left positive, are the same at all wheels.
    Loads of `named` become candidates even if they repeat another one, as the load of a spring
    behind a rocker repeats that of its push rod; loads that the file gauges always are.

    Raises DataError: the noise is not above zero, or the travel is outside the stated range.
    """
    at = posed(assembly, travel, rack)
    mechanism, corners = assembly.mechanism, assembly.corners
    references = [reference_of(car, c) for c in corners]
    loads, states = open_loads(at)
    inside = open_loads(at, inside=True)[0]
    arm = load_arms(mechanism)[:, None]
    splits = _basis(states)
    columns = _blocks([tyre_columns(car.tyre, r.vertical) for r in references])
    road = road_columns(at, hub_passes_spin=mode == "locked") @ columns
    shaft = shaft_columns(at, [mode == "rolling"] * len(corners))
    road[:, np.any(shaft, axis=0)] = 0.0
    rows = np.hstack([loads @ road + inside @ shaft, splits]) / arm
    on = _candidates(mechanism, rows, assembly.gauged, named)
    priors = [prior_u(c, car.tyre, r, mode) for c, r in zip(corners, references, strict=True)]
    return Question(
        rows=rows[list(on.values())],
        candidates=tuple(on),
        unknowns=(*assembly.per_wheel(UNKNOWNS), *_split_names(mechanism, splits)),
        prior=np.concatenate([*priors, np.full(splits.shape[1], OPEN_FORCE)]),
        noise=np.full(len(on), noise),
        forces=assembly.per_wheel(FORCES),
        scale=np.concatenate([*(SCALE for _ in corners), np.ones(splits.shape[1])]),
        where=f"{car.path or 'car'}, {assembly.title}",
    )


def channel_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """Name of each gauge from the load that it measures; repeats are numbered, 'arm (2)'."""
    return tuple(
        name if (count := names[:k].count(name)) == 0 else f"{name} ({count + 1})"
        for k, name in enumerate(names)
    )


def load_units(mechanism: Mechanism) -> tuple[str, ...]:
    """Unit of each load of `Mechanism.row_names`, 'N' or 'N m'."""
    return tuple("N m" if couple else "N" for couple in mechanism.moments)


def gaugeable(mechanism: Mechanism) -> tuple[str, ...]:
    """Names of all loads that a gauge can measure."""
    names = mechanism.row_names
    return tuple(names[r] for r in _places(mechanism))


def _places(mechanism: Mechanism) -> list[int]:
    """Rows that a gauge can measure: members first."""
    kinds = [mechanism.kinds[owner] for owner in mechanism.owner]
    kinds += ["section"] * len(mechanism.sections)
    can = [k for k, kind in enumerate(kinds) if kind in (*TWO_FORCE, "torsion", "section")]
    return [r for r in mechanism.members if r in can] + [
        r for r in can if r not in mechanism.members
    ]


def _candidates(
    mechanism: Mechanism, rows: Floats, gauged: tuple[str, ...], named: tuple[str, ...]
) -> dict[str, int]:
    """Name and row of each candidate: loads that a gauge can measure, then second bridges."""
    names = mechanism.row_names
    on: dict[str, int] = {}
    for r in _places(mechanism):
        asked = r in mechanism.members or names[r] in gauged or names[r] in named
        if asked or not _repeats(rows[r], rows[list(on.values())]):
            on[names[r]] = r
    for channel, name in zip(channel_names(gauged), gauged, strict=True):
        on.setdefault(channel, names.index(name))
    return on


def _repeats(row: Floats, others: Floats) -> bool:
    """True if a row is a multiple of one of the others, or zero."""
    size = np.linalg.norm(row)
    along = np.abs(others @ row) / np.maximum(np.linalg.norm(others, axis=1), REPEATS)
    return bool(np.any(along >= size * (1 - REPEATS)))


def _basis(states: Floats) -> Floats:
    """Independent states out of (row, k), each of unit size."""
    left, size, _ = np.linalg.svd(states, full_matrices=False)
    return np.asarray(left[:, size > REPEATS * max(float(np.max(size, initial=0.0)), REPEATS)])


def _split_names(mechanism: Mechanism, splits: Floats) -> list[str]:
    """Names of the open states of self-stress, from the supports whose loads they change."""
    own = splits[: len(mechanism.owner)]
    taking = np.any(np.abs(own) > REPEATS, axis=1)
    supports = [mechanism.supports[k] for k in np.unique(mechanism.owner[taking])]
    counts = [f" ({k + 1})" if k else "" for k in range(splits.shape[1])]
    return [f"split among {', '.join(supports)}{count}" for count in counts]


def _blocks(parts: list[Floats]) -> Floats:
    from scipy.linalg import block_diag

    return np.asarray(block_diag(*parts))
