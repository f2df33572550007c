"""The joint fit of the map: recovers what was planted, with a covariance that tells the truth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.threads import one_thread
from recon.calibration.calibrate import split_gains
from recon.calibration.fit import Fit, Prior, _Problem, fit_map, noise_of
from recon.calibration.prior import bridge_prior
from recon.calibration.pulls import Line, Pull, pulls_of
from recon.mechanics.mechanism import assembly_of
from tests.roundtrip.test_roundtrip import exact

NONE: frozenset[tuple[int, int]] = frozenset()
N = 100  # repeats of the Monte Carlo


def thinned(pull: Pull, steps: list[int]) -> Pull:
    """The pull with some of its load steps."""
    return replace(
        pull,
        line_of_file=pull.line_of_file[steps],
        load=pull.load[:, steps],
        moved=pull.moved[steps],
        u_step=pull.u_step[steps],
        falling=pull.falling[steps],
        indication=pull.indication[steps],
    )


@cache
def bench() -> tuple[tuple[Pull, ...], np.ndarray, Prior, np.ndarray]:
    """A few steps of each pull with exact indications, planted K, prior and noise."""
    car = exact().car
    unit = assembly_of(car, "FL")
    pulls = [thinned(p, [1, 4, 6]) for p in pulls_of(exact().pulls, car, unit, "fit")]
    rng = np.random.default_rng(8)
    prior = bridge_prior("sheet", unit, pulls)
    own = np.where(prior.mean != 0, prior.mean, 0.0)
    K = own + prior.u * rng.standard_normal(own.shape)  # a car that the prior was meant for
    pulls = [replace(p, indication=p.wrench() @ p.members.T @ K.T) for p in pulls]
    largest = np.max([np.abs(p.indication).max(axis=0) for p in pulls], axis=0)
    return tuple(pulls), K, prior, 5e-4 * largest


def truly_pulled(pull: Pull, K: np.ndarray, gain: dict, noise: np.ndarray, rng) -> Pull:
    """What the gauges show where lines, loads and indications are off as their figures say."""
    wrench = np.zeros((pull.load.shape[1], 6))
    for d, line in enumerate(pull.lines):
        off = np.linalg.cholesky(line.covariance) @ rng.standard_normal(4)
        true = Line(
            line.point + off[:2] @ line.across,
            line.direction + off[2:] @ line.across,
            line.across,
            line.covariance,
        )
        error = np.hypot(pull.u_step * pull.load[d], 0.5) * rng.standard_normal(len(wrench))
        load = pull.load[d] * (1 + gain[pull.devices[d]]) + error
        wrench += load[:, None] * pull.columns(true)[:, 0]
    seen = wrench @ pull.members.T @ K.T
    return replace(pull, indication=seen + noise * rng.standard_normal(seen.shape))


@cache
def repeats() -> tuple[np.ndarray, list[Fit]]:
    """Errors of K (repeat, term) and the fits; prior, lines, gains, loads and noise redrawn."""
    pulls, K, prior, noise = bench()
    pulls = [thinned(p, [0, 1]) for p in pulls]  # rising steps only: no hysteresis to draw
    errors, fits = [], []
    with one_thread():
        for i in range(N):
            rng = np.random.default_rng([8, i])
            gain = {d: 0.003 * rng.standard_normal() for d in ("strap", "pad")}
            drawn = [truly_pulled(p, K, gain, noise, rng) for p in pulls]
            off = Prior(K + prior.u * rng.standard_normal(K.shape), prior.u)
            fit = fit_map(drawn, off, noise, NONE)
            errors.append((fit.K - K).ravel())
            fits.append(fit)
    return np.array(errors), fits


def test_exact_data_give_the_planted_map() -> None:
    pulls, K, _, noise = bench()
    told = Prior(K, np.full_like(K, np.inf))
    fit = fit_map(list(pulls), told, noise, NONE)
    # Nothing contradicts anything: rounding, and scipy's stop at 1e-9 of the cost.
    assert_allclose(fit.K, K, rtol=0, atol=1e-6 * np.max(np.abs(K)))
    assert fit.cost == pytest.approx(0.0, abs=1e-6)


def test_jacobian_against_finite_differences() -> None:
    """All residuals by all unknowns, at a point where no correction is zero."""
    pulls, _, prior, noise = bench()
    problem = _Problem(list(pulls), prior, noise, frozenset({(2, 1)}))
    rng = np.random.default_rng(0)
    x = 0.3 * rng.standard_normal(problem.layout.size)
    x[: prior.mean.size] = problem.first_guess().ravel() / problem.scale[: prior.mean.size]
    x[problem.layout.branch] = 0.7 / problem.scale[problem.layout.branch]
    analytic = problem.terms(x)[1]
    h = 1e-5
    for k in range(len(x)):
        step = np.zeros_like(x)
        step[k] = h
        slope = (problem.terms(x + step)[0] - problem.terms(x - step)[0]) / (2 * h)
        # Rounding: residuals to 4e3 known to 1e-12, over 2e-5.
        assert_allclose(analytic[:, k], slope, rtol=1e-6, atol=1e-6, err_msg=f"unknown {k}")


def test_covariance_against_monte_carlo() -> None:
    """Errors of K over its covariance, as a whole (chi square) and term by term."""
    errors, fits = repeats()
    n = errors.shape[1]
    chi = [e @ np.linalg.solve(f.covariance[:n, :n], e) for e, f in zip(errors, fits, strict=True)]
    # Chi square of 36 terms over 100 repeats has standard error sqrt(2 * 36 / 100) = 0.85; three.
    assert np.mean(chi) == pytest.approx(n, abs=2.6)
    z = np.array(
        [e / np.sqrt(np.diag(f.covariance)[:n]) for e, f in zip(errors, fits, strict=True)]
    )
    spread = np.sqrt(np.mean(z**2, axis=0))
    assert np.all(np.abs(spread - 1) < 0.30)  # standard error 7 %; 36 terms, four times
    assert np.all(np.abs(z.mean(axis=0)) < 0.4)  # standard error 0.1, four times


def test_cost_is_that_of_the_degrees_of_freedom() -> None:
    """Readings and lines that are as unsure as they say leave a cost per freedom of one."""
    _, fits = repeats()
    freedom = fits[0].residual.size  # priors add as many terms as they add unknowns
    # Chi square over 100 repeats: sqrt(2 * 168 / 100) = 1.8 of 168; three.
    assert np.mean([f.cost for f in fits]) == pytest.approx(freedom, abs=5.5)


def test_gains_split_into_a_shared_effect() -> None:
    """What is left and the gains' effects make the whole; an effect is K times the gain."""
    pulls, K, _, noise = bench()
    straps = [thinned(p, [0, 1]) for p in pulls if p.devices == ("strap",)]
    told = Prior(K, np.full_like(K, np.inf))
    fit = fit_map(straps, told, noise, NONE)
    own, effects = split_gains(fit)
    n = K.size
    assert fit.layout.devices == ("strap",)
    whole = own + effects.T @ effects
    assert_allclose(whole, fit.covariance[:n, :n], rtol=0, atol=1e-12 * np.max(whole))  # rounding
    # All loads 0.3 % larger than written and nothing else: K comes out so much smaller per newton.
    u = fit.gains["strap"]
    assert u == pytest.approx(0.003)
    assert_allclose(effects[0].reshape(K.shape), -u * K, rtol=0, atol=1e-4 * u * np.max(np.abs(K)))
    # And so it does: a cell that reads 0.3 % too little makes K 0.3 % too large.
    light = [replace(p, load=p.load / (1 + u)) for p in straps]
    moved = fit_map(light, told, noise, NONE).K - fit.K
    assert_allclose(moved, u * K, rtol=0, atol=0.02 * u * np.max(np.abs(K)))  # u^2, and weights
    assert np.linalg.eigvalsh(own)[0] > -1e-9 * np.max(own)  # a covariance, but for rounding


