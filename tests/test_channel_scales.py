"""Ordinary channels of another scale that is that of no unit, and those of all wheels exchanged."""

from __future__ import annotations

import re

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.doubt import Doubt
from recon.records.doubt_variables import doubts_in
from tests.days import day

ALL = ("FL", "FR", "RL", "RR")
pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")


def doubt_of(log: xr.Dataset) -> Doubt:
    """The only doubt about a day with this log."""
    conditioned = recon.condition(log, day().car, day().tares)
    (doubt,) = doubts_in(recon.reconstruct(conditioned, day().calibration, day().car))
    return doubt


@pytest.mark.parametrize(
    ("channel", "factors", "columns"),
    [
        # What the shift of a spring is to that of its wheel.
        ("travel", [1.6] * 4, tuple(f"travel_{corner}" for corner in ALL)),
        ("brake_pressure", [0.5] * 4, ("brake_pressure_front", "brake_pressure_rear")),
        ("brake_pressure", [0.5, 0.5, 1, 1], ("brake_pressure_front",)),
        ("roll", [2.0], ("roll",)),
    ],
)
def test_a_scale_that_is_no_unit_is_named_with_its_factor(
    channel: str, factors: list[float], columns: tuple[str, ...]
) -> None:
    wrong = np.array(factors) if len(factors) > 1 else factors[0]
    doubt = doubt_of(day().log.assign({channel: wrong * day().log[channel]}))
    assert (doubt.cause, doubt.channels) == ("gain changed", columns)
    assert ("brake_torque_Nm_per_bar" in doubt.do) == (channel == "brake_pressure")
    shown = re.search(r"shows about (\S+) times", doubt.do)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(factors[0], rel=0.1)
    assert "[corrections]" not in doubt.do  # a fitted number is unsure, and in no interval


def test_travels_of_all_wheels_exchanged_from_side_to_side_are_not_inverted() -> None:
    log = day().log.copy(deep=True)
    log["travel"].values[:] = log["travel"].to_numpy()[:, [1, 0, 3, 2]]
    doubt = doubt_of(log)
    assert doubt.cause == "exchanged"
    assert set(doubt.channels) == {f"travel_{corner}" for corner in ALL}
    for side in "FR":
        assert f'travel_{side}L = {{ exchanged_with = "travel_{side}R" }}' in doubt.do
