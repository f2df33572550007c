"""Temperatures in degF that a log, a tare table or a pull sheet calls degC."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataWarning, ReconWarning
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE
from recon.examination.view import view_of
from recon.reconstruction.prepare import prepare
from recon.records.sheets import Tares
from tests.days import day, unwarned

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
