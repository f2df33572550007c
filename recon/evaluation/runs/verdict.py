"""The verdict on a metric: better, worse, different, equivalent, not resolved, not comparable."""

from __future__ import annotations

from dataclasses import dataclass

from recon.base.arrays import Floats
from recon.evaluation.runs.equivalence_tests import (
    LEVEL,
    Exchange,
    Spread,
    exchange_test,
    more_runs,
)
from recon.evaluation.runs.linear_model import Design, Fitted

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Row:
    """Everything that is said of one metric, in its own unit; NaN where it is not known."""

    spread: Spread
    scatter: float  # standard deviation of one run
    effect: float = NAN
    half: float = NAN  # half width of the 95 % interval
    p_value: float = NAN
    exchange: Exchange | None = None
    equivalence: float = NAN
    resolvable: float = NAN
    more: float = NAN  # further runs of each set-up that would resolve an effect of this size


def row_of(values: Floats, fit: Fitted, design: Design, common: float, margin: float) -> Row:
    """Tests of one metric with `values` (run,) in its unit [1], to which the model was `fit`.

    In the unit of the metric, `common` is the standard uncertainty that the runs of a set-up have
    in common, and `margin` the largest difference that does not matter, NaN if none was stated.
    """
    spread = Spread(fit.u, fit.degrees, common)
    of_each = int(min(design.second.sum(), design.runs - design.second.sum()))
    more = more_runs(spread, of_each, fit.effect)
    return Row(
        spread=spread,
        scatter=fit.scatter,
        effect=fit.effect,
        half=spread.half(),
        p_value=spread.p_value(fit.effect),
        exchange=exchange_test(values, design),
        equivalence=spread.equivalence(fit.effect, margin) if margin > 0 else NAN,
        resolvable=spread.resolvable(),
        more=NAN if more is None else more,
    )


def verdict_of(row: Row, p_value: float, better: int, against: tuple[str, ...]) -> tuple[str, str]:
    """The verdict on a metric and its reason.

    `p_value` is the one that counts among several metrics; `better` is +1 where more is better and
    0 where neither direction is; `against` says why nothing can be claimed.
    """
    if against:
        return "not comparable", ". Also: ".join(against)
    if p_value <= LEVEL:
        word = "different" if better == 0 else "better" if row.effect * better > 0 else "worse"
        return word, "the 95 % interval leaves out zero"
    if row.equivalence <= LEVEL:
        return "equivalent", "the 90 % interval lies within the stated margin"
    if row.p_value <= LEVEL:
        return "not resolved", (
            "its own 95 % interval leaves out zero, but among so many metrics chance alone gives "
            "such an effect too often (Holm)"
        )
    return "not resolved", "the 95 % interval holds zero"
