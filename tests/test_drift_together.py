"""Zeros that drift together, as gauges do that warm themselves, are one error of all gauges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from tests.days import day

pytestmark = pytest.mark.filterwarnings(
    "ignore::recon.base.errors.ReconWarning"
)  # channels left out, a gauge dead

CAUSE = "zeros that drift together"
GAUGES = day().log.sizes["gauge"]


def drifted(moves: np.ndarray) -> xr.Dataset:
    """Forces of the day without temperatures, its zeros moved by `moves` (gauge,) [1 gauge unit].

    They move at the start of the drive for the most part, as gauges do that warm themselves.  One
    gauge fails for a while.
    """
    raw, tares = day().log.drop_vars("gauge_temperature").copy(deep=True), day().tares
    time = raw["elapsed_time"].to_numpy()
    raw["indication"] += np.outer(1 - np.exp(-time / 2.0), moves)
    raw["indication"].to_numpy()[800:1100, 0] = np.nan
    by_gauge = dict(zip(raw["gauge"].to_numpy().tolist(), moves.tolist(), strict=True))
    after = np.array([by_gauge[gauge] for gauge in tares.gauge]) * (tares.when == "after")
    cold = np.full_like(tares.temperature, np.nan)
    tares = replace(tares, indication=tares.indication + after, temperature=cold)
    return reconstruct(condition(raw, day().car, tares), day().calibration, day().car)


def test_forces_are_wrong_by_what_a_shared_drift_says() -> None:
    """Without the common cause, Fx of FL is wrong by twice its standard uncertainty throughout."""
    together = drifted(np.full(GAUGES, 0.01))
    assert np.count_nonzero(together["cause_name"] == CAUSE) == 1
    still = drifted(np.zeros(GAUGES))
    moved = (together["tyre_force"] - still["tyre_force"]).mean("elapsed_time")
    u = together["u_tyre_force"].mean("elapsed_time")
    assert float(np.abs(moved / u).max()) < 1.3


def test_zeros_that_drift_each_by_itself_have_no_common_cause() -> None:
    alone = drifted(0.01 * (-1.0) ** np.arange(GAUGES))
    assert CAUSE not in alone["cause_name"].to_numpy()
