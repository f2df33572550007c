"""What a set of gauges knows: laws, words and an independent route to the figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, VehicleError
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import member_matrix, road_columns
from recon.planning.combinations import NOT_KNOWN, combination_words
from recon.planning.observability import observe, observe_car
from recon.planning.unknowns import prior_u, reference_of, tyre_columns


def names(seen) -> tuple[str, ...]:
    """Forces that are not known."""
    return tuple(lost.name for lost in seen.lost)


def test_uncertainty_by_another_route(club_racer):
    """The posterior covariance by the Kalman gain instead of the normal equations."""
    seen = observe(club_racer, "FL", noise=12.0, travel=0.02, rack=0.005)
    corner = club_racer.corners["FL"]
    at = posed(assembly_of(club_racer, "FL"), 0.02, 0.005)
    size = reference_of(club_racer, corner)
    columns = tyre_columns(club_racer.tyre, size.vertical)
    H = member_matrix(at) @ road_columns(at, hub_passes_spin=False) @ columns
    P = np.diag(prior_u(corner, club_racer.tyre, size, "rolling") ** 2)
    gain = P @ H.T @ np.linalg.inv(H @ P @ H.T + 144.0 * np.eye(6))
    left = np.eye(6) - gain @ H
    posterior = left @ P @ left.T + 144.0 * gain @ gain.T  # Joseph's form keeps digits
    # The open prior of 100 kN stands against 10 N: eight digits of the difference are rounding.
    assert_allclose(seen.u**2, np.diag(posterior)[:3], rtol=1e-4)


def test_a_lost_gauge_never_helps_and_a_further_one_never_hurts(club_racer):
    members = tuple(g.on for g in club_racer.corners["RL"].gauges)
    whole = observe(club_racer, "RL")
    for without in whole.without.values():
        assert np.all(without >= whole.u * (1 - 1e-9))  # rounding
    part = observe(club_racer, "RL", gauged=members[:4])
    for won in part.with_.values():
        assert np.all(won <= part.u * (1 + 1e-9))  # rounding
    assert set(part.with_) == set(members[4:])
    best = [float(np.max(u)) for u in part.with_.values()]
    assert best == sorted(best)


def test_one_more_gauge_is_what_a_file_with_it_says(club_racer):
    members = tuple(g.on for g in club_racer.corners["FL"].gauges)
    part = observe(club_racer, "FL", gauged=members[:5])
    assert_allclose(part.with_[members[5]], observe(club_racer, "FL").u, rtol=1e-9)


def test_without_the_rod_the_vertical_force_is_lost_and_the_rod_is_the_cure(club_racer):
    seen = observe(club_racer, "FL", gauged=("upper_front", "upper_rear", "tie_rod"))
    assert seen.rank == 3
    assert "Fz" in names(seen)
    assert "Fx" not in names(seen)
    assert seen.u[2] > NOT_KNOWN > seen.u[0]
    assert seen.cure == ("push_rod",)
    whole = observe(club_racer, "FL")
    assert whole.lost == ()
    assert whole.cure == ()


def test_a_known_sum_of_lost_forces_is_told(club_racer):
    seen = observe(club_racer, "FL", gauged=("lower_front",))
    assert {"Fy", "Fz"} <= set(names(seen))
    (together,) = seen.combinations
    assert "is known to" in together.words
    # The gauge's own row, of unit length, with its noise and the moments' priors.
    assert np.linalg.norm(list(together.weights.values())) == pytest.approx(1, rel=1e-4)
    assert 10 / seen.singular_values[0] < together.u < NOT_KNOWN


def test_mirrored_corners_know_the_same(club_racer):
    left, right = observe(club_racer, "FL"), observe(club_racer, "FR")
    assert_allclose(left.u, right.u, rtol=1e-9)
    assert_allclose(left.singular_values, right.singular_values, rtol=1e-9)
    # Fx and Fz keep their sign in a mirror, Fy changes it; so do Mx and Mz.
    assert_allclose(left.bias["Mz"], right.bias["Mz"] * [-1, 1, -1], atol=1e-6)


def test_a_forgotten_aligning_moment_shifts_the_lateral_force(club_racer):
    """Forgetting Mz biases Fy by what a plain fit of the three forces gives."""
    calm = replace(club_racer.tyre, u_shift=1e-9, floor_moment=1e-9, u_trail=0.015)
    seen = observe(replace(club_racer, tyre=calm), "FL")
    corner = club_racer.corners["FL"]
    at = posed(assembly_of(club_racer, "FL"), 0.0)
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
    assert combination_words(np.array([0, 0, 0.8, -0.6, 0, 0]), names) == "Fz rising and Mx falling"
    assert combination_words(np.array([0, -1.0, 0, 0.1, 0, 0]), names) == "Fy alone"


def test_a_member_that_does_not_exist_is_refused_with_the_nearest(club_racer):
    assert "tie_rod" in assembly_of(club_racer, "FL").mechanism.supports
    with pytest.raises(VehicleError, match="corner FL: a gauge on 'tie_rood'; need 'tie_rod'"):
        observe(club_racer, "FL", gauged=("tie_rood",))


@pytest.mark.parametrize("gauged", [(), ("",)])
def test_an_empty_list_of_gauges_is_refused(club_racer, gauged):
    with pytest.raises(VehicleError, match=r"corner RR: an empty list of gauges; .*toe_link"):
        observe(club_racer, "RR", gauged=gauged)


def test_a_member_named_twice_is_refused(club_racer):
    with pytest.raises(VehicleError, match="corner FL: 'tie_rod' named twice"):
        observe(club_racer, "FL", gauged=("tie_rod", "push_rod", "tie_rod"))


def test_a_corner_that_the_car_has_not_is_refused(club_racer):
    with pytest.raises(VehicleError, match=r"club_racer\.toml: no corner 'XX'; need one of FL, FR"):
        observe(club_racer, "XX")
    with pytest.raises(VehicleError, match=r"no corner 'LR'; need '[FR][LR]' "):
        observe_car(club_racer, gauged={"LR": ("toe_link",)})


@pytest.mark.parametrize(("noise", "words"), [(0.0, "0 N"), (-5.0, "-5 N"), (np.nan, "nan N")])
def test_a_noise_that_is_none_is_refused(club_racer, noise, words):
    with pytest.raises(DataError, match=f"corner FL: {words} of noise of 'upper_front'"):
        observe(club_racer, "FL", noise=noise)


def test_a_second_bridge_on_a_member_counts_as_a_channel_of_its_own(club_racer):
    corner = club_racer.corners["FL"]
    rod = next(g for g in corner.gauges if g.on == "push_rod")
    doubled = replace(corner, gauges=(*corner.gauges, replace(rod, name="FL_spare")))
    cars = (replace(club_racer, corners={"FL": c}) for c in (corner, doubled))
    single, seen = (observe(car, "FL") for car in cars)
    assert seen.chosen[-1] == "push_rod (2)"
    assert np.all(seen.u <= single.u * (1 + 1e-9))  # rounding
    assert seen.u[2] < 0.9 * single.u[2]  # noise of the mean of two
    assert_allclose(seen.without["push_rod"], single.u, rtol=1e-9)
    assert_allclose(seen.without["push_rod (2)"], single.u, rtol=1e-9)


def test_a_lost_gauge_says_which_forces_go_with_it(club_racer):
    seen = observe(club_racer, "FL", gauged=("lower_front", "lower_rear", "tie_rod", "push_rod"))
    assert seen.lost == ()
    assert seen.without["push_rod"][2] > NOT_KNOWN


def test_every_lost_force_has_a_reason_and_a_cure_that_works(club_racer):
    gauged = ("upper_front", "tie_rod")
    seen = observe(club_racer, "FL", gauged=gauged)
    assert len(seen.lost) >= 2
    for lost in seen.lost:
        assert lost.reason.startswith(f"the gauges hardly respond to {lost.name} ")
        assert lost.name not in names(observe(club_racer, "FL", gauged=(*gauged, *lost.cure)))
    assert observe(club_racer, "FL", gauged=(*gauged, *seen.cure)).lost == ()


def test_the_car_is_its_corners(club_racer):
    seen = observe_car(club_racer, gauged={"FL": ("push_rod",)}, noise=7.0)
    assert list(seen) == ["FL", "FR", "RL", "RR"]
    assert seen["FL"].chosen == ("push_rod",)
    assert_allclose(
        seen["RR"].u_held["locked"], observe(club_racer, "RR", noise=7.0).u_held["locked"]
    )


def test_a_corner_without_gauges_is_told_what_each_would_buy(club_racer):
    corner = replace(club_racer.corners["FL"], gauges=())
    seen = observe(replace(club_racer, corners={"FL": corner}), "FL")
    assert seen.rank == 0
    assert names(seen) == ("Fx", "Fy", "Fz")
    assert len(seen.with_) == 6
    assert "push_rod" in seen.cure
