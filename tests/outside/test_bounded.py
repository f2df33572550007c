"""The bound Fz >= 0 against published answers and against a general convex solver."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cvxpy as cp
import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.car.linkage import lone
from recon.car.vehicle import Corner, Tyre
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import pose
from recon.planning.unknowns import Reference, prior_u, tyre_columns
from recon.reconstruction.estimator.linear_estimator import estimator, loads_of
from recon.reconstruction.solving.fz_bound import bound_vertical, bound_wheels
from recon.reconstruction.solving.interval_limits import COVERAGE_FACTOR, limits_of
from tests.conic_reference import bounded_reference

Floats = NDArray[np.float64]
Differ = Callable[..., bool]
N = 200
# In standard uncertainties.  A conic solver stops on its objective, here at 1e-9: half the
# squared distance from the optimum, so the answer itself is good to sqrt(2e-9) = 4.5e-5.
STOP = 5e-5


def bounded_both(design: Floats, seen: Floats) -> Floats:
    """Least squares with both unknowns >= 0 for columns at right angles: one bound at a time."""
    covariance = np.eye(3)
    covariance[:2, :2] = np.linalg.inv(design.T @ design)
    force = np.zeros((1, 3))
    force[0, :2] = np.linalg.lstsq(design, seen, rcond=None)[0]
    for normal in (np.array([[1.0, 0, 0]]), np.array([[0.0, 1, 0]])):
        force, _ = bound_vertical(force, covariance[None], normal)
    return force[0, :2]


DESIGN = np.array([[1.0, 0], [1, 0], [0, 1]])


@pytest.mark.source("H1: non-negative least squares")
@pytest.mark.parametrize(
    ("seen", "answer", "residual"),
    [([2.0, 1, 1], [1.5, 1.0], 0.70710678), ([-1.0, -1, -1], [0.0, 0.0], 1.73205081)],
)
def test_published_non_negative_answers(
    far_apart: Differ, seen: list, answer: list, residual: float
) -> None:
    found = bounded_both(DESIGN, np.array(seen))
    assert_allclose(found, answer, rtol=0, atol=1e-12)  # exact: rounding only
    assert np.linalg.norm(DESIGN @ found - seen) == pytest.approx(residual, abs=5e-9)  # printed
    # Twin: one reading's sign lost, or no bound at all, misses answer or residual.
    spoiled = np.array(seen) * [1, 1, -1]
    twin = np.linalg.norm(DESIGN @ bounded_both(DESIGN, spoiled) - seen)
    assert far_apart(twin, residual)


@pytest.mark.source("H1: the reference solver")
@pytest.mark.parametrize(
    ("seen", "answer"), [([2.0, 1, 1], [1.5, 1.0]), ([-1.0, -1, -1], [0.0, 0.0])]
)
def test_reference_solver_gives_the_published_answers(
    far_apart: Differ, seen: list, answer: list
) -> None:
    """In kilonewtons, each unknown bounded in turn as above; the other four are not seen."""
    H = np.zeros((3, 6))
    H[:, :2] = DESIGN
    # Readings to 1 N, priors of 1e8 N: shift the answer by 1e-16.
    weights = (np.eye(3), np.full(6, 1e8))
    found = [
        bounded_reference(H, 1e3 * np.array(seen), *weights, normal)[k]
        for k, normal in enumerate(np.eye(3)[:2])
    ]
    assert_allclose(found, 1e3 * np.array(answer), rtol=0, atol=0.1)  # N; see STOP, of 1 N
    free = np.linalg.lstsq(DESIGN, 1e3 * np.array(seen), rcond=None)[0]
    assert far_apart(found, free) == (min(seen) < 0)  # twin: without the bound


@dataclass(frozen=True, slots=True)
class Problems:
    """Random problems of one corner: readings, what the estimator makes of them, road normals."""

    H: Floats
    V: Floats
    u: Floats
    seen: Floats
    force: Floats
    covariance: Floats
    normal: Floats


@pytest.fixture(scope="module")
def problems(hmmwv: Corner) -> Problems:
    """Six gauges with cross-talk, priors of a car, wheels near and off the ground."""
    rng = np.random.default_rng(11)
    K = np.eye(6) + 0.05 * rng.standard_normal((6, 6))
    noise = rng.uniform(5.0, 100.0, 6)  # N
    at = pose(mechanism_of(lone(hmmwv)), rng.uniform(-0.05, 0.05, (N, 1)))
    u = prior_u(hmmwv, Tyre(), Reference(4000.0, 1500.0, braking=4000.0, driving=8000.0), "braked")
    V = np.diag(noise**2)
    found = estimator(K, loads_of(at, tyre_columns(Tyre(), 4000.0), ("braked",)), (V, u))
    truth = rng.standard_normal((N, 6)) * [800, 800, 60, 30, 300, 60]  # N and N m
    seen = np.einsum("ngu,nu->ng", found.H, truth) + noise * rng.standard_normal((N, 6))
    normal = np.array([0.0, 0, 1]) + 0.05 * rng.standard_normal((N, 3))
    return Problems(
        H=found.H,
        V=V,
        u=u,
        seen=seen,
        force=np.einsum("nug,ng->nu", found.W, seen)[:, :3],
        covariance=found.C[:, :3, :3],
        normal=normal / np.linalg.norm(normal, axis=1, keepdims=True),
    )


def solved_by_cvxpy(p: Problems) -> Floats:
    """Each problem in all six unknowns (in units of their priors), bound as a constraint."""
    x = cp.Variable(6)
    design, seen, up = cp.Parameter((6, 6)), cp.Parameter(6), cp.Parameter(6)
    objective = cp.Minimize(cp.sum_squares(design @ x - seen) + cp.sum_squares(x))
    problem = cp.Problem(objective, [up @ x >= 0])
    root = np.diag(1 / np.sqrt(np.diag(p.V)))
    out = []
    for H, y, n in zip(p.H, p.seen, p.normal, strict=True):
        design.value, seen.value = root @ H * p.u, root @ y
        toward = np.concatenate([n * p.u[:3], np.zeros(3)])
        up.value = toward / np.linalg.norm(toward)
        problem.solve(
            solver=cp.CLARABEL, tol_gap_abs=1e-9, tol_gap_rel=1e-14, tol_feas=1e-12,
        )  # fmt: skip
        out.append(x.value[:3] * p.u[:3])
    return np.array(out)


def standardised(error: Floats, covariance: Floats) -> Floats:
    return np.sqrt(np.einsum("ni,nij,nj->n", error, np.linalg.inv(covariance), error))


@pytest.mark.source("P2: convex solver")
def test_bound_agrees_with_a_convex_solver(problems: Problems) -> None:
    bounded, active = bound_vertical(problems.force, problems.covariance, problems.normal)
    assert 50 < active.sum() < N - 50  # both kinds are there
    theirs = solved_by_cvxpy(problems)
    assert np.max(standardised(bounded - theirs, problems.covariance)) < STOP
    # Twin: cutting off the force along the normal forgets that errors go together.
    up = np.einsum("nk,nk->n", problems.force, problems.normal)
    cut = problems.force - np.minimum(up, 0.0)[:, None] * problems.normal
    assert np.max(standardised(cut - theirs, problems.covariance)) > 100 * STOP


@pytest.mark.source("P2: the reference solver of the package")
def test_reference_solver_agrees_too(problems: Problems) -> None:
    some = slice(0, 40)
    bounded, active = bound_vertical(problems.force, problems.covariance, problems.normal)
    assert 10 < active[some].sum() < 30  # both kinds are there
    theirs = [
        bounded_reference(H, y, problems.V, problems.u, n)[:3]
        for H, y, n in zip(
            problems.H[some], problems.seen[some], problems.normal[some], strict=True
        )
    ]
    error = standardised(bounded[some] - theirs, problems.covariance[some])
    # Standard uncertainties.  Default stopping, 1e-8 of the readings' sum of squares (2e5), would
    # allow 0.06; the last step of an interior-point method lands far inside (measured: 6e-6).
    assert np.max(error) < 1e-3


@pytest.mark.source("H4: a bound that is not active")
def test_bound_that_is_not_active_changes_nothing(problems: Problems) -> None:
    bounded, active = bound_vertical(problems.force, problems.covariance, problems.normal)
    assert np.array_equal(bounded[~active], problems.force[~active])
    assert not np.any(np.all(bounded[active] == problems.force[active], axis=1))


@pytest.mark.source("H4: nor its limits")
def test_limits_far_from_the_bound_are_those_without_it(far_apart: Differ) -> None:
    u = np.full((2, 3), 50.0)
    force = np.array([[100.0, -200.0, 3000.0], [100.0, -200.0, 60.0]])
    lower, upper = limits_of(force, u, force[:, 2])
    half = COVERAGE_FACTOR * u
    assert np.array_equal(lower[0], (force - half)[0])
    assert np.array_equal(upper[0], (force + half)[0])
    # Twin: within its uncertainty of the bound the vertical limits do change.
    assert lower[1, 2] == 0.0
    assert far_apart(upper[1, 2], (force + half)[1, 2])


@pytest.mark.source("P2: convex solver, two wheels")
def test_bound_of_two_wheels_against_a_conic_solver() -> None:
    """Forces of a tied axle: every pattern of contact, covariances that couple the wheels."""
    import cvxpy as cp

    rng = np.random.default_rng(5)
    normal = np.array([[0.0, 0.0, 1.0]])
    patterns = set()
    for _ in range(40):
        factor = rng.standard_normal((6, 6)) * np.array([30.0, 40.0, 60.0] * 2)[:, None]
        covariance = factor @ factor.T + 100.0 * np.eye(6)
        free = rng.standard_normal((1, 2, 3)) * [[[500, 500, 300]]]
        found = bound_wheels(free, covariance[None], normal, np.array([True, True]))[0]
        x = cp.Variable(6)
        root = np.linalg.inv(np.linalg.cholesky(covariance))
        objective = cp.Minimize(cp.sum_squares(root @ (x - free.ravel())))
        cp.Problem(objective, [x[2] >= 0, x[5] >= 0]).solve(solver="CLARABEL")
        # The solver's own tolerance on forces of some hundred newtons.
        assert_allclose(found.ravel(), x.value, rtol=0, atol=0.05)
        patterns.add(tuple(np.abs(found[:, 2]) < 1e-6))
    assert len(patterns) == 4  # no wheel, either, both
    # Twin: holding each wheel by itself is no optimum of both.
    alone = bound_vertical(free[:, 0], covariance[None, :3, :3], normal)[0]
    assert alone.shape == (1, 3)


@pytest.mark.source("P2: convex solver, one of two wheels")
def test_bound_leaves_a_wheel_whose_vertical_force_is_not_known() -> None:
    free = np.array([[[10.0, 20.0, -50.0], [0.0, 0.0, -70.0]]])
    covariance = np.diag([100.0] * 6)[None]
    normal = np.array([[0.0, 0.0, 1.0]])
    found = bound_wheels(free, covariance, normal, np.array([True, False]))
    assert_allclose(found[0, :, 2], [0.0, -70.0], atol=1e-9)  # N, rounding
