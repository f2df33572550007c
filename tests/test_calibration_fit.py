"""The joint fit of the map: recovers what was planted, with a covariance that tells the truth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError
from recon.base.threads import one_thread
from recon.calibration import crosstalk_fit as fitting
from recon.calibration.applied import Pull, pulls_of
from recon.calibration.crosstalk_fit import Problem, Step, joint_fit
from recon.calibration.gross_errors import standardised_readings
from recon.calibration.lines_of_action import Line
from recon.calibration.noise import PullNoise, noise_of
from recon.calibration.prior import BridgePrior, bridge_prior
from recon.calibration.solution import JointFit
from recon.calibration.unsure_geometry import UnsureGeometry
from recon.mechanics.assembly import assembly_of
from tests.days import exact

CAUSES = 3  # of the geometry
N = 100  # repeats of the Monte Carlo


def thinned(pull: Pull, steps: list[int]) -> Pull:
    """The pull with some of its load steps."""
    return replace(
        pull,
        line_of_file=pull.line_of_file[steps],
        load=pull.load[:, steps],
        moved=pull.moved[steps],
        geometry=replace(pull.geometry, loads=pull.geometry.loads[:, steps]),
        u_step=pull.u_step[steps],
        falling=pull.falling[steps],
        indication=pull.indication[steps],
        taring=replace(
            pull.taring, step_time=pull.taring.step_time[steps], share=pull.taring.share[steps]
        ),
    )


@cache
def bench() -> tuple[tuple[Pull, ...], np.ndarray, BridgePrior, PullNoise]:
    """A few steps of each pull with exact indications, planted K, prior and noise."""
    car = exact().car
    unit = assembly_of(car, "FL")
    pulls = [thinned(p, [1, 4, 6]) for p in pulls_of(exact().pulls, car, unit, "fit")]
    rng = np.random.default_rng(8)
    # As of points that are off in pulls at several poses: shares of K and of the loads.
    taken_up = 0.05 * rng.standard_normal((CAUSES, 6, 6))
    pulls = [
        replace(p, geometry=UnsureGeometry(taken_up, 2.0 * rng.standard_normal((CAUSES, 3, 6))))
        for p in pulls
    ]
    prior = bridge_prior("sheet", unit, pulls)
    own = np.where(prior.mean != 0, prior.mean, 0.0)
    K = own + prior.u * rng.standard_normal(own.shape)  # a car that the prior was meant for
    pulls = [replace(p, indication=p.wrench() @ p.members.T @ K.T) for p in pulls]
    largest = np.max([np.abs(p.indication).max(axis=0) for p in pulls], axis=0)
    u = 5e-4 * largest
    return tuple(pulls), K, prior, PullNoise(scatter=u, reading=u, wander=0.1 * u)


def drifting(pulls: list[Pull], noise: PullNoise, rng) -> list[Pull]:
    """The pulls with noise in every reading, tares as well, and zeros that walk all the while."""
    times = np.concatenate([[*p.taring.step_time, *p.taring.tare_time] for p in pulls])
    order = np.argsort(times)
    ticks = np.sqrt(np.diff(times[order], prepend=times[order][0]))
    off = noise.reading * rng.standard_normal((len(times), len(noise.reading)))
    draws = rng.standard_normal(off.shape)
    off[order] += noise.wander * np.cumsum(ticks[:, None] * draws, axis=0)
    out = []
    for pull in pulls:
        n, both = len(pull.taring.step_time), sum(pull.taring.share.shape)
        steps, tares, off = off[:n], off[n:both], off[both:]
        taring = replace(pull.taring, indication=pull.taring.indication + tares)
        seen = pull.indication + steps - pull.taring.share @ tares
        out.append(replace(pull, indication=seen, taring=taring))
    return out


def truly_pulled(pull: Pull, K: np.ndarray, off: dict, noise: PullNoise, rng) -> Pull:
    """What the gauges show where lines, loads and indications are off as their figures say.

    Gains of the devices and sizes of the geometry's causes are `off` in all pulls alike.
    """
    wrench = np.zeros((pull.load.shape[1], 6))
    for d, line in enumerate(pull.lines):
        beside = np.linalg.cholesky(line.covariance) @ rng.standard_normal(4)
        true = Line(
            line.point + beside[:2] @ line.across,
            line.direction + beside[2:] @ line.across,
            line.across,
            line.covariance,
        )
        error = np.hypot(pull.u_step * pull.load[d], 0.5) * rng.standard_normal(len(wrench))
        load = pull.load[d] * (1 + off[pull.devices[d]]) + error
        wrench += load[:, None] * pull.columns(true)[:, 0]
    loads = wrench @ pull.members.T + np.tensordot(off["geometry"], pull.geometry.loads, axes=1)
    return drifting([replace(pull, indication=loads @ K.T)], noise, rng)[0]


@cache
def repeats() -> tuple[np.ndarray, list[JointFit]]:
    """Errors of K (repeat, term) and the fits; prior, lines, gains, loads and noise redrawn."""
    pulls, K, prior, noise = bench()
    pulls = [thinned(p, [0, 1]) for p in pulls]  # rising steps only: no hysteresis to draw
    errors, fits = [], []
    with one_thread():
        for i in range(N):
            rng = np.random.default_rng([8, i])
            off: dict = {d: 0.003 * rng.standard_normal() for d in ("strap", "pad")}
            off["geometry"] = rng.standard_normal(CAUSES)
            drawn = [truly_pulled(p, K, off, noise, rng) for p in pulls]
            bridges = K - np.tensordot(off["geometry"], prior.taken_up, axes=1)
            bridges += prior.u * rng.standard_normal(K.shape)
            fit = joint_fit(drawn, replace(prior, mean=bridges), noise)
            errors.append((fit.K - K).ravel())
            fits.append(fit)
    return np.array(errors), fits


def test_exact_data_give_the_planted_map() -> None:
    pulls, K, prior, noise = bench()
    told = BridgePrior(K, np.full_like(K, np.inf), prior.taken_up)
    fit = joint_fit(list(pulls), told, noise)
    # Nothing contradicts anything: rounding, and the stop at 1e-5 standard uncertainties.
    assert_allclose(fit.K, K, rtol=0, atol=1e-6 * np.max(np.abs(K)))
    assert fit.cost == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("held", [True, False], ids=["brake", "half-shaft"])
def test_jacobian_against_finite_differences(held: bool) -> None:
    """Derivatives by all unknowns, at a point where no correction is zero."""
    pulls, _, prior, noise = bench()
    problem = Problem(
        [replace(p, wheel=replace(p.wheel, turns_hub=held)) for p in pulls],
        prior,
        noise,
        Step(2, 1),
    )
    rng = np.random.default_rng(0)
    x = problem.start + 0.3 * rng.standard_normal(len(problem.start))
    x[: prior.mean.size] = problem.start[: prior.mean.size]

    def residual(at: np.ndarray) -> np.ndarray:
        return np.concatenate([rows.residual for rows in problem.rows(at)])

    rows = list(problem.rows(x))
    analytic = np.zeros((len(residual(x)), len(x)))
    first = 0
    for r in rows:
        analytic[first : first + len(r.residual), r.places] = r.jacobian
        first += len(r.residual)
    gradient = problem.normal(rows, x)[1]
    h = 1e-5
    for k in range(len(x)):
        step = np.zeros_like(x)
        step[k] = h
        slope = (residual(x + step) - residual(x - step)) / (2 * h)
        # Rounding: residuals to 4e3 known to 1e-12, over 2e-5.
        assert_allclose(analytic[:, k], slope, rtol=1e-6, atol=1e-6, err_msg=f"unknown {k}")
        both = [problem.cost(x + s * step, list(problem.rows(x + s * step))) for s in (1, -1)]
        # The cost, some 1e8, is known to 1e-16 of it, over 4e-5.
        assert gradient[k] == pytest.approx((both[0] - both[1]) / (4 * h), rel=1e-5, abs=1e-2)


def test_covariance_against_monte_carlo() -> None:
    """Errors of K over its covariance, as a whole (chi square) and term by term."""
    errors, fits = repeats()
    n = errors.shape[1]
    chi = [e @ np.linalg.solve(f.K_covariance, e) for e, f in zip(errors, fits, strict=True)]
    # Chi square of 36 terms over 100 repeats has standard error sqrt(2 * 36 / 100) = 0.85; three.
    assert np.mean(chi) == pytest.approx(n, abs=2.6)
    z = np.array([e / np.sqrt(np.diag(f.K_covariance)) for e, f in zip(errors, fits, strict=True)])
    spread = np.sqrt(np.mean(z**2, axis=0))
    assert np.all(np.abs(spread - 1) < 0.30)  # standard error 7 %; 36 terms, four times
    assert np.all(np.abs(z.mean(axis=0)) < 0.4)  # standard error 0.1, four times


def test_cost_is_that_of_the_degrees_of_freedom() -> None:
    """Readings and lines that are as unsure as they say leave a cost per freedom of one."""
    _, fits = repeats()
    freedom = sum(
        r.residual.size for r in fits[0].rows
    )  # priors add as many terms as they add unknowns
    # Chi square over 100 repeats: sqrt(2 * 168 / 100) = 1.8 of 168; three.
    assert np.mean([f.cost for f in fits]) == pytest.approx(freedom, abs=5.5)


def test_readings_are_judged_by_their_own_scatter() -> None:
    """Standardised errors of readings that are as unsure as they say have a mean square of one."""
    _, fits = repeats()
    scores = np.array([[s.score for s in standardised_readings(fit)] for fit in fits])
    assert scores.shape[1] == 30
    # The mean square of one repeat scatters by 0.3, of 100 by 0.03; three.
    assert np.mean(scores**2) == pytest.approx(1.0, abs=0.09)


def test_gains_split_into_a_shared_effect() -> None:
    """What is left and the gains' effects make the whole; an effect is K times the gain."""
    pulls, K, prior, noise = bench()
    straps = [thinned(p, [0, 1]) for p in pulls if p.devices == ("strap",)]
    told = BridgePrior(K, np.full_like(K, np.inf), prior.taken_up)
    fit = joint_fit(straps, told, noise)
    own = np.sum(list(fit.covariance_by_source().values()), axis=0)
    effects = fit.gain_effects()
    assert list(fit.of_kind("gain")) == [("gain", "strap")]
    whole = own + effects.T @ effects
    # Found part by part: rounding, times the condition of the normal matrix (some 1e7).
    assert_allclose(whole, fit.K_covariance, rtol=0, atol=1e-8 * np.max(whole))
    # All loads 0.3 % larger than written and nothing else: K comes out so much smaller per newton.
    u = float(fit.blocks["gain", "strap"].scale[0])
    assert u == pytest.approx(0.003)
    assert_allclose(effects[0].reshape(K.shape), -u * K, rtol=0, atol=1e-4 * u * np.max(np.abs(K)))
    # And so it does: a cell that reads 0.3 % too little makes K 0.3 % too large.
    light = [replace(p, load=p.load / (1 + u)) for p in straps]
    moved = joint_fit(light, told, noise).K - fit.K
    assert_allclose(moved, u * K, rtol=0, atol=0.02 * u * np.max(np.abs(K)))  # u^2, and weights
    assert np.linalg.eigvalsh(own)[0] > -1e-9 * np.max(own)  # a covariance, but for rounding