def test_a_step_left_out_changes_nothing() -> None:
    pulls, _, prior, noise = bench()
    spoiled = list(pulls)
    load = spoiled[3].load.copy()
    load[0, 1] *= 1.3
    spoiled[3] = replace(spoiled[3], load=load)
    clean = fit_map(list(pulls), prior, noise, frozenset({(3, 1)}))
    without = fit_map(spoiled, prior, noise, frozenset({(3, 1)}))
    within = fit_map(spoiled, prior, noise, NONE)
    unit = np.sqrt(np.diag(clean.covariance))[: clean.K.size].reshape(clean.K.shape)
    assert np.max(np.abs(without.K - clean.K) / unit) < 1e-3  # the optimiser's stop
    assert np.max(np.abs(within.K - clean.K) / unit) > 1.0  # twin: it would have mattered


def test_influence_is_the_change_without_the_pull() -> None:
    """First order against a fit without the pull: same direction, same size within a third."""
    _, K, prior, noise = bench()
    rng = np.random.default_rng(77)
    gain = {"strap": 0.0, "pad": 0.0}
    drawn = [truly_pulled(thinned(p, [0, 1]), K, gain, noise, rng) for p in bench()[0]]
    whole = fit_map(drawn, prior, noise, NONE)
    p = 5
    real = fit_map([q for i, q in enumerate(drawn) if i != p], prior, noise, NONE).K - whole.K
    told = whole.influence(p, drawn)
    assert np.corrcoef(real.ravel(), told.ravel())[0, 1] > 0.95
    assert np.linalg.norm(told) / np.linalg.norm(real) == pytest.approx(1.0, abs=0.33)


def test_noise_is_found_beside_loads_and_lines() -> None:
    """Type A noise of the indications, whatever loads were written down."""
    pulls = bench()[0]
    rng = np.random.default_rng(4)
    found = []
    for _ in range(30):
        drawn = [
            replace(p, indication=p.indication + 0.02 * rng.standard_normal(p.indication.shape))
            for p in pulls
        ]
        found.append(noise_of(drawn))
    # 30 repeats of 14 pulls with some 10 freedoms: sqrt(1 / 8400) = 1.1 %, three times.
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(0.02, rel=0.033)
    # A gauge that carries most of a pattern gives up more of its noise to it: at most the whole
    # 1/3 of its variance instead of 1/18, halved by pooling, 8 %; and 2 % of chance.
    assert_allclose(np.mean(found, axis=0), 0.02, rtol=0.10)
    assert np.all(np.isnan(noise_of([thinned(pulls[0], [0])])))  # one step shows no noise
