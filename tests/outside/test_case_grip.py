"""Envelopes of the case car's tyres against those of its true forces, by own definition."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import xarray as xr
from scipy.signal import butter, sosfiltfilt

from recon.analysis.grip import grip
from tests.days import report
from tests.envelope_definition import true_envelope
from tests.outside.case_drives import WINDOWS, case_forces

pytestmark = [
    pytest.mark.source("CASE-CAR: envelopes of tyres whose forces are known"),
    pytest.mark.filterwarnings(
        "ignore:.*forces beyond the largest pull:recon.base.errors.ExtrapolationWarning"
    ),
]
DRIVES = ("slalom", "braking", "launch", "lap")


@cache
def answer(name: str) -> xr.Dataset:
    return grip(case_forces(name))


@cache
def truth(name: str) -> np.ndarray:
    """True forces (sample, corner, 3) [N] in tyre axes at the bandwidth of the answers."""
    with xr.open_dataset(WINDOWS / f"{name}_truth.nc") as of:
        force = of["force_tyre"].transpose("time", "corner", "axis").to_numpy().astype(float)
    low_pass = butter(4, 175.0, fs=500.0, output="sos")  # of 250 Hz: little to take off
    return np.asarray(sosfiltfilt(low_pass, force, axis=0))


def errors(gain: float = 1.0) -> np.ndarray:
    """Relative error and error over u of every envelope at every load, (row, 2)."""
    rows = []
    for name in DRIVES:
        found = answer(name)
        for k in range(4):
            for direction in found["direction"].to_numpy():
                tyre = found.sel(direction=direction).isel(corner=k)
                true = true_envelope(truth(name)[:, k], str(direction), 1 / 500)
                if true is None:
                    continue
                for load in found["load"].to_numpy():
                    value, u = (
                        float(tyre[n].sel(load=load))
                        for n in ("demonstrated_force", "u_demonstrated_force")
                    )
                    if np.isfinite(value) and true.low < load < true.high:
                        off = gain * value - true.at(load)
                        rows.append((off / true.at(load), off / u))
    return np.array(rows)


def test_envelopes_are_within_their_intervals() -> None:
    relative, over_u = errors().T
    rms = float(np.sqrt(np.mean(over_u**2)))
    report(
        f"{len(over_u)} envelopes: inside {np.mean(np.abs(over_u) < 1.96):.2f}, "
        f"rms of error {np.sqrt(np.mean(relative**2)):.4f}, over u {rms:.2f}"
    )
    assert len(over_u) > 25
    assert np.mean(np.abs(over_u) < 1.96) >= 0.9  # as promised of all answers on this car
    # Fixed errors of four drives with one calibration: some ten independent numbers, 22 % of rms.
    assert 0.5 < rms < 1.4
    assert np.sqrt(np.mean(relative**2)) < 0.02


def test_a_gain_of_five_percent_would_be_seen() -> None:
    assert np.mean(np.abs(errors(gain=1.05)[:, 1]) < 1.96) < 0.6


def test_no_tyre_that_cornered_is_said_to_have_been_at_its_limit() -> None:
    """True slip angles end at 6 degrees, where the force of these tyres still rises."""
    for name in ("slalom", "lap"):
        cornering = answer(name).sel(direction=["left", "right"])
        assert np.isfinite(cornering["demonstrated_force"]).any()
        assert (cornering["evidence"] == "").all()
