"""One virtual day from pulls to slalom, and whether the truth lies where the intervals say."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.analysis.slalom import BANDWIDTH, slalom
from recon.conditioning.filters import low_pass
from tests.days import day, exact, exact_forces, peaks_of, standardised, states


def test_slalom_forces_lie_in_their_intervals() -> None:
    z = standardised(day().forces, day().truth)
    inside = np.abs(z) < 1.96
    assert np.all(np.isfinite(z))
    # Twelve columns whose errors hang together within the day: the systematic half of the
    # variance is drawn about a dozen times, so the share of one day scatters by some 4 points.
    assert 0.85 < inside.mean() < 1.0
    assert (
        0.7 < np.sqrt(np.mean(z**2)) < 1.3
    )  # 12 draws of half the variance: 1 +- 0.1, three times
    # Largest of 37 000 normal numbers is 4.2; a mean error of one u under it is likely somewhere.
    assert np.max(np.abs(z)) < 5.5


def test_slalom_forces_balance_the_car() -> None:
    """Sum of the lateral forces against mass times acceleration of the centre of mass."""
    forces, truth = day().forces, day().truth
    total = forces["tyre_force_intermediate"].to_numpy()[:, :, 1].sum(axis=1)
    true = truth["tyre_force_intermediate"].to_numpy()[:, :, 1].sum(axis=1)
    top = np.abs(true) > 4000
    # Each tyre is known to about 30 N, four of them to 60 N of 6000: 1 %, three times that.
    assert_allclose(np.mean(total[top] / true[top]), 1.0, rtol=0, atol=0.03)


def test_slalom_peaks_lie_in_their_intervals() -> None:
    found = slalom(day().forces)
    true = peaks_of(day().truth, found)
    assert found.sizes["cone"] == 10
    lower, upper = (found[f"peak_lateral_force_{end}"].to_numpy() for end in ("lower", "upper"))
    inside = (lower <= true) & (true <= upper)
    # 40 peaks, but ten cones share one day's errors: four tyres on two sides are 8 draws or so,
    # 0.95 +- 0.08; three of that.  `test_coverage` pools many days.
    assert inside.mean() > 0.95 - 3 * 0.08
    z = (found["peak_lateral_force"].to_numpy() - true) / found["u_peak_lateral_force"].to_numpy()
    assert 0.4 < np.sqrt(np.mean(z**2)) < 1.6  # 8 draws: 1 +- 0.25, twice and a half


def test_axles_and_front_share_lie_in_their_intervals() -> None:
    found = slalom(day().forces)
    elapsed = day().truth["elapsed_time"].to_numpy()
    rate = 1 / np.median(np.diff(elapsed))
    lateral = low_pass(day().truth["tyre_force_intermediate"].to_numpy()[:, :, 1], BANDWIDTH, rate)
    at = [int(np.argmin(np.abs(elapsed - t))) for t in found["cone_time"].to_numpy()]
    share = lateral[at, :2].sum(axis=1) / lateral[at].sum(axis=1)
    z = (found["front_share"].to_numpy() - share) / found["u_front_share"].to_numpy()
    assert np.all(np.abs(z) < 3.0)  # ten cones of one day; 3 u is passed by 1 in 370
    assert np.all(found["u_front_share"].to_numpy() < 0.02)  # 40 N of 6000 N, twice
    front = found["axle_peak_lateral_force"].sel(axle="front").to_numpy()
    assert np.all(np.sign(front) == found["side"].to_numpy())


@pytest.mark.parametrize("corner", ["FL", "RL"])
def test_exact_car_comes_back(corner: str) -> None:
    """Nothing unmodelled: what is left is the last digit and the map's shrinking to its prior."""
    force = np.array(
        [[0, 0, 2000], [0, 2500, 3000], [0, -1800, 1500], [30, 800, 2500], [-40, -600, 900]]
    )
    found, truth = exact_forces(exact(corner), states(corner, force))
    assert_allclose(
        found["tyre_force"].to_numpy()[:, 0],
        truth["tyre_force_intermediate"].to_numpy()[:, 0],
        rtol=0,
        atol=35.0,  # N; the map is known to 0.4 % (points to whole millimetres) of loads to 8 kN
    )
