"""Roads that slope: forces are along the road where travels show how the body stands on it."""

import warnings

import numpy as np
import pytest

import recon
from recon.base.errors import DataWarning
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.reconstruction.inputs.attitude import of_travels, on_tyres
from recon.reconstruction.inputs.sloping_road import along_the_road, slope_of
from tests.days import VEHICLES

RATE, SECONDS = 50.0, 60
G = 9.81


@pytest.fixture(scope="module")
def car():
    return recon.read_vehicle(VEHICLES / "club_racer.toml")


def _log(car, grade=0.0, bank=0.0, sign=1.0):
    """A drive that brakes and turns, with a slope [rad] between 30 and 45 s."""
    t = np.arange(int(RATE * SECONDS)) / RATE
    ahead, aside = 4 * np.sin(2 * np.pi * 0.4 * t), 6 * np.sin(2 * np.pi * 0.55 * t)
    dive, lean = -0.002 * ahead, 0.004 * aside
    travel = {}
    for corner in CORNERS:
        x, y, _ = car.corners[corner].wheel.centre - np.asarray(car.centre_of_mass)
        travel[corner] = x * dive - y * lean
    force = np.stack([ahead, aside, 0 * t + G])
    stands = of_travels(car, travel) + on_tyres(car, force)
    there = np.interp(t, [28, 30, 45, 47], [0, 1, 1, 0])
    log = xr.Dataset(
        {
            "roll": ("elapsed_time", sign * stands.roll + bank * there),
            "pitch": ("elapsed_time", sign * stands.pitch + grade * there),
            "travel": (("elapsed_time", "corner"), np.column_stack(list(travel.values()))),
            "acceleration": (("elapsed_time", "component"), force.T),
        },
        coords={"elapsed_time": t, "corner": list(CORNERS), "component": list("xyz")},
    )
    return log.assign_attrs(rate=RATE, path="day.csv")


def test_slope_and_bank_are_named_with_size_and_time(car):
    log = _log(car, grade=0.06, bank=-0.07)
    with pytest.warns(
        DataWarning,
        match=r"banks by up to 4\.\d degrees \(29 to 46 s\) and slopes by up to 3\.\d degrees",
    ):
        found = along_the_road(log, car)
    assert not {"roll", "pitch"} & set(found)
    xr.testing.assert_identical(found, log.drop_vars(["roll", "pitch"]))


@pytest.mark.parametrize("wrong", [{}, {"grade": 0.015}, {"sign": -1.0}, {"sign": 57.3}])
def test_level_roads_and_wrong_channels_stay(car, wrong):
    log = _log(car, **wrong)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert along_the_road(log, car) is log


def test_without_any_of_its_channels_nothing_is_known(car):
    log = _log(car, grade=0.06)
    for lost in ("travel", "acceleration", "pitch"):
        less = log.drop_vars(lost)
        assert along_the_road(less, car) is less


def test_slope_is_what_differs_slowly(car):
    log = _log(car, grade=0.06)
    lean = of_travels(car, {c: log["travel"].sel(corner=c).to_numpy() for c in CORNERS})
    lean += on_tyres(car, log["acceleration"].to_numpy().T)
    slope = slope_of(log["pitch"].to_numpy(), lean.pitch, RATE)
    assert slope[int(37 * RATE)] == pytest.approx(0.06, abs=0.003)
    assert np.abs(slope[: int(20 * RATE)]).max() < 0.003
    assert not slope_of(-log["pitch"].to_numpy(), lean.pitch, RATE).any()
