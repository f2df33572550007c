"""Signed errors: the same variance as the stated parts, and signs that cancel where they should."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataError
from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.planning.unknowns import reference_of
from recon.reconstruction.result.signed_errors import Loadings, signed_errors
from tests.days import day, exact, exact_log, states, unwarned

# Stated uncertainties are in single precision.
ROUNDING = 3e-6
SAMPLES = np.arange(100, 3000, 29)
PARTS = ("session", "calibration", "assumption")
AXES = {"tyre": "", "intermediate": "_intermediate", "vehicle": "_vehicle"}


@cache
def errors(axes: str) -> np.ndarray:
    return signed_errors(day().forces, SAMPLES, axes)


def at_samples(name: str) -> np.ndarray:
    return day().forces[name].to_numpy()[SAMPLES].astype(float)


def test_the_day_is_within_its_pulls() -> None:
    """Widening beyond the pulls is no cause of its own; these samples have none."""
    assert not np.any(day().forces["status"].to_numpy()[SAMPLES])
    assert not np.any(errors("tyre")[day().forces.sizes["cause"] :])


@pytest.mark.parametrize("axes", AXES)
def test_the_widening_beyond_the_pulls_is_part_of_the_errors(axes: str) -> None:
    small = {
        name: replace(c, conditions=replace(c.conditions, force_reached=np.full(3, 100.0)))
        for name, c in day().calibration.corners.items()
    }
    with unwarned():
        forces = reconstruct(
            day().conditioned.isel(elapsed_time=slice(100, 400)),
            replace(day().calibration, corners=small),
            day().car,
        )
    at = np.arange(0, 300, 29)
    found = flat_and_vertical(np.sum(signed_errors(forces, at, axes) ** 2, axis=0))
    stated, random = (
        flat_and_vertical(forces[name].to_numpy()[at].astype(float) ** 2)
        for name in (f"u_tyre_force{AXES[axes]}", "u_tyre_force_random")
    )
    # Beyond the pulls by kilonewtons, all but some percent of the variance is the widening; roll
    # and pitch turn it a little, which the stated variance leaves out.
    assert_allclose(found, stated - random, rtol=0.02)


def test_sum_of_squares_is_the_stated_variance_in_intermediate_axes() -> None:
    stated = flat_and_vertical(at_samples("u_tyre_force_intermediate") ** 2)
    random = flat_and_vertical(at_samples("u_tyre_force_random") ** 2)
    found = flat_and_vertical(np.sum(errors("intermediate") ** 2, axis=0))
    assert_allclose(found, stated - random, rtol=ROUNDING)


def flat_and_vertical(variance: np.ndarray) -> np.ndarray:
    """Variances of x and y together, which no turn about z changes, and of z."""
    return np.stack([variance[..., 0] + variance[..., 1], variance[..., 2]], axis=-1)


@pytest.mark.parametrize("part", PARTS)
def test_each_part_is_the_sum_of_its_causes_in_tyre_axes(part: str) -> None:
    chosen = day().forces["cause_part"].to_numpy() == part
    found = np.sum(errors("tyre")[: len(chosen)][chosen] ** 2, axis=0)
    stated = at_samples(f"u_tyre_force_{part}") ** 2
    assert_allclose(flat_and_vertical(found), flat_and_vertical(stated), rtol=ROUNDING)  # as above


def test_vehicle_axes_know_nothing_of_roll_and_pitch() -> None:
    stated = at_samples("u_tyre_force_vehicle") ** 2
    found = np.sum(errors("vehicle") ** 2, axis=0)
    random = flat_and_vertical(at_samples("u_tyre_force_random") ** 2)
    # As above, and a difference of variances on top.
    assert_allclose(flat_and_vertical(found), flat_and_vertical(stated) - random, rtol=2 * ROUNDING)
    level = np.sum(errors("intermediate") ** 2, axis=0)
    assert np.max(level / found) > 1.05  # twin: the axes differ


def test_steer_moves_the_loads_and_turns_the_axes_as_one_cause() -> None:
    names = day().forces["cause_name"].to_numpy()
    steer = np.flatnonzero(names == "steer")
    assert len(steer) == 1
    front = errors("tyre")[steer[0]][:, 0] - turned_by_heading(errors("intermediate")[steer[0]])
    force = turned_by_heading(at_samples("tyre_force_intermediate"))
    # u_steer [rad] turns Fy into Fx and Fx into -Fy, whatever the rack's ratio.
    u = day().car.sensors.u_steer
    assert_allclose(front[:, 0], u * force[:, 1], rtol=0.02, atol=0.5)  # ratio varies over travel
    assert_allclose(front[:, 1], -u * force[:, 0], rtol=0.02, atol=0.5)


def turned_by_heading(values: np.ndarray) -> np.ndarray:
    """Front left, intermediate to tyre axes."""
    angle = day().forces["heading"].to_numpy()[SAMPLES, 0].astype(float)
    x, y = values[:, 0, 0], values[:, 0, 1]
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * x + s * y, c * y - s * x, values[:, 0, 2]], axis=-1)


def test_total_is_the_sum_of_its_parts() -> None:
    parts = sum(at_samples(f"u_tyre_force_{p}") ** 2 for p in ("random", *PARTS))
    assert_allclose(at_samples("u_tyre_force") ** 2, parts, rtol=1e-5)  # single precision


def test_roll_only_turns_level_axes() -> None:
    names = day().forces["cause_name"].to_numpy()
    roll = np.flatnonzero(names == "roll of the body")
    assert len(roll) == 1
    assert np.all(errors("vehicle")[roll] == 0.0)
    turned = errors("intermediate")[roll[0]]
    vertical = at_samples("tyre_force_vehicle")[..., 2]
    # A lean by u turns the vertical force sideways: -u Fz.
    assert_allclose(turned[..., 1], -day().car.sensors.u_attitude * vertical, rtol=1e-6, atol=1e-3)


def test_shared_causes_are_one_cause_and_own_ones_stay_with_their_corner() -> None:
    names = day().forces["cause_name"].to_numpy()
    strap = np.flatnonzero(names == "strap gain")
    assert len(strap) == 1
    effect = errors("vehicle")[strap[0]]
    force = at_samples("tyre_force_vehicle")
    big = np.abs(force[..., 1]) > 1000
    # A strap that reads too little makes every map too large, and every force too small, alike:
    # signs of effect and force agree in every corner, or disagree in every corner.
    agree = np.sign(effect[..., 1][big]) == np.sign(force[..., 1][big])
    assert agree.mean() > 0.98 or agree.mean() < 0.02
    assert all(np.any(effect[:, k] != 0) for k in range(4))
    own = [i for i, n in enumerate(names) if str(n).startswith("RL ")]
    assert own
    others = [0, 1, 3]
    assert np.all(errors("vehicle")[own][:, :, others] == 0.0)


def test_a_difference_of_corners_knows_what_they_share() -> None:
    """Front axle's sum less rear's: adding variances would count the shared gain twice over."""
    lateral = errors("intermediate")[..., 1]
    total = np.sum(lateral.sum(axis=2) ** 2, axis=0)
    plain = np.sum(lateral**2, axis=(0, 2))
    shared = np.flatnonzero(day().forces["cause_name"].to_numpy() == "roll of the body")[0]
    weight = at_samples("tyre_force_vehicle")[..., 2].sum(axis=1)
    # Roll leans on all four tyres at once: u times the whole weight, not its root sum of squares.
    whole = np.abs(lateral[shared].sum(axis=1))
    assert_allclose(whole, day().car.sensors.u_attitude * weight, rtol=1e-4)
    assert not np.allclose(total, plain, rtol=0.01)  # twin


@pytest.mark.parametrize("k", [0, 3])
@pytest.mark.parametrize("slope", [(1, 0, 0), (0, 1, 0), (0.3, -0.6, 0.8)])
def test_the_quick_variance_of_a_quantity_is_that_of_all_causes(
    k: int, slope: tuple[float, float, float]
) -> None:
    whole = errors("tyre")[:, :, k] @ np.array(slope)
    slopes = np.tile(np.array(slope), (len(SAMPLES), 1))
    found = Loadings(day().forces).variance(k, SAMPLES, slopes)
    # Directions of causes that are left out hold less than 1e-4 of the variance of usual samples.
    assert_allclose(found, np.sum(whole**2, axis=0), rtol=0.02)


def test_the_quick_variance_of_forces_beside_one_that_is_hardly_known() -> None:
    """As at a wheel of a beam axle whose brake torque nobody knows: Fy and Fz still go together."""
    forces, slope = day().forces.copy(deep=True), np.array([0.0, 0.6, 0.8])
    forces["loading"].values[0, :, 3, 0, 0] = 5000.0
    each = signed_errors(forces, SAMPLES, "tyre")[:, :, 3]
    random = forces["u_tyre_force_random"].to_numpy()[SAMPLES, 3]
    stated = np.sqrt(np.sum(each**2, axis=0) + random**2)
    forces["u_tyre_force"].values[SAMPLES, 3] = stated
    true, apart = np.sum((each @ slope) ** 2, axis=0), np.sum((each * slope) ** 2, axis=(0, 2))
    assert np.median(np.abs(apart / true - 1)) > 0.04  # what they would be without a correlation
    found = Loadings(forces).variance(3, SAMPLES, np.tile(slope, (len(SAMPLES), 1)))
    assert_allclose(found, true, rtol=0.02)


def test_features_of_a_result_read_back_are_the_same(tmp_path: object) -> None:
    from recon.records.results import read_result, write_result

    path = write_result(day().forces, f"{tmp_path}/forces.nc")
    back: xr.Dataset = read_result(path)
    few = signed_errors(back, SAMPLES[:5])
    # Another number of samples is summed in another order: rounding.
    assert_allclose(few, errors("intermediate")[:, :5], rtol=0, atol=1e-9)


def test_something_else_than_forces_is_refused_by_name() -> None:
    cones = xr.Dataset({"a": 1}, attrs={"title": "Cones of a car"})
    with pytest.raises(DataError, match=r"'Cones of a car', without .*loading"):
        signed_errors(cones, SAMPLES)
    with pytest.raises(DataError, match=r"'Cones of a car', without .*loading"):
        Loadings(cones)


def test_an_unsprung_mass_that_is_wrong_tells_in_turns() -> None:
    """What a heavier hub takes of the side force, against the car described 2 kg heavier."""
    light = exact("FL").car
    corner = light.corners["FL"]
    u = 2.0
    car = replace(light, corners={"FL": replace(corner, u_unsprung_mass=u)})
    heavy = replace(car, corners={"FL": replace(corner, unsprung_mass=corner.unsprung_mass + u)})
    load = reference_of(car, corner).vertical
    force = load * np.array([[0.0, 1.0, 1.0], [0.0, -1.0, 1.0], [-0.5, 0.4, 1.0]])
    hub = STANDARD_GRAVITY * (force / load)  # a hub that goes where the tyre's force sends it
    log, tares, _ = exact_log(exact("FL"), states("FL", force, specific_force=hub[:, None]))
    as_said, heavier = (
        reconstruct(condition(log, c, tares, bandwidth=1e9), exact("FL").calibration, c)
        for c in (car, heavy)
    )
    cause = as_said["cause_name"].to_numpy().tolist().index("FL unsprung mass")
    found = signed_errors(as_said, np.arange(3), "vehicle")[cause, :, 0]
    moved = (heavier["tyre_force_vehicle"] - as_said["tyre_force_vehicle"]).to_numpy()[:, 0]
    assert np.max(np.abs(moved[:, 1])) > 0.9 * u * STANDARD_GRAVITY
    # Forces found stand for those applied, and single precision for the result: 5 % of 20 N.
    assert_allclose(found, moved, rtol=0, atol=1.0)
