"""Which axle is first at its limit: evidence from slip and force, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.analysis.balance import balance
from recon.evaluation.balance.axle_limit_evidence import LEAST_GROWTH, Axles, at_limit
from recon.report.answers.balance import balance_summary, plot_balance
from tests.made_car import BASE, MASS, TO_FRONT, G, MadeCar

SPEED, SIDEWAYS, STATIC = 15.0, 8.0, (BASE - TO_FRONT) / BASE
STEP, U_ANGLE = 0.02, np.radians(0.5)


def axles(front: np.ndarray, rear: np.ndarray, forces: np.ndarray) -> Axles:
    """Slip angles (sample,) [deg] and use (sample, axle), all of it to the side."""
    angle = np.radians(np.stack([front, rear], axis=1))
    return Axles(angle, forces, forces, np.zeros(len(front)), U_ANGLE, STEP)


def curve(angle: np.ndarray, peak: float = 0.9, half: float = 2.5) -> np.ndarray:
    """Force over load of a tyre that saturates."""
    return peak * np.tanh(angle / half)


LINE = np.linspace(1.0, 12.0, 400)
CALM = np.linspace(0.8, 1.6, 400)  # deg, of the axle that is far from its limit


@pytest.mark.parametrize("own", [0, 1])
def test_an_axle_whose_force_stops_rising_with_its_slip_is_at_its_limit(own: int) -> None:
    sides = (LINE, CALM) if own == 0 else (CALM, LINE)
    use = np.stack([curve(side) for side in sides], axis=1)
    found = at_limit(axles(*sides, use), use.max(axis=0))
    assert found is not None
    assert found.axle == own
    assert found.growth > 2 * LEAST_GROWTH
    assert 0 <= found.rise < 0.07


def test_a_force_that_still_rises_is_no_limit() -> None:
    """Slip grows to 3 deg, where the curve has a third of its slope left."""
    front = np.linspace(0.5, 3.0, 400)
    use = np.stack([curve(front), curve(CALM)], axis=1)
    assert at_limit(axles(front, CALM, use), use.max(axis=0)) is None


def test_less_slip_of_the_other_axle_is_no_limit_of_this_one() -> None:
    """The front holds its slip; the rear lets go of the corner, so the difference grows."""
    front, rear = np.full(400, 3.0), np.linspace(3.0, 0.5, 400)
    use = np.stack([curve(front), curve(rear)], axis=1)
    assert at_limit(axles(front, rear, use), use.max(axis=0)) is None


def test_a_plateau_far_below_the_highest_use_of_the_drive_is_no_limit() -> None:
    use = np.stack([curve(LINE), curve(CALM)], axis=1)
    assert at_limit(axles(LINE, CALM, use), np.array([1.2, 0.5])) is None


def test_where_either_axle_may_have_slid_none_is_named() -> None:
    """At steady forces the slip of one axle grows as much as that of the other falls."""
    away = 2.0 * np.sin(np.linspace(0, 4 * np.pi, 800))
    use = np.full((800, 2), 0.9)
    assert at_limit(axles(6.0 + away / 2, 6.0 - away / 2, use), np.array([0.9, 0.9])) is None


def turning(more_steer: float) -> MadeCar:
    """A steady corner to the left between straights; steer [rad] grows in its second half."""
    car = MadeCar(8.0)
    car.corner(1.0, 7.0, SIDEWAYS, STATIC)
    profile = car.profile(1.0, 7.0)
    yaw = SIDEWAYS * profile / SPEED
    grows = more_steer * np.clip((car.time - 3.5) / 1.0, 0, 1) * profile
    steer = BASE / SPEED * yaw + np.radians(1.0) * profile + grows
    heading = np.stack([steer, steer, 0 * steer, 0 * steer], axis=1)
    car.channels = {"speed": np.full(len(car.time), SPEED), "yaw_rate": yaw, "heading": heading}
    return car


def test_steer_beyond_the_need_of_the_corner_shows_the_front_at_its_limit() -> None:
    car = turning(np.radians(4.0))
    found = balance(car.forces())
    assert found["first_at_limit"].to_numpy().tolist() == ["front"]
    assert_allclose(found["limit_slip_growth"], np.radians(4.0), atol=np.radians(0.6))
    assert_allclose(found["limit_force_rise"], 0.0, atol=0.01)
    text = " ".join(" ".join(balance_summary(found)).split())
    assert (
        "Balance, 1 corner: front axle first at its limit in 1 of 1 turn; front use is 0." in text
    )
    assert "corner 1 (left): front axle first at its limit: its slip angle grew by 4" in text
    points = plot_balance(car.forces(), found).axes[0]
    assert "1 F" in {text.get_text() for text in points.texts}


def test_a_corner_that_needs_no_more_steer_names_no_axle_although_one_is_used_more() -> None:
    car = turning(0.0)
    car.add(0, 0.0, 0.3 * MASS * G, car.profile(1.0, 7.0))  # power: the rear is used more
    found = balance(car.forces())
    assert found["used_more"].to_numpy().tolist() == ["rear"]
    assert found["first_at_limit"].to_numpy().tolist() == ["not shown"]
    assert "in 1 of 1: there the force of no axle stopped rising" in found.attrs["not_given"]


def test_without_yaw_rate_the_answer_says_what_to_log() -> None:
    car = turning(np.radians(4.0))
    del car.channels["yaw_rate"]
    found = balance(car.forces())
    assert found["first_at_limit"].to_numpy().tolist() == ["not shown"]
    assert "the slip of both axles needs yaw rate" in found.attrs["not_given"]
