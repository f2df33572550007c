"""Bridges against numbers worked out by hand and against finite differences."""

from dataclasses import replace
from math import hypot, pi

import pytest
from numpy.testing import assert_allclose

from recon.car.bridges import BRIDGES, Tube, bridge_factor, ratio_slope, strain_slope, tube_strain

STEEL = Tube(
    outside_diameter=0.016,
    u_outside_diameter=5e-5,
    wall=0.0015,
    u_wall=4e-5,
    youngs_modulus=205e9,
    u_youngs_modulus=4e9,
    poisson_ratio=0.29,
    u_poisson_ratio=0.01,
)
NOTHING = replace(
    STEEL, u_outside_diameter=0.0, u_wall=0.0, u_youngs_modulus=0.0, u_poisson_ratio=0.0
)


def test_area_is_that_of_two_circles():
    # rtol: rounding of two ways to write one formula
    assert_allclose(STEEL.area, pi / 4 * (0.016**2 - 0.013**2), rtol=1e-12)


def test_solid_rod_is_a_tube_whose_wall_is_its_radius():
    rod = replace(STEEL, outside_diameter=0.010, wall=0.005)
    assert_allclose(rod.area, pi / 4 * 0.010**2, rtol=1e-12)  # rtol: rounding
    # The wall of a solid rod does not count: the area has its greatest value there.
    assert_allclose(
        tube_strain(replace(rod, u_wall=1.0, u_outside_diameter=0.0))[1] / tube_strain(rod)[0],
        4 / 205,
        rtol=1e-12,  # rounding
    )


@pytest.mark.parametrize(
    ("bridge", "per_microstrain"),
    [
        # mV/V of 1000 um/m at gauge factor 2, nu 0.3: GF/4 times the arms that work
        ("quarter", 0.5),
        ("half_poisson", 0.65),
        ("half_axial_opposite", 1.0),
        ("full_axial", 1.3),
    ],
)
def test_indication_of_1000_microstrain(bridge, per_microstrain):
    tube = replace(NOTHING, poisson_ratio=0.3)
    force = 1e-3 * tube.youngs_modulus * tube.area
    slope, u_slope = ratio_slope(bridge, tube, 2.0, 0.0)
    assert_allclose(slope * force, per_microstrain, rtol=1e-12)  # rtol: rounding
    assert u_slope == 0.0


def test_factors_of_all_bridges_are_between_one_and_three():
    assert {bridge: bridge_factor(bridge, 0.5) for bridge in BRIDGES} == {
        "full_axial": 3.0,
        "half_axial_opposite": 2.0,
        "half_poisson": 1.5,
        "quarter": 1.0,
    }


def test_worked_example_by_hand():
    # 16 x 1.5 mm: A = 68.329 mm2; 5 kN make 356.95 um/m; GF 2.1, nu 0.29, full bridge:
    # 2.1 / 4 * 2.58 * 0.35695 = 0.48349 mV/V
    slope, _ = ratio_slope("full_axial", STEEL, 2.1, 0.02)
    assert_allclose(5e3 * slope, 0.48349, rtol=2e-5)  # rtol: five digits of the hand's result
    assert_allclose(5e3 * strain_slope(STEEL)[0], 356.95, rtol=2e-5)  # as above


@pytest.mark.parametrize("bridge", BRIDGES)
def test_uncertainty_is_that_of_finite_differences(bridge):
    """GUM first-order propagation, the derivatives by central differences."""
    slope, u_slope = ratio_slope(bridge, STEEL, 2.1, 0.02)
    shifts = []
    for name in ("outside_diameter", "wall", "youngs_modulus", "poisson_ratio"):
        step = 1e-4 * getattr(STEEL, name)
        up, down = (
            ratio_slope(bridge, replace(STEEL, **{name: getattr(STEEL, name) + s}), 2.1, 0.0)[0]
            for s in (step, -step)
        )
        shifts.append((up - down) / (2 * step) * getattr(STEEL, f"u_{name}"))
    shifts.append(slope / 2.1 * 0.02)
    # rtol: central differences with a relative step of 1e-4 err by its square
    assert_allclose(u_slope, hypot(*shifts), rtol=1e-6)


def test_strain_channel_knows_nothing_of_gauge_factor_and_poisson():
    strain, u_strain = tube_strain(STEEL)
    assert_allclose(strain_slope(STEEL), (1e6 * strain, 1e6 * u_strain), rtol=1e-12)  # rounding
    assert_allclose(strain_slope(replace(STEEL, u_poisson_ratio=0.5)), strain_slope(STEEL), rtol=0)