def test_sources_add_up_to_the_covariance_and_each_is_its_own() -> None:
    """Nothing is lost or counted twice; a part is gone where its cause is."""
    pulls, _, prior, noise = bench()
    fit = joint_fit(list(pulls), prior, noise)
    parts = fit.covariance_by_source()
    gains = [fit.effect(*key) for key in fit.of_kind("gain")]
    whole = sum(parts.values()) + sum(g @ g.T for g in gains)
    scale = np.max(np.abs(fit.K_covariance))
    # Rounding, times the condition of the normal matrix (some 3e8): a part that were lost would
    # show, as the least one is far larger; this bench has no uncertain wheel centre.
    rounding = np.finfo(float).eps * np.linalg.cond(fit.covariance)
    assert_allclose(whole, fit.K_covariance, rtol=0, atol=rounding * scale)
    assert [s for s, part in parts.items() if np.max(np.abs(part)) < 100 * rounding * scale] == [
        "wheel centre"
    ]
    assert np.all([np.linalg.eigvalsh(part)[0] > -1e-9 * scale for part in parts.values()])
    # Without its cause a part goes, and it alone.
    sure = [
        replace(p, lines=tuple(replace(x, covariance=1e-12 * x.covariance) for x in p.lines))
        for p in pulls
    ]
    without = joint_fit(sure, prior, noise).covariance_by_source()
    before, after = ({n: np.trace(part) for n, part in of.items()} for of in (parts, without))
    assert after["lines"] < 1e-9 * before["lines"]
    assert after["readings"] > 0.1 * before["readings"] > 0  # better lines, other weights
    assert before["wheel centre"] == 0.0  # every pull was held by the brake


