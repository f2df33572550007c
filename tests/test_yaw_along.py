"""How much of the yaw acceleration moves the wheels along: what an axle that rolls freely shows."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.conditioning.hub_motion import YAW_CHANGE, arm_of
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.yaw_along import U_SHARE, Share, share_of_yaw
from tests.days import club_car, day, unwarned

RATE, SECONDS, SHARE = 100.0, 20.0, 0.7
PAIR = ["FL", "FR"]


@cache
def log_without_hubs(*names: str) -> xr.Dataset:
    """The conditioned log of the day's slalom without hubs and some other channels."""
    with unwarned():
        return condition(day().log.drop_vars(["hub_acceleration", *names]), day().car, day().tares)


def of_links(log: xr.Dataset, car: Vehicle | None = None) -> xr.Dataset:
    """The log with what its gauges show."""
    with unwarned():
        return completed(log, day().calibration, car or day().car)


def weaving() -> tuple[xr.Dataset, dict[str, np.ndarray]]:
    """A weaving car, and forces of the links of its front wheels by equation (1).

    Its wheels take `SHARE` of the yaw acceleration; brakes come on and off.
    """
    car, time = club_car(), np.arange(int(RATE * SECONDS)) / RATE
    wave = np.pi * time
    change, aside = 1.5 * np.cos(wave), 7.0 * np.sin(wave + 0.3)
    pressure = 2e6 * (np.sin(0.4 * wave) > 0.8)
    along, speed = {}, {}
    for name, side in (("FL", 1.0), ("FR", -1.0)):
        wheel, y = car.corners[name].wheel, arm_of(car, name)[1]
        rolled = -SHARE * y * change
        spun = wheel.spin_inertia / wheel.loaded_radius**2 * rolled
        along[name] = -car.corners[name].unsprung_mass * rolled - spun + side * (4.0 * aside - 11.0)
        along[name] -= 1e-4 * pressure * (1.5 + side * np.cos(wave))
        speed[name] = -SHARE * y * 1.5 / np.pi * np.sin(wave) / wheel.loaded_radius
    corner = ("elapsed_time", "corner")
    log = xr.Dataset(
        {
            YAW_CHANGE: ("elapsed_time", change),
            "acceleration": (("elapsed_time", "component"), np.outer(aside, [0.0, 1.0, 0.0])),
            "brake_pressure": (corner, np.column_stack([pressure, pressure])),
            "wheel_speed": (corner, np.column_stack([speed[name] for name in PAIR])),
            "travel": (corner, np.zeros((len(time), 2))),
        },
        coords={"elapsed_time": time, "corner": PAIR},
        attrs={"rate": RATE},
    )
    return log, along


@pytest.mark.parametrize("lacking", [(), ("wheel_speed",)])
def test_a_weaving_axle_shows_its_share_of_the_yaw(lacking: tuple[str, ...]) -> None:
    log, along = weaving()
    found = share_of_yaw(log.drop_vars(lacking), club_car(), along)
    assert found is not None
    assert found.value == pytest.approx(SHARE, abs=0.01)  # differences of means over 0.1 s
    # What spins wheels up is known within 30 %, and is a third of what the links hold.
    assert U_SHARE < found.u < 0.2


def test_a_share_that_scatters_or_a_drive_that_is_short_says_nothing() -> None:
    log, along = weaving()
    first = slice(0, int(5 * RATE))
    short = {name: force[first] for name, force in along.items()}
    assert share_of_yaw(log.isel(elapsed_time=first), club_car(), short) is None
    slow = np.repeat(np.random.default_rng(2).normal(0.0, 60.0, 20), int(RATE))  # N
    spoiled = along | {"FL": along["FL"] + slow}
    assert share_of_yaw(log, club_car(), spoiled) is None


def test_where_the_roll_shows_the_travel_the_share_is_less_sure() -> None:
    log, along = weaving()
    sure, unsure = (share_of_yaw(one, club_car(), along) for one in (log, log.drop_vars("travel")))
    assert sure is not None
    assert unsure is not None
    assert unsure.u > sure.u + 0.1


def test_a_share_is_weighed_against_one_and_a_wrong_sign_is_not_taken() -> None:
    found = Share(0.1, 0.2).with_prior(0.6)
    assert found is not None
    assert_allclose([found.value, found.u], [0.19, 0.6 * np.sqrt(0.1)])  # nine parts of ten
    assert Share(-1.0, 0.1).with_prior(0.6) is None


def test_a_sound_car_keeps_the_term_of_yaw_and_knows_it_better() -> None:
    log = log_without_hubs()
    found = of_links(log)
    at = {"corner": "FL", "component": "x"}
    y = arm_of(day().car, "FL")[1]
    change = log[YAW_CHANGE].to_numpy()
    gained = (found["relative_acceleration"] - log["relative_acceleration"]).sel(at).to_numpy()
    share = 1 - float(gained @ change) / (y * float(change @ change))
    assert share == pytest.approx(1.0, abs=0.2)  # its u is 0.16
    before, after = (float(one["u_relative_acceleration"].sel(at)) for one in (log, found))
    assert after < 0.6 * before


def test_a_yaw_rate_of_the_wrong_sign_does_not_mend_itself() -> None:
    log = log_without_hubs()
    y = arm_of(day().car, "FL")[1]
    term = 2 * y * log[YAW_CHANGE].to_numpy()
    turned = log["relative_acceleration"].copy(deep=True)
    turned.loc[{"corner": "FL", "component": "x"}] += term
    turned.loc[{"corner": "FR", "component": "x"}] -= term
    wrong = log.assign({YAW_CHANGE: -log[YAW_CHANGE], "relative_acceleration": turned})
    found = of_links(wrong)
    for name in ("relative_acceleration", "u_relative_acceleration"):
        along = {"component": "x"}
        assert_allclose(found[name].sel(along), wrong[name].sel(along), rtol=0, atol=0)


@pytest.mark.parametrize(
    ("lacking", "why"),
    [(("brake_pressure",), "brakes"), (("steer", "rack"), "side forces"), ((), "drive")],
)
def test_an_axle_that_may_not_roll_freely_shows_nothing(lacking: tuple[str, ...], why: str) -> None:
    log = log_without_hubs(*(name for name in lacking if name in day().log))
    car = day().car
    if why == "drive":  # any axle may, where the file says of none that it does
        free = {name: replace(corner, driven=False) for name, corner in car.corners.items()}
        car = replace(car, corners=free)
    along = {"component": "x"}
    u = "u_relative_acceleration"
    assert_allclose(of_links(log, car)[u].sel(along), log[u].sel(along), rtol=0, atol=0)
