"""Temperatures in degF that a log, a tare table or a pull sheet calls degC."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataWarning, PriorWarning, ReconWarning
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE
from recon.examination.temperature_causes import beyond_tares
from recon.examination.view import view_of
from recon.reconstruction.inputs.samples import body_of, samples_of
from recon.reconstruction.prepare import prepare
from recon.records.sheets import Tares
from tests.days import day, unwarned
from tests.spoiled_days import sound

UNIT = "temperatures of 7. degC .* 7. degF would be 2. degC"


def fahrenheit(celsius: np.ndarray) -> np.ndarray:
    return 32.0 + 1.8 * celsius


def logged_in_fahrenheit() -> xr.Dataset:
    log = day().log.copy()
    log["gauge_temperature"] = log["gauge_temperature"].copy(
        data=fahrenheit(log["gauge_temperature"].to_numpy())
    )
    return log


def tared_in_fahrenheit() -> Tares:
    return replace(day().tares, temperature=fahrenheit(day().tares.temperature))


def doubts(log: xr.Dataset, tares: Tares) -> list[tuple[str, tuple[str, ...], str]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        conditioned = condition(log, day().car, tares)
        view = view_of(prepare(day().calibration, day().car, conditioned), conditioned)
    return [(d.cause, d.channels, d.do) for d in JUDGE.doubts(view, JUDGE.terms(view))]


def test_a_log_in_fahrenheit_is_named() -> None:
    ((cause, channels, do),) = doubts(logged_in_fahrenheit(), day().tares)
    assert cause == "other unit"
    assert channels == tuple(f"gauge_temperature_{corner}" for corner in day().car.corners)
    assert "temperatures in the log or its column map: they seem to be in degF" in do


@pytest.mark.slow(4)
def test_tares_in_fahrenheit_are_named() -> None:
    ((cause, channels, do),) = doubts(day().log, tared_in_fahrenheit())
    assert (cause, channels) == ("other unit", ("temperature",))
    assert "temperatures in the tare table or its column map: they seem to be in degF" in do


def test_tares_of_another_day_are_not_called_fahrenheit() -> None:
    """Twin: as warm, but nothing that a conversion would bring together."""
    warm = replace(day().tares, temperature=day().tares.temperature + 25.0)
    assert all(cause != "other unit" for cause, _, _ in doubts(day().log, warm))


@pytest.mark.parametrize("where", ["log", "tares", "both", "pulls", "none"])
def test_temperatures_that_only_degf_would_bring_together_are_noted(where: str) -> None:
    log = logged_in_fahrenheit() if where in ("log", "both") else day().log
    tares = tared_in_fahrenheit() if where in ("tares", "both") else day().tares
    calibration = day().calibration
    if where == "pulls":
        corners = {
            name: replace(c, conditions=replace(c.conditions, temperature=70.0))
            for name, c in calibration.corners.items()
        }
        calibration = replace(calibration, corners=corners)
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", DataWarning)
        prepare(calibration, day().car, condition(log, day().car, tares))
    notes = [str(w.message) for w in said if "degF" in str(w.message)]
    assert len(notes) == (where != "none")
    sources = {"log": "log", "tares": "tare table", "both": "log and tare table", "pulls": "pulls"}
    if notes:
        assert f"temperatures of {sources[where]} are " in notes[0]


def test_half_of_what_warm_gauges_may_show_more_is_taken_off() -> None:
    """Usual gauges show 4e-4 per kelvin more, matched ones nothing: each is one u away."""
    log = condition(day().log, day().car, day().tares)
    at_pulls = {n: c.conditions.temperature for n, c in day().calibration.corners.items()}
    warmer, shares = 30.0, []
    for above in (0.0, warmer):
        own = log.copy()
        own["gauge_temperature"] = xr.zeros_like(log["gauge_temperature"]) + [
            at_pulls[str(name)] + above for name in log["corner"].to_numpy()
        ]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # that it may be degF
            prepared = prepare(day().calibration, day().car, own)
        (solver, *_) = prepared.solvers
        body = body_of(own, day().car, prepared.session, prepared.to_rack)
        shares.append(samples_of(own, day().car, solver, body).indication)
        assert solver.session.u_thermal == pytest.approx(2e-4 * above)
    assert shares[1] * (1 + 2e-4 * warmer) == pytest.approx(shares[0], nan_ok=True)


def test_where_no_temperature_is_logged_nothing_is_taken_off_and_u_holds_both() -> None:
    log = condition(day().log, day().car, day().tares).drop_vars("gauge_temperature")
    with pytest.warns(PriorWarning):
        prepared = prepare(day().calibration, day().car, log)
    assert prepared.solvers[0].session.u_thermal == pytest.approx(15 * np.hypot(2e-4, 2e-4))
    body = body_of(log, day().car, prepared.session, prepared.to_rack)
    (solver, *_) = prepared.solvers
    own = log["indication"].sel(gauge=list(solver.gauges)).to_numpy().T
    assert np.array_equal(samples_of(log, day().car, solver, body).indication, own, equal_nan=True)


def test_a_stretch_without_temperature_is_as_warm_as_the_drive_whatever_the_blocks() -> None:
    log = day().conditioned.copy(deep=True)
    half = log.sizes["elapsed_time"] // 2
    values = log["gauge_temperature"].to_numpy()
    values += 15.0
    warm = log.copy(deep=True)
    values[:half] = np.nan
    with unwarned():
        prepared = prepare(day().calibration, day().car, log)
        whole, first = prepared.solve(log), prepared.solve(log.isel(elapsed_time=slice(0, half)))
        known = prepare(day().calibration, day().car, warm).solve(warm)
    forces = whole["tyre_force"].to_numpy()
    np.testing.assert_allclose(first["tyre_force"], forces[:half], rtol=1e-4, atol=2e-3)
    # 1 K more or less in the course of the drive.
    np.testing.assert_allclose(forces, known["tyre_force"].to_numpy(), rtol=4e-4, atol=2.0)


@pytest.mark.parametrize(("by", "how"), [(40.0, "warmer"), (-40.0, "colder")])
def test_a_gauge_far_from_the_temperatures_of_its_tares_is_to_be_tared_there(
    by: float, how: str
) -> None:
    view = sound()
    gauge = view.parts["FL"].gauges[0]
    assert beyond_tares(view, view.parts["FL"], gauge) == ""
    logged = view.log["gauge_temperature"] + by
    hot = view.with_log(view.log.assign(gauge_temperature=logged))
    tares = view.log["tare_temperature"].sel(gauge=gauge).to_numpy()
    own = logged.sel(corner="FL").to_numpy()
    beyond = own.max() - tares.max() if by > 0 else tares.min() - own.min()
    words = beyond_tares(hot, view.parts["FL"], gauge)
    assert f"It was up to {beyond:.0f} K {how} than at its tares" in words
