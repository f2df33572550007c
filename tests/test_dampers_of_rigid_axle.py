"""A damper without a rate beside the spring of an axle whose links bind: it carries nothing."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.calibration.calibrate import calibrate
from recon.car.vehicle import DAMPER, Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.uneven_wheels import tied_loads
from recon.reconstruction.prepare import prepare
from tests.days import unwarned
from tests.suspension_days import axle_day

SHARE = 0.02  # of the largest: links and springs are the same, dampers only stand beside them


def with_dampers(car: Vehicle) -> Vehicle:
    """The car with a damper of rate 0, 80 mm behind each rear spring."""
    corners = {}
    for name, corner in car.corners.items():
        (spring,) = [s for s in corner.supports if s.name == "spring"]
        ends = (replace(e, point=(e.point[0] - 0.08, *e.point[1:])) for e in
                (spring.outer, spring.inner))  # fmt: skip
        outer, inner = ends
        damper = replace(
            spring, name="damper", outer=outer, inner=inner, compliance=DAMPER, u_compliance=0.0
        )
        corners[name] = replace(corner, supports=(*corner.supports, damper))
    return replace(car, corners=corners)


@pytest.fixture(scope="module")
def both():
    day = axle_day("solid_axle")
    with unwarned():
        return day, *(
            calibrate(day.pulls, car) for car in (day.described, with_dampers(day.described))
        )


def test_calibration_is_what_it_is_without_the_dampers(both) -> None:
    _, bare, damped = both
    (plain,), (beside,) = bare.corners.values(), damped.corners.values()
    known = [beside.members.index(name) for name in plain.members]
    least = SHARE * np.max(np.abs(plain.K))
    assert_allclose(beside.K[:, known], plain.K, rtol=0, atol=least)
    assert_allclose(beside.u_K[:, known], plain.u_K, rtol=0.1, atol=SHARE * np.max(plain.u_K))


def test_unsure_points_move_the_forces_about_as_without_the_dampers(both) -> None:
    """Not the same: the gauges of the springs count for less beside what dampers carry."""
    day, bare, damped = both
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # forces of single wheels that such an axle does not show
        solvers = [
            prepare(calibration, car, day.conditioned).solvers[0]
            for calibration, car in ((bare, day.described), (damped, with_dampers(day.described)))
        ]
    plain, beside = (
        max(np.max(np.abs(c.loading)) for c in solver.causes if "hardpoints" in c.source.name)
        for solver in solvers
    )
    assert beside == pytest.approx(plain, rel=0.5)  # N


def test_dampers_that_are_undone_for_the_tare_hold_nothing_there() -> None:
    car = axle_day("solid_axle").described
    plain, beside = (assembly_of(each, "rear") for each in (car, with_dampers(car)))
    bare, damped = (
        tied_loads(pose(each.mechanism, np.array([-0.05, -0.04]))) for each in (plain, beside)
    )
    known = [beside.members.index(name) for name in plain.members]
    assert np.max(np.abs(bare)) > 100  # N: links that bind in roll
    assert_allclose(damped[known], bare, rtol=0, atol=1e-3 * np.max(np.abs(bare)))
