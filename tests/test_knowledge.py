"""The linear core of what gauges know: laws, words, axles and wrong questions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.base.errors import DataError, VehicleError
from recon.planning.combinations import NOT_KNOWN, combination_words
from recon.planning.knowledge import Question, joined, judge

Floats = NDArray[np.float64]
KINDS = ("Fx", "Fy", "Fz", "Mx", "T", "Mz")


def question(rows, unknowns, *, nuisance: float = 10.0, noise: float = 10.0) -> Question:
    """Candidates a, b, c, ... with open forces; whatever is not called F.. is a nuisance."""
    rows = np.asarray(rows, dtype=float)
    forces = tuple(n for n in unknowns if n.startswith("F"))
    return Question(
        rows=rows,
        candidates=tuple("abcdefghijkl"[: len(rows)]),
        unknowns=tuple(unknowns),
        prior=np.array([1e5 if n in forces else nuisance for n in unknowns]),
        noise=np.full(len(rows), noise),
        forces=forces,
        scale=np.array([1.0 if n in forces else 0.1 for n in unknowns]),
        where="car.toml, axle rear",
    )


def rigid_axle() -> Question:
    """An invented beam axle on three links, a cross link and two springs; both wheels' unknowns.

    x forward, y left, z up, m, origin on the ground below the beam's middle: two lower links
    forward, one upper link, one cross link from right to left, a spring on either side.
    """
    lines = {
        "lower left": ((0, 0.5, 0.25), (0.6, 0.45, 0.3)),
        "lower right": ((0, -0.5, 0.25), (0.6, -0.45, 0.3)),
        "upper": ((0, 0.1, 0.45), (0.5, 0.1, 0.47)),
        "cross link": ((-0.1, 0.45, 0.3), (-0.1, -0.45, 0.32)),
        "spring left": ((0, 0.45, 0.3), (0.02, 0.43, 0.7)),
        "spring right": ((0, -0.45, 0.3), (0.02, -0.43, 0.7)),
    }
    push = []
    for outer, inner in lines.values():
        along = np.subtract(inner, outer) / np.linalg.norm(np.subtract(inner, outer))
        push.append(np.concatenate([along, np.cross(outer, along)]))
    columns = []
    for y in (0.75, -0.75):
        for k, kind in enumerate(KINDS):
            force, moment = np.zeros(3), np.zeros(3)
            if kind.startswith("F"):
                force[k] = 1.0
                moment = np.cross((0, y, 0), force)
            else:
                moment[k - 3] = 1.0
            columns.append(np.concatenate([force, moment]))
    # Links and road together leave the beam in balance.
    rows = -np.linalg.solve(np.array(push).T, np.array(columns).T)
    unknowns = [f"{kind} {wheel}" for wheel in ("RL", "RR") for kind in KINDS]
    asked = question(rows, unknowns, nuisance=50.0)
    return replace(asked, candidates=tuple(lines))


def test_a_rigid_axle_knows_the_lateral_force_as_a_sum_only():
    axle = rigid_axle()
    seen = judge(axle, axle.candidates)
    assert seen.rank == 6
    assert len(seen.singular_values) == 12
    assert [lost.name for lost in seen.lost] == ["Fy RL", "Fy RR"]
    (together,) = seen.combinations
    assert together.weights == pytest.approx({"Fy RL": 1.0, "Fy RR": 1.0}, rel=1e-6)
    assert together.words == (
        f"lateral force of RL and RR only as a sum, known to {together.u:.0f} N"
    )
    # The cross link carries nearly all of it; beside its own noise stand six moments of 50 N m.
    assert 8 < together.u < 60
    at = [axle.forces.index(n) for n in ("Fy RL", "Fy RR")]
    assert together.u == pytest.approx(np.sqrt(np.sum(seen.covariance[np.ix_(at, at)])), rel=1e-3)
    assert seen.lost[0].reason == "the gauges hardly respond to Fy RL rising and Fy RR falling"
    assert seen.cure == seen.lost[0].cure == ()


def test_the_cross_link_of_a_rigid_axle_is_the_one_that_must_not_die():
    axle = rigid_axle()
    seen = judge(axle, axle.candidates)
    without = judge(axle, tuple(n for n in axle.candidates if n != "cross link"))
    told = [c.words.partition(",")[0] for c in without.combinations]
    assert "longitudinal force of RL and RR only as a sum" in told
    assert not any(words.startswith("lateral") for words in told)
    assert_allclose(seen.without["cross link"], without.u)
    # Without it the moment that the side force makes about x is taken for vertical forces.
    lost = np.array(seen.forces)[seen.without["cross link"] > NOT_KNOWN]
    assert {"Fz RL", "Fz RR"} <= set(lost)


def test_a_gauge_on_each_half_tells_the_two_lateral_forces_apart():
    axle = rigid_axle()
    split = np.zeros((2, 12))
    split[0, [1, 2]], split[1, [7, 8]] = (0.3, 0.4), (-0.3, 0.4)  # bending of either tube
    more = replace(
        axle,
        rows=np.vstack([axle.rows, split]),
        candidates=(*axle.candidates, "left tube", "right tube"),
        noise=np.full(8, 10.0),
    )
    seen = judge(more, axle.candidates)
    assert seen.cure in (("left tube",), ("right tube",))
    assert seen.lost[0].cure == seen.cure
    assert judge(more, more.candidates).lost == ()


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ([1.0, 1.0], "lateral force of RL and RR only as a sum, known to 10 N"),
        ([1.0, -1.0], "lateral force of RL and RR only as a difference, known to 10 N"),
        ([1.0, 0.97], "lateral force of RL and RR only as a sum, known to 10 N"),
        ([2.0, 1.0], "+0.89 Fy RL +0.45 Fy RR is known to 4 N"),
        ([1.0, -0.5], "+0.89 Fy RL -0.45 Fy RR is known to 9 N"),
    ],
)
def test_words_of_what_is_known_together(row, words):
    seen = judge(question([row], ["Fy RL", "Fy RR"]), ("a",))
    (told,) = seen.combinations
    assert told.words == words
    weights = np.array([told.weights["Fy RL"], told.weights["Fy RR"]])
    # Along the row the noise is all there is.
    assert told.u == pytest.approx(10 * np.linalg.norm(weights) / np.linalg.norm(row), rel=1e-3)


def test_two_sums_are_told_apart_although_either_mix_would_do():
    rows = [[1, 1, 1, 1], [1, 1, -1, -1]]
    seen = judge(question(rows, ["Fx RL", "Fx RR", "Fy RL", "Fy RR"]), ("a", "b"))
    assert [c.words.partition(",")[0] for c in seen.combinations] == [
        "longitudinal force of RL and RR only as a sum",
        "lateral force of RL and RR only as a sum",
    ]


def test_forces_of_one_wheel_are_told_by_their_weights():
    seen = judge(question([[0.0, 3.0, -4.0]], ["Fx", "Fy", "Fz"]), ("a",))
    assert [c.words for c in seen.combinations] == ["-0.60 Fy +0.80 Fz is known to 2 N"]
    assert seen.lost[0].reason == "no gauge carries a load from Fx"


def test_no_gauge_knows_nothing_and_says_so():
    asked = question(np.eye(2), ["Fy", "Fz"])
    seen = judge(asked, ())
    assert (seen.rank, seen.weak) == (0, "everything, as there is no gauge")
    assert_allclose(seen.u, 1e5)
    assert {lost.reason for lost in seen.lost} == {"there is no gauge"}
    assert seen.cure == ("a", "b")
    assert seen.combinations == ()


def test_a_cure_has_no_gauge_too_many():
    # Only c and d together tell Fx from Fy; a and b are quieter but see the sum alone.
    rows = [[9, 9, 0], [8, 8, 0], [1, 0.5, 1], [0, 0, 1]]
    asked = question(rows, ["Fx", "Fy", "Mz"], nuisance=1e5)
    seen = judge(asked, ("a",))
    assert seen.cure == ("c", "d")
    assert all(name in judge(asked, ("a", "c", "d")).chosen for name in seen.cure)
    assert judge(asked, ("a", "c", "d")).lost == ()


def test_a_self_stress_is_a_nuisance_like_any_other():
    plain = question([[1.0, 0.2], [0.1, 1.0], [0.5, 0.5]], ["Fy", "Fz"])
    with_stress = replace(
        plain,
        rows=np.column_stack([plain.rows, [1.0, 1.0, -1.0]]),
        unknowns=("Fy", "Fz", "self-stress"),
        prior=np.append(plain.prior, 300.0),
        scale=np.ones(3),
    )
    before, after = judge(plain, plain.candidates), judge(with_stress, plain.candidates)
    assert np.all(after.u > before.u)
    left_out = np.linalg.lstsq(plain.rows, [300.0, 300.0, -300.0], rcond=None)[0]
    assert_allclose(after.bias["self-stress"], left_out, rtol=1e-6)  # priors of 100 kN at 10 N


def test_corners_joined_know_what_each_knows():
    one = question([[1, 0.2, 5], [0.3, 1, 2]], ["Fy", "Fz", "Mx"])
    other = question([[1, -0.2, 1], [0.1, 2, 0], [1, 1, 1]], ["Fy", "Fz", "Mx"])
    both = joined({"FL": one, "RR": other}, "car.toml")
    assert both.unknowns == ("Fy FL", "Fz FL", "Mx FL", "Fy RR", "Fz RR", "Mx RR")
    seen = judge(both, both.candidates)
    apart = [judge(q, q.candidates) for q in (one, other)]
    assert_allclose(seen.u, np.concatenate([a.u for a in apart]), rtol=1e-9)
    assert_allclose(seen.covariance[:2, 2:], 0.0, atol=1e-9)  # N^2, corners stand alone
    assert seen.rank == sum(a.rank for a in apart)


def test_units_of_a_moment_do_not_matter_to_what_is_known():
    metres = question([[1, 0.2, 5], [0.3, 1, 2]], ["Fy", "Fz", "Mx"])
    factor = np.array([1, 1, 1000.0])
    millimetres = replace(
        metres, rows=metres.rows / factor, prior=metres.prior * factor, scale=metres.scale * factor
    )
    one, other = (judge(q, q.candidates) for q in (metres, millimetres))
    assert_allclose(other.u, one.u, rtol=1e-9)
    assert_allclose(other.singular_values, one.singular_values, rtol=1e-9)
    forgotten = judge(replace(metres, rows=metres.rows / factor), metres.candidates)
    assert np.max(np.abs(forgotten.u / one.u - 1)) > 0.1  # twin: the unit spoiled in the rows only


def test_the_name_asked_for_leads_the_phrase():
    direction = np.array([0.6, -0.8, 0.1])
    assert combination_words(direction, ("Fx", "Fy", "Fz")) == "Fy rising and Fx falling"
    assert combination_words(direction, ("Fx", "Fy", "Fz"), "Fx") == "Fx rising and Fy falling"


def test_a_force_is_lost_only_beyond_the_stated_limit():
    edge = [question([[1.0]], ["Fy"], noise=share * NOT_KNOWN) for share in (0.99, 1.01)]
    assert [len(judge(q, ("a",)).lost) for q in edge] == [0, 1]


def test_wrong_names_are_refused():
    asked = question(np.eye(2), ["Fy", "Fz"])
    named = replace(asked, candidates=("push_rod", "tie_rod"))
    with pytest.raises(VehicleError, match="axle rear: a gauge on 'pushrod'; need 'push_rod'"):
        judge(named, ("pushrod",))
    with pytest.raises(VehicleError, match="axle rear: 'tie_rod' named twice"):
        judge(named, ("tie_rod", "push_rod", "tie_rod"))


def test_wrong_numbers_are_refused():
    asked = question(np.eye(2), ["Fy", "Mz"])
    with pytest.raises(DataError, match="axle rear: -3 N of noise of 'b'"):
        replace(asked, noise=np.array([1.0, -3.0]))
    with pytest.raises(DataError, match="nan as the prior of 'Mz'"):
        replace(asked, prior=np.array([1.0, np.nan]))
    with pytest.raises(DataError, match=r"rows of shape \(1, 2\), 2 noises, 2 priors, 2 scales"):
        replace(asked, rows=np.ones((1, 2)))
    with pytest.raises(DataError, match="3 noises, 2 priors"):
        replace(asked, noise=np.ones(3))
