"""The case car with a slow logger that does not filter before it samples.

Its launch shakes the driven wheels at 20 Hz and more, and its brakes all wheels.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import xarray as xr
from scipy.signal import butter, sosfiltfilt

import recon
from recon.base.errors import ReconWarning
from recon.conditioning.filters import low_pass
from tests.outside.case_drives import case_calibration, case_car, case_log, case_truth

pytestmark = pytest.mark.source("CASE-CAR: forces of a car with truth, at lower sampling rates")

RATE = 500.0


def slow(name: str, every: int, filtered: float | None) -> tuple[xr.Dataset, list[str]]:
    """A window with every so many samples, and what is told of its motion.

    If `filtered`, its indications were filtered at so many times the new rate before.
    """
    log, tares = case_log(name)
    if filtered is not None:
        sections = butter(6, filtered / every, fs=1.0, output="sos")
        values = sosfiltfilt(sections, log["indication"].to_numpy(), axis=0)
        log = log.assign(indication=log["indication"].copy(data=values))
    with warnings.catch_warnings(record=True) as found:
        warnings.simplefilter("always", ReconWarning)
        out = recon.condition(log.isel(elapsed_time=slice(None, None, every)), case_car(), tares)
    return out, [str(w.message) for w in found if "just below" in str(w.message)]


def error_over_u(name: str, every: int, conditioned: xr.Dataset) -> np.ndarray:
    """Root mean squares (corner, 3) [1] of errors over their standard uncertainties."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        forces = recon.reconstruct(conditioned, case_calibration(), case_car())
    true = case_truth(name)
    passed = low_pass(true.reshape(len(true), -1), forces.attrs["bandwidth_Hz"], RATE)
    error = forces["tyre_force_intermediate"].to_numpy() - passed.reshape(true.shape)[::every]
    return np.sqrt(np.mean((error / forces["u_tyre_force_intermediate"].to_numpy()) ** 2, axis=0))


@pytest.mark.parametrize("every", [5, 10])
@pytest.mark.parametrize("name", ["launch", "braking"])
def test_motion_that_folds_into_the_forces_is_within_their_intervals(name: str, every: int) -> None:
    conditioned, told = slow(name, every, filtered=None)
    # Brakes shake the links above 50 Hz too little to be told.
    assert len(told) == ((name, every) != ("braking", 5))
    assert all(f"just below {0.5 * RATE / every:g} Hz, half the" in words for words in told)
    assert error_over_u(name, every, conditioned).max() < 1.2
    # As if nothing could fold:
    without = conditioned.drop_vars("quick_indication")
    assert error_over_u(name, every, without).max() > (1.4 if every == 10 else 1.1)


def test_where_the_logger_filters_nothing_folds_but_what_it_took_away_is_allowed_for() -> None:
    conditioned, told = slow("launch", 5, filtered=0.3)
    assert not told
    assert error_over_u("launch", 5, conditioned).max() < 1.2
    without = conditioned.drop_vars("quick_indication")
    assert error_over_u("launch", 5, without).max() > 2.0


def test_upward_motion_that_is_unsure_makes_that_sideways_unsure() -> None:
    """Links that are not level turn one into the other; here pitch holds each value for 20 ms."""
    log, tares = case_log("braking")
    log, held = log.drop_vars("hub_acceleration"), log["pitch"].to_numpy()[::10]
    steps = log.assign(
        pitch=log["pitch"].copy(data=np.repeat(held, 10)[: log.sizes["elapsed_time"]])
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        plain, unsure = (recon.condition(of, case_car(), tares) for of in (log, steps))
    change = (unsure["relative_acceleration"] - plain["relative_acceleration"]).to_numpy()
    u, more = (one["u_relative_acceleration"].to_numpy()[:, 1] for one in (plain, unsure))
    assert np.all(more**2 - u**2 > np.mean(change[200:-200, :, 1] ** 2, axis=0) / 1.5**2)
