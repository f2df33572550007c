"""Causes are weighed by all comparisons, hopeless ones no longer than it takes to see that."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import partial
from types import SimpleNamespace
from typing import cast

import pytest

from recon.base.doubt import Doubt
from recon.examination.judge import Judge
from recon.examination.term import Candidate, Term
from recon.examination.view import View

COMPARISONS = 9


def viewed(size: float, *_: View) -> View:
    """A drive all of whose comparisons have one size."""
    return cast(View, SimpleNamespace(size=size, parts={}, start=0.0, end=9.0))


def judged(*left: float) -> tuple[Doubt, Counter[float]]:
    """The doubt about a drive with causes that leave such sizes, how often each was compared."""
    compared: Counter[float] = Counter()

    def agree(view: View) -> Iterator[Term]:
        size = cast(SimpleNamespace, view).size
        for k in range(COMPARISONS):
            compared[size] += 1
            yield Term("FL", ("FL",), f"comparison {k}", size, 10, 1.0, "They are off.")

    causes = [
        Candidate("inverted", ("FL",), (str(size),), partial(viewed, size), "Look.")
        for size in left
    ]
    judge = Judge(tests=(agree,), proposals=(lambda _view, _corners: causes,))
    (doubt,) = judge.doubts(viewed(9.0), tuple(agree(viewed(9.0))))
    return doubt, compared


def test_a_hopeless_cause_is_not_compared_to_the_end() -> None:
    doubt, compared = judged(0.5, 90.0)
    assert 0 < compared[90.0] < COMPARISONS
    alone, _ = judged(0.5)
    assert (doubt.channels, doubt.do) == (alone.channels, alone.do) == (("0.5",), "Look.")
    assert doubt.probability == pytest.approx(alone.probability, abs=1e-12)


@pytest.mark.parametrize("order", [(0.5, 0.51), (0.51, 0.5)])
def test_a_rival_is_compared_to_the_end_and_named(order: tuple[float, float]) -> None:
    doubt, compared = judged(*order)
    assert compared[0.51] == COMPARISONS
    assert doubt.channels == ("0.5",)
    assert doubt.do.startswith("Look. ")
    assert "inverted (0.51)" in doubt.do
