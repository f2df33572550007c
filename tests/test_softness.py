"""Uncertainty of stated compliances: from the split of loads to the forces' intervals."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.analysis.budget import budget
from recon.base.arrays import rms
from recon.base.errors import PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.car.linkage import lone
from recon.car.vehicle import Corner, Support, Vehicle
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import Assembly, assembled, assemblies_of, assembly_of
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import pose
from recon.mechanics.softness import soft_changes
from recon.mechanics.statics import member_matrix
from recon.reconstruction.causes import every_cause as causes
from recon.reconstruction.causes.bench import Bench, bench_of
from recon.reconstruction.causes.cause import Cause
from recon.reconstruction.causes.geometry_causes import compliance_causes, wind_up, wind_up_causes
from recon.reconstruction.estimator.linear_estimator import loads_of
from recon.reconstruction.estimator.sample_features import Features
from recon.reconstruction.prepare import prepare
from recon.virtual.drawing import draw_car
from recon.virtual.effects import Effects
from recon.virtual.elastic import WheelAt, settle
from tests.conftest import HMMWV, HMMWV_CENTRE
from tests.days import day, unwarned
from tests.shipped_mechanisms import shipped
from tests.suspension_days import axle_day

UPPER = "rear RL.upper_link compliance"


def softened(car: Vehicle, of: Callable[[Support], Support]) -> Vehicle:
    """The car with every support of its corners and axles put through `of`."""

    def part(p):
        return replace(p, supports=tuple(of(s) for s in p.supports))

    return replace(
        car,
        corners={n: part(c) for n, c in car.corners.items()},
        axles={n: part(a) for n, a in car.axles.items()},
    )


def side_by_side(corner: Corner, first: Support, second: Support) -> Assembly:
    """The corner with its strut twice, side by side."""
    supports = (*corner.supports[:-1], first, second)
    twice = replace(corner, supports=supports)
    return assembled(lone(twice))


def test_two_springs_side_by_side_by_hand(links_corner: Callable[..., Corner]) -> None:
    """F c2 / (c1 + c2) in the first: half of its difference over c1 - u and c1 + u."""
    corner = links_corner(HMMWV, HMMWV_CENTRE)
    strut = corner.supports[-1]
    c1, c2, u = 2e-5, 3e-5, 6e-6
    first = replace(strut, compliance=c1, u_compliance=u)
    second = replace(strut, name="second", compliance=c2, u_compliance=0.0)
    unit = side_by_side(corner, first, second)
    at = pose(unit.mechanism, 0.0)
    whole = member_matrix(pose(mechanism_of(lone(corner)), 0.0))[-1]
    own = [k for k, name in enumerate(unit.members) if name in ("strut", "second")]
    changes = soft_changes(unit, at)
    assert list(changes) == ["strut"]  # nothing else is uncertain
    share = 0.5 * (c2 / (c1 + u + c2) - c2 / (c1 - u + c2))
    sign = {"strut": 1.0, "second": -1.0}
    for k in own:
        expected = sign[unit.members[k]] * share * whole
        assert_allclose(changes["strut"][k], expected, rtol=1e-9)  # rounding
    rest = np.delete(changes["strut"], own, axis=0)
    assert_allclose(rest, 0.0, atol=1e-12)  # the links see the same as before
    # Where more is unsure than there is, the compliance goes down by half of itself only.
    wide = replace(first, u_compliance=2 * c1)
    unit = side_by_side(corner, wide, second)
    change = soft_changes(unit, pose(unit.mechanism, 0.0))["strut"]
    slope = (c2 / (3 * c1 + c2) - c2 / (0.5 * c1 + c2)) / (2.5 * c1)
    assert_allclose(change[own[0]], sign[unit.members[own[0]]] * slope * 2 * c1 * whole, rtol=1e-9)


@pytest.mark.parametrize(("file", "name"), [("solid_axle", "rear"), ("anti_roll_bar", "front")])
def test_changes_are_those_of_cars_that_are_posed_with_other_compliances(
    file: str, name: str
) -> None:
    unit = assemblies_of(shipped(file))[name]
    travel, still = np.array([[0.0, 0.0], [0.03, 0.03], [0.03, -0.03]]), np.zeros(3)
    found = soft_changes(unit, pose(unit.mechanism, travel, still))
    assert len(found) >= 3
    for i, support in enumerate(unit.supports):
        if support.name not in found:
            continue
        ends = []
        for side in (-1, 1):
            compliance = unit.mechanism.compliance.copy()
            compliance[unit.mechanism.owner == i] += side * support.u_compliance
            moved = replace(unit.mechanism, compliance=compliance)
            ends.append(member_matrix(pose(moved, travel, still)))
        expected = 0.5 * (ends[1] - ends[0])
        size = np.max(np.abs(expected))
        # The travels are those of the pose, closed to 1e-12 m.
        assert_allclose(found[support.name], expected, rtol=0, atol=1e-7 * size)
        assert np.max(np.abs(found[support.name] + expected)) > size  # twin: the sign counts


def test_loads_that_equilibrium_gives_do_not_depend_on_compliances() -> None:
    for file in ("club_racer", "wishbone_spring_on_arm", "strut", "anti_roll_bar", "solid_axle"):
        for name, unit in assemblies_of(shipped(file)).items():
            depends = (file, name) in (("anti_roll_bar", "front"), ("solid_axle", "rear"))
            # The twist beam has more supports than it needs; no gauged load of it feels the split.
            assert unit.mechanism.shares_loads == (depends or (file, name) == ("strut", "rear"))
            assert bool(soft_changes(unit, pose(unit.mechanism, 0.0))) == depends
    assert not any("compliance" in str(n) for n in day().forces["cause_name"].to_numpy())


def solved(log: xr.Dataset, calibration: Calibration, car: Vehicle) -> xr.Dataset:
    """Forces; that this axle's gauges tell some only as sums is no news here."""
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        return reconstruct(log, calibration, car)


