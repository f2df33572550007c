"""The loose limit of friction: exact for every sample, a flag where it holds, no measurement."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

import recon
from recon.analysis.friction import friction_use
from recon.base.errors import DataError, DoubtWarning, SolveError
from recon.base.status import BIT
from recon.reconstruction.prepare import prepare
from recon.reconstruction.solving.friction_limit import ACCEPTED, beyond_limit, limit_wheels
from recon.reconstruction.solving.fz_bound import bound_vertical
from recon.reconstruction.whole_car.whole_car import with_whole_car
from tests.days import day
from tests.suspension_days import axle_day

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.ExtrapolationWarning")
LIMIT = 0.9  # low, so that many samples of the slalom meet it


def drawn(n: int, wheels: int, seed: int, spread: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Forces and joint covariances, condition numbers up to 10^(2 spread)."""
    rng = np.random.default_rng(seed)
    size = 3 * wheels
    turn = np.linalg.qr(rng.normal(size=(n, size, size)))[0]
    root = turn * 10 ** rng.uniform(0, spread, (n, 1, size))
    force = rng.normal(size=(n, wheels, 3)) * 10 ** rng.uniform(0, 4, (n, 1, 1))
    return force, root @ np.swapaxes(root, 1, 2)


def residual_of(x: np.ndarray, force: np.ndarray, P: np.ndarray, limit: float) -> np.ndarray:
    """Largest scaled violation of the conditions of optimality, from forces alone."""
    n = len(force)
    push = np.linalg.solve(P, (x - force).reshape(n, -1, 1)).reshape(force.shape)
    # Units in which every force and every push is of order one, whatever the condition of P.
    size = np.abs(force).max(axis=(1, 2))
    sigma = np.sqrt(np.diagonal(P, axis1=1, axis2=2).reshape(force.shape).min(axis=(1, 2)))
    scale = np.maximum(np.abs(push).max(axis=(1, 2)), size / sigma**2 * 1e-6)
    cone = np.maximum(np.hypot(x[..., 0], x[..., 1]) - limit * x[..., 2], 0).max(axis=1) / size
    turned = limit * np.hypot(push[..., 0], push[..., 1]) - push[..., 2]
    dual = np.maximum(turned, 0).max(axis=1) / scale
    product = np.abs(np.sum(x * push, axis=2)).max(axis=1) / (size * scale)
    return np.max([cone, dual, product], axis=0)


@pytest.mark.parametrize("wheels", [1, 2, 4])
@pytest.mark.parametrize("limit", [0.3, 1.0, 2.5])
def test_every_sample_meets_the_conditions_of_optimality(wheels: int, limit: float) -> None:
    force, P = drawn(1500, wheels, seed=wheels)
    found = limit_wheels(force, P, limit)
    assert found.residual.max() <= ACCEPTED
    # The same from the forces alone: pushes are lost to rounding by the condition of P.
    assert residual_of(found.force, force, P, limit).max() < 1e-7
    inside = ~beyond_limit(force, limit).any(axis=1)
    assert np.array_equal(found.force[inside], force[inside])


@pytest.mark.parametrize("wheels", [1, 2, 4])
def test_forces_barely_beyond_the_limit_and_exactly_on_it_are_exact_too(wheels: int) -> None:
    force, P = drawn(1000, wheels, seed=20 + wheels)
    beyond = 10.0 ** np.random.default_rng(1).uniform(-14, -3, (1000, wheels))
    beyond[:200] = 0.0
    force[..., 2] = np.hypot(force[..., 0], force[..., 1]) / 1.2 * (1 - beyond)
    found = limit_wheels(force, P, 1.2)
    assert found.residual.max() <= ACCEPTED
    assert np.abs(found.force - force).max() < 0.02 * np.abs(force).max()


def test_free_mantle_and_apex_all_occur() -> None:
    force, P = drawn(1500, 2, seed=5)
    x = limit_wheels(force, P, 1.0).force
    flat, up = np.hypot(x[..., 0], x[..., 1]), x[..., 2]
    apex = up == 0
    mantle = ~apex & np.isclose(flat, up, rtol=1e-9)
    free = ~apex & ~mantle
    both = [int(np.sum(a[:, 0] & b[:, 1])) for a in (apex, mantle, free) for b in (apex, mantle)]
    assert min(both) > 10, both


