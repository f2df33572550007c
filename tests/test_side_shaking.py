"""How hard wheels are shaken sideways, told by their links on straights."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import PriorWarning
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from recon.reconstruction.side_shaking import with_side_shaking
from tests.days import day, unwarned

BANDWIDTH, RATE = 30.0, 200.0  # Hz
EDGE = slice(200, -200)


@cache
def inferred() -> xr.Dataset:
    """The day's log with the motion of its hubs as the other channels show it."""
    with unwarned():
        less = day().log.drop_vars("hub_acceleration")
        return condition(less, day().car, day().tares, bandwidth=BANDWIDTH)


def side_errors(log: xr.Dataset) -> np.ndarray:
    """Root mean squares (corner,) [m/s2] of the errors of that motion sideways."""
    true = day().truth["hub_acceleration"].to_numpy()[:, :, 1]
    found = (log["relative_acceleration"] + log["acceleration"]).transpose(..., "component")
    return np.std((found.to_numpy()[:, :, 1] - low_pass(true, BANDWIDTH, RATE))[EDGE], axis=0)


def side_u(log: xr.Dataset) -> np.ndarray:
    return log["u_relative_acceleration"].sel(component="y").to_numpy()


def test_sideways_motion_of_the_hubs_is_as_unsure_as_the_straights_show() -> None:
    found = completed(inferred(), day().calibration, day().car)
    error = side_errors(found)
    # Below 5 Hz the assumption stands, which is twice what this road does there.
    assert np.all(error < 1.1 * side_u(found))
    assert np.all(side_u(found) < 1.8 * error)
    # By the assumed spectrum alone, which fits rougher roads, it was nearly three times as much.
    assert np.all(side_u(inferred()) > 2.5 * error)


@pytest.mark.parametrize(("shaken", "harder"), [(0.0, False), (2.0, True)])
def test_what_shakes_a_wheel_on_a_straight_is_its_uncertainty(shaken: float, harder: bool) -> None:
    """White motion of 2 m/s2 rms, in the force of the links of one wheel."""
    log = inferred()
    with unwarned(), pytest.warns(PriorWarning):
        prepared = prepare(day().calibration, day().car, log)
    samples, rng = log.sizes["elapsed_time"], np.random.default_rng(4)
    links = {name: np.zeros((3, samples)) for name in day().car.corners}
    mass = day().car.corners["FL"].unsprung_mass
    white = shaken * rng.standard_normal((samples, 1))
    links["FL"][1] = mass * low_pass(white, BANDWIDTH, RATE)[:, 0]
    u = with_side_shaking(log, prepared.solvers, links)["u_relative_acceleration"]
    assumed = side_u(log)[0] ** 2 - float(log["u_side_shaking"].sel(corner="FL")) ** 2
    own = np.sqrt(max(float(u.sel(corner="FL", component="y")) ** 2 - assumed, 0.0))
    # Of white noise up to 100 Hz the part from 5 to 30 Hz.
    expected = shaken * np.sqrt((BANDWIDTH - 5.0) / 100.0)
    assert_allclose(own, expected, rtol=0.1, atol=0.02)  # the filters' edges; noise of the gauges
    assert bool(u.sel(corner="FL", component="y") > side_u(log)[0]) is harder


def test_without_a_straight_the_assumption_stands() -> None:
    log = inferred()
    with unwarned(), pytest.warns(PriorWarning):
        prepared = prepare(day().calibration, day().car, log)
    cornering = {name: np.full((3, log.sizes["elapsed_time"]), 1e4) for name in day().car.corners}
    found = with_side_shaking(log, prepared.solvers, cornering)
    assert_allclose(side_u(found), side_u(log), rtol=0)
