"""Bars and bound links where wheels hang: what they hold, against the elastic virtual axle."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assemblies_of
from recon.mechanics.motion import pose
from recon.mechanics.uneven_wheels import tied_loads, twist_is_stated, twist_loads
from recon.virtual.drawing import draw_car
from recon.virtual.effects import Effects
from recon.virtual.elastic import no_load, settle
from tests.shipped_mechanisms import shipped

Floats = NDArray[np.float64]
TIED = [("anti_roll_bar", "front"), ("solid_axle", "rear")]
DROOP, OFF = -0.05, 0.003  # m


def hung(car: Vehicle, unit: str, travel: Floats) -> dict[str, float]:
    """Loads [N] of all members of a weightless elastic axle as the file describes it."""
    elastic = draw_car(car, 1, effects=Effects(facts=0.0, bushes=0.0)).elastic[unit]
    load = settle(elastic, (no_load, no_load), np.zeros(1), travel=travel[None]).load[0]
    return dict(zip(elastic.members.names, load.tolist(), strict=True))


@cache
def level(name: str, unit: str) -> dict[str, float]:
    return hung(shipped(name), unit, np.full(2, DROOP))


def agree(found: dict[str, float], true: dict[str, float]) -> None:
    """Compliance of the joints, which only the virtual car has, lowers what a bar holds by 3 %."""
    names = list(found)
    largest = max(map(abs, true.values()))
    assert largest > 25.0  # N, or there is nothing to compare
    assert_allclose(
        [found[n] for n in names], [true[n] for n in names], rtol=0, atol=0.05 * largest
    )


@pytest.mark.parametrize(("name", "unit"), TIED)
def test_a_wheel_that_hangs_higher_loads_bar_or_links_as_in_the_elastic_axle(
    name: str, unit: str
) -> None:
    mechanism = assemblies_of(shipped(name))[unit].mechanism
    assert twist_is_stated(mechanism)
    per_rise = twist_loads(mechanism, np.full(2, DROOP))
    higher = hung(shipped(name), unit, np.array([DROOP + OFF, DROOP]))
    found = dict(zip(mechanism.member_names, OFF * per_rise[:, 0], strict=True))
    agree(found, {n: higher[n] - level(name, unit)[n] for n in found})
    # Both wheels higher twist nothing.
    assert np.abs(per_rise.sum(axis=1)).max() < 0.01 * np.abs(per_rise).max()


def test_a_link_whose_end_is_elsewhere_binds_hanging_wheels_as_in_the_elastic_axle() -> None:
    """The links of one side then turn the axle otherwise than those of the other side."""
    car = shipped("solid_axle")
    corner = car.corners["RL"]
    elsewhere = {
        s.name: replace(s, inner=replace(s.inner, point=raised(s.inner.point)))
        for s in corner.supports
        if s.name == "upper_link"
    }
    supports = tuple(elsewhere.get(s.name, s) for s in corner.supports)
    moved = replace(car, corners=car.corners | {"RL": replace(corner, supports=supports)})
    loads = [
        tied_loads(pose(assemblies_of(one)["rear"].mechanism, np.full(2, DROOP)))
        for one in (car, moved)
    ]
    names = assemblies_of(car)["rear"].mechanism.member_names
    true = hung(moved, "rear", np.full(2, DROOP))
    found = dict(zip(names, loads[1] - loads[0], strict=True))
    agree(found, {n: true[n] - level("solid_axle", "rear")[n] for n in names})
    assert max(found.values()) > 50.0  # N, for 3 mm


def raised(point: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, z = point
    return x, y, z + OFF


def test_a_bar_of_unstated_rate_says_nothing_of_its_twist() -> None:
    mechanism = assemblies_of(shipped("anti_roll_bar"))["front"].mechanism
    unknown = np.array(["bar" in name for name in mechanism.row_names[: len(mechanism.compliance)]])
    compliance = np.where(unknown, np.nan, mechanism.compliance)
    assert not twist_is_stated(replace(mechanism, compliance=compliance))
    alone = assemblies_of(shipped("club_racer"))["FL"].mechanism
    assert not twist_is_stated(alone)