def test_a_single_wheel_on_its_mantle_is_the_nearest_point_by_brute_force() -> None:
    force, P = drawn(40, 1, seed=8, spread=1.0)
    found = limit_wheels(force, P, 0.8).force[:, 0]
    way = np.linspace(-np.pi, np.pi, 4001)
    rays = np.stack([0.8 * np.cos(way), 0.8 * np.sin(way), np.ones_like(way)])
    for f, own, x in zip(force[:, 0], P, found, strict=True):
        weight = np.linalg.inv(own)
        # Along every ray of the mantle the best length is known in closed form.
        length = np.maximum(f @ weight @ rays / np.einsum("ik,ij,jk->k", rays, weight, rays), 0)
        apart = length * rays - f[:, None]
        cost = np.einsum("ik,ij,jk->k", apart, weight, apart).min()
        own_cost = (x - f) @ weight @ (x - f)
        if np.hypot(*f[:2]) > 0.8 * f[2]:
            assert own_cost <= cost * (1 + 1e-9)
            assert own_cost >= cost * (1 - 1e-4)  # rays a thousandth apart


def test_a_limit_that_is_very_high_is_the_bound_of_the_vertical_force() -> None:
    force, P = drawn(500, 1, seed=9, spread=0.5)
    light = force[:, 0, 2] < 0
    x = limit_wheels(force, P, 1e6).force[:, 0]
    normal = np.broadcast_to([0.0, 0.0, 1.0], (500, 3))
    bounded, _ = bound_vertical(force[:, 0], P, normal)
    size = np.abs(force[:, 0]).max(axis=1)
    apart = np.abs(x - bounded).max(axis=1) / size
    assert light.sum() > 200
    assert apart.max() < 1e-4  # a cone that opens a millionth of its width


@pytest.mark.slow(5)
def test_two_thousand_hard_problems_agree_with_a_conic_solver() -> None:
    import cvxpy as cp

    worst = 0.0
    for wheels, count in ((1, 700), (2, 700), (4, 600)):
        force, P = drawn(count, wheels, seed=100 + wheels)
        rng = np.random.default_rng(wheels)
        limits = rng.choice([0.3, 0.8, 1.5, 2.5], count)
        x = cp.Variable(3 * wheels)
        root, goal = cp.Parameter((3 * wheels, 3 * wheels)), cp.Parameter(3 * wheels)
        cones = [cp.SOC(x[3 * k + 2], cp.hstack([x[3 * k], x[3 * k + 1]])) for k in range(wheels)]
        problem = cp.Problem(cp.Minimize(cp.sum_squares(root @ x - goal)), cones)
        found = np.empty_like(force)
        for mu in np.unique(limits):
            of = limits == mu
            found[of] = limit_wheels(force[of], P[of], mu).force
        for f, own, mu, held in zip(force, P, limits, found.reshape(count, -1), strict=True):
            # In units of the cone and of the force, so that the solver's tolerance has a meaning.
            unit = np.tile([mu, mu, 1.0], wheels) * np.abs(f).max()
            whiten = np.linalg.inv(np.linalg.cholesky(own))
            scale = np.linalg.norm(whiten @ f.ravel())
            root.value = whiten * unit / scale
            goal.value = whiten @ f.ravel() / scale
            problem.solve(solver=cp.CLARABEL)
            assert problem.status == cp.OPTIMAL
            ours, theirs = (
                np.sum((whiten @ (v - f.ravel()) / scale) ** 2) for v in (held, x.value * unit)
            )
            worst = max(worst, abs(ours - theirs))
            assert ours <= theirs + 1e-7  # the solver's own tolerance is 1e-8
    assert worst < 1e-6


@cache
def limited() -> xr.Dataset:
    with pytest.warns(DoubtWarning, match=r"friction limit\..* the stated limit of 0\.90"):
        return recon.reconstruct(
            day().conditioned, day().calibration, day().car, friction_limit=LIMIT
        )


