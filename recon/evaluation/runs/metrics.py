"""Metrics of a run that depend little on its driver, each a plain function of forces.

They are few on purpose: a metric that is declared before the runs are looked at proves something,
the best of twenty proves nothing.  All of them hold for the whole run, so that one run gives one
number.  Levels are quantiles and not maxima, which grow with noise and with the length of a run.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.late import xr
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.estimate import Estimate, independent, stacked
from recon.evaluation.runs.course import Course, course_of, way_of
from recon.evaluation.sections.find_sections import Section, find_sections, sections_of
from recon.evaluation.slalom.rear_lag_errors import slalom_waves, weaving_of

BANDWIDTH = 3.0  # Hz: of turning and braking, below wheel hop; noise is small there
CORNERING = 0.5  # of the weight, sideways: below it a tyre's use is mostly noise
LEVEL = 0.95  # of the samples lie below the force that was demonstrated
LOADS = (0.5, 1.5)  # of a quarter of the weight: tyres that work there enter `force_at_load`
SENSITIVITY = 0.85  # exponent of grip over load; published 0.7 to 0.9, from memory
SHARES = np.linspace(0.05, 0.95, 19)  # of the samples, at which the profile of a run is kept
LAUNCH = 1.5  # s from the start
FEWEST = 20  # samples of a metric
MOST_SAMPLES = 1500  # of one run; more do not change a quantile at this bandwidth
FRONT, REAR = ("FL", "FR"), ("RL", "RR")


@dataclass(frozen=True, slots=True)
class Wheels:
    """Positions of the corners in an array of forces, and what metrics need of the car."""

    at: dict[str, int]
    load: float  # N, a quarter of the stated weight
    track: dict[str, float]  # m, of both axles; NaN where the file does not say

    def sum_of(self, force: Floats, names: Sequence[str], component: int) -> Floats:
        """Sum over some wheels, (sample,) [N], of forces (sample, corner, component) [N]."""
        return np.asarray(force[:, [self.at[name] for name in names], component].sum(axis=1))


Quantity = Callable[[Floats, Wheels], Floats]
Metric = Callable[[Floats, Wheels], float]


@dataclass(frozen=True, slots=True)
class RunMetric:
    """A metric of a run.

    `better` is +1 where more is better, 0 where neither direction is.  `kinds` are the sections
    whose samples enter, `corners` those that must be known.  `function` gives the metric from the
    forces of these samples, `quantity` the values of single samples (and wheels) that it sums up,
    where there are such, NaN where they do not count; `of_run` gives it from forces and sections of
    the whole run instead.  A metric that may be zero has no percentage: `relative` is false.
    `sample_name` and `sample_unit` are those of the quantity, where they are not the metric's own.
    """

    name: str
    unit: str
    better: int
    kinds: tuple[str, ...]
    corners: tuple[str, ...]
    function: Metric | None
    words: str
    quantity: Quantity | None = None
    relative: bool = True
    of_run: Callable[[xr.Dataset, xr.Dataset], Estimate | None] | None = None
    sample_name: str = ""
    sample_unit: str = ""


def _counting(values: Floats) -> Floats:
    """Values that passed the gate of their quantity, (sample,)."""
    return values[np.isfinite(values)]


def _level_of(quantity: Quantity) -> Metric:
    """Level that the quantity exceeds in 5 % of the samples."""

    def level(force: Floats, wheels: Wheels) -> float:
        values = _counting(quantity(force, wheels))
        return float(np.quantile(values, LEVEL)) if len(values) >= FEWEST else np.nan

    return level


def _mean_of(quantity: Quantity, scale: float = 1.0) -> Metric:
    def mean(force: Floats, wheels: Wheels) -> float:
        values = _counting(quantity(force, wheels))
        return scale * float(np.mean(values)) if len(values) >= FEWEST else np.nan

    return mean


def _turning(force: Floats, wheels: Wheels) -> NDArray[np.bool_]:
    side, load = (wheels.sum_of(force, CORNERS, c) for c in (1, 2))
    return np.asarray(np.abs(side) > CORNERING * load)


def _sideways_use(force: Floats, wheels: Wheels, names: Sequence[str] = CORNERS) -> Floats:
    """Lateral over vertical force of some wheels together, while the car turns, (sample,) [1]."""
    turning, use = _turning(force, wheels), np.full(len(force), np.nan)
    side, load = (wheels.sum_of(force, names, c)[turning] for c in (1, 2))
    use[turning] = np.abs(side) / load
    return use


def _use_difference(force: Floats, wheels: Wheels) -> Floats:
    front, rear = (_sideways_use(force, wheels, axle) for axle in (FRONT, REAR))
    return front - rear


def _lateral(axle: tuple[str, str]) -> Quantity:
    return lambda force, wheels: np.abs(wheels.sum_of(force, axle, 1))


def _force_at_load(force: Floats, wheels: Wheels) -> Floats:
    flat, load = np.hypot(force[..., 0], force[..., 1]), force[..., 2]
    low, high = (share * wheels.load for share in LOADS)
    inside, scaled = (load > low) & (load < high), np.full(load.shape, np.nan)
    scaled[inside] = flat[inside] * (load[inside] / wheels.load) ** -SENSITIVITY
    return scaled


def _transfer_share(force: Floats, wheels: Wheels) -> float:
    """Slopes of both axles' load transfer over the lateral force, times their tracks."""
    side, load = (wheels.sum_of(force, CORNERS, c) for c in (1, 2))
    if len(side) < FEWEST or np.ptp(side) < CORNERING * load.mean():
        return np.nan
    moment = []
    for left, right in (FRONT, REAR):
        transfer = force[:, wheels.at[right], 2] - force[:, wheels.at[left], 2]
        moment.append(np.polyfit(side, transfer, 1)[0] * wheels.track[left])
    return float(moment[0] / sum(moment))


