"""A calibration in words: numbers that are none are told as such."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.report.calibration import calibration_summary
from tests.days import day


@pytest.mark.parametrize(
    ("smallest", "told"),
    [
        (0.0, "condition not finite (a direction is not pulled at all)"),
        (1e-12, "condition not finite (a direction is not pulled at all)"),
        (0.25, "condition 8.0,"),
    ],
)
def test_a_condition_number_without_end_is_told_in_words(smallest: float, told: str) -> None:
    whole = day().calibration
    values = np.array([2.0, 1.5, 1.0, 0.9, 0.8, smallest])
    one = replace(whole.corners["FL"], singular_values=values)
    (line,) = (
        line
        for line in calibration_summary(replace(whole, corners={"FL": one}), day().car)
        if line.startswith("FL: ")
    )
    assert told in line
    assert len(line) < 260


def test_agreement_that_nothing_can_tell_is_told_in_words() -> None:
    whole = day().calibration
    one = replace(whole.corners["RR"], lack_of_fit=np.nan)
    lines = calibration_summary(replace(whole, corners={"RR": one}), day().car)
    assert "agreement not known (no more readings than unknowns)" in lines[1]
    assert "nan" not in "\n".join(lines)
