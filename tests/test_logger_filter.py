"""A logger that filters below the bandwidth of the forces is named, and its loss is in their u."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import xarray as xr
from scipy.signal import butter, sosfiltfilt

from recon.base.errors import ReconWarning
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.reconstruction.prepare import prepare
from tests.outside.case_drives import case_calibration, case_car, case_log, case_truth

RATE, EVERY = 500.0, 5  # Hz of the case car's logger, and of these every fifth sample


def logged(drive: str, cut: float | None) -> xr.Dataset:
    """The drive at 100 Hz by a logger that filters all channels at `cut` [Hz] before."""
    log = case_log(drive)[0].copy(deep=True)
    filters = [] if cut is None else [butter(2, cut, fs=RATE, output="sos")]
    for name, channel in log.data_vars.items():
        if channel.dims[:1] == ("elapsed_time",) and name not in ("gear", "lap", "marker"):
            for sections in filters:
                log[name].values[:] = sosfiltfilt(sections, channel.to_numpy(), axis=0)
    return log.isel(elapsed_time=slice(None, None, EVERY))


def worst(drive: str, cut: float) -> tuple[float, list[str]]:
    """Largest rms of e/u of Fx of all corners, and what was said of the logger's filter."""
    log, tares = logged(drive, cut), case_log(drive)[1]
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", ReconWarning)
        conditioned = condition(log, case_car(), tares)
        forces = prepare(case_calibration(), case_car(), conditioned).solve(conditioned)
    true = low_pass(case_truth(drive).reshape(-1, 12), forces.attrs["bandwidth_Hz"], RATE)
    name = "tyre_force_intermediate"
    off = forces[name].to_numpy() - true.reshape(-1, 4, 3)[::EVERY]
    z = (off / forces[f"u_{name}"].to_numpy())[..., 0]
    words = [str(w.message) for w in said if "the logger seems to filter" in str(w.message)]
    return float(np.sqrt(np.nanmean(z**2, axis=0)).max()), words


def test_a_filter_below_the_bandwidth_is_named_and_widens_the_forces() -> None:
    z, (said,) = worst("launch", 20.0)
    assert "at about 25 Hz, below the bandwidth of 35 Hz" in said
    assert "Ask for --bandwidth 13 (Hz)" in said
    assert z < 3.0  # 8 without; half of the motion that is missing was never logged


@pytest.mark.filterwarnings("ignore:.*shake just below")
@pytest.mark.parametrize("drive", ["launch", "lap", "slalom", "braking"])
def test_a_log_that_nobody_filtered_is_not_blamed(drive: str) -> None:
    log, tares = case_log(drive)
    for one in (log, logged(drive, None)):
        with warnings.catch_warnings():
            warnings.filterwarnings("error", "the logger seems")
            assert "quick_indication" in condition(one, case_car(), tares) or one is log
