"""What gauges know of corners that an axle ties, and the traps of the field on shipped cars."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.car.linkage import assembly_names
from recon.car.vehicle import Gauge, Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import load_matrix, road_columns, section_matrix
from recon.planning.combinations import NOT_KNOWN
from recon.planning.observability import best_gauges, by_assembly, observe, observe_car
from recon.planning.questions import question_of
from recon.planning.unknowns import prior_u, reference_of, tyre_columns
from recon.report.car.car_summary import car_summary
from recon.report.car.observed import observability_summary
from tests.shipped_mechanisms import VEHICLES, shipped

FILES = sorted(path.stem for path in VEHICLES.glob("*.toml"))
OWN = ("Fx", "Fy", "Fz")


def without_compliance(car: Vehicle) -> Vehicle:
    """The solid axle with links of which nobody stated how they give way."""
    bare = {
        name: replace(
            part, supports=tuple(replace(s, compliance=np.nan) if s.kind == "link" else s
                                 for s in part.supports)
        )
        for name, part in car.corners.items()
    }  # fmt: skip
    rear = car.axles["rear"]
    links = tuple(replace(s, compliance=np.nan) for s in rear.supports)
    return replace(car, corners=bare, axles={"rear": replace(rear, supports=links)})


def names(seen) -> tuple[str, ...]:
    """Forces that are not known."""
    return tuple(lost.name for lost in seen.lost)


def weights(seen, force: str) -> list[list[float]]:
    """Weights of that force of both wheels in each combination that is known."""
    names = [f"{force} {c}" for c in seen.corners]
    return [[c.weights.get(n, 0.0) for n in names] for c in seen.combinations]


@pytest.mark.parametrize("corner", ["RL", "RR"])
def test_a_solid_axle_knows_the_lateral_force_as_a_sum_only(corner: str) -> None:
    seen = observe(shipped("solid_axle"), corner)
    assert (seen.label, seen.corners) == ("axle rear", ("RL", "RR"))
    assert names(seen) == ("Fy RL", "Fy RR")
    assert seen.combinations[0].words.startswith(
        "lateral force of RL and RR only as a sum, known to 10 N"
    )
    assert_allclose(weights(seen, "Fy"), [[1.0, 1.0]], atol=0.01)  # told as a sum: nearly alike
    assert seen.u[1] > NOT_KNOWN > 10 * seen.u[2]
    assert seen.rank == 6
    assert seen.cure == ()  # no link or spring tells left from right


def test_both_corners_of_an_axle_have_its_answer_and_their_own_forces() -> None:
    car = shipped("solid_axle")
    left, right = observe(car, "RL"), observe(car, "RR")
    assert_allclose(left.u_held["braked"], right.u_held["braked"], rtol=1e-12)
    assert left.forces == right.forces == tuple(f"{f} {c}" for c in ("RL", "RR") for f in OWN)
    assert left.chosen == right.chosen
    whole = observe_car(car)
    assert list(whole) == ["FL", "FR", "rear"]
    assert_allclose(whole["rear"].u, right.u)


def test_gauges_on_the_tubes_make_everything_known() -> None:
    seen = observe(shipped("solid_axle_tubes"), "RR")
    assert seen.lost == ()
    assert seen.rank == 12
    assert np.all(seen.u < 15)  # N, of 10 N of noise per gauge
    links = tuple(name for name in seen.chosen if not name.startswith("beam:"))
    bare = observe(shipped("solid_axle_tubes"), "RR", gauged=links)
    assert names(bare) == ("Fy RL", "Fy RR")
    assert [lost.cure for lost in bare.lost] == [bare.cure] * 2
    (cure,) = bare.cure
    assert cure in {"beam:RL_tube_axial", "beam:RR_tube_axial"}
    assert observe(shipped("solid_axle_tubes"), "RR", gauged=(*links, cure)).lost == ()


def test_a_split_that_nobody_stated_is_named_and_not_guessed() -> None:
    car = without_compliance(shipped("solid_axle"))
    seen = observe(car, "RL")
    (reason,) = seen.redundant
    assert "RL.upper_link" in reason
    assert "RL.spring" not in reason.split(", and ")[0]
    assert len(seen.singular_values) == 13
    stated = observe(shipped("solid_axle"), "RL")
    # One more unknown never helps, and the links' own split must not be taken for a force.
    assert np.all(seen.u >= stated.u * (1 - 1e-9))  # rounding
    assert seen.combinations[0].words.startswith("lateral force of RL and RR only as a sum")
    told = "\n".join(observability_summary(seen))
    assert "equilibrium does not split the load among RL.lower_link" in told
    assert not any(name.startswith("split") for name in seen.bias)


def test_what_is_known_beside_an_open_split_does_not_depend_on_it() -> None:
    """Any stated compliances give loads within what the open question allows."""
    car = without_compliance(shipped("solid_axle"))
    open_ = question_of(car, assembly_of(car, "RL"))
    for soft in (1e-7, 1e-5):
        corners = {
            name: replace(
                c, supports=tuple(replace(s, compliance=soft) if s.name == "upper_link" else
                                  replace(s, compliance=1e-6) if s.kind == "link" else s
                                  for s in c.supports)
            )
            for name, c in car.corners.items()
        }  # fmt: skip
        rear = car.axles["rear"]
        links = tuple(replace(s, compliance=1e-6) for s in rear.supports)
        axles = {"rear": replace(rear, supports=links)}
        other = replace(car, corners=corners, axles=axles)
        settled = question_of(other, assembly_of(other, "RL"))
        assert settled.candidates == open_.candidates
        states = open_.rows[:, 12:]
        off = settled.rows - open_.rows[:, :12]
        amount = np.linalg.lstsq(states, off, rcond=None)[0]
        assert np.max(np.abs(amount)) > 0.01  # the split does move
        assert_allclose(states @ amount, off, atol=1e-9)  # loads per newton, rounding


def test_a_twist_beam_with_its_gauges_knows_everything_and_each_spring_helps() -> None:
    seen = observe(shipped("strut"), "RL")
    assert seen.lost == ()
    assert seen.rank == 12
    assert set(seen.with_) == {"RL.spring", "RR.spring", "beam_twist"}
    for name, side in (("RL.spring", 2), ("RR.spring", 5)):
        # A spring is of no use to its own wheel alone: it takes part of the other's load.
        assert seen.with_[name][side] < 0.7 * seen.u[side]


def test_gauges_on_the_twist_beam_alone_know_differences_only() -> None:
    seen = observe(shipped("strut"), "RL", gauged=("beam_twist",))
    assert {"Fz RL", "Fz RR"} <= set(names(seen))
    assert seen.rank == 1
    (together,) = seen.combinations
    assert abs(together.weights["Fz RL"]) > 0.3
    for force in ("Fx", "Fz"):
        assert_allclose(np.sum(weights(seen, force)), 0.0, atol=1e-6)  # opposite at the wheels
    # Fy changes its sign in the mirror, so that its difference across the car is a sum.
    assert_allclose(np.ptp(weights(seen, "Fy")), 0.0, atol=1e-6)


def test_a_bar_on_drop_links_leaves_each_wheel_its_own_forces() -> None:
    seen = observe(shipped("anti_roll_bar"), "FL")
    assert (seen.lost, seen.rank, seen.with_) == ((), 12, {})
    bare = tuple(name for name in seen.chosen if not name.startswith("drop_link"))
    one = observe(shipped("anti_roll_bar"), "FL", gauged=bare)
    # Twelve members suffice where the bar's stiffness is stated; drop links lower u.
    assert one.lost == ()
    assert np.all(one.u >= seen.u)
    assert one.u[2] > 1.02 * seen.u[2]
    assert set(one.with_) == {"drop_link_left", "drop_link_right"}  # the twist repeats them
    assert_allclose(*one.with_.values(), rtol=1e-6)  # as they repeat each other
    rest = replace(shipped("anti_roll_bar").axles["front"], gauges=())
    bare_bar = replace(shipped("anti_roll_bar"), axles={"front": rest})
    assert list(observe(bare_bar, "FL").with_) == ["drop_link_left"]


def test_a_strut_without_a_gauge_on_it_does_not_know_the_vertical_force() -> None:
    seen = observe(shipped("strut"), "FL", gauged=("lower_front", "lower_rear", "tie_rod"))
    assert "Fz" in names(seen)
    (fz,) = (lost for lost in seen.lost if lost.name == "Fz")
    assert fz.cure == ("spring",)
    assert observe(shipped("strut"), "FL").u[2] < 20


def test_axial_gauges_alone_hardly_see_what_the_spring_on_the_arm_carries() -> None:
    """Spring on a lower link that bends: its axial gauge is a poor scale, some ten times worse."""
    whole = observe(shipped("anti_roll_bar"), "RL")
    axial = tuple(name for name in whole.chosen if name != "spring")
    assert "spring_link:RL_spring_link_axial" in axial
    bare = observe(shipped("anti_roll_bar"), "RL", gauged=axial)
    assert bare.lost == ()
    assert 8 < bare.u[2] / whole.u[2] < 15
    assert list(bare.with_) == ["spring"]
    # On a flat wishbone it is worse still: the links lie in the road's plane.
    links = ("upper_front", "upper_rear", "tie_rod", "arm:FL_arm_axial")
    car = shipped("wishbone_spring_on_arm")
    flat, scale = (observe(car, "FL", gauged=g) for g in (links, (*links, "spring")))
    assert flat.u[2] > 50 * scale.u[2]


def test_uncertainty_of_an_axle_by_another_route() -> None:
    """The gain instead of singular values, rows from the loads of supports and sections."""
    car = shipped("solid_axle_tubes")
    seen = observe(car, "RL", noise=12.0, travel=0.02)
    at = posed(assembly_of(car, "RL"), 0.02)
    both = [car.corners[c] for c in ("RL", "RR")]
    size = [reference_of(car, c) for c in both]
    columns = np.zeros((12, 12))
    for k, s in enumerate(size):
        columns[6 * k : 6 * k + 6, 6 * k : 6 * k + 6] = tyre_columns(car.tyre, s.vertical)
    loads = np.concatenate([load_matrix(at), section_matrix(at)])
    H = loads @ road_columns(at, hub_passes_spin=False) @ columns
    arm = [0.1 if s.measures in ("bending", "torsion") else 1.0 for s in at.mechanism.sections]
    assert MOMENT_ARM == 0.1
    H /= np.append(np.ones(7), arm)[:, None]
    priors = [prior_u(c, car.tyre, s, "rolling") for c, s in zip(both, size, strict=True)]
    P = np.diag(np.concatenate(priors) ** 2)
    gain = P @ H.T @ np.linalg.inv(H @ P @ H.T + 144.0 * np.eye(len(H)))
    left = np.eye(12) - gain @ H
    posterior = left @ P @ left.T + 144.0 * gain @ gain.T
    forces = [0, 1, 2, 6, 7, 8]
    # The open prior of 100 kN stands against 10 N: eight digits of the difference are rounding.
    assert_allclose(seen.u**2, np.diag(posterior)[forces], rtol=1e-4)


def test_every_link_spring_and_section_is_a_candidate_and_repeats_are_not() -> None:
    car = shipped("solid_axle_tubes")
    tubes = question_of(car, assembly_of(car, "RL"))
    assert len(tubes.candidates) == 19
    assert {"cross_link", "beam:RR_tube_axial"} <= set(tubes.candidates)
    racer = shipped("club_racer")
    assert "spring" not in question_of(racer, assembly_of(racer, "FL")).candidates
    # Named, the spring behind the rocker is as good as the push rod that it repeats, but for
    # the ratio of its load to the rod's.
    links = ("upper_front", "upper_rear", "lower_front", "lower_rear", "tie_rod")
    rod, spring = (observe(racer, "FL", gauged=(*links, m)) for m in ("push_rod", "spring"))
    assert spring.lost == ()
    assert spring.u[2] < rod.u[2]
    assert best_gauges(racer, 6, corner="FL", keep=("spring",)).lost == ()


def test_the_trailing_arm_of_sections_is_helped_by_its_spring() -> None:
    seen = observe(shipped("wishbone_spring_on_arm"), "RL")
    assert list(seen.with_) == ["spring"]
    assert seen.with_["spring"][2] < 0.5 * seen.u[2]


def test_noise_of_bending_counts_on_an_arm() -> None:
    """A gauge that measures N m: 10 N on 0.1 m are 1 N m."""
    car = shipped("strut")
    asked = question_of(car, assembly_of(car, "FL"), noise=10.0)
    at = posed(assembly_of(car, "FL"), 0.0)
    columns = tyre_columns(car.tyre, reference_of(car, car.corners["FL"]).vertical)
    cut = section_matrix(at) @ road_columns(at, hub_passes_spin=False) @ columns
    k = asked.candidates.index("upright:FL_tube_forward")
    assert_allclose(asked.rows[k], cut[0] / 0.1, rtol=1e-12)


def test_the_best_gauges_of_a_car_with_an_axle() -> None:
    car = shipped("solid_axle_tubes")
    found = best_gauges(car, 24, keep=("rear cross_link",))
    assert "rear cross_link" in found.chosen
    assert found.lost == ()
    assert set(found.u) == {f"{f} {c}" for f in OWN for c in car.corners}
    split = by_assembly(car, found, None)
    assert list(split) == ["FL", "FR", "rear"]
    assert "cross_link" in split["rear"]
    seen = observe(car, "RL", gauged=split["rear"])
    assert_allclose(seen.u[:3], [found.u[f"{f} RL"] for f in OWN], rtol=1e-6)
    alone = best_gauges(car, 12, corner="RR")
    assert by_assembly(car, alone, "RR") == {"rear": alone.chosen}


@pytest.mark.parametrize("count", [1, 3, 6, 7])
def test_the_best_gauges_where_some_forces_cannot_be_known(count: int) -> None:
    """What no candidate sees adds the same to every choice and must not upset the search."""
    car = shipped("solid_axle")
    asked = question_of(car, assembly_of(car, "RL"))
    found = best_gauges(car, count, corner="RL")
    least = min(
        np.sum(asked.u(list(choice)) ** 2) for choice in combinations(range(7), count)
    )  # fmt: skip
    # The search tells choices apart to 1e-9 of a sum that is the open priors', 1e10 N^2.
    assert found.criterion == pytest.approx(least, abs=20)
    assert {"Fy RL", "Fy RR"} <= set(found.lost)
    assert found.least == 0


@pytest.mark.parametrize("file", FILES)
def test_every_shipped_car_is_judged_in_words_without_holes(file: str) -> None:
    car = shipped(file)
    for assembly in assembly_names(car):
        seen = observe(car, assembly)
        lines = observability_summary(seen)
        assert lines[0].startswith(f"{seen.label}: {len(seen.chosen)} gauges")
        told = "\n".join(lines)
        assert "nan" not in told
        assert max(map(len, lines)) <= 120
        for name in seen.chosen:
            assert name in told.replace("\n    ", " ")
        if seen.lost:
            assert seen.combinations or seen.cure


def test_gauges_that_an_axle_has_not_are_refused() -> None:
    car = shipped("solid_axle")
    with pytest.raises(VehicleError, match=r"axle rear: a gauge on 'lower_link'; .*RL\.lower"):
        observe(car, "RR", gauged=("lower_link",))
    with pytest.raises(VehicleError, match=r"axle rear: an empty list of gauges; .*cross_link"):
        observe(car, "RL", gauged=())
    with pytest.raises(VehicleError, match=r"rear: RL with cross_link but RR with RR\.spring"):
        observe_car(car, gauged={"RL": ("cross_link",), "RR": ("RR.spring",)})
    with pytest.raises(VehicleError, match=r"RR with cross_link but rear with RR\.spring"):
        observe_car(car, gauged={"RR": ("cross_link",), "rear": ("RR.spring",)})
    with pytest.raises(VehicleError, match=r"no corner 'reer'; need 'rear' \(did you mean that"):
        observe_car(car, gauged={"reer": ("cross_link",)})
    with pytest.raises(DataError, match=r"axle rear: -1 N of noise of 'RL\.lower_link'"):
        observe(car, "RL", noise=-1.0)
    with pytest.raises(DataError, match=r"corner RL: travel 90\.0 mm; need .*-55 to 55 mm"):
        observe(car, "RL", travel=0.09)


def test_a_section_that_the_file_gauges_twice_is_two_channels() -> None:
    car = shipped("solid_axle_tubes")
    rear = car.axles["rear"]
    first = next(g for g in rear.gauges if g.name == "RL_tube_axial")
    spare: Gauge = replace(rear.gauges[0], name="R_spare")  # on the cross link
    more = replace(car, axles={"rear": replace(rear, gauges=(*rear.gauges, spare))})
    seen = observe(more, "RL")
    assert first.at_section
    assert seen.chosen[-1] == "cross_link (2)"
    assert np.all(seen.u <= observe(car, "RL").u * (1 + 1e-9))


def test_brakes_that_are_not_outboard_pass_no_torque_that_would_be_told() -> None:
    car = shipped("solid_axle")
    inboard = replace(
        car,
        corners={
            n: replace(c, brake=replace(c.brake, place="inboard")) if n[0] == "R" else c
            for n, c in car.corners.items()
        },
    )
    seen, outboard = observe(inboard, "RL"), observe(car, "RL")
    assert seen.u_held == {}
    assert list(outboard.u_held) == ["braked", "locked"]
    assert_allclose(seen.u, outboard.u)
    heads = [line for line in car_summary(inboard) if line.rstrip().endswith("gauge")]
    assert "Fx FL braked" not in heads[-1]
    assert ["braked" in line for line in heads] == [True, True, False]
