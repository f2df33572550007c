"""Axles that tie two wheels: pulled, calibrated and reconstructed as one."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataError, PriorWarning, RankError
from recon.calibration.calibrate import calibrate
from recon.calibration.crosstalk import crosstalk
from recon.calibration.map import Calibration
from recon.calibration.store import read_calibration, write_calibration
from recon.car.reader import read_vehicle
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.reconstruction.reconstruct import reconstruct
from recon.reconstruction.signed import signed_errors
from tests.roundtrip.test_roundtrip import VEHICLES, unwarned
from tests.tied_axle import Truth, draw, drive, pulls_of_axle


@dataclass(frozen=True)
class AxleDay:
    """Truth, calibration and forces of one axle's day."""

    car: Vehicle
    truth: Truth
    calibration: Calibration
    conditioned: xr.Dataset
    forces: xr.Dataset
    true: np.ndarray


@cache
def axle_day(name: str, corner: str, seed: int = 3) -> AxleDay:
    car = read_vehicle(VEHICLES / f"{name}.toml")
    truth = draw(car, corner, np.random.default_rng(seed))
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        sheet, checks = (pulls_of_axle(truth, car, verify=v) for v in (False, True))
        calibration = calibrate(sheet, car, verification=checks)
        log, tares, true = drive(truth, car)
        conditioned = condition(log, car, tares, bandwidth=1e9)
        forces = reconstruct(conditioned, calibration, car)
    return AxleDay(car, truth, calibration, conditioned, forces, true)


def judged(day: AxleDay) -> tuple[np.ndarray, np.ndarray]:
    """Error in newtons and over its standard uncertainty, vehicle axes."""
    error = day.forces["tyre_force_vehicle"].to_numpy() - day.true
    return error, error / day.forces["u_tyre_force_vehicle"].to_numpy()


AXLES = [
    ("strut", "RL"),  # a twist beam
    pytest.param("anti_roll_bar", "FL", marks=pytest.mark.slow),  # 20 s
    pytest.param("solid_axle_tubes", "RL", marks=pytest.mark.slow),  # 20 s
]


@pytest.mark.parametrize(("name", "corner"), AXLES)
def test_forces_of_both_wheels_lie_in_their_intervals(name: str, corner: str) -> None:
    day = axle_day(name, corner)
    _, z = judged(day)
    assert np.all(np.isfinite(z))
    # One calibration is one draw: its errors are shared by every sample.
    assert 0.3 < np.sqrt(np.mean(z**2)) < 1.4
    assert np.mean(np.abs(z) < 1.96) > 0.9
    verified = day.calibration.corners[day.truth.unit.name].verification
    assert verified is not None
    assert verified.share_inside > 0.8


def test_gauges_of_the_other_side_would_be_seen() -> None:
    """Twin: left and right exchanged in the log."""
    day = axle_day("strut", "RL")
    log = day.conditioned.copy(deep=True)
    log["indication"] = log["indication"].roll(gauge=6, roll_coords=False)
    with unwarned():
        found = reconstruct(log, day.calibration, day.car)
    error = found["tyre_force_vehicle"].to_numpy() - day.true
    right, _ = judged(day)
    assert np.nanmean(error**2) > 100 * np.mean(right**2)


def test_the_axle_is_one_entry_and_both_corners_are_in_the_result() -> None:
    day = axle_day("strut", "RL")
    assert list(day.calibration.corners) == ["rear"]
    assert day.forces["corner"].to_numpy().tolist() == ["RL", "RR"]
    assert day.forces["partner"].to_numpy().tolist() == [1, 0]
    assert day.forces.attrs["not_known"] == ""


def test_signed_errors_add_up_to_the_stated_variance_of_tied_corners() -> None:
    day = axle_day("strut", "RL")
    samples = np.arange(10, 390, 17)
    error = signed_errors(day.forces, samples)
    stated = day.forces["u_tyre_force_intermediate"].to_numpy()[samples].astype(float) ** 2
    random = day.forces["u_tyre_force_random"].to_numpy()[samples].astype(float) ** 2
    # A thousandth of each part is dropped at usual loads, see test_signed.
    assert_allclose(np.sum(error**2, axis=0), stated - random, rtol=0.03)


def test_calibration_of_an_axle_reads_back(tmp_path) -> None:
    day = axle_day("strut", "RL")
    back = read_calibration(write_calibration(day.calibration, tmp_path / "axle.nc"))
    before, after = (c.corners["rear"] for c in (day.calibration, back))
    assert np.array_equal(after.K, before.K)
    assert after.members == before.members


def test_a_pull_at_one_wheel_is_seen_by_gauges_of_the_other() -> None:
    day = axle_day("strut", "RL")
    found = crosstalk(day.calibration, day.car, "RL")
    assert found.sizes == {"gauge": 12, "wrench_component": 6}
    other = crosstalk(day.calibration, day.car, "RR")
    assert not np.allclose(found["crosstalk"], other["crosstalk"])
    with pytest.raises(DataError, match="no corner 'rear'"):
        crosstalk(day.calibration, day.car, "rear")


def test_pulls_of_one_wheel_only_are_refused_by_name_without_slopes() -> None:
    day = axle_day("strut", "RL")
    sheet = pulls_of_axle(day.truth, day.car)
    purpose = np.where(sheet.corner == "RL", "fit", "verify")
    bare = replace(
        day.car,
        corners={
            name: replace(c, gauges=tuple(replace(g, slope=np.nan) for g in c.gauges))
            for name, c in day.car.corners.items()
        },
    )
    with pytest.raises(RankError, match="corner RR: no pull to fit, and axle rear ties it"):
        calibrate(replace(sheet, purpose=purpose), bare)


def test_tares_on_pads_are_refused_for_a_tied_axle() -> None:
    day = axle_day("strut", "RL")
    log, tares, _ = drive(day.truth, day.car, samples=50)
    n = len(tares.gauge)
    on_pads = replace(tares, state=np.full(n, "pads"), pad_load=np.full(n, 3000.0))
    with pytest.raises(DataError, match="axle tares, axle rear: tares on pads only"):
        condition(log, day.car, on_pads)


def test_what_one_wheel_does_not_say_leaves_both_unknown() -> None:
    day = axle_day("strut", "RL")
    log = day.conditioned.copy(deep=True)
    log["travel"].loc[{"corner": "RR", "elapsed_time": log["elapsed_time"][100]}] = np.nan
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        found = reconstruct(log, day.calibration, day.car)
    assert np.all(np.isnan(found["tyre_force"].to_numpy()[100]))
    assert np.all(np.isfinite(found["tyre_force"].to_numpy()[[99, 101]]))