def _braking_use(force: Floats, wheels: Wheels) -> Floats:
    return -wheels.sum_of(force, CORNERS, 0) / wheels.sum_of(force, CORNERS, 2)


def _brake_share(force: Floats, wheels: Wheels) -> float:
    front, every = (wheels.sum_of(force, names, 0).sum() for names in (FRONT, CORNERS))
    return float(front / every) if len(force) >= FEWEST else np.nan


def _forward(force: Floats, wheels: Wheels) -> Floats:
    return wheels.sum_of(force, CORNERS, 0)


def _rear_lag(forces: xr.Dataset, sections: xr.Dataset) -> Estimate | None:
    """Lag of the rear axle in the longest weave, None without two whole cycles in a row."""
    lateral = forces["tyre_force_intermediate"].to_numpy()[..., 1].astype(float)
    weaving = weaving_of(forces, slalom_waves(forces, np.nansum(lateral, axis=1), sections))
    return None if weaving is None else weaving.lag.at(0)


_TURNS, _STOPS, _STARTS = ("corner", "slalom"), ("straight braking",), ("launch",)
METRICS = (
    RunMetric(
        "cornering_force", "1", 1, _TURNS, CORNERS, _level_of(_sideways_use),
        "lateral over vertical force of all tyres, reached in 5 % of the cornering",
        _sideways_use,
    ),
    RunMetric(
        "force_at_load", "N", 1, _TURNS, CORNERS, _level_of(_force_at_load),
        "horizontal force of a tyre under a quarter of the stated weight, likewise in 5 % of it",
        _force_at_load,
    ),
    RunMetric(
        "front_lateral_force", "N", 1, _TURNS, FRONT, _level_of(_lateral(FRONT)),
        "lateral force of the front axle, reached in 5 % of the cornering",
        _lateral(FRONT),
    ),
    RunMetric(
        "rear_lateral_force", "N", 1, _TURNS, REAR, _level_of(_lateral(REAR)),
        "lateral force of the rear axle, reached in 5 % of the cornering",
        _lateral(REAR),
    ),
    RunMetric(
        "use_difference", "1", 0, _TURNS, CORNERS, _mean_of(_use_difference),
        "lateral over vertical force, front axle minus rear axle, mean of the cornering",
        _use_difference, relative=False,
    ),
    RunMetric(
        "front_transfer_share", "1", 0, _TURNS, CORNERS, _transfer_share,
        "share of the front axle in the lateral load transfer",
    ),
    RunMetric(
        "rear_lag", "s", 0, ("slalom",), CORNERS, None,
        "lag of the lateral force of the rear axle behind the front in a slalom",
        relative=False, of_run=_rear_lag,
    ),
    RunMetric(
        "braking_force", "1", 1, _STOPS, CORNERS, _level_of(_braking_use),
        "braking over vertical force of all tyres, reached in 5 % of the braking",
        _braking_use,
    ),
    RunMetric(
        "front_brake_share", "1", 0, _STOPS, CORNERS, _brake_share,
        "share of the front axle in the braking force",
    ),
    RunMetric(
        "launch_impulse", "N s", 1, _STARTS, CORNERS, _mean_of(_forward, LAUNCH),
        f"impulse of the forward force in the first {LAUNCH:g} s of a launch",
        _forward, sample_name="forward_force", sample_unit="N",
    ),
)  # fmt: skip
BY_NAME = {metric.name: metric for metric in METRICS}


