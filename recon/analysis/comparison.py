"""Comparison of two set-ups by several runs each: effect, interval and verdict.

A run is one sample.  The effect is that of a linear model with blocks and covariates
(`evaluation.runs.linear_model`); its uncertainty has a part that more runs reduce, the scatter of
runs, and a part that they do not, errors that runs share (`evaluation.common.shared_errors`).
One metric is declared beforehand and decides; all others stand beside it, held to Holm's method.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import SEPARATOR, stamped
from recon.base.late import xr
from recon.base.public import public
from recon.evaluation.common.other_runs import refuse_doubted
from recon.evaluation.common.shared_errors import (
    Common,
    Measured,
    common_errors,
    measured_of,
    sources_of,
)
from recon.evaluation.runs.checks import (
    calibration_words,
    margin_of,
    refuse_missing,
    refuse_mixed,
    refuse_number,
    refuse_other_run,
    refuse_same_log,
    shares_nothing,
    too_few,
    without_calibration,
)
from recon.evaluation.runs.course import PLACES, UNITS, Course, same_course
from recon.evaluation.runs.design import TEMPERATURE, Blocked, design_of
from recon.evaluation.runs.equivalence_tests import Spread, holm
from recon.evaluation.runs.linear_model import Fitted, degrees_of, fitted, slope_of
from recon.evaluation.runs.metrics import (
    BY_NAME,
    METRICS,
    SHARES,
    RunValues,
    metric_named,
    run_values,
)
from recon.evaluation.runs.variables import COMPARISON, SOURCES
from recon.evaluation.runs.verdict import Row, row_of, verdict_of
from recon.records.run_list import RunList


@public
def compare_runs(
    runs: RunList,
    forces: Iterable[xr.Dataset],
    *,
    metric: str | None,
    margin: float | str | None = None,
) -> xr.Dataset:
    """Compare two set-ups by a metric that was declared beforehand.

    Parameters
    ----------
    runs : RunList
        As `read_run_list` returns it.
    forces : iterable of Dataset
        Result of `reconstruct` of each run, in the order of the list; one is held at a time.
    metric : str
        One of `recon.evaluation.runs.metrics.METRICS`: the metric that decides.
    margin : float or str, optional
        Difference that does not matter, in the unit of the metric, or "2%" of the first set-up.
        With it, set-ups can be found equivalent.

    Returns
    -------
    Dataset
        Along `metric`, the declared one first: `effect` of the second set-up against the first
        with `u_`, `_lower`, `_upper`, `verdict` and its `reason`; along `run` and `metric` the
        value of each run; `course` along sections that all runs have in common.

    Raises
    ------
    DataError
        No such metric or margin, a run lacks the metric or is doubted, one log is there twice,
        `forces` are not those of every run in the order of the list, calibrations are mixed within
        a set-up, or there are too few runs for blocks and covariates.
    """
    declared = metric_named(metric, runs.path).name
    margin_of(margin, runs.path)
    measured, values, sources = [], [], []
    for run, result in enumerate(forces):
        refuse_number(runs, run + 1, more=True)
        refuse_doubted(result, runs.where(run), "run", "remove its row")
        sources.append(sources_of(result))
        refuse_same_log(runs, sources)  # before the work, not after that of all runs
        refuse_other_run(runs, run, result)
        own = run_values(result)
        refuse_missing(runs, run, own, declared)
        values.append(own)
        measured.append(measured_of(own.estimate, result))
    refuse_number(runs, len(measured), more=False)
    given = _given(values, declared)
    not_given = [
        f"{name}: {why}" for name, why in _first_reasons(runs, values).items() if name not in given
    ]
    places = [list(BY_NAME).index(name) for name in given]
    some = [Measured(m.estimate.at(places), m.cause, m.scope, m.sources) for m in measured]
    answer = compared(runs, some, tuple(given), margin=margin)
    samples = np.array([own.samples[places] for own in values])
    profile = np.array([own.profile[places[0]] for own in values])
    arrays = {"samples": samples, "profile": profile, "share": SHARES}
    courses = same_course([own.course.get(declared) for own in values])
    more = answer.assign(stamped(COMPARISON, arrays | _of_courses(courses)))
    along = courses[0].kind if courses else ""
    unit = UNITS.get(along, "")
    return more.assign_attrs(
        not_given=SEPARATOR.join(not_given), course_along=along, course_unit=unit
    )


def _of_courses(courses: Sequence[Course]) -> dict[str, NDArray]:
    """Arrays of the declared metric along its sections, by name."""
    if not courses:
        return {}
    return {
        "section": np.array(courses[0].names, dtype=str),
        "place": PLACES,
        "course": np.array([course.values for course in courses]),
        "course_length": np.array([course.length for course in courses]),
    }


def _given(values: Sequence[RunValues], metric: str) -> list[str]:
    """Names of metrics that all runs have, the declared one first."""
    others = [m.name for m in METRICS if m.name != metric]
    return [metric, *(n for n in others if all(n not in own.missing for own in values))]


def _first_reasons(runs: RunList, values: Sequence[RunValues]) -> dict[str, str]:
    """Why a metric is not given, from the first run that lacks it."""
    out: dict[str, str] = {}
    for run, own in enumerate(values):
        for name, why in own.missing.items():
            out.setdefault(name, f"{why} ({runs.file[run]})")
    return out


@dataclass(frozen=True, slots=True)
class _Case:
    """Everything that the rows of the result are made of."""

    runs: RunList
    blocked: Blocked
    values: Floats  # (run, metric)
    common: Common
    against: tuple[str, ...]  # why nothing can be claimed
    margins: Floats  # (metric,), NaN where none was stated


def compared(
    runs: RunList,
    measured: Sequence[Measured],
    metrics: tuple[str, ...],
    *,
    margin: float | str | None = None,
) -> xr.Dataset:
    """Compare two set-ups by metrics that are already calculated, as `compare_runs` does.

    `measured` holds one estimate along `metrics` for each run; the first of these names decides.

    Raises DataError: one log is there twice, calibrations are mixed within a set-up, or there are
    too few runs for blocks and covariates.
    """
    sources = [run.sources for run in measured]
    refuse_same_log(runs, sources)
    refuse_mixed(runs, sources)
    blocked = design_of(runs)
    values = np.array([run.estimate.value for run in measured])
    against = (*blocked.confounded, *without_calibration(runs, sources))
    fits = [fitted(column, blocked.design) for column in values.T]
    if not against and fits[0].degrees < 1:
        raise too_few(runs, blocked)
    apart = shares_nothing(runs, sources)
    weights = np.nan_to_num(fits[0].weights)
    common = common_errors(measured, weights, blocked.design.second, apart=apart)
    means = _means(values, blocked.design.second)
    case = _Case(
        runs, blocked, values, common, against, _margins(margin, means[0], metrics, runs.path)
    )
    return _dataset(case, measured, metrics, fits)


def _means(values: Floats, second: Floats) -> Floats:
    """Mean of each set-up (set_up, metric), in the unit of each metric."""
    return np.array([values[second == side].mean(axis=0) for side in (0.0, 1.0)])


def _margins(
    margin: float | str | None, first: Floats, metrics: tuple[str, ...], where: str
) -> Floats:
    """Margin (metric,): a number holds for the declared metric alone, a percentage for all."""
    size, share = margin_of(margin, where)
    relative = np.array([BY_NAME[name].relative for name in metrics])
    if share and not relative[0]:
        raise DataError(
            where,
            f"a margin of {margin} for {metrics[0]}, which may be zero",
            f"a number in the unit of the metric ({BY_NAME[metrics[0]].unit})",
            "Give the largest difference that would not matter to you in that unit.",
        )
    if share:
        return np.where(relative, size * np.abs(first), np.nan)
    return np.where(np.arange(len(first)) == 0, size, np.nan)


def _row(case: _Case, fit: Fitted, k: int) -> Row:
    common = float(case.common.u[k])
    if case.against:  # a difference that may have another cause is no effect
        return Row(Spread(fit.u, fit.degrees, common), fit.scatter)
    values, margin = case.values[:, k], float(case.margins[k])
    return row_of(values, fit, case.blocked.design, common, margin)


def _dataset(
    case: _Case, measured: Sequence[Measured], metrics: tuple[str, ...], fits: Sequence[Fitted]
) -> xr.Dataset:
    rows = [_row(case, fit, k) for k, fit in enumerate(fits)]
    p_values = np.array([row.p_value for row in rows])
    # The declared metric stands alone; the others are a family of their own.
    p_counting = np.concatenate([p_values[:1], holm(p_values[1:])])
    verdicts = [
        verdict_of(row, p, BY_NAME[name].better, case.against)
        for row, p, name in zip(rows, p_counting, metrics, strict=True)
    ]
    verdict, reason = (np.array(words, dtype=str) for words in zip(*verdicts, strict=True))
    arrays = _effects(rows, case, metrics) | _of_runs(case, measured)
    arrays |= {"p_value_of_family": p_counting, "verdict": verdict, "reason": reason}
    facts = {
        "degrees_of_freedom": fits[0].degrees,
        "calibration": calibration_words(case.runs, [run.sources for run in measured]),
    }
    return xr.Dataset(
        stamped(COMPARISON, arrays),
        coords=stamped(COMPARISON, _labels(case, metrics)),
        attrs=_facts(case, metrics, str(verdict[0])) | facts,
    )


def _effects(rows: Sequence[Row], case: _Case, metrics: tuple[str, ...]) -> dict[str, Floats]:
    """Arrays (metric,) of everything that belongs to a metric, by name."""

    def of(function: Callable[[Row], float]) -> Floats:
        return np.array([function(row) for row in rows], dtype=float)

    effect, half = of(lambda r: r.effect), of(lambda r: r.half)
    known = np.where(np.isnan(effect), np.nan, 1.0)
    scatter = of(lambda r: r.scatter)
    means = np.abs(_means(case.values, case.blocked.design.second)).mean(axis=0)
    relative = [BY_NAME[name].relative for name in metrics]
    slopes = _temperature(case) if TEMPERATURE in case.blocked.design.covariates else {}
    return slopes | {
        "effect": effect,
        "u_effect": of(lambda r: r.spread.u) * known,
        "effect_lower": effect - half,
        "effect_upper": effect + half,
        "u_effect_runs": of(lambda r: r.spread.runs) * known,
        "u_effect_calibration": case.common.calibration * known,
        "u_effect_session": np.hypot(case.common.session, case.common.loose) * known,
        "p_value": of(lambda r: r.p_value),
        "p_value_exchange": of(lambda r: r.exchange.p_value if r.exchange else np.nan),
        "smallest_p_value_exchange": of(lambda r: r.exchange.smallest if r.exchange else np.nan),
        "margin": case.margins,
        "p_value_equivalence": of(lambda r: r.equivalence),
        "resolvable": of(lambda r: r.resolvable),
        "more_runs": of(lambda r: r.more),
        "scatter": scatter,
        "repeatability": scatter / np.where(relative, means, np.nan),
    }


def _temperature(case: _Case) -> dict[str, Floats]:
    """Arrays (metric,) of the change per kelvin of tyre temperature, hot against cold."""
    design = case.blocked.design
    pairs = [slope_of(column, design, TEMPERATURE) for column in case.values.T]
    slope, u = np.array(pairs, dtype=float).T
    half = np.array([Spread(one, degrees_of(design)).half() for one in u])
    return {
        "temperature_slope": slope,
        "u_temperature_slope": u,
        "temperature_slope_lower": slope - half,
        "temperature_slope_upper": slope + half,
    }


def _of_runs(case: _Case, measured: Sequence[Measured]) -> dict[str, NDArray]:
    """Arrays of everything that belongs to a run or a set-up, by name."""
    runs = case.runs
    return {
        "value": case.values,
        "u_value": np.array([run.estimate.u for run in measured]),
        "mean": _means(case.values, case.blocked.design.second),
        "run_file": np.array([str(file) for file in runs.file], dtype=str),
        "run_set_up": runs.set_up,
        "run_block": runs.block,
        "run_driver": runs.driver,
        "run_tyre_set": runs.tyre_set,
        "run_tyre_temperature": runs.tyre_temperature,
        "run_notes": runs.notes,
        **{
            f"run_{name}": np.array([getattr(run.sources, name) for run in measured], dtype=str)
            for name in SOURCES
        },
    }


def _labels(case: _Case, metrics: tuple[str, ...]) -> dict[str, NDArray]:
    return {
        "metric": np.array(metrics, dtype=str),
        "metric_unit": np.array([BY_NAME[name].unit for name in metrics], dtype=str),
        "metric_words": np.array([BY_NAME[name].words for name in metrics], dtype=str),
        "run": case.runs.order,
        "set_up": np.array(case.runs.set_ups, dtype=str),
    }


def _facts(case: _Case, metrics: tuple[str, ...], verdict: str) -> dict[str, Any]:
    first, second = case.runs.set_ups
    return {
        "title": f"Comparison of '{second}' with '{first}' by {metrics[0]}",
        "source": "reconstructed tyre forces of several runs",
        "institution": "not stated",
        "references": "JCGM 100:2008 for uncertainty; Schuirmann 1987 and Holm 1979 for tests",
        "comment": "a run is one sample; the first metric was declared beforehand and decides",
        "gate": BY_NAME[metrics[0]].words,
        "declared_metric": metrics[0],
        "sample_name": BY_NAME[metrics[0]].sample_name or metrics[0],
        "sample_unit": BY_NAME[metrics[0]].sample_unit or BY_NAME[metrics[0]].unit,
        "verdict": verdict,
        "model": SEPARATOR.join(case.blocked.words),
        "confounded": SEPARATOR.join(case.blocked.confounded),
        "assumed": SEPARATOR.join(case.runs.assumed),
        "not_given": "",
    }