def test_influence_by_downdating_is_the_solution_without_the_rows() -> None:
    """Against the normal equations without that pull's rows, solved anew."""
    pulls, K, prior, noise = bench()
    rng = np.random.default_rng(5)
    drawn = [
        truly_pulled(p, K, {"strap": 0.0, "pad": 0.0, "geometry": np.zeros(CAUSES)}, noise, rng)
        for p in pulls
    ]
    fit = joint_fit(drawn, prior, noise)
    problem = Problem(drawn, prior, noise)
    for p in (0, 7):
        rest = [rows for i, rows in enumerate(fit.rows) if i != p]
        normal, gradient = problem.normal(rest, fit.deviation)
        own = fit.blocks["K",]
        change = -np.linalg.solve(normal, gradient)[own.place] * own.scale
        # Rounding of a normal matrix of condition 1e5, and the stop of the fit.
        tolerance = 1e-4 * np.max(np.abs(change))
        assert_allclose(fit.influence(p).ravel(), change, rtol=0, atol=tolerance)
        # The sum of squares falls by what the rest alone would move for, and by the rows' own.
        moved = np.linalg.solve(normal, gradient)
        cost = problem.cost(fit.deviation, rest) - gradient @ moved
        dof = fit.lack_of_fit[1] - len(fit.rows[p].residual)
        assert fit.lack_without(p) == pytest.approx(cost / dof, rel=1e-6)


