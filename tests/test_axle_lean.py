"""Side forces that the tyres of a tied axle hold against each other, while the body leans on it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

import recon.reconstruction.causes.every_cause as causes
import recon.reconstruction.solving.solve as solving
from recon.mechanics.assembly import assembly_of, axle_roll
from recon.mechanics.motion import pose
from recon.mechanics.statics import member_matrix, road_columns
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from tests.days import unwarned
from tests.shipped_mechanisms import shipped
from tests.suspension_days import axle_day

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")

UP, DOWN = 0.03, -0.03  # m


def test_they_load_no_link_along_the_axle_however_the_body_leans() -> None:
    assembly = assembly_of(shipped("solid_axle"), "rear")
    at = pose(assembly.mechanism, np.array([[DOWN, UP]]))
    per_force = (member_matrix(at) @ road_columns(at, hub_passes_spin=[False, False]))[0]
    left, right = per_force[:, :3], per_force[:, 6:9]
    roll = float(axle_roll(assembly, np.array([DOWN, UP])))
    assert roll > 0.03  # the body rolls to the right, away from its left wheel
    along_axle, along_body = np.array([0, np.cos(roll), -np.sin(roll)]), np.array([0, 1.0, 0])
    held, seeming = (np.abs((left - right) @ way).max() for way in (along_axle, along_body))
    assert held < 0.1 * seeming


@cache
def solved_axle(leaning: bool) -> xr.Dataset:
    """The day of a solid axle, with its lean or as if the axle leaned with the body."""
    day = axle_day("solid_axle")
    with unwarned(), pytest.MonkeyPatch.context() as patch:
        if not leaning:
            for place in (causes, solving):
                patch.setattr(place, "axle_roll", lambda _, travel: 0.0 * travel[0])
        return prepare(day.calibration, day.described, day.conditioned).solve(day.conditioned)


def squares(forces: xr.Dataset, name: str) -> np.ndarray:
    """Mean squares (corner, component) [N2] of a standard uncertainty where the body leans."""
    travel = axle_day("solid_axle").forces["travel"].to_numpy()
    leans = np.abs(travel[:, 1] - travel[:, 0]) > 0.02
    assert np.mean(leans) > 0.2
    return np.asarray(np.mean(forces[name].to_numpy()[leans].astype(float) ** 2, axis=0))


def test_they_do_not_widen_vertical_forces_against_the_road() -> None:
    name = "u_tyre_force_intermediate"
    new, old = (squares(solved_axle(leaning), name) for leaning in (True, False))
    assert np.all(np.isnan(new[:, 1]))  # no gauge sees the side force of one tyre
    assert np.all(new[:, 2] < 0.7 * old[:, 2])
    assert_allclose(new[:, 0], old[:, 0], rtol=0.01)
    # Against the body, which turns, nothing is known better than before.
    body = "u_tyre_force_vehicle"
    assert_allclose(
        squares(solved_axle(True), body)[:, 2], squares(solved_axle(False), body)[:, 2], rtol=0.05
    )


def test_vertical_forces_of_a_solid_axle_lie_in_their_narrower_intervals() -> None:
    day = axle_day("solid_axle")
    assert np.mean(day.inside[:, [2, 5]]) > 0.9
    assert np.sqrt(np.mean(day.z[:, [2, 5]] ** 2)) < 1.3


def test_signed_errors_add_up_to_the_stated_variance() -> None:
    forces, samples = axle_day("solid_axle").forces, np.arange(10, 390, 17)
    error = signed_errors(forces, samples)
    stated = forces["u_tyre_force_intermediate"].to_numpy()[samples].astype(float) ** 2
    random = forces["u_tyre_force_random"].to_numpy()[samples].astype(float) ** 2
    known = np.isfinite(stated)
    assert_allclose(np.sum(error**2, axis=0)[known], (stated - random)[known], rtol=0.03)
