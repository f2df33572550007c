"""What a set of gauges knows: laws, words and an independent route to the figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import VehicleError
from recon.car.knowledge import NOT_KNOWN, in_words
from recon.car.mechanism import mechanism_of
from recon.car.motion import pose_corner
from recon.car.observability import observe
from recon.car.statics import member_matrix, road_columns
from recon.car.unknowns import prior_u, reference_of, tyre_columns


def test_uncertainty_by_another_route(club_racer):
    """The posterior covariance by the Kalman gain instead of the normal equations."""
    seen = observe(club_racer, "FL", noise=12.0, travel=0.02, rack=0.005)
    corner = club_racer.corners["FL"]
    at = pose_corner(corner, 0.02, 0.005)
    size = reference_of(club_racer, corner)
    columns = tyre_columns(club_racer.tyre, size.vertical)
    H = member_matrix(at) @ road_columns(at, hub_passes_spin=False) @ columns
    P = np.diag(prior_u(corner, club_racer.tyre, size, "rolling") ** 2)
    gain = P @ H.T @ np.linalg.inv(H @ P @ H.T + 144.0 * np.eye(6))
    left = np.eye(6) - gain @ H
    posterior = left @ P @ left.T + 144.0 * gain @ gain.T  # Joseph's form keeps digits
    # The open prior of 100 kN stands against 10 N: eight digits of the difference are rounding.
    assert_allclose(seen.u["rolling"] ** 2, np.diag(posterior)[:3], rtol=1e-4)


def test_a_lost_gauge_never_helps_and_a_further_one_never_hurts(club_racer):
    members = tuple(g.on for g in club_racer.corners["RL"].gauges)
    whole = observe(club_racer, "RL")
    for without in whole.without.values():
        assert np.all(without >= whole.u["rolling"] * (1 - 1e-9))  # rounding
    part = observe(club_racer, "RL", gauged=members[:4])
    for won in part.with_.values():
        assert np.all(won <= part.u["rolling"] * (1 + 1e-9))  # rounding
    assert set(part.with_) == set(members[4:])
    best = [float(np.max(u)) for u in part.with_.values()]
    assert best == sorted(best)


def test_one_more_gauge_is_what_a_file_with_it_says(club_racer):
    members = tuple(g.on for g in club_racer.corners["FL"].gauges)
    part = observe(club_racer, "FL", gauged=members[:5])
    assert_allclose(part.with_[members[5]], observe(club_racer, "FL").u["rolling"], rtol=1e-9)


def test_without_the_rod_the_vertical_force_is_lost_and_the_rod_is_the_cure(club_racer):
    seen = observe(club_racer, "FL", gauged=("upper_front", "upper_rear", "tie_rod"))
    assert seen.rank == 3
    assert "Fz" in seen.lost
    assert "Fx" not in seen.lost
    assert seen.u["rolling"][2] > NOT_KNOWN > seen.u["rolling"][0]
    assert seen.cure == "gauge push_rod"
    whole = observe(club_racer, "FL")
    assert whole.lost == ()
    assert whole.cure == ""


def test_a_known_sum_of_lost_forces_is_told(club_racer):
    seen = observe(club_racer, "FL", gauged=("lower_front",))
    assert {"Fy", "Fz"} <= set(seen.lost)
    assert "is known to" in seen.known or seen.known == ""


def test_mirrored_corners_know_the_same(club_racer):
    left, right = observe(club_racer, "FL"), observe(club_racer, "FR")
    assert_allclose(left.u["rolling"], right.u["rolling"], rtol=1e-9)
    assert_allclose(left.singular_values, right.singular_values, rtol=1e-9)
    # Fx and Fz keep their sign in a mirror, Fy changes it; so do Mx and Mz.
    assert_allclose(left.bias["Mz"], right.bias["Mz"] * [-1, 1, -1], atol=1e-6)


def test_a_forgotten_aligning_moment_shifts_the_lateral_force(club_racer):
    """Forgetting Mz biases Fy by what a plain fit of the three forces gives."""
    calm = replace(club_racer.tyre, u_shift=1e-9, floor_moment=1e-9, u_trail=0.015)
    seen = observe(replace(club_racer, tyre=calm), "FL")
    corner = club_racer.corners["FL"]
    at = pose_corner(corner, 0.0)
    size = reference_of(club_racer, corner)
    H = member_matrix(at) @ road_columns(at, hub_passes_spin=False)
    H = H @ tyre_columns(calm, size.vertical)
    moment = 0.015 * size.vertical
    hub = np.append(np.eye(6)[4] * 10.0 / 5.0, 0.0)[:6]  # drag prior of 5 N m against 10 N noise
    plain = np.linalg.lstsq(
        np.vstack([H[:, [0, 1, 2, 4]], hub[[0, 1, 2, 4]]]),
        np.append(H[:, 5] * moment, 0.0),
        rcond=None,
    )[0]
    assert_allclose(seen.bias["Mz"], plain[:3], rtol=1e-3)  # the open priors of the forces


def test_words_of_a_direction():
    names = ("Fx", "Fy", "Fz", "Mx", "T", "Mz")
    assert in_words(np.array([0, 0, 0.8, -0.6, 0, 0]), names) == "Fz rising with Mx falling"
    assert in_words(np.array([0, -1.0, 0, 0.1, 0, 0]), names) == "Fy alone"


def test_a_member_that_does_not_exist_is_refused_with_the_nearest(club_racer):
    names = mechanism_of(club_racer.corners["FL"]).supports
    assert "tie_rod" in names
    with pytest.raises(VehicleError, match="corner FL: a gauge on 'tie_rood'; need 'tie_rod'"):
        observe(club_racer, "FL", gauged=("tie_rood",))
