"""What a set of gauges can and cannot know, before anything is bonded.

In: a corner and the members that would be gauged.  Out: rank, the weak combination in words,
the uncertainty of each force for a stated noise and the stated priors, what is lost with each
gauge and won with each further one.  Assumes axial gauges of unit slope without cross-talk;
a calibration changes the figures by a few percent, not the picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import VehicleError, nearest
from recon.car.mechanism import mechanism_of
from recon.car.motion import pose_corner
from recon.car.statics import member_matrix, road_columns
from recon.car.unknowns import MODES, UNKNOWNS, prior_u, reference_of, tyre_columns

if TYPE_CHECKING:
    from recon.car.vehicle import Vehicle

Floats = NDArray[np.float64]
MOMENT_ARM = 0.1  # m; columns of moments are scaled by it, 1 N on that arm counts as 1 N
RANK_SHARE = 1e-6  # singular values below this share of the largest are rounding
NOT_KNOWN = 1000.0  # N; a third of a light car's wheel load: no better known is not known
FORCES = UNKNOWNS[:3]


@dataclass(frozen=True, slots=True)
class Observability:
    """What one set of gauges knows of one corner.

    `singular_values` (6,) of the gauges' map with scaled columns, `rank` how many are not
    rounding; `weak` the combination of unknowns that the gauges see least, in words; `u` by
    mode (Fx, Fy, Fz) [N]; `bias` by omitted unknown (Fx, Fy, Fz) [N] at its typical size;
    `without` by gauged member and `with_` by bare member, u of the forces [N] in the mode
    `rolling`, best first; `lost` the forces that are not known, `known` what is known of them
    together, `cure` the further gauge that helps most (empty where no member is bare).
    """

    corner: str
    gauged: tuple[str, ...]
    noise: float
    rank: int
    singular_values: Floats
    weak: str
    u: dict[str, Floats]
    bias: dict[str, Floats]
    without: dict[str, Floats]
    with_: dict[str, Floats]
    lost: tuple[str, ...]
    known: str
    cure: str


def observe(
    car: Vehicle,
    corner: str,
    *,
    gauged: tuple[str, ...] | None = None,
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
) -> Observability:
    """Judge a set of gauged members of one corner.

    Parameters
    ----------
    car : Vehicle
    corner : str
    gauged : tuple of str, optional
        Members that carry a gauge; those of the vehicle file unless stated.
    noise : float
        Standard uncertainty of each gauge's member load. [N]
    travel, rack : float
        Pose, bump and left positive. [m]

    Returns
    -------
    Observability

    Raises
    ------
    VehicleError
        A named member does not hold the upright; the nearest is offered.

    References
    ----------
    .. [1] Generalised least squares with priors as pseudo-observations; from memory.
    """
    described = car.corners[corner]
    mechanism = mechanism_of(described)
    members = mechanism.member_names
    chosen = tuple(g.member for g in described.gauges) if gauged is None else gauged
    for name in chosen:
        if name not in members:
            raise VehicleError(
                where=f"{car.path or 'car'}, corner {corner}",
                found=f"a gauge on '{name}'",
                needed=nearest(name, members),
                do="Name members that hold the upright.",
            )
    at = pose_corner(described, travel, rack)
    reference = reference_of(car, described)
    columns = tyre_columns(car.tyre, reference.vertical)
    loads = {
        mode: member_matrix(at) @ road_columns(at, hub_passes_spin=mode == "locked") @ columns
        for mode in MODES
    }
    priors = {mode: prior_u(described, car.tyre, reference, mode) for mode in MODES}

    def judged(names: tuple[str, ...], mode: str) -> Floats:
        rows = loads[mode][[members.index(n) for n in names]]
        return _covariance(rows, noise, priors[mode])

    covariance = judged(chosen, "rolling")
    rows = loads["rolling"][[members.index(n) for n in chosen]]
    values, weak = _weakest(rows)
    bare = [m for m in members if m not in chosen]
    won = {m: np.sqrt(np.diag(judged((*chosen, m), "rolling"))[:3]) for m in bare}
    won = dict(sorted(won.items(), key=lambda item: float(np.max(item[1]))))
    lost, known = _lost(covariance)
    return Observability(
        corner=corner,
        gauged=chosen,
        noise=noise,
        rank=int(np.sum(values > RANK_SHARE * values[0])),
        singular_values=values,
        weak=weak,
        u={mode: np.sqrt(np.diag(judged(chosen, mode))[:3]) for mode in MODES},
        bias=_biases(rows, noise, priors["rolling"]),
        without={
            g: np.sqrt(np.diag(judged(tuple(n for n in chosen if n != g), "rolling"))[:3])
            for g in dict.fromkeys(chosen)
        },
        with_=won,
        lost=lost,
        known=known,
        cure=_cure(lost, won),
    )


def _covariance(rows: Floats, noise: float, u: Floats) -> Floats:
    """Covariance (6, 6) of the unknowns from unit-slope gauges and priors."""
    # Unknowns in units of their priors: the open prior of a force is as wide as 100 kN.
    scaled = rows * u / noise
    return np.asarray(np.linalg.inv(scaled.T @ scaled + np.eye(6)) * np.outer(u, u))


def _weakest(rows: Floats) -> tuple[Floats, str]:
    """Singular values (6,) with scaled columns and the least seen combination in words."""
    scale = np.array([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM])
    _, found, directions = np.linalg.svd(rows * scale)
    values = np.zeros(6)
    values[: len(found)] = found
    return values, in_words(directions[-1], UNKNOWNS)


def in_words(direction: Floats, names: tuple[str, ...]) -> str:
    """A combination as a phrase: 'Fz rising with Mx falling'."""
    order = np.argsort(-np.abs(direction))
    lead = np.sign(direction[order[0]])
    words = [f"{names[order[0]]} rising"]
    for k in order[1:3]:
        if abs(direction[k]) > 0.35:
            words.append(f"{names[k]} {'rising' if direction[k] * lead > 0 else 'falling'}")
    return " with ".join(words) if len(words) > 1 else f"{names[order[0]]} alone"


def _biases(rows: Floats, noise: float, u: Floats) -> dict[str, Floats]:
    """Shift of the forces [N] if a moment is left out, at its prior's standard uncertainty."""
    out = {}
    for k, name in enumerate(UNKNOWNS):
        if name in FORCES:
            continue
        without = u.copy()
        without[k] = 1e-6 * u[k]
        covariance = _covariance(rows, noise, without)
        shift = covariance @ rows.T @ (rows[:, k] * u[k]) / noise**2
        out[name] = np.asarray(shift[:3])
    return out


def _lost(covariance: Floats) -> tuple[tuple[str, ...], str]:
    """Forces that are not known, and the best known combination of them in words."""
    u = np.sqrt(np.diag(covariance)[:3])
    lost = tuple(name for name, value in zip(FORCES, u, strict=True) if value > NOT_KNOWN)
    if len(lost) < 2:
        return lost, ""
    at = [FORCES.index(name) for name in lost]
    values, vectors = np.linalg.eigh(covariance[np.ix_(at, at)])
    if np.sqrt(values[0]) > NOT_KNOWN:
        return lost, ""
    parts = " ".join(
        f"{weight:+.2f} {name}" for weight, name in zip(vectors[:, 0], lost, strict=True)
    )
    return lost, f"{parts} is known to {np.sqrt(values[0]):.0f} N"


def _cure(lost: tuple[str, ...], won: dict[str, Floats]) -> str:
    """The single further gauge that helps most, the first that finds everything lost."""
    at = [FORCES.index(name) for name in lost]
    enough = [member for member, u in won.items() if np.all(u[at] < NOT_KNOWN)]
    best = enough or list(won)
    return f"gauge {best[0]}" if best else ""
