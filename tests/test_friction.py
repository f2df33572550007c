"""Friction use: gate, uncertainty against Monte Carlo, and the highest that was demonstrated."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.analysis.friction import FEWEST_SAMPLES, LOW_LOAD, friction_use
from recon.base.errors import DataError
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.evaluation.sections.find_sections import find_sections
from recon.reconstruction.result.signed_errors import signed_errors
from recon.records.sheets import GivenSection
from recon.report.answers.friction import friction_summary, plot_friction_plane
from tests.days import day
from tests.made_tyres import N, Three, made, steady


def test_use_is_the_flat_force_over_the_vertical_one() -> None:
    found = friction_use(made(steady()))
    assert_allclose(found["friction_use"], 0.8, rtol=1e-12)  # 3-4-5
    assert_allclose(found["highest_demonstrated_use"], 0.8, rtol=1e-6)  # the search's stop
    assert found["samples_used"].item() == N


@pytest.mark.parametrize("u", [(30, 0, 0), (0, 30, 0), (0, 0, 40), (20, 30, 40)])
def test_uncertainty_of_use_against_monte_carlo(u: Three) -> None:
    found = friction_use(made(steady(), u=u))
    rng = np.random.default_rng(17)
    drawn = steady()[0] + np.array(u) * rng.standard_normal((200_000, 3))
    spread = np.std(np.hypot(drawn[:, 0], drawn[:, 1]) / drawn[:, 2])
    # First order: forces are off by 2 % at most, squared 0.04 %; 200 000 draws 0.2 %, three times.
    assert_allclose(found["u_friction_use"], spread, rtol=0.01)
    # One constant cause moves every sample alike, so also the highest use.
    assert_allclose(found["u_highest_demonstrated_use"], spread, rtol=0.01)


def test_noise_of_use_against_monte_carlo() -> None:
    rng = np.random.default_rng(18)
    force = steady(n=20_000) + 25.0 * rng.standard_normal((20_000, 3))
    found = friction_use(made(force, noise=25.0))
    # 20 000 samples: 0.5 %, three times.
    assert float(found["u_friction_use"].mean()) == pytest.approx(
        float(found["friction_use"].std()), rel=0.015
    )
    # All spread is noise: corrected, the highest use is near the one use there was.
    noise = float(found["friction_use"].std())
    plain = float(np.quantile(found["friction_use"], 0.99))
    highest = found["highest_demonstrated_use"].item()
    assert plain - 0.8 > 2.2 * noise  # 99 % of a normal distribution: 2.33
    # First order takes off (sqrt 2 - 1) of 2.33, as for a signal without a spread of its own.
    assert highest - 0.8 == pytest.approx((2 - np.sqrt(2)) * (plain - 0.8), rel=0.1)


def test_highest_use_of_a_signal_that_spreads() -> None:
    """Use swings from 0 to 1 with noise of 2 %: the 99 % quantile of the swing comes back."""
    rng = np.random.default_rng(19)
    n = 20_000
    use = np.abs(np.sin(np.linspace(0, 200 * np.pi, n, endpoint=False)))
    force = np.column_stack([np.zeros(n), 2500 * use, np.full(n, 2500.0)])
    force[:, 1] += 50 * rng.standard_normal(n)
    quiet = np.zeros((n, 3))
    quiet[:, 1] = 50
    forces = made(force)
    forces["u_tyre_force_random"].values[:, 0] = quiet
    answer = friction_use(forces)
    found = answer["highest_demonstrated_use"].item()
    true, plain = np.quantile(use, 0.99), np.quantile(np.abs(force[:, 1]) / 2500, 0.99)
    assert plain - true > 0.02  # twin
    # A swing ends abruptly at its top, which is farther from first order than anything smooth:
    # half of the stretch may stay, and the interval holds it.
    assert abs(found - true) < 0.6 * (plain - true)
    assert answer["highest_demonstrated_use_lower"].item() < true


def test_the_highest_use_is_told_with_the_loads_at_which_it_was_reached() -> None:
    """Tyres hold more over their load where that is small: one limit holds at one load."""
    force = steady(n=2000)  # 0.8 of the load
    force[::100] = np.linspace([1080.0, 0.0, 900.0], [1320.0, 0.0, 1100.0], 20)  # 1.2
    answer = friction_use(made(force))
    least, most = (answer[f"{end}_load_at_highest_use"].item() for end in ("least", "most"))
    assert least == pytest.approx(920.0, abs=10.0)  # a tenth of the way from 900 to 1100 N;
    assert most == pytest.approx(1080.0, abs=10.0)  # samples are 10 N apart
    first, _, line = friction_summary(answer)
    words = f"at loads of {least:.0f} to {most:.0f} N"
    assert words in first
    assert words in line


def test_samples_with_little_load_and_at_the_bound_are_left_out() -> None:
    force = steady()
    force[:200, 2] = LOW_LOAD - 1
    forces = made(force)
    forces["status"].values[200:300, 0] = BIT["bound_active"]
    forces["tyre_force"].values[300:350] = np.nan
    found = friction_use(forces)
    out = np.isnan(found["friction_use"].to_numpy()[:, 0])
    assert np.array_equal(out, np.arange(N) < 350)
    assert found["samples_used"].item() == N - 350
    wider = friction_use(forces, low_load=100.0)
    assert wider["samples_used"].item() == N - 150
    assert wider.attrs["low_load_N"] == 100.0


def test_a_held_sample_never_makes_the_highest_use() -> None:
    """A wheel on its bound has hardly any vertical force and would show any ratio."""
    forces = made(steady())
    forces["status"].values[:50, 0] = BIT["bound_active"]
    forces["tyre_force"].values[:50, 0] = [2000.0, 2000.0, 900.0]
    assert friction_use(forces)["highest_demonstrated_use"].item() == pytest.approx(0.8, rel=1e-6)


def test_parts_given_by_hand_restrict_use_and_picture() -> None:
    force = steady(n=2000)
    force[1000:, 1] = 0.0  # 0.48 of the load in the second half
    forces = made(force)
    half = float(forces["elapsed_time"][1000])
    part = find_sections(forces, [GivenSection("second half", "part", half, 2 * half)])
    found = friction_use(forces, sections=part)
    assert found["highest_demonstrated_use"].item() == pytest.approx(0.48, rel=1e-6)
    assert found["samples_used"].item() == 1000
    assert np.isnan(found["friction_use"][:1000]).all()
    assert friction_summary(found)[1].endswith(", 1000 of 2000 samples in the parts given by hand")
    titles = [axes.get_title(loc="left") for axes in plot_friction_plane(forces, found).axes]
    assert any("1000 samples drawn" in title for title in titles)


def test_too_few_samples_are_refused() -> None:
    force = steady()
    force[FEWEST_SAMPLES - 1 :, 2] = 300.0
    with pytest.raises(DataError, match="made-up drive: no tyre with 100 samples above 800 N"):
        friction_use(made(force))
    friction_use(made(force), low_load=200.0)  # twin: knowingly lowered


@pytest.mark.parametrize("low_load", [-1.0, np.nan, np.inf])
def test_a_gate_that_is_none_is_refused(low_load: float) -> None:
    with pytest.raises(DataError, match=f"made-up drive: low_load = {low_load:g} N asked for"):
        friction_use(made(steady()), low_load=low_load)


def test_the_virtual_day() -> None:
    found, truth = friction_use(day().forces), day().truth["tyre_force_intermediate"].to_numpy()
    force = day().forces["tyre_force"].to_numpy()
    use = np.hypot(force[..., 0], force[..., 1]) / force[..., 2]
    seen = np.isfinite(found["friction_use"].to_numpy())
    assert seen.mean() > 0.9
    assert_allclose(found["friction_use"].to_numpy()[seen], use[seen], rtol=1e-5)  # singles
    true = np.hypot(truth[..., 0], truth[..., 1]) / truth[..., 2]
    z = ((found["friction_use"].to_numpy() - true) / found["u_friction_use"].to_numpy())[seen]
    # One day's systematic errors; the road's shaking above the bandwidth is not in the forces.
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.4)
    lower, upper = (found[f"highest_demonstrated_use_{e}"] for e in ("lower", "upper"))
    highest = found["highest_demonstrated_use"]
    u = found["u_highest_demonstrated_use"]
    assert_allclose(upper - highest, COVERAGE_FACTOR * u, rtol=1e-6)
    expected = [np.quantile(true[seen[:, k], k], 0.99) for k in range(4)]
    off = (highest - expected) / u
    assert np.max(np.abs(off)) < 3.0  # four tyres
    assert np.all(lower < upper)


def test_uncertainty_is_what_every_cause_does_to_the_use() -> None:
    """All errors of the three forces, put on them one by one: those of one cause go together."""
    forces = day().forces
    use = friction_use(forces)
    at = np.flatnonzero(np.isfinite(use["friction_use"].to_numpy()[:, 0]))[::40]
    force = forces["tyre_force"].to_numpy()[at, 0].astype(float)
    causes = signed_errors(forces, at, "tyre")[:, :, 0]
    noise = forces["u_tyre_force_random"].to_numpy()[at, 0].astype(float)
    alone = noise * np.eye(3)[:, None]

    def used(f: np.ndarray) -> np.ndarray:
        return np.hypot(f[..., 0], f[..., 1]) / f[..., 2]

    h = 1e-3
    change = (used(force + h * np.concatenate([causes, alone])) - used(force)) / h
    expected = np.sqrt(np.sum(change**2, axis=0))
    braked_or_cornering = np.hypot(force[:, 0], force[:, 1]) > 200.0  # N: the root is smooth there
    assert braked_or_cornering.sum() > 20
    found = use["u_friction_use"].to_numpy()[at, 0]
    # Directions that are left out hold less than 1e-4 of the variance, second order as little.
    assert_allclose(found[braked_or_cornering], expected[braked_or_cornering], rtol=0.01)


def test_the_first_line_names_the_tyre_that_was_used_most() -> None:
    answer = friction_use(day().forces)
    use = answer["highest_demonstrated_use"].to_numpy()
    first = friction_summary(answer)[0]
    assert first.startswith(
        f"{answer['corner'].to_numpy()[use.argmax()]} was used most: highest use "
    )
    assert f"{use.max():.3f} +-" in first
    assert first.endswith("(99 % of the samples used less; not shown to be the limit)")


def test_the_picture_copies_nothing_that_it_does_not_draw() -> None:
    """Of a long drive, everything beside forces and status is most of the memory."""
    forces = day().forces
    count = forces.sizes["elapsed_time"]
    channels = np.zeros((count, 20_000_000 // count), np.float32)
    more = forces.assign(channels=(("elapsed_time", "channel"), channels))
    found = friction_use(forces)
    tracemalloc.start()
    plot_friction_plane(more, found)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < channels.nbytes
