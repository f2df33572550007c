"""The drag of the engine in a stop is that of coasting in another gear, and as unsure."""

from __future__ import annotations

import numpy as np
import pytest

from recon.analysis.braking import braking
from recon.evaluation.braking.coasting_drag import U_ENGINE, U_ENGINE_DRAG, U_IN_GEAR
from tests.made_car import MASS, G, MadeCar
from tests.test_braking import coasting, faded, words

ENGINE = 340.0  # N; the rear axle alone is driven


@pytest.mark.parametrize("clutch", [0.0, 1.0])
def test_other_gears_make_the_brakes_less_sure_while_the_car_is_in_gear(clutch: float) -> None:
    found = braking(coasting(clutch).forces())
    u = float(found["u_brakes_front_share"][0])
    if clutch:  # pressed in the stop: the engine does not brake
        assert u < 0.001
    else:  # the share f / (f + r) changes by f / (f + r)^2 with the rear
        brakes = float(found["braking_force"].sum() - found["coasting_force"].sum())
        assert u == pytest.approx(U_ENGINE_DRAG * ENGINE * 0.7 / brakes, rel=0.02)
    assert "the engine to 30 % (standard uncertainty) for other gears" in words(found)


def test_a_stop_in_a_lower_gear_is_within_the_interval() -> None:
    """A third more of the engine's drag in the stop than while coasting."""
    car = coasting()
    car.add(0, 0.0, -ENGINE / 3, car.profile(3.0, 5.0))
    found = braking(car.forces())
    low, high = (float(found[f"brakes_front_share_{end}"][0]) for end in ("lower", "upper"))
    assert low < 0.7 < high
    assert abs(float(found["brakes_front_share"][0]) - 0.7) > 0.005  # twin


@pytest.mark.parametrize(
    ("gears", "unlike"),
    [
        (None, U_ENGINE_DRAG),
        ((3.0, 3.0), U_IN_GEAR),
        ((3.0, 2.0), np.hypot(U_IN_GEAR, U_ENGINE_DRAG / np.sqrt(2.0))),
        ((5.0, 2.0), U_ENGINE_DRAG),
        ((3.0, np.nan), U_ENGINE_DRAG),
    ],
)
def test_engine_braking_that_nothing_shows_cancels_in_fade_but_for_the_gear(
    gears: tuple[float, float] | None, unlike: float
) -> None:
    """Stops of 1800 N at the driven axle; the engine may brake with 3 % of the weight in both."""
    car = faded(0.0)
    if gears:
        car.channels["gear"] = np.where(car.time < 5.0, *gears)
    found = braking(car.forces()).sel(axle="rear")
    expected = unlike * U_ENGINE * MASS * G / 1800.0 * np.sqrt(2.0)
    assert float(found["u_force_per_pressure_change"]) == pytest.approx(expected, rel=0.05)  # ramps


@pytest.mark.parametrize("second", [0.7, 1.0])
def test_a_softer_stop_with_the_same_engine_is_within_the_interval_of_fade(second: float) -> None:
    car, pressure = MadeCar(12.0), 0.0
    for start, hard in ((2.0, 1.0), (7.0, second)):
        over = car.profile(start, start + 2.0)
        car.add(0, -4000.0 * hard, -1800.0 * hard - ENGINE, over)
        pressure = pressure + 50e5 * hard * np.multiply.outer(over, np.ones(4))
    car.channels = {"brake_pressure": pressure}
    found = braking(car.forces()).sel(axle="rear")
    change, u = (float(found[f"{of}force_per_pressure_change"]) for of in ("", "u_"))
    seen = ENGINE / (1800.0 + ENGINE) * (1.0 / second - 1.0)  # the brakes are the same
    assert change == pytest.approx(seen, rel=0.2, abs=0.005)  # forces build up in ramps
    assert abs(change) < 1.96 * u
