"""When a hub passes the torque of a brake, and when a wheel is locked, by what the log says."""

from __future__ import annotations

import numpy as np
import xarray as xr

from recon.reconstruction.inputs.samples import LATE, maybe_braked, still_locked

TIME = np.arange(0.0, 1.0, 0.004)


def test_a_wheel_is_no_longer_locked_shortly_before_its_late_sensor_says_so() -> None:
    stands = (TIME > 0.2) & (TIME < 0.6)
    locked = TIME[still_locked(stands, TIME)]
    assert locked[0] == TIME[stands][0]
    assert 0.6 - LATE - 0.01 < locked[-1] < 0.6 - LATE + 0.001
    at_rest = TIME > 0.5  # until the log ends
    assert np.array_equal(still_locked(at_rest, TIME), at_rest)


def log(**lines: np.ndarray) -> xr.Dataset:
    """Brake pressures [Pa] of corners, NaN where a line has no sensor."""
    values = [lines.get(corner[0], np.full(4, np.nan)) for corner in ("FL", "FR", "RL", "RR")]
    return xr.Dataset({"brake_pressure": (("elapsed_time", "corner"), np.stack(values, axis=1))})


def test_a_brake_without_a_sensor_is_on_while_the_other_line_has_pressure() -> None:
    front = np.array([0.0, 5e5, np.nan, 2e4])
    assert maybe_braked(log(F=front), 4).tolist() == [False, True, True, False]
    assert maybe_braked(log(), 4).all()
    assert maybe_braked(xr.Dataset(), 4).all()
