"""Tabulated loads: as good as stated at poses that were not checked, and cheap to evaluate."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.base.errors import VehicleError
from recon.car.vehicle import Vehicle
from recon.mechanics.chebyshev import products
from recon.mechanics.mechanism import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import member_matrix
from recon.mechanics.table import WANTED, WHEEL, LoadTable, tabulate
from tests.shipped_mechanisms import NAMES, SHIPPED, random_poses, shipped

Floats = NDArray[np.float64]
every = pytest.mark.parametrize(
    ("file", "corner"),
    [*SHIPPED, ("case_car", "FL"), ("case_car", "RL")],
    ids=[*NAMES, "case_car-FL", "case_car-RL"],
)
MOST_COST = 8.0  # products of the same size that the table may cost


def coordinates(file: str, corner: str, n: int) -> tuple[Floats, Floats]:
    at = random_poses(file, corner, n, seed=70)
    return at.hubs[..., 2] - [w.centre[2] for w in at.mechanism.wheels], at.rack


@every
def test_table_agrees_with_poses_it_has_not_seen(file: str, corner: str) -> None:
    table = tabulate(shipped(file), corner)
    travel, rack = coordinates(file, corner, 300)
    mechanism = assembly_of(shipped(file), corner).mechanism
    at = pose(mechanism, travel if travel.shape[1] > 1 else travel[:, 0], rack)
    exact = member_matrix(at)
    moments = np.tile([1, 1, 1, 0.1, 0.1, 0.1], travel.shape[1])
    largest = np.max(np.abs(exact * moments))
    rng = np.random.default_rng(71)
    force = rng.standard_normal((300, exact.shape[2])) * np.where(moments == 1, 3000.0, 200.0)
    found = table.loads(travel, rack, force)
    expected = np.einsum("nmi,ni->nm", exact, force)
    assert 0 < table.error < WANTED
    # Stated error per entry, of up to twelve entries at once, on wrenches of some 3 kN each.
    bound = 2 * WANTED * largest * np.max(np.sum(np.abs(force) * moments, axis=1))
    assert np.max(np.abs(found - expected)) < bound
    assert_allclose(table.matrix(travel, rack), exact, rtol=0, atol=2 * WANTED * 10 * largest)
    wheel = table.wheel(travel, rack)
    for k, w in enumerate(at.wheels):
        # m and rad; half a millimetre over some hundred, as good as the loads need
        assert_allclose(wheel[:, k, :3], w.contact, rtol=0, atol=2e-4)
        assert_allclose(wheel[:, k, WHEEL.index("heading")], w.heading, rtol=0, atol=1e-3)
        assert_allclose(wheel[:, k, WHEEL.index("inclination")], w.inclination, rtol=0, atol=1e-3)
        height = w.hub[:, 2] - w.contact[:, 2]
        assert_allclose(wheel[:, k, WHEEL.index("hub_height")], height, rtol=0, atol=2e-4)
    # Twin: travel of the other sign is seen.
    assert np.max(np.abs(table.loads(-travel, rack, force) - expected)) > bound / 4


def test_beyond_the_ranges_loads_stay_at_the_end() -> None:
    table = tabulate(shipped("strut"), "FL")
    force = np.tile([100.0, 200.0, 3000.0, 0.0, 0.0, 0.0], (2, 1))
    found = table.loads(np.array([0.055, 0.9]), np.array([0.04, 7.0]), force)
    assert_allclose(found[0], found[1], rtol=1e-6)  # single precision


def with_flat_coil_over(height: float) -> Vehicle:
    """The club car with the inner end of a rear coil-over down at some height [m]."""
    car = shipped("club_racer")
    corner = car.corners["RL"]
    spring = corner.support_index("coil_over")
    flat = replace(
        corner.supports[spring],
        inner=replace(corner.supports[spring].inner, point=(-2.398, 0.420, height)),
    )
    supports = (*corner.supports[:spring], flat, *corner.supports[spring + 1 :])
    return replace(car, corners=car.corners | {"RL": replace(corner, supports=supports)})


def test_table_that_no_degree_serves_names_its_miss() -> None:
    """A coil-over that comes near its dead centre at an end of the stated travel."""
    with pytest.raises(VehicleError, match=r"corner RL: loads over .* misses \d"):
        tabulate(with_flat_coil_over(0.225), "RL")


@pytest.mark.parametrize("height", [0.200, 0.2225])
def test_dead_centre_between_poses_is_found(height: float) -> None:
    """No pose hits it: loads on either side of it differ in sign."""
    with pytest.raises(
        VehicleError, match=r"corner RL: .* dead centre \(condition up to \d\.\de\+0[34]"
    ):
        tabulate(with_flat_coil_over(height), "RL")
    tabulate(with_flat_coil_over(0.3), "RL")  # twin


@pytest.mark.benchmark
@every
def test_evaluation_costs_few_matrix_products(file: str, corner: str) -> None:
    """Of 1.2 million samples, against one fixed matrix by the same wrenches."""
    table, n = tabulate(shipped(file), corner), 1_200_000
    travel, rack = (np.resize(a, (n, *a.shape[1:])) for a in coordinates(file, corner, 1000))
    wrench = np.random.default_rng(72).standard_normal((n, 6 * travel.shape[1]))
    plain, ours = np.inf, np.inf
    for _ in range(5):
        plain = min(plain, _time(lambda: wrench @ np.ones((wrench.shape[1], len(table.members)))))
        ours = min(ours, _time(lambda: table.loads(travel, rack, wrench)))
    assert ours < plain * MOST_COST


def _time(run: object) -> float:
    start = time.perf_counter()
    run()  # type: ignore[operator]
    return time.perf_counter() - start


def test_parts_take_no_more_than_members_hang_on() -> None:
    """Rows: 12 forces and moments, 2 forces along the travels, then the members."""

    def taken(file: str, corner: str) -> list[tuple[int, int]]:
        return [(len(p.inputs), len(p.found)) for p in tabulate(shipped(file), corner).parts]

    # A bar: force along each travel, two leaders from both forces, six more of each wheel.
    assert taken("anti_roll_bar", "FL") == [(6, 1), (6, 1), (2, 2), (7, 6), (7, 6)]
    # One beam for both wheels: its tubes know of one wheel, its links of both.
    assert sorted(taken("solid_axle_tubes", "RL")) == [(6, 6), (6, 6), (12, 7)]
    assert taken("club_racer", "FL") == [(6, 6)]


def test_products_are_those_of_chebyshev() -> None:
    unit = np.random.default_rng(73).uniform(-1, 1, (3, 50))
    powers = np.array([[0, 0, 0], [5, 0, 1], [0, 0, 4], [2, 0, 6]])
    expected = np.prod(np.cos(powers[..., None] * np.arccos(unit)), axis=1)
    assert_allclose(products(unit, powers), expected, rtol=0, atol=1e-13)  # rounding
    assert products(unit.astype(np.float32), powers).dtype == np.float32
    assert_allclose(products(unit, powers[:1]), 1.0)


def test_members_are_those_of_the_mechanism() -> None:
    table: LoadTable = tabulate(shipped("solid_axle_tubes"), "RR")
    assert table.members == assembly_of(shipped("solid_axle_tubes"), "RL").mechanism.member_names
