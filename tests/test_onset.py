"""A gauge that fails at one moment is named with that moment, and with nothing else beside."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from recon.examination.judge import Judge
from recon.examination.onset import onset
from recon.examination.term import Candidate, Term
from recon.examination.view import View
from tests.days import day
from tests.spoiled_days import GAUGES, Spoil, examined, sound

ELAPSED = day().log["elapsed_time"].to_numpy()
AT = int(0.43 * len(ELAPSED))
NEAR = 0.015  # s; three samples, over which the filter spreads a step


def jump(raw: np.ndarray) -> None:
    raw[AT:, 3] += 0.3 * np.ptp(raw[:, 3])


def open_input(raw: np.ndarray) -> None:
    raw[AT:, 3] = np.random.default_rng(2).normal(0.0, 1e-4, len(raw) - AT)


def open_input_of_a_gauge_whose_zero_drifts(raw: np.ndarray) -> None:
    """Tares before and after the drive differ, and so does what is subtracted from a constant."""
    open_input(raw)
    raw[AT:, 3] += np.linspace(0.0, 0.01, len(raw) - AT)


@pytest.mark.parametrize(
    ("spoil", "cause"),
    [
        (jump, "zero shifted"),
        (open_input, "noise alone"),
        (open_input_of_a_gauge_whose_zero_drifts, "noise alone"),
    ],
)
def test_the_start_of_an_abrupt_fault_is_that_of_its_samples(spoil: Spoil, cause: str) -> None:
    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == (cause, (GAUGES[3],))
    assert doubt.start == pytest.approx(ELAPSED[AT], abs=NEAR)
    assert f"It began at about {doubt.start:.1f} s." in doubt.do


def test_a_start_at_the_very_end_is_that_of_the_short_means() -> None:
    end = float(ELAPSED[-1])
    assert onset(sound(), GAUGES[0], end + 9.0) == end + 9.0


@pytest.mark.parametrize(("left", "more"), [(1.2, False), (2.0, True)])
def test_what_a_mend_hardly_leaves_is_no_second_fault(left: float, *, more: bool) -> None:
    """A mend takes off what was fitted, and other wheels were inferred from the spoiled one."""

    def viewed(size: float) -> View:
        return cast(View, SimpleNamespace(size=size, parts={}, start=0.0, end=9.0))

    def agree(view: View) -> tuple[Term, ...]:
        size = cast(SimpleNamespace, view).size
        return (Term("FL", ("FL",), "gauges", size, 10, 1.0, "They are off."),)

    cause = Candidate("inverted", ("FL",), ("a",), lambda _: viewed(left), "Look.")
    judge = Judge(tests=(agree,), proposals=(lambda _view, _corners: (cause,),))
    (doubt,) = judge.doubts(viewed(9.0), agree(viewed(9.0)))
    assert ("more than one fault" in doubt.do) == more
