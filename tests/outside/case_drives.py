"""The case car's windows: calibration, logs, forces and truth, each worked out once for all tests.

Whoever changes one of them takes a copy.
"""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.testing import assert_allclose
from numpy.typing import NDArray

import recon
from recon.base.errors import ExtrapolationWarning
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.records.sheets import PullSheet, Tares

HERE = Path(__file__).parent
WINDOWS, MAPS = HERE / "case_windows", HERE / "case_maps"


@cache
def case_car() -> Vehicle:
    """The car as its makers measured it."""
    return recon.read_vehicle(HERE.parents[1] / "vehicles" / "case_car.toml")


@cache
def case_checks() -> PullSheet:
    """The pulls that were held out."""
    return recon.read_pulls(WINDOWS / "checks.csv", case_car(), column_map=MAPS / "checks.toml")


@cache
def case_calibration() -> Calibration:
    """From the pulls, verified by those that were held out."""
    pulls = recon.read_pulls(WINDOWS / "pulls.csv", case_car(), column_map=MAPS / "pulls.toml")
    return recon.calibrate(pulls, case_car(), verification=case_checks())


@cache
def case_log(name: str) -> tuple[xr.Dataset, Tares]:
    """Log and tares of one window."""
    log = recon.read_log(WINDOWS / f"{name}_log.csv.gz", case_car(), column_map=MAPS / "log.toml")
    tares = WINDOWS / f"{name}_tares.csv"
    return log, recon.read_tares(tares, case_car(), column_map=MAPS / "tares.toml")


@cache
def case_forces(name: str) -> xr.Dataset:
    """Forces of one window; `test_case_car` asserts what they warn of."""
    log, tares = case_log(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # drives go beyond the pulls
        conditioned = recon.condition(log, case_car(), tares)
        return recon.reconstruct(conditioned, case_calibration(), case_car())


@cache
def case_truth(name: str) -> NDArray[np.float64]:
    """True forces (sample, corner, 3) [N] of one window, intermediate axes."""
    log = case_log(name)[0]
    with xr.open_dataset(WINDOWS / f"{name}_truth.nc") as truth:
        assert_allclose(truth["time"], log["elapsed_time"], rtol=0, atol=1e-6)  # s, same rows
        assert list(truth["corner"].to_numpy()) == list(log["corner"].to_numpy())
        return truth["force_road"].transpose("time", "corner", "axis").to_numpy().astype(float)
