"""When a hub passes the torque of a brake, and when a wheel is locked, by what the log says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.conditioning.condition import condition
from recon.reconstruction.inputs.brakes import LATE, maybe_braked, still_locked
from tests.days import Exact, exact, exact_log, solved, states, unwarned
from tests.test_reconstruct import five_gauges

TIME = np.arange(0.0, 1.0, 0.004)


def test_a_wheel_is_no_longer_locked_shortly_before_its_late_sensor_says_so() -> None:
    stands = (TIME > 0.2) & (TIME < 0.6)
    locked = TIME[still_locked(stands, TIME)]
    assert locked[0] == TIME[stands][0]
    assert 0.6 - LATE - 0.01 < locked[-1] < 0.6 - LATE + 0.001
    at_rest = TIME > 0.5  # until the log ends
    assert np.array_equal(still_locked(at_rest, TIME), at_rest)


def test_a_clock_that_is_known_roughly_leaves_a_wheel_locked_only_where_it_surely_stands() -> None:
    locked = TIME[still_locked((TIME > 0.2) & (TIME < 0.8), TIME, 0.1)]
    assert 0.3 < locked[0] < 0.31
    assert 0.8 - LATE - 0.11 < locked[-1] < 0.8 - LATE - 0.1 + 0.001


def late_brake(of: Exact, u_clock: float) -> np.ndarray:
    """Errors of Fx over their u: a stop of a second, its pressure and speed 50 ms late."""
    time = np.arange(0.0, 4.0, 0.01)
    ahead = -2500.0 * np.sin(np.pi * np.clip(time - 1.5, 0.0, 1.0))
    force = np.column_stack([ahead, 300.0 * np.sin(7.0 * time), np.full(len(time), 3000.0)])
    brake, wheel = of.car.corners["RL"].brake, of.drawn.truth.corners["RL"].wheel
    torque = -ahead * wheel.loaded_radius
    late = np.interp(time - 0.05, time, torque) / brake.torque_per_pressure
    raw, tares, _ = exact_log(
        of, states("RL", force, brake_torque=torque[:, None], brake_pressure=late[:, None])
    )
    raw = raw.sel(gauge=list(of.calibration.corners["RL"].gauges))
    for name in ("brake_pressure", "wheel_speed"):
        raw[name].attrs |= {"u_clock": u_clock, "from_log": "other.csv"}
    with unwarned():
        found = solved(condition(raw, of.car, tares, bandwidth=1e9), of.calibration, of.car)
    off = found["tyre_force_intermediate"].to_numpy()[:, 0, 0] - ahead
    return np.asarray(off / found["u_tyre_force_intermediate"].to_numpy()[:, 0, 0])


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_brake_of_another_logger_is_as_unsure_as_its_clock() -> None:
    car, calibration = five_gauges()
    of = replace(exact("RL"), car=car, calibration=calibration)
    assert np.abs(late_brake(of, 0.0)).max() > 5.0
    assert np.abs(late_brake(of, 0.05)).max() < 2.0


def log(**lines: np.ndarray) -> xr.Dataset:
    """Brake pressures [Pa] of corners, NaN where a line has no sensor."""
    values = [lines.get(corner[0], np.full(4, np.nan)) for corner in ("FL", "FR", "RL", "RR")]
    return xr.Dataset({"brake_pressure": (("elapsed_time", "corner"), np.stack(values, axis=1))})


def test_a_brake_without_a_sensor_is_on_while_the_other_line_has_pressure() -> None:
    front = np.array([0.0, 5e5, np.nan, 2e4])
    assert maybe_braked(log(F=front), 4).tolist() == [False, True, True, False]
    assert maybe_braked(log(), 4).all()
    assert maybe_braked(xr.Dataset(), 4).all()
