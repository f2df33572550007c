"""The best few gauges: against every choice there is, and against what no choice can beat."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import cvxpy
import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, SolveError, VehicleError
from recon.mechanics.assembly import assembly_of
from recon.planning.knowledge import Question, joined
from recon.planning.observability import best_gauges, by_assembly, observe, question_of
from recon.planning.selection import select

UNKNOWNS = ("Fx", "Fy", "Fz", "Mz")


def drawn(seed: int, candidates: int = 8) -> Question:
    """Invented rows of random size, noises between 5 N and 20 N."""
    draw = np.random.default_rng(seed)
    return Question(
        rows=draw.normal(0, 1, (candidates, 4)) * [1, 1, 1, 5],
        candidates=tuple(f"gauge {k}" for k in range(candidates)),
        unknowns=UNKNOWNS,
        prior=np.array([1e5, 1e5, 1e5, 40.0]),
        noise=draw.uniform(5, 20, candidates),
        forces=UNKNOWNS[:3],
        scale=np.array([1, 1, 1, 0.1]),
        where="invented rig",
    )


def trace(question: Question, choice: tuple[int, ...]) -> float:
    """Sum of the forces' variances by the Kalman gain, another route than the package's."""
    H, P = question.rows[list(choice)], np.diag(question.prior**2)
    noise = np.diag(question.noise[list(choice)] ** 2)
    gain = P @ H.T @ np.linalg.inv(H @ P @ H.T + noise)
    left = np.eye(len(P)) - gain @ H
    posterior = left @ P @ left.T + gain @ noise @ gain.T
    return float(np.sum(np.diag(posterior)[question.asked]))


def by_trying_all(question: Question, count: int) -> tuple[tuple[str, ...], float]:
    everything = range(len(question.candidates))
    best = min(combinations(everything, count), key=lambda c: trace(question, c))
    return tuple(question.candidates[k] for k in best), trace(question, best)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [3, 4, 5, 7, 8])
def test_the_search_finds_what_trying_all_finds(seed: int, count: int):
    question = drawn(seed)
    found = select(question, count)
    best, least = by_trying_all(question, count)
    assert found.chosen == best
    assert found.criterion == pytest.approx(least, rel=1e-5)  # 1e5 N beside 10 N: digits lost
    assert found.bound <= least * (1 + 1e-5)  # likewise
    assert found.gap == pytest.approx(100 * (1 - found.bound / found.criterion))
    assert_allclose(sum(u**2 for u in found.u.values()), found.criterion, rtol=1e-9)


def test_the_bound_is_of_use_where_there_is_plenty_to_choose_from():
    found = select(drawn(3, candidates=24), 12)
    assert 0 < found.gap < 5  # relaxed weights of 24 rows are mostly 0 and 1


def test_the_relaxation_is_below_what_trying_all_finds(monkeypatch: pytest.MonkeyPatch):
    proved = [select(drawn(seed), 5) for seed in range(3)]
    assert [found.gap for found in proved] == pytest.approx([0.0] * 3, abs=1e-6)  # rounding
    monkeypatch.setattr("recon.planning.selection.FEW", 1)
    relaxed = [select(drawn(seed), 5) for seed in range(3)]
    for one, other in zip(proved, relaxed, strict=True):
        assert other.chosen == one.chosen
        assert 0.1 * one.bound < other.bound < one.bound


def test_what_corners_need_of_a_number_is_proved_for_the_whole_car(club_racer):
    found = best_gauges(club_racer, 13)
    assert found.gap == pytest.approx(0.0, abs=1e-6)  # rounding


def test_the_bound_is_reached_where_the_relaxation_is_exact(monkeypatch: pytest.MonkeyPatch):
    """Pairs of equal gauges on three axes: one of each pair, or half of both, is the same."""
    base = drawn(0, candidates=6)
    rows = np.repeat(np.eye(3, 4), 2, axis=0)
    even = replace(base, rows=rows, noise=np.full(6, 10.0))
    found = select(even, 3)
    assert found.criterion == pytest.approx(300.0, rel=1e-6)  # priors of 100 kN
    monkeypatch.setattr("recon.planning.selection.FEW", 1)
    relaxed = select(even, 3)
    assert relaxed.gap == pytest.approx(0.0, abs=0.01)  # what the solver's weights leave


def test_all_candidates_leave_no_gap():
    assert select(drawn(1), 8).gap == pytest.approx(0.0, abs=1e-6)  # rounding


@pytest.mark.parametrize("corner", ["FL", "RL"])
@pytest.mark.parametrize("count", [3, 4, 5])
def test_a_corner_of_the_car_against_trying_all(club_racer, corner: str, count: int):
    question = question_of(club_racer, assembly_of(club_racer, corner))
    found = best_gauges(club_racer, count, corner=corner)
    best, least = by_trying_all(question, count)
    assert found.chosen == best
    assert found.bound <= least * (1 + 1e-5)  # as above
    assert found.least == 3
    seen = observe(club_racer, corner, gauged=found.chosen)
    assert_allclose(list(found.u.values()), seen.u, rtol=1e-9)


def test_two_corners_share_the_gauges_as_trying_all_says(club_racer):
    both = joined(
        {c: question_of(club_racer, assembly_of(club_racer, c)) for c in ("FL", "RL")},
        "two corners",
    )
    found = select(both, 8)
    best, least = by_trying_all(both, 8)
    assert found.criterion == pytest.approx(least, rel=1e-5)  # as above
    assert found.chosen == best
    assert found.bound <= least * (1 + 1e-5)


def test_the_whole_car_is_the_same_on_every_run(club_racer):
    one, other = best_gauges(club_racer, 16), best_gauges(club_racer, 16)
    assert one == other
    split = by_assembly(club_racer, one, None)
    assert list(split) == ["FL", "FR", "RL", "RR"]
    assert sum(map(len, split.values())) == 16
    for corner, members in split.items():
        u = [one.u[f"{force} {corner}"] for force in ("Fx", "Fy", "Fz")]
        assert_allclose(observe(club_racer, corner, gauged=members).u, u, rtol=1e-9)


def test_a_spoiled_unit_changes_the_choice():
    question = drawn(2)
    right = select(question, 4)
    left_out = next(k for k, n in enumerate(question.candidates) if n not in right.chosen)
    rows = question.rows.copy()
    rows[left_out] *= 1000  # per kN entered as per N
    assert question.candidates[left_out] in select(replace(question, rows=rows), 4).chosen


def test_what_is_to_be_kept_is_kept_and_costs():
    question = drawn(4)
    free = select(question, 4)
    unwanted = tuple(n for n in question.candidates if n not in free.chosen)[:2]
    held = select(question, 4, keep=unwanted)
    assert set(unwanted) < set(held.chosen)
    assert held.criterion > free.criterion
    assert held.bound <= held.criterion
    assert held.bound > free.bound
    kept = [question.candidates.index(n) for n in unwanted]
    rest = (c for c in combinations(range(8), 4) if set(kept) < set(c))
    assert held.criterion == pytest.approx(min(trace(question, c) for c in rest), rel=1e-5)


def test_too_few_gauges_say_what_is_lost_and_how_many_it_takes():
    question = drawn(5)
    few = select(question, 2)
    assert few.lost
    assert few.least == 3
    assert few.message == (
        f"2 gauges cannot determine {', '.join(few.lost)} "
        "to a standard uncertainty of 1000 N; 3 can"
    )
    assert select(question, 3).message == ""
    assert np.isfinite(few.criterion)


def test_candidates_that_cannot_do_it_are_told():
    question = drawn(5)
    rows = question.rows.copy()
    rows[:, 0] = 0.0
    blind = select(replace(question, rows=rows), 5)
    assert blind.least == 0
    assert blind.message == "not known with 5 gauges: Fx"


@pytest.mark.parametrize(
    ("count", "keep", "found"),
    [
        (0, (), "a choice of 0 gauges out of 8 candidates; need a number from 1 to 8"),
        (9, (), "a choice of 9 gauges out of 8 candidates"),
        (1, ("gauge 2", "gauge 5"), "a choice of 1 gauges .* with 2 named ones among them"),
    ],
)
def test_counts_that_do_not_fit_are_refused(count: int, keep: tuple[str, ...], found: str):
    with pytest.raises(DataError, match=f"invented rig: {found}"):
        select(drawn(0), count, keep)


def test_names_that_are_no_candidates_are_refused(club_racer):
    with pytest.raises(VehicleError, match="a gauge on 'gauge_3'; need 'gauge 3'"):
        select(drawn(0), 4, ("gauge_3",))
    with pytest.raises(VehicleError, match="'gauge 3' named twice"):
        select(drawn(0), 4, ("gauge 3", "gauge 3"))
    with pytest.raises(VehicleError, match=r"club_racer\.toml: no corner 'LF'"):
        best_gauges(club_racer, 4, corner="LF")


def test_a_solver_that_gives_up_is_told(monkeypatch):
    monkeypatch.setattr(cvxpy.Problem, "status", "user_limit")
    monkeypatch.setattr("recon.planning.selection.FEW", 1)
    with pytest.raises(SolveError, match="invented rig: status 'user_limit' of the relaxed choice"):
        select(drawn(0), 4)


def test_of_equal_choices_the_first_is_taken():
    """Mirrored corners are equal up to rounding, which must not decide."""
    question = drawn(0, candidates=6)
    rows = np.repeat(question.rows[:3], 2, axis=0) * (1 + 1e-14 * np.arange(6))[:, None]
    twins = replace(question, rows=rows, noise=np.full(6, 10.0))
    assert select(twins, 3).chosen == ("gauge 0", "gauge 2", "gauge 4")