def metric_named(name: str | None, where: str) -> RunMetric:
    """The metric with this name; `where` is used in the message.

    Raises DataError: there is none, or none was declared; the message lists all of them.
    """
    if name is None or name not in BY_NAME:
        raise DataError(
            where,
            "no metric declared" if name is None else f"no metric '{name}'",
            nearest(name or "", tuple(BY_NAME)),
            "Name the metric that decides, before you look at the others:"
            + "".join(f"\n      {m.name}: {m.words}" for m in METRICS),
        )
    return BY_NAME[name]


@dataclass(frozen=True, slots=True)
class RunValues:
    """Metrics of one run in the order of `METRICS`, NaN with a reason where there is none.

    `profile` (metric, share) holds the levels that the quantity of a metric exceeds in all but
    these `SHARES` of its samples, `course` the quantity along the sections by the metric's name.
    """

    estimate: Estimate
    samples: NDArray[np.int64]  # (metric,), that passed the gate
    missing: dict[str, str]  # name of a metric -> why the run has none
    profile: Floats
    course: dict[str, Course]


def run_values(forces: xr.Dataset, sections: xr.Dataset | None = None) -> RunValues:
    """Calculate every metric of a run with the signed errors of its fixed causes.

    Noise is left out: it is new in every run, and the scatter of the runs shows it.  `sections` are
    found if omitted.

    Raises DataError: the dataset is no result of the reconstruction.
    """
    found = find_sections(forces) if sections is None else sections
    wheels, known = _wheels(forces), _known(forces)
    values: dict[str, Estimate] = {}
    profile = dict.fromkeys(BY_NAME, np.full(len(SHARES), np.nan))
    samples, missing = dict.fromkeys(BY_NAME, 0), dict[str, str]()
    course = dict[str, Course]()
    for kinds in dict.fromkeys(metric.kinds for metric in METRICS):
        own = [metric for metric in METRICS if metric.kinds == kinds]
        inside = sections_of(found, *kinds)
        at = _samples(forces, inside, kinds)
        missing |= {m.name: why for m in own if (why := _obstacle(m, known, len(at)))}
        able = [metric for metric in own if metric.name not in missing and metric.function]
        for metric in own:
            if metric.of_run and metric.name not in missing:
                value = metric.of_run(forces, found)
                if value is None:
                    missing[metric.name] = "no two whole cycles of a slalom in a row"
                else:
                    values[metric.name], samples[metric.name] = value, len(at)
        if able:
            found_forces = Alternatives(forces, at, bandwidth=BANDWIDTH)
            estimate = _estimated(found_forces, able, wheels)
            way = way_of(forces, at, inside, by_time=kinds == _STARTS)
            for i, metric in enumerate(able):
                values[metric.name], samples[metric.name] = estimate.at(i), len(at)
                if metric.quantity:
                    quantity = metric.quantity(found_forces.best, wheels)
                    profile[metric.name] = _profile(quantity)
                    course[metric.name] = course_of(quantity, way)
    for name in [name for name, value in values.items() if np.isnan(value.value[0])]:
        missing[name] = f"too few samples, or too little force, in {_listed(BY_NAME[name])}"
        samples[name] = 0
    nothing = _nothing(next(iter(values.values()), None))
    every = [values.get(name, nothing) for name in BY_NAME]
    profiles, counts = (np.array(list(of.values())) for of in (profile, samples))
    return RunValues(stacked(*every), counts, missing, profiles, course)


