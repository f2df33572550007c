"""The balance of the whole car on drives with known truth, made with engines of others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import recon
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.conditioning.filters import low_pass
from recon.mechanics.axes import intermediate_to_tyre
from recon.reconstruction.prepare import prepare
from recon.reconstruction.whole_car.whole_car import with_whole_car
from tests.outside.case_drives import WINDOWS, case_calibration, case_log

pytestmark = [
    pytest.mark.source("CASE-CAR: forces, mistyped loads and verification of a car with truth"),
    pytest.mark.filterwarnings("ignore::recon.base.errors.ExtrapolationWarning"),
]
DRIVES = ("slalom", "braking", "launch", "lap")
# Error over u of one drive is one draw of its fixed errors, see test_case_car.py.
DRIVE = (0.7, 1.3)
RL = 2


@pytest.fixture(scope="module")
def calibration() -> Calibration:
    return case_calibration()


@pytest.fixture(scope="module")
def solve(case_car: Vehicle) -> Callable[[str, Calibration], tuple[xr.Dataset, np.ndarray]]:
    """Forces of a window with all answers, and the truth in tyre axes at their bandwidth."""

    def solved(name: str, calibration: Calibration) -> tuple[xr.Dataset, np.ndarray]:
        log, tares = case_log(name)
        conditioned = recon.condition(log, case_car, tares)
        prepared = prepare(calibration, case_car, conditioned)
        forces = with_whole_car(prepared, conditioned, prepared.solve(conditioned))
        with xr.open_dataset(WINDOWS / f"{name}_truth.nc") as truth:
            true = truth["force_road"].transpose("time", "corner", "axis").to_numpy().astype(float)
        true = intermediate_to_tyre(true, forces["heading"].to_numpy())
        passed = low_pass(
            true.reshape(len(true), -1), forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"]
        )
        return forces, passed.reshape(true.shape)

    return solved


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize("drive", DRIVES)
def test_full_gauges_stay_as_good_and_as_honest(drive, solve, calibration) -> None:
    forces, true = solve(drive, calibration)
    error = forces["tyre_force_whole_car"].to_numpy() - true
    over_u = rms(error / forces["u_tyre_force_whole_car"].to_numpy())
    assert DRIVE[0] < over_u < DRIVE[1], over_u
    # Sums that gauges know to 50 N gain nothing from a balance that knows them to 200 N.
    assert rms(error) < 1.05 * rms(forces["tyre_force"].to_numpy() - true)


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize("drive", DRIVES)
def test_without_a_push_rod_gauge_the_vertical_force_is_twice_as_good(
    drive, solve, calibration
) -> None:
    fewer = calibration.corners["RL"].without("SG18")
    forces, true = solve(drive, replace(calibration, corners=calibration.corners | {"RL": fewer}))
    gauges, whole = (
        forces[name].to_numpy()[:, RL, 2] - true[:, RL, 2]
        for name in ("tyre_force_unbounded", "tyre_force_whole_car")
    )
    assert rms(whole) < 0.5 * rms(gauges)
    u = forces["u_tyre_force_whole_car"].to_numpy()[:, RL, 2]
    assert 0.2 < rms(whole / u) < 1.6  # one force is worth two or three independent numbers
    assert np.median(u) < np.median(forces["u_tyre_force"].to_numpy()[:, RL, 2])