def held(moved: float) -> tuple[Vehicle, Calibration]:
    """The car with one compliance moved by so many of its u, and a map that holds K G at the pulls.

    Of the maps that do so it is the nearest one, as the bridges' slopes hold what pulls do not see.
    """
    axle = axle_day("solid_axle")
    one = axle.calibration.corners["rear"]
    corner = axle.described.corners["RL"]
    supports = tuple(
        replace(s, compliance=s.compliance + moved * s.u_compliance)
        if s.name == "upper_link"
        else s
        for s in corner.supports
    )
    whole = axle.described
    car = replace(whole, corners=whole.corners | {"RL": replace(corner, supports=supports)})
    before, after = (
        member_matrix(
            pose(
                assembly_of(c, "RL").mechanism,
                np.full(2, one.conditions.travel),
                one.conditions.rack,
            )
        )
        for c in (whole, car)
    )
    K = one.K + one.K @ (before - after) @ np.linalg.pinv(after)
    return car, replace(axle.calibration, corners={"rear": replace(one, K=K)})


@pytest.mark.slow(3)
def test_the_cause_is_what_another_compliance_does_to_the_map(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """H of cars with another compliance whose maps hold the pulls, at every node of the poses."""
    conditioned = axle_day("solid_axle").conditioned
    taken: list[Bench] = []

    def taking(bench: Bench) -> list[Cause]:
        taken.append(bench)
        return compliance_causes(bench)

    monkeypatch.setattr(causes, "compliance_causes", taking)
    solved(conditioned, held(0.0)[1], held(0.0)[0])
    (bench,) = taken
    travel = bench.grid.nodes[:, :-1]
    maps = []
    for side in (-1, 1):
        car, fitted = held(side)
        at = pose(assembly_of(car, "RL").mechanism, travel, bench.grid.nodes[:, -1])
        maps.append(
            fitted.corners["rear"].K @ loads_of(at, bench.estimator.columns, bench.modes[0])[0]
        )
    base = bench.grid.at[0]
    exact = -base.forces @ (0.5 * (maps[1] - maps[0]))[..., base.known_rows]
    (cause,) = (c for c in compliance_causes(bench) if c.source.name == UPPER)
    features = bench.features
    found = np.tile(cause.loading[0][:, features.forces], (len(travel), 1, 1))
    for j in range(2):
        along = travel[:, j, None, None] / bench.grid.scale[j]
        found += along * cause.loading[0][:, features.by_travel(j)]
    size = np.linalg.norm(exact)
    # Effects over the pose are fitted by features that are linear in both travels.
    assert np.linalg.norm(found - exact) < 0.5 * size
    assert np.linalg.norm(-found - exact) > 1.5 * size  # twin: the other sign


@pytest.mark.slow(1)
def test_what_is_stated_less_surely_widens_the_interval() -> None:
    axle = axle_day("solid_axle")

    def shared(factor: float) -> xr.Dataset:
        def of(s: Support) -> Support:
            return replace(s, u_compliance=factor * s.u_compliance)

        car = softened(axle.described, of)
        with unwarned(), warnings.catch_warnings():
            warnings.simplefilter("ignore", PriorWarning)
            return solved(axle.conditioned, calibrate(axle.pulls, car), car)

    sure, stated, unsure = shared(0.0), shared(1.0), shared(3.0)
    assert not any("compliance" in str(n) for n in sure["cause_name"].to_numpy())
    # Longitudinal, which no lateral force that is lost outweighs.
    first, second, third = (
        np.mean(f["u_tyre_force_assumption"].to_numpy()[..., 0].astype(float) ** 2)
        for f in (sure, stated, unsure)
    )
    # Causes that are dropped hold 1e-4 of the variance in all; the pulls leave little of this one.
    assert first * (1 + 2e-4) < second < third
    # The map is less sure as well where a rate is, so that of the cause itself is compared.
    assert by_compliance(unsure) > 2.5 * by_compliance(stated)


def by_compliance(forces: xr.Dataset) -> float:
    """Contribution [N] of stated compliances to Fx, rms over the corners and the whole drive."""
    elapsed = forces["elapsed_time"].to_numpy()
    parts = budget(forces, start=float(elapsed[0]), end=float(elapsed[-1]))
    (place,) = np.flatnonzero(parts["cause_words"].to_numpy() == "stated compliances")
    return rms(parts["contribution"].to_numpy()[place, :, 0])


def test_an_axle_winds_up_as_far_as_the_elastic_one_of_the_virtual_car() -> None:
    """Braked hubs pass the moment of the longitudinal force; hubs that half-shafts drive do not."""
    car, usual = shipped("solid_axle_tubes"), 3800.0
    elastic = draw_car(car, 0, effects=Effects(facts=0.0, bushes=0.0)).elastic["rear"]

    def turned(ahead: float, braked: float) -> float:
        """Angle [rad] by which the axle turns under longitudinal forces [N] of that size."""
        force = np.array([[ahead * usual, 0.0, usual]])

        def load(at: WheelAt) -> tuple[np.ndarray, np.ndarray]:
            moment = np.cross(at.contact - at.hub, force)
            spin = np.sum(moment * at.spin, axis=1, keepdims=True) * at.spin
            return force, moment - (1.0 - braked) * spin

        wheel = settle(elastic, (load, load), np.zeros(1), travel=np.zeros((1, 2))).wheels[0]
        return float(np.arcsin(wheel.turn[0, 0, 2]))

    angle = wind_up(assembly_of(car, "rear"), (usual, usual))
    assert angle == pytest.approx(turned(-0.8, braked=1.0), rel=0.05)  # to first order
    assert abs(turned(0.8, braked=0.0) - turned(0.0, braked=0.0)) < 0.05 * angle
    rigid = softened(car, lambda s: replace(s, compliance=0.0) if s.kind == "link" else s)
    assert abs(wind_up(assembly_of(rigid, "rear"), (usual, usual))) < 1e-12


def test_an_axle_turns_on_its_links_as_much_as_it_brakes() -> None:
    """In a corner without brakes it does not; in usual braking the load shows as force ahead.

    Upwards it is the force ahead of a hard stop that turns: an axle that carries less then, less.
    Of an axle that drives, the map keeps how held hubs turned in pulls the weight that hung.
    """
    axle = axle_day("strut")
    with unwarned():
        (solver,) = prepare(axle.calibration, axle.described, axle.conditioned).solvers
    lighter = tuple(replace(r, braking=0.6 * r.vertical) for r in solver.estimator.references)
    estimator = replace(solver.estimator, references=lighter)
    (cause,) = wind_up_causes(bench_of(estimator))
    usual, features = estimator.usual_load, Features(wheels=2)
    angle = abs(wind_up(solver.assembly, usual))
    assert angle > 1e-4
    for k, load in enumerate(usual):
        along = features.force(k, 0)
        of_ahead = cause.loading[:, 3 * k]
        turns = np.array([mode[k] != "rolling" for mode in solver.estimator.modes])
        turned = np.where(turns, load, STANDARD_GRAVITY * solver.assembly.corners[k].unsprung_mass)
        assert_allclose(of_ahead[:, along] * -0.8 * load, angle * turned, rtol=1e-9)  # same numbers
        assert not np.delete(of_ahead, along, axis=-1).any()
        assert_allclose(cause.loading[:, 3 * k + 2, along], -0.6 * angle * turns, rtol=1e-9)