def test_a_fit_that_does_not_come_to_rest_is_refused(monkeypatch) -> None:
    pulls, _, prior, noise = bench()
    monkeypatch.setattr(fitting, "MOST_STEPS", 1)
    with pytest.raises(DataError, match=r"pulls of FL: the fit still moves by \d[\d.e+]* standard"):
        joint_fit(list(pulls), prior, noise)


def test_a_step_left_out_changes_nothing() -> None:
    pulls, _, prior, noise = bench()
    spoiled = list(pulls)
    load = spoiled[3].load.copy()
    load[0, 1] *= 1.3
    spoiled[3] = replace(spoiled[3], load=load)
    clean = joint_fit(list(pulls), prior, noise, Step(3, 1))
    without = joint_fit(spoiled, prior, noise, Step(3, 1))
    within = joint_fit(spoiled, prior, noise)
    unit = np.sqrt(np.diag(clean.K_covariance)).reshape(clean.K.shape)
    assert np.max(np.abs(without.K - clean.K) / unit) < 1e-3  # rounding
    assert np.max(np.abs(within.K - clean.K) / unit) > 1.0  # twin: it would have mattered


def test_influence_is_the_change_without_the_pull() -> None:
    """First order against a fit without the pull: same direction, same size within a third."""
    _, K, prior, noise = bench()
    rng = np.random.default_rng(77)
    gain = {"strap": 0.0, "pad": 0.0, "geometry": np.zeros(CAUSES)}
    drawn = [truly_pulled(thinned(p, [0, 1]), K, gain, noise, rng) for p in bench()[0]]
    whole = joint_fit(drawn, prior, noise)
    p = 5
    real = joint_fit([q for i, q in enumerate(drawn) if i != p], prior, noise).K - whole.K
    told = whole.influence(p)
    assert np.corrcoef(real.ravel(), told.ravel())[0, 1] > 0.95
    assert np.linalg.norm(told) / np.linalg.norm(real) == pytest.approx(1.0, abs=0.33)


