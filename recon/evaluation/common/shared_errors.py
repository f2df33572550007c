"""Errors that runs have in common: where they cancel in a difference, and where they do not.

A cause of error keeps its value for one session, one calibration or one car.  Two runs share it if
they share that; then its effects are subtracted before they are squared.  The zero of a gauge is
shared by runs with the same tares, an error of the calibration by runs with the same calibration,
a misplaced hardpoint by runs with the same vehicle file.  A new gauged link, another mount or ride
height ends that, also where the files are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.evaluation.common.estimate import Estimate
from recon.records.forces import require_forces
from recon.records.provenance import recorded_inputs

SCOPES = ("session", "calibration", "car")
ENDS_CALIBRATION = ("gauged link", "mount")  # changes after which old pulls do not hold
ENDS_SHARING = (*ENDS_CALIBRATION, "ride height")
CHECKSUM = 64  # hexadecimal digits


@dataclass(frozen=True, slots=True)
class Sources:
    """Sources of the forces of one run by their names; equal words are the same thing.

    `ride` [m] is the mean travel of all wheels: by so much the car rode below design height.
    """

    calibration: str
    vehicle: str
    gauges: tuple[str, ...]
    tares: str
    log: str
    tied: bool = False  # an axle ties two wheels: its bar or beam is part of the calibration
    ride: float = float("nan")


@dataclass(frozen=True, slots=True)
class Measured:
    """Metrics of one run with their errors, and what these errors belong to.

    `cause` names the rows of `estimate.by_cause` that have a sign, `scope` says how long each keeps
    its value.
    """

    estimate: Estimate
    cause: tuple[str, ...]
    scope: tuple[str, ...]
    sources: Sources


def sources_of(forces: xr.Dataset) -> Sources:
    """Sources of a result by their checksums; where none was recorded, each run has its own."""
    require_forces(forces, "cause_name", "cause_scope")
    words = {key: str(forces.attrs.get(key, "")) for key in _ATTRIBUTES}
    log = words["log_checksum"]
    tares = [one.checksum for one in recorded_inputs(forces) if one.role == "tares"]
    return Sources(
        calibration=_calibration(words) or log,
        vehicle=words["vehicle_checksum"],
        gauges=tuple(sorted(map(str, forces["gauge"].to_numpy()))) if "gauge" in forces else (),
        tares=(tares or [""])[0] or log,
        log=log,
        tied=bool("partner" in forces and (forces["partner"].to_numpy() >= 0).any()),
        ride=float(forces["travel"].mean()) if "travel" in forces else float("nan"),
    )


_ATTRIBUTES = ("calibration_created", "calibration_sources", "vehicle_checksum", "log_checksum")


def _calibration(words: dict[str, str]) -> str:
    """Checksums of the files that a calibration was made from; they stay when it is made again."""
    parts = words["calibration_sources"].replace(";", " ").split()
    sums = sorted(part for part in parts if len(part) == CHECKSUM)
    return " ".join(sums) or words["calibration_created"]


def measured_of(estimate: Estimate, forces: xr.Dataset) -> Measured:
    """An estimate from the forces of a run, with its causes and sources."""
    cause, scope = (
        tuple(map(str, forces[name].to_numpy())) for name in ("cause_name", "cause_scope")
    )
    return Measured(estimate, cause, scope, sources_of(forces))


@dataclass(frozen=True, slots=True)
class Common:
    """Standard uncertainties (metric,) of an effect that its runs have in common, by origin."""

    session: Floats
    calibration: Floats  # with the geometry of the car
    loose: Floats

    @property
    def u(self) -> Floats:
        """Combined standard uncertainty (metric,) in the unit of each metric [1]."""
        return np.sqrt(self.session**2 + self.calibration**2 + self.loose**2)


def common_errors(
    runs: Sequence[Measured],
    weights: Floats,
    second: Floats,
    *,
    apart: bool,
    every_session: bool = False,
) -> Common:
    """Uncertainty that errors shared by runs bring into a weighted sum of their metrics.

    `weights` (run,) [1] are those of the sum, `second` (run,) is 1 for runs of the second set-up.
    If `apart`, the set-ups share neither calibration nor geometry, whatever the files say.  With
    `every_session`, errors of a session that holds one run alone count too: no scatter of runs
    shows them.
    """
    effects, scopes = _aligned(runs)
    by_scope = {}
    for scope in SCOPES:
        owners = _owners(runs, second, scope, apart=apart)
        of_scope = effects[:, [s == scope for s in scopes]]
        total = np.zeros(effects.shape[2])
        for owner in set(owners):
            mine = np.array([o == owner for o in owners])
            # A session of one run is new in every run: it is part of their scatter.
            if every_session or scope != "session" or mine.sum() > 1:
                total += np.sum(np.einsum("r,rcm->cm", weights[mine], of_scope[mine]) ** 2, axis=0)
        by_scope[scope] = total
    return Common(
        session=np.sqrt(by_scope["session"]),
        calibration=np.sqrt(by_scope["calibration"] + by_scope["car"]),
        loose=_loose(runs, weights, second),
    )


def rows_of_sum(runs: Sequence[Measured]) -> Floats:
    """Effects (row, metric) on the sum of the metrics of runs [unit of the metric].

    One row for each cause and each of its owners; errors without a sign are taken as common to
    all runs.
    """
    effects, scopes = _aligned(runs)
    rows = []
    for scope in SCOPES:
        owners = _owners(runs, np.zeros(len(runs)), scope, apart=False)
        of_scope = effects[:, [s == scope for s in scopes]]
        for owner in dict.fromkeys(owners):
            rows.append(of_scope[[o == owner for o in owners]].sum(axis=0))
    left = [run.estimate.by_cause[len(run.cause) :] for run in runs]
    loose = np.zeros((max(map(len, left)), effects.shape[2]))
    for own in left:
        loose[len(loose) - len(own) :] += own
    return np.concatenate([*rows, loose])


def _owners(
    runs: Sequence[Measured], second: Floats, scope: str, *, apart: bool
) -> list[tuple[object, ...]]:
    """Owner of the causes of a scope, run by run: a calibration, a vehicle, a pair of tares."""
    parted = apart and scope != "session"
    kept = {
        "session": lambda s: (s.tares,),
        "calibration": lambda s: (s.calibration, s.gauges),
        "car": lambda s: (s.vehicle, s.gauges),
    }[scope]
    return [
        (*kept(run.sources), side if parted else None)
        for run, side in zip(runs, second.tolist(), strict=True)
    ]


def _aligned(runs: Sequence[Measured]) -> tuple[Floats, list[str]]:
    """Effects (run, cause, metric) with one row for each cause that any run has, and scopes."""
    keys = [_numbered(run.cause) for run in runs]
    scopes: dict[tuple[str, int], str] = {}
    for run, own in zip(runs, keys, strict=True):
        scopes |= dict(zip(own, run.scope, strict=True))
    row = {key: k for k, key in enumerate(scopes)}
    metrics = len(runs[0].estimate.value)
    effects = np.zeros((len(runs), len(row), metrics))
    for r, (run, own) in enumerate(zip(runs, keys, strict=True)):
        effects[r, [row[key] for key in own]] = run.estimate.by_cause[: len(own)]
    return effects, list(scopes.values())


def _numbered(names: Sequence[str]) -> list[tuple[str, int]]:
    """Names with their number among equal names: causes are numbered by their order."""
    seen: dict[str, int] = {}
    out = []
    for name in names:
        seen[name] = seen.get(name, -1) + 1
        out.append((name, seen[name]))
    return out


def _loose(runs: Sequence[Measured], weights: Floats, second: Floats) -> Floats:
    """Errors without a sign: each is taken as common to the runs of its set-up, at its worst."""
    total = np.zeros(len(runs[0].estimate.value))
    for side in (0.0, 1.0):
        worst = np.zeros_like(total)
        for run, weight, own in zip(runs, weights.tolist(), second.tolist(), strict=True):
            if own == side:
                left = run.estimate.by_cause[len(run.cause) :]
                worst += abs(weight) * np.sqrt(np.sum(left**2, axis=0))
        total += worst**2
    return np.sqrt(total)
