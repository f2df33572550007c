"""A part of a drive by time or by marker."""

from __future__ import annotations

import numpy as np
import pytest

from recon.base.errors import DataError
from recon.conditioning.condition import condition
from recon.conditioning.part_of_drive import part_of
from tests.raw_logs import ZERO, log_of, noisy
from tests.small_car import small_car

WHOLE = condition(
    log_of(noisy(), marker=(("elapsed_time",), np.repeat([1.0, 2.0], 1000))), small_car(), ZERO
)


def test_a_part_holds_the_numbers_of_the_whole() -> None:
    part = part_of(WHOLE, start=2.0, end=4.0)
    assert part["elapsed_time"].to_numpy()[[0, -1]].tolist() == [2.0, 4.0]
    same = WHOLE["indication"].sel(elapsed_time=slice(2.0, 4.0))
    np.testing.assert_array_equal(part["indication"], same)
    assert part_of(WHOLE) is WHOLE


def test_a_marker_chooses_its_samples() -> None:
    part = part_of(WHOLE, marker=2)
    np.testing.assert_array_equal(part["elapsed_time"], WHOLE["elapsed_time"][1000:])


@pytest.mark.parametrize(
    ("of", "message"),
    [
        ({"start": 20.0}, r"drive.csv: 0 samples from 20 s; .*has 0 to 9.995 s, .*"),
        ({"start": 3.001, "end": 3.004}, r"0 samples from 3.001 s to 3.004 s"),
        (
            {"start": 5.0, "end": 4.0},
            r"from 5 s to 4 s, which ends before it begins; need an end after 5 s; .*to 9.995 s",
        ),
        ({"marker": 7}, r"0 samples with marker 7; .*markers 1, 2"),
    ],
)
def test_an_empty_part_is_refused(of, message) -> None:
    with pytest.raises(DataError, match=message.removesuffix(", .*")):
        part_of(WHOLE, **of)


def test_a_log_without_markers_says_so() -> None:
    with pytest.raises(DataError, match=r"with marker 1; .*markers none"):
        part_of(WHOLE.drop_vars("marker"), marker=1)
