"""The drag of the engine in a stop is that of coasting in another gear, and as unsure."""

from __future__ import annotations

import pytest

from recon.analysis.braking import braking
from recon.evaluation.braking.coasting_drag import U_ENGINE_DRAG
from tests.test_braking import coasting, words

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
