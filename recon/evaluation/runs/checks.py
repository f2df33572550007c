"""Checks of runs before they are compared: order, one log twice, calibrations that do not hold."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from recon.base.errors import DataError
from recon.base.late import xr
from recon.evaluation.common.other_runs import COUNTS_TWICE, same_log
from recon.evaluation.common.shared_errors import ENDS_CALIBRATION, ENDS_SHARING, Sources
from recon.evaluation.runs.design import Blocked, bar_spoken_of, suspected
from recon.evaluation.runs.metrics import BY_NAME, RunValues
from recon.records.run_list import NOT_STATED, RunList

PERCENT = "%"
RIDE = 0.004  # m, of the mean travel; common practice, no source
_IN_ORDER = (
    "the forces of every run, in the order in which the runs were driven",
    "Read them as [recon.read_result(file) for file in runs.file].",
)


def margin_of(margin: float | str | None, where: str) -> tuple[float, bool]:
    """Size of a margin and whether it is a share of the first set-up; NaN if none was stated.

    Raises DataError: it is no number above zero.
    """
    if margin is None:
        return float("nan"), False
    text = str(margin).strip()
    share = text.endswith(PERCENT)
    try:
        size = float(text.removesuffix(PERCENT)) / (100 if share else 1)
    except ValueError:
        size = float("nan")
    if not 0 < size < float("inf"):
        raise DataError(
            where,
            f"margin '{margin}'",
            "a number above 0 in the unit of the metric, or a percentage such as '2%'",
            "Give the largest difference that would not matter to you, or leave it out.",
        )
    return size, share


def refuse_number(runs: RunList, given: int, *, more: bool) -> None:
    """Refuse more forces than runs and, unless `more` may follow, fewer.

    Raises DataError: there are `given` forces and another number of runs.
    """
    wanted = len(runs.file)
    if given > wanted or (given < wanted and not more):
        number = "more" if given > wanted else f"{given}, fewer"
        raise DataError(runs.path, f"forces of {number} than the {wanted} runs", *_IN_ORDER)


def refuse_other_run(runs: RunList, run: int, forces: xr.Dataset) -> None:
    """Refuse forces that were read from the file of another run of the list.

    Raises DataError: they are of another run.
    """
    source = forces.encoding.get("source")
    files = [file.resolve() for file in runs.file]
    read = Path(str(source)).resolve()
    if source and read in files and read != files[run]:
        raise DataError(runs.where(run), f"forces read from {source}", *_IN_ORDER)


def refuse_missing(runs: RunList, run: int, values: RunValues, metric: str) -> None:
    """Refuse a run that lacks the declared metric.

    Raises DataError: it has none; the message says why, and which metrics the run has.
    """
    if metric in values.missing:
        have = ", ".join(name for name in BY_NAME if name not in values.missing) or "none"
        raise DataError(
            runs.where(run),
            f"no {metric} in this run: {values.missing[metric]}",
            f"a run with the declared metric; this one has {have}",
            "Declare a metric that all runs have, or remove the row.",
        )


def refuse_same_log(runs: RunList, sources: Sequence[Sources]) -> None:
    """Refuse a log that stands for two runs.

    Raises DataError: two results were made from one log.
    """
    first: dict[str, int] = {}
    for run, own in enumerate(sources):
        if own.log and own.log in first:
            earlier, do = runs.where(first[own.log]), f"Remove the row: {COUNTS_TWICE}"
            raise same_log(runs.where(run), earlier, "a log of its own for each run", do)
        first[own.log] = run


def refuse_mixed(runs: RunList, sources: Sequence[Sources]) -> None:
    """Refuse runs of one set-up with several calibrations.

    Raises DataError: a run has another calibration than the first one of its set-up.
    """
    for name in runs.set_ups:
        own = [run for run in range(len(sources)) if runs.set_up[run] == name]
        for run in own:
            if sources[run].calibration != sources[own[0]].calibration:
                raise DataError(
                    runs.where(run),
                    f"another calibration than {runs.where(own[0])}, although both are "
                    f"set-up '{name}'",
                    "one calibration for all runs of a set-up",
                    "Reconstruct the runs again with one calibration.",
                )


def without_calibration(runs: RunList, sources: Sequence[Sources]) -> tuple[str, ...]:
    """Why forces of the two set-ups cannot be compared at all: a change without calibration."""
    if len({own.calibration for own in sources}) > 1:
        return ()
    second = runs.set_ups[1]
    cure = f"pull the car again with '{second}' and reconstruct its runs with that calibration"
    if runs.changed_by in ENDS_CALIBRATION:
        return (
            f"'{second}' changed a {runs.changed_by}, but its forces were calculated with the "
            f"calibration of before, which does not hold for it; {cure}",
        )
    if word := suspected(runs):
        return (
            f"'{word}' stands in the run list: if '{second}' changed a gauged link or its mount, "
            "the calibration of before does not hold; write into the column changed what was "
            f"changed ('nothing gauged' if so), or {cure}",
        )
    return ()


def lowered(runs: RunList, sources: Sequence[Sources]) -> float:
    """Mean travel [m] by which the second set-up rides lower than the first, 0 where it is little.

    Fuel and wind change it less than `RIDE`.
    """
    rides = np.array([own.ride for own in sources])
    first, second = (float(rides[np.array(runs.set_up) == name].mean()) for name in runs.set_ups)
    return second - first if abs(second - first) > RIDE else 0.0


def shares_nothing(runs: RunList, sources: Sequence[Sources]) -> bool:
    """Whether errors of calibration and geometry of both set-ups differ, whatever the files say."""
    return runs.changed_by in ENDS_SHARING or lowered(runs, sources) != 0.0


def calibration_words(runs: RunList, sources: Sequence[Sources]) -> str:
    """Whether errors of calibration and geometry cancel between the set-ups, and why."""
    if runs.changed_by in ENDS_SHARING:
        return (
            f"a {runs.changed_by} changed: the errors of calibration and geometry of both set-ups "
            "enter in full"
        )
    if by := lowered(runs, sources):
        way = "lower" if by > 0 else "higher"
        return (
            f"'{runs.set_ups[1]}' rides {1e3 * abs(by):.0f} mm {way} in the mean, as its travels "
            "show: the errors of calibration and geometry of both set-ups enter in full; write "
            "'ride height' into the column changed, or look for a zero of the travels that moved"
        )
    for of, words in (
        ("calibration", "each set-up has a calibration of its own: both enter in full"),
        ("gauges", "the set-ups have different gauges: both calibrations enter in full"),
        ("vehicle", "the vehicle files differ: the errors of their geometry enter in full"),
    ):
        if len({getattr(own, of) for own in sources}) > 1:
            return words
    stated = "" if runs.changed_by != NOT_STATED else ", as far as the run list says"
    same = f"calibration and gauges are the same{stated}: their common error cancels"
    word = bar_spoken_of(runs) if any(own.tied for own in sources) else ""
    if not word:
        return same
    return (
        f"{same}; '{word}' stands in the run list: where the bar ties two wheels in the vehicle "
        "file, its rate is part of the calibration, and another bar needs one of its own"
    )


def too_few(runs: RunList, blocked: Blocked) -> DataError:
    """The error where blocks and covariates take up all runs."""
    named = ", ".join(blocked.design.covariates) or "no covariate"
    return DataError(
        runs.path,
        f"{blocked.design.runs} runs in {blocked.design.blocks.shape[1]} blocks with {named}: "
        "nothing is left to show how much runs scatter",
        "more runs than blocks, covariates and set-ups together",
        "Drive more runs, make blocks larger (A B B A), or leave out a column.",
    )
