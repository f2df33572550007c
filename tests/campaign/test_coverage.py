"""The campaign of coverage finds forces inside their limits, with and without channels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.virtual.dampers import Damper
from recon.virtual.day import circuit_states
from recon.virtual.drawing import draw_car
from tests.campaign.coverage import WITHOUT, of_day, table
from tests.campaign.one_body import roll_by_springs, roll_of_body, slow_part, with_one_body
from tests.shipped_mechanisms import shipped
from tests.slalom_course import Slalom, slalom_states


def test_an_axle_rolls_with_the_body_that_stands_on_it() -> None:
    drawn = draw_car(shipped("solid_axle_tubes"), 3)
    wish = Slalom(11.0, 13.0)
    states = slalom_states(drawn, np.random.default_rng(1), rate=50.0, wish=wish)
    together = with_one_body(drawn, states)
    apart = [
        np.std(slow_part(roll_by_springs(drawn, "rear", s) - roll_of_body(drawn, "rear", s), s))
        for s in (states, together)
    ]
    assert apart[0] > 0.01  # m; the body itself rolls by 0.04
    assert apart[1] < 0.001
    # Load only moves from one axle to the other: its sum and its moment of roll stay.
    y = np.array([drawn.truth.corners[c].wheel.centre[1] for c in states.corners])
    for weight in (np.ones(4), y):
        assert_allclose(together.force[..., 2] @ weight, states.force[..., 2] @ weight, atol=1e-6)
    assert together.force[..., 2].min() > 0.0


def test_a_damper_grows_less_hard_beyond_its_knee() -> None:
    damper = Damper(rate=1000.0, knee=0.1, beyond=0.4)
    assert_allclose(damper.force(np.array([0.05, -0.1, 0.3, -0.3])), [50, -100, 180, -180])


def test_a_circuit_leans_as_much_as_asked() -> None:
    drawn = draw_car(shipped("club_racer"), 3, corners=("FL",))
    usual, soft = (
        circuit_states(drawn, np.random.default_rng(1), rate=50.0, lean=lean) for lean in (1.0, 1.5)
    )
    on_tyres = 0.2  # of the roll at most, which does not grow with soft springs
    assert 1.5 - on_tyres < np.std(soft.body.roll) / np.std(usual.body.roll) < 1.5
    # A body that swings more moves a little more load, and brakes a little otherwise.
    assert_allclose(np.std(soft.body.pitch), 1.5 * np.std(usual.body.pitch), rtol=0.01)


@pytest.mark.slow(5)
def test_forces_of_a_day_lie_in_their_limits_for_each_set_of_channels(tmp_path: Path) -> None:
    found = of_day(0, tmp_path)
    assert [one["without"] for one in found if one["shape"] == "car"] == list(WITHOUT)
    inside, over, _, u = (np.array([one["found"][k] for one in found]) for k in range(4))
    # Of one day, whose fixed errors are drawn once: more or less than 95 %.
    assert np.all(inside.mean(axis=1) > 0.85)
    assert np.all(np.sqrt(over) > 0.1)  # and not because limits are far away
    # Less known, wider: upwards, as accelerometers at the hubs have noise of their own along and
    # aside, where the body's acceleration and yaw rate show their motion as well.
    assert np.all(np.diff(u[[0, 1, 5], 2]) > 0)
    first = table(found).splitlines()[0].split()
    assert first[:4] == ["car", "all", "but", "gauges"]
    assert float(first[5]) == pytest.approx(100 * inside[5].mean(), abs=0.1)