def test_a_limit_that_the_gauges_contradict_is_doubted_corner_by_corner() -> None:
    prepared, log = prepare(day().calibration, day().car, day().conditioned), day().conditioned
    for limit, corners in ((2.5, set()), (LIMIT, {"FL"}), (0.4, {"FL", "FR", "RL", "RR"})):
        found = recon.examine(prepared, log, prepared.solve(log, friction_limit=limit)).doubts
        assert {corner for doubt in found for corner in doubt.corners} == corners
        assert all(doubt.cause == "friction limit" for doubt in found)
        for doubt in found:
            free = day().forces["tyre_force"].sel(corner=doubt.corners[0]).to_numpy()
            highest = float(np.max(np.hypot(free[:, 0], free[:, 1]) / free[:, 2]))
            shown = float(doubt.found.partition("force of ")[2].split()[0])
            assert limit < shown < highest
            assert f"the stated limit of {limit:.2f} moves it" in doubt.found


def test_forces_of_a_drive_stay_within_the_limit_and_are_flagged() -> None:
    forces, free = limited(), day().forces
    force = forces["tyre_force"].to_numpy().astype(float)
    over = np.hypot(force[..., 0], force[..., 1]) - LIMIT * force[..., 2]
    assert over.max() < 0.01  # N, single precision
    flagged = (forces["status"].to_numpy() & BIT["friction_limited"]) > 0
    was = beyond_limit(free["tyre_force"].to_numpy().astype(float), LIMIT)
    assert was.sum() > 100
    assert np.array_equal(flagged, was)  # corners that stand alone move alone
    assert_allclose(forces["tyre_force"].to_numpy()[~was], free["tyre_force"].to_numpy()[~was])
    assert_allclose(forces["tyre_force_unbounded"], free["tyre_force_unbounded"])


def test_the_wheels_of_a_tied_axle_are_limited_together() -> None:
    made = axle_day("strut")
    prepared = prepare(made.calibration, made.described, made.conditioned)
    whole, alone = (prepared.solve(made.conditioned, friction_limit=limit) for limit in (0.8, None))
    force = whole["tyre_force"].to_numpy().astype(float)
    assert (np.hypot(force[..., 0], force[..., 1]) - 0.8 * force[..., 2]).max() < 0.01
    flagged = (whole["status"].to_numpy() & BIT["friction_limited"]) > 0
    one = flagged.any(axis=1) & ~flagged.all(axis=1)
    assert one.sum() > 20
    moved = np.abs(whole["tyre_force"] - alone["tyre_force"]).max("component").to_numpy()
    # The partner of a wheel at its limit moves a little with it.
    assert np.median(moved[one][~flagged[one]]) > 1e-3


def test_a_limited_sample_never_enters_a_grip_estimate() -> None:
    found = friction_use(limited())
    flagged = (limited()["status"].to_numpy() & BIT["friction_limited"]) > 0
    assert flagged.sum() > 100
    assert not np.isfinite(found["friction_use"].to_numpy()[flagged]).any()
    assert float(found["highest_demonstrated_use"].max()) < LIMIT


def test_the_whole_car_keeps_to_the_limit_too() -> None:
    prepared = prepare(day().calibration, day().car, day().conditioned)
    forces = prepared.solve(day().conditioned, friction_limit=LIMIT)
    found = with_whole_car(prepared, day().conditioned, forces, friction_limit=LIMIT)
    force = found["tyre_force_whole_car"].to_numpy().astype(float)
    over = np.hypot(force[..., 0], force[..., 1]) - LIMIT * force[..., 2]
    assert over.max() < 0.01  # N, single precision
    held = found["whole_car_at_bound"].to_numpy() > 0
    assert held.sum() > 100
    assert np.abs(over[held]).max() < 0.01


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan"), float("inf")])
def test_limits_that_make_no_sense_are_refused(limit: float) -> None:
    with pytest.raises(DataError, match=rf"friction_limit = {limit:g}; need a ratio"):
        recon.reconstruct(day().conditioned, day().calibration, day().car, friction_limit=limit)


def test_a_limit_without_bounds_is_refused() -> None:
    prepared = prepare(day().calibration, day().car, day().conditioned)
    with pytest.raises(DataError, match=r"friction_limit = 2\.5 without bounds"):
        prepared.solve(day().conditioned, bounded=False, friction_limit=2.5)


def test_a_problem_that_cannot_be_solved_is_our_fault(monkeypatch) -> None:
    force, P = drawn(50, 2, seed=3)
    monkeypatch.setattr("recon.reconstruction.solving.friction_limit.STEPS", 1)
    with pytest.raises(SolveError, match=r"friction limit 1: a scaled residual of \d"):
        limit_wheels(force, P, 1.0)
