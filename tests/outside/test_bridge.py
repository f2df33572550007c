"""Bridge on a tube: order of magnitude of the whole signal chain, and the handbook's factors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from recon.car.bridges import BRIDGES, Tube, bridge_factor, ratio_slope, strain_slope

Differ = Callable[..., bool]
TUBE = Tube(19.05e-3, 0.0, 0.889e-3, 0.0, 200e9, 0.0, 0.30, 0.0)


@pytest.mark.source("A11: axial link")
def test_axial_link_under_a_kilonewton(far_apart: Differ) -> None:
    area = 50.7214e-6  # m2
    strain, bridge = 98.5777, 0.128151  # um/m and mV/V at 1000 N
    assert TUBE.area == pytest.approx(area, rel=1e-5)  # six digits given
    assert 1e3 * strain_slope(TUBE)[0] == pytest.approx(strain, rel=1e-5)  # six digits given
    found = 1e3 * ratio_slope("full_axial", TUBE, 2.0, 0.0)[0]
    assert found == pytest.approx(bridge, rel=1e-5)  # six digits given
    # Twins: radius for diameter, kN for N, the wrong bridge.
    assert far_apart(1e3 * strain_slope(replace(TUBE, outside_diameter=9.525e-3))[0], strain)
    assert far_apart(strain_slope(TUBE)[0], strain)
    assert far_apart(1e3 * ratio_slope("half_axial_opposite", TUBE, 2.0, 0.0)[0], bridge)


@pytest.mark.source("A11: small-strain factor of each bridge")
def test_output_of_each_bridge_at_1000_microstrain(far_apart: Differ) -> None:
    """mV/V at gauge factor 2, 1000 um/m, Poisson's ratio 0.3, by the handbook's table."""
    expected = {"quarter": 0.5, "half_axial_opposite": 1.0, "half_poisson": 0.65, "full_axial": 1.3}
    assert set(expected) == set(BRIDGES)
    newton = 1e3 / strain_slope(TUBE)[0]  # N that stretch the tube by 1000 um/m
    for bridge, output in expected.items():
        found = newton * ratio_slope(bridge, TUBE, 2.0, 0.0)[0]
        assert found == pytest.approx(output, rel=1e-12)  # exact: rounding only
        hoop_forgotten = newton * ratio_slope(bridge, replace(TUBE, poisson_ratio=0.0), 2.0, 0.0)[0]
        assert far_apart(hoop_forgotten, output) == ("poisson" in bridge or "full" in bridge)
    assert bridge_factor("full_axial", 0.30) == pytest.approx(2.6, rel=1e-12)  # exact: rounding
