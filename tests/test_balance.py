"""Balance: use and its difference, split by phase and speed, lateral share, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.analysis.balance import balance
from recon.base.errors import DataError
from recon.base.status import BIT
from recon.evaluation.common.answer_labels import not_given
from recon.report.answers.balance import balance_summary, plot_balance
from tests.made_car import BASE, CONSTANT, FZ, MASS, RATE, TO_FRONT, G, MadeCar

STATIC = (BASE - TO_FRONT) / BASE  # front share of the weight: 0.56
FILTER = 2e-3  # of use: what the filter does to the ramps of a corner


def words(found: xr.Dataset) -> str:
    """The summary without line breaks."""
    return " ".join(" ".join(balance_summary(found)).split())


def cornering(*shares: float, sideways: float = 8.0, **options: object) -> MadeCar:
    """A car that turns left and right in turn, with these front shares of the lateral force."""
    car = MadeCar(1.0 + 4.0 * len(shares), **options)
    for i, share in enumerate(shares):
        car.corner(1.0 + 4.0 * i, 4.0 + 4.0 * i, (-1) ** i * sideways, share)
    return car


@pytest.mark.source("CIRCLE-SHARE: in a steady circle the axles share lateral force as the weight")
def test_a_steady_circle_shares_the_force_as_the_weight() -> None:
    car = cornering(STATIC)
    axle = car.force[round(2.5 * RATE), :, 1]
    assert_allclose([axle[:2].sum(), axle[2:].sum()], [5376.0, 4224.0], rtol=1e-9)
    found = balance(car.forces())
    assert_allclose(found["static_front_share"], STATIC, rtol=1e-9)
    assert_allclose(found["front_lateral_share"], STATIC, rtol=1e-6)
    assert_allclose(found["lateral_share_over_static"], 0.0, atol=1e-6)
    assert_allclose(found["use_difference"], 0.0, atol=1e-6)


def test_use_is_that_of_both_tyres_together_and_the_difference_has_a_sign() -> None:
    found = balance(cornering(0.60, 0.52).forces())
    assert found["visit"].to_numpy().tolist() == ["corner 1 (left)", "corner 2 (right)"]
    assert found["side"].to_numpy().tolist() == [1, -1]
    middle = found["highest_use"].max("axle").to_numpy()
    # In the middle of a corner: share of force over share of weight, times 8 m/s2 over g.
    expected = 8.0 / G * np.array([0.60 / STATIC, 0.48 / (1 - STATIC)])
    assert_allclose(middle, expected, atol=FILTER)
    lead = 8.0 / G * (np.array([0.60, 0.52]) / STATIC - np.array([0.40, 0.48]) / (1 - STATIC))
    assert_allclose(found["highest_use_difference"], lead, atol=FILTER)
    assert_allclose(np.sign(found["use_difference"]), [1, -1])
    assert found["used_more"].to_numpy().tolist() == ["front", "rear"]
    assert "held for 0.25 s: front in 1, rear in 1. That alone does not show a limit" in words(
        found
    )


def test_longitudinal_force_counts_in_use() -> None:
    car = cornering(STATIC)
    car.add(0, 0.0, 2000.0, car.profile(1.0, 4.0))  # power at the rear
    found = balance(car.forces())
    rear = np.hypot(4224.0, 2000.0) / (MASS * G * (1 - STATIC))
    assert found["used_more"].to_numpy().tolist() == ["rear"]
    assert_allclose(found["highest_use"].sel(axle="rear"), rear, atol=FILTER)


def test_a_difference_within_its_interval_is_open() -> None:
    car = cornering(0.565)
    for corner in ("FL", "FR"):
        car.cause(f"{corner} zeros", corner, 2, CONSTANT, 200.0)
    found = balance(car.forces())
    assert found["used_more"].to_numpy().tolist() == ["not resolved"]
    assert "no axle is shown to be at its limit" in words(found)
    assert "(not resolved)" in words(found)


def test_uncertainty_of_the_difference_against_monte_carlo() -> None:
    car = cornering(0.60)
    car.cause("FL zeros", "FL", 2, CONSTANT, 90.0)
    car.cause("RR zeros", "RR", 1, CONSTANT, 70.0)
    found = balance(car.forces())
    at = found["samples_used"].item()
    use = found["axle_use"].to_numpy()[0]
    rng, n = np.random.default_rng(8), 20_000
    load = MASS * G * np.array([STATIC, 1 - STATIC])
    front = use[0] * load[0] / (load[0] + 90.0 * rng.standard_normal(n))
    rear = use[1] + 70.0 * rng.standard_normal(n) / load[1]
    assert at > RATE
    # Constant errors move the mean of use as they move one sample at the mean use.
    assert float(found["u_use_difference"][0]) == pytest.approx(np.std(front - rear), rel=0.03)


def test_an_error_that_both_axles_share_cancels_in_the_difference() -> None:
    car = cornering(0.58)
    car.cause("strap gain", "FL", 2, FZ, 0.02)
    for k in range(4):
        car.causes[0][1][:, k, 2, FZ] = 0.02
    found = balance(car.forces())
    ratio = float(found["u_use_difference"][0]) / float(found["u_axle_use"][0, 0])
    difference = abs(float(found["use_difference"][0])) / float(found["axle_use"][0, 0])
    assert ratio == pytest.approx(difference, rel=0.05)


def test_the_difference_is_split_by_phase() -> None:
    """Front share 0.62 in entry, STATIC in the middle, 0.50 at the exit."""
    car = cornering(STATIC)
    size = np.abs(car.force[..., 1]).sum(axis=1)
    early = size < 0.85 * size.max()
    for at, share in ((early & (car.time < 2.5), 0.62), (early & (car.time > 2.5), 0.50)):
        halves = np.array([share, share, 1 - share, 1 - share]) / 2
        car.force[at, :, 1] = size[at, None] * halves
    found = balance(car.forces())
    entry, middle, leaving = found["phase_use_difference"].to_numpy()
    assert entry > 0.05
    assert abs(middle) < 0.01
    assert leaving < -0.05
    assert "by phase: entry +0." in words(found)


def test_nothing_has_no_minus() -> None:
    forces = cornering(STATIC).forces()
    found = balance(forces)
    found["phase_use_difference"][:] = -4e-4
    assert "entry +0.000 +-" in words(found)
    texts = [text.get_text() for text in plot_balance(forces, found).axes[1].texts]
    assert any(text.startswith("+0.000") for text in texts)
    found["phase_use_difference"][:] = -6e-4
    assert "entry -0.001 +-" in words(found)


def test_the_difference_is_split_by_speed() -> None:
    car = cornering(0.60, 0.52)
    car.channels = {"speed": 10.0 + 10.0 * car.time / car.time[-1]}
    found = balance(car.forces())
    slow, *_, fast = found["band_use_difference"].to_numpy()
    assert slow > 0 > fast
    assert_allclose(found["band_lowest_speed"][0], 11.6, atol=0.3)
    assert_allclose(found["band_highest_speed"][-1], 18.6, atol=0.3)
    assert "by speed" in words(found)


def test_without_speed_there_is_no_split_by_it() -> None:
    found = balance(cornering(0.60).forces())
    assert found.sizes["band"] == 0
    assert any("Split by speed: log speed" in sentence for sentence in not_given(found))


def test_one_speed_is_no_split() -> None:
    car = cornering(0.60)
    car.channels = {"speed": np.full(len(car.time), 12.0)}
    assert "all corners were at 12.0 to 12.0 m/s" in balance(car.forces()).attrs["not_given"]


def test_cones_of_a_slalom_are_visits_without_phases() -> None:
    car = MadeCar(10.0)
    wave = np.sin(2 * np.pi * car.time / 2.4)
    car.add(1, 5500.0, 4100.0, wave)
    found = balance(car.forces())
    assert found["visit"].to_numpy().tolist()[0] == "slalom 1, cone 1"
    assert found.sizes["visit"] >= 7
    assert np.isnan(found["phase_use_difference"]).all()
    assert "a slalom has none" in found.attrs["not_given"]
    assert "nan" not in words(found)
    assert plot_balance(car.forces(), found).axes


def test_samples_at_a_bound_are_left_out() -> None:
    forces = cornering(0.60).forces()
    before = int(balance(forces)["samples_used"][0])
    forces["status"].values[round(2.0 * RATE) : round(2.2 * RATE), 1] = BIT["bound_active"]
    found = balance(forces)
    assert int(found["samples_used"][0]) == before - 20  # 0.2 s of 100 samples a second
    assert "forces at 8 Hz, 100 samples a second" in found.attrs["gate"]


def test_a_drive_without_a_corner_says_how_long_it_cornered() -> None:
    car = MadeCar(4.0)
    car.corner(1.0, 2.0, 5.2, STATIC)
    found = r"only 0\.3 s at a time above 0\.5 g sideways with known forces \(hardest 0\.53 g\)"
    with pytest.raises(DataError, match=found):
        balance(car.forces())


def test_one_axle_is_refused_with_what_it_allows() -> None:
    forces = cornering(0.60).forces().isel(corner=[0, 1])
    with pytest.raises(DataError, match=r"not all forces of RL and RR are known") as refused:
        balance(forces)
    assert "Friction use and braking of the front axle are given" in refused.value.do


def test_the_picture_has_a_point_for_each_corner_and_the_diagonal() -> None:
    forces = cornering(0.60, 0.52, 0.58).forces()
    found = balance(forces)
    points, split = plot_balance(forces, found).axes
    diagonal = [line for line in points.lines if len(line.get_xdata()) == 2]
    assert any(np.array_equal(line.get_xdata(), line.get_ydata()) for line in diagonal)
    texts = {text.get_text() for text in points.texts}
    assert {"1", "2", "3", "front used more", "rear used more"} <= texts
    assert split.get_yticklabels()[0].get_text() == "all corners"


def test_the_picture_calls_corners_and_cones_as_the_words_do() -> None:
    forces = cornering(0.60, 0.52, 0.58).forces()
    found = balance(forces)
    names = ["slalom 1, cone 1", "corner 1 (left)", "the long hairpin behind the bridge"]
    named = found.assign_coords(visit=names)
    named["first_at_limit"][:] = ["front", "rear", "not shown"]
    texts = {text.get_text() for text in plot_balance(forces, named).axes[0].texts}
    assert {"cone 1 F", "1 R", "the long..."} <= texts