@pytest.mark.parametrize("wander", [0.0, 0.002])
def test_noise_and_wander_are_found_beside_loads_and_lines(wander: float) -> None:
    """Type A, whatever loads were written down: mV/V of readings, and per root second of zeros."""
    car = exact().car
    pulls = pulls_of(exact().pulls, car, assembly_of(car, "FL"), "fit")
    true = PullNoise(np.full(6, 0.02), np.full(6, 0.02), np.full(6, wander))
    rng = np.random.default_rng(4)
    found = [noise_of(drifting(pulls, true, rng)) for _ in range(60)]
    reading, walked = (
        np.mean(np.square([getattr(f, name) for f in found]), axis=0)
        for name in ("reading", "wander")
    )
    # Variances of 60 days with some 50 freedoms a gauge, and 12 pauses: 3 % and 6 % of what
    # pauses see; three times.  Wander that chance makes negative counts as none.
    assert_allclose(np.mean(reading), 0.02**2, rtol=0.1)
    assert np.mean(walked) == pytest.approx(wander**2, abs=0.2 * (wander**2 + 2 * 0.02**2 / 240))
    # A gauge that carries most of a pattern gives up more of its noise to it: at most the whole
    # 1/3 of its variance instead of 1/18, halved by pooling; and 5 % of chance.
    assert np.all(np.abs(reading / np.mean(reading) - 1) < 0.2)


def test_wander_is_no_more_than_half_of_the_scatter_within_pulls() -> None:
    """Hands on cables move zeros between pulls: that is not what they do under load."""
    car = exact().car
    pulls = pulls_of(exact().pulls, car, assembly_of(car, "FL"), "fit")
    rng = np.random.default_rng(6)
    true = PullNoise(np.full(6, 0.02), np.full(6, 0.02), np.zeros(6))
    calm = drifting(pulls, true, rng)
    handled = [
        replace(p, taring=replace(p.taring, indication=p.taring.indication + 3 * i))
        for i, p in enumerate(calm)
    ]
    found, alone = noise_of(handled), noise_of(calm)
    assert_allclose(found.scatter, alone.scatter)
    unmoved = found.scatter**2 / np.mean(alone.scatter**2) * np.mean(alone.reading**2)
    assert_allclose(found.reading**2, 0.5 * unmoved, rtol=0.1)  # the little wander found alone


def test_pulls_of_two_loads_show_their_noise_in_the_tares() -> None:
    """A rising and a falling step leave nothing of a pattern and of hysteresis."""
    car = exact().car
    pulls = pulls_of(exact().pulls, car, assembly_of(car, "FL"), "fit")
    true = PullNoise.white(np.full(6, 0.02))
    rng = np.random.default_rng(12)
    found = [
        noise_of([thinned(p, [3, 5]) for p in drifting(pulls, true, rng)]).reading
        for _ in range(60)
    ]
    # Variances of 60 days with some 25 changes of tares: 3 %; three times.
    assert_allclose(np.mean(np.square(found)), 0.02**2, rtol=0.1)


def test_stamps_to_the_minute_are_spread_evenly() -> None:
    """Steps within a minute are not one moment: their zeros wander apart."""
    sheet = exact().pulls
    coarse = replace(sheet, clock=120.0 * np.floor(sheet.clock / 120.0))
    car = exact().car
    fine, rough = (
        pulls_of(of, car, assembly_of(car, "FL"), "fit")[0].taring for of in (sheet, coarse)
    )
    assert_allclose(np.diff(rough.step_time), 53.3, atol=0.1)  # 480 s in nine steps
    assert_allclose(np.diag(rough.by_wander), np.diag(fine.by_wander), rtol=0.3)
    assert np.all(np.linalg.eigvalsh(rough.by_wander) > 10.0)  # s; rows at one moment have none


def test_pulls_without_pauses_or_steps_show_no_wander() -> None:
    """Without them it counts as noise; one step shows not even that."""
    car = exact().car
    pulls = pulls_of(exact().pulls, car, assembly_of(car, "FL"), "fit")
    rng = np.random.default_rng(7)
    true = PullNoise(np.full(6, 0.02), np.full(6, 0.02), np.full(6, 0.002))
    drawn = drifting(pulls, true, rng)
    apart = [
        replace(p, taring=replace(
            p.taring,
            tare_time=p.taring.tare_time + 1e4 * i,
            step_time=p.taring.step_time + 1e4 * i,
        ))
        for i, p in enumerate(drawn)
    ]  # fmt: skip
    found = noise_of(apart)
    assert np.all(found.wander == 0)
    assert np.all(found.reading > noise_of(drawn).reading)
    floor = 1e-4 * np.abs(pulls[0].indication[0])
    assert_allclose(noise_of([thinned(pulls[0], [0])]).reading, floor)