def _known(forces: xr.Dataset) -> set[str]:
    """Corners of which all three forces are known for most of the run."""
    finite = np.isfinite(forces["tyre_force_intermediate"].to_numpy()).all(axis=2)
    names = forces["corner"].to_numpy().tolist()
    return {
        str(name) for name, share in zip(names, finite.mean(axis=0), strict=True) if share > 0.5
    }


def _wheels(forces: xr.Dataset) -> Wheels:
    at = {str(name): k for k, name in enumerate(forces["corner"].to_numpy())}
    load = float(forces["vehicle_mass"]) * STANDARD_GRAVITY / 4
    side, track = forces["contact_point"].to_numpy()[:, 1], dict.fromkeys(CORNERS, np.nan)
    for left, right in (FRONT, REAR):
        if left in at and right in at:
            track[left] = track[right] = float(side[at[left]] - side[at[right]])
    return Wheels(at, load, track)


def _samples(
    forces: xr.Dataset, sections: Sequence[Section], kinds: tuple[str, ...]
) -> NDArray[np.int64]:
    """Positions along `elapsed_time` that enter: of the start of launches, of whole other ones."""
    time = forces["elapsed_time"].to_numpy()
    parts = []
    for section in sections:
        end = section.start + LAUNCH if kinds == _STARTS else section.end
        if end <= section.end:
            inside = Section(section.name, section.kind, section.start, end).slice_of(time)
            parts.append(np.arange(len(time))[inside])
    at = np.unique(np.concatenate(parts)) if parts else np.empty(0, dtype=np.int64)
    finite = np.isfinite(forces["tyre_force_intermediate"].to_numpy()[at]).all(axis=2)
    at = at[finite[:, finite.any(axis=0)].all(axis=1)]
    return at[:: -(-len(at) // MOST_SAMPLES)] if len(at) else at


def _obstacle(metric: RunMetric, known: set[str], samples: int) -> str:
    """Why a run cannot have a metric, "" if nothing is in the way."""
    lacking = [name for name in metric.corners if name not in known]
    if lacking:
        return f"the forces of {', '.join(lacking)} are not known"
    if samples < FEWEST:
        return f"no {_listed(metric)} in the run"
    return ""


def _listed(metric: RunMetric) -> str:
    return " or ".join(metric.kinds)


def _estimated(
    alternatives: Alternatives, metrics: Sequence[RunMetric], wheels: Wheels
) -> Estimate:
    return alternatives.estimate(
        lambda force: np.array([m.function(force, wheels) for m in metrics if m.function])
    )


def _profile(quantity: Floats) -> Floats:
    """Levels (share,) of a quantity, in its unit; NaN where it has none."""
    values = _counting(quantity)
    return np.quantile(values, SHARES) if len(values) else np.full(len(SHARES), np.nan)


def _nothing(like: Estimate | None) -> Estimate:
    """No value, with as many causes as another estimate of the run has."""
    causes = 0 if like is None else len(like.by_cause)
    return independent(np.nan, 0.0, causes)
