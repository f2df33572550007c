"""Reconstruction through its door: load paths, bound, flags, corners alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataError, ExtrapolationWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.base.status import BIT
from recon.calibration.calibrate import calibrate
from recon.calibration.same_car import facts_of
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.mechanics.motion import rack_of_steer
from recon.report.drive.forces_summary import forces_summary
from recon.virtual.states import States
from tests.days import club_car, day, exact, exact_forces, exact_log, states, unwarned

# Points of the pulls to whole millimetres leave the exact car's map known to some 0.3 % of link
# loads, which are up to three times the force: 1 % of it, and the last digit.
SHARE, DIGIT = 0.01, 12.0


def agree(found: np.ndarray, true: np.ndarray) -> None:
    size = np.linalg.norm(true, axis=-1, keepdims=True)
    assert np.all(np.abs(found - true) < SHARE * size + DIGIT), np.round(found - true, 1)


def flagged(forces: xr.Dataset, flag: str) -> np.ndarray:
    return (forces["status"].to_numpy()[:, 0] & BIT[flag]) > 0


def level(forces: xr.Dataset) -> np.ndarray:
    return forces["tyre_force_intermediate"].to_numpy()[:, 0].astype(float)


# --- load paths ------------------------------------------------------------------------------


def driving(n: int = 4) -> np.ndarray:
    return np.column_stack([np.linspace(500, 2800, n), np.zeros(n), np.full(n, 3000.0)])


def test_drive_through_the_half_shaft_reaches_the_links_at_hub_height() -> None:
    found, _ = exact_forces(exact("RL"), states("RL", driving()))
    agree(level(found), driving())
    assert np.all(found["hub_mode"] == 0)


@cache
def five_gauges() -> tuple:
    """RL without a gauge on lower_fore: what the hub passes must be known to tell Fx."""
    of = exact("RL")
    corner = of.car.corners["RL"]
    kept = tuple(g for g in corner.gauges if g.on != "lower_fore")
    car = replace(of.car, corners={"RL": replace(corner, gauges=kept)})
    names = tuple(g.name for g in kept)
    at = [of.pulls.gauges.index(n) for n in names]
    with unwarned():
        sheet = replace(of.pulls, gauges=names, indication=of.pulls.indication[:, at])
        return car, calibrate(sheet, car)


def test_a_launch_read_as_a_held_wheel_would_be_wrong() -> None:
    """The same indications with a brake that is said to hold: Fx misses by a big factor.

    With the moment of the road on the upright, Fx at the ground comes with Fx times 0.28 m; a
    launch has none.
    """
    car, calibration = five_gauges()
    log, tares, _ = exact_log(exact("RL"), states("RL", driving()))
    log = log.sel(gauge=list(calibration.corners["RL"].gauges))
    right = reconstruct(condition(log, car, tares, bandwidth=1e9), calibration, car)
    agree(level(right), driving())
    log["brake_pressure"].values[:] = 3e6
    log["wheel_speed"].values[:] = 0.0
    with unwarned():  # what comes out may be anything
        found = reconstruct(condition(log, car, tares, bandwidth=1e9), calibration, car)
    assert np.all(found["hub_mode"] == 2)
    wrong, true = level(found)[:, 0], driving()[:, 0]
    assert np.all(wrong < -0.3 * true)  # of the wrong sign even


def braking(corner: str, locked: bool) -> States:
    car = exact(corner).drawn.truth.corners[corner]
    force = np.array([[-1000, 0, 2500], [-2500, 300, 3500], [-1800, -400, 2800]])
    torque = -force[:, :1] * car.wheel.loaded_radius
    # A locked wheel's line pressure says nothing: twice what the road asks for.
    pressure = torque / car.brake.torque_per_pressure * (2 if locked else 1)
    return states(
        corner, force, brake_torque=torque, brake_pressure=pressure,
        locked=np.full((3, 1), locked), wheel_speed=np.full((3, 1), 0.0 if locked else 40.0),
    )  # fmt: skip


@pytest.mark.parametrize("corner", ["FL", "RL"])
@pytest.mark.parametrize("locked", [False, True])
def test_braked_and_locked_wheels(corner: str, locked: bool) -> None:
    through = braking(corner, locked)
    found, _ = exact_forces(exact(corner), through)
    agree(level(found), through.force[:, 0])
    assert np.all(found["hub_mode"] == (2 if locked else 1))
    assert np.all(flagged(found, "wheel_locked") == locked)
    told = f"  wheel locked or at rest: {corner} 100 % of the samples"
    assert (told in forces_summary(found)) == locked


def test_line_pressure_of_a_locked_wheel_is_not_used() -> None:
    """Taken for a turning wheel's, twice the pressure pulls Fx off."""
    log, tares, _ = exact_log(exact(), braking("FL", locked=True))
    log["wheel_speed"].values[:] = 40.0
    found = reconstruct(
        condition(log, exact().car, tares, bandwidth=1e9), exact().calibration, exact().car
    )
    off = level(found)[:, 0] - braking("FL", locked=True).force[:, 0, 0]
    u = found["u_tyre_force_intermediate"].to_numpy()[:, 0, 0]
    locked, _ = exact_forces(exact(), braking("FL", locked=True))
    right = level(locked)[:, 0] - braking("FL", locked=True).force[:, 0, 0]
    assert np.all(np.abs(off) > np.abs(right))
    assert np.all(np.isfinite(u))


def test_a_wheel_at_rest_without_brake_is_no_locked_wheel() -> None:
    """In the paddock the wheel stands and nothing holds it."""
    force = np.tile([0.0, 0, 2000], (3, 1))
    found, _ = exact_forces(exact(), states("FL", force, wheel_speed=np.zeros((3, 1))))
    agree(level(found), force)
    assert not flagged(found, "wheel_locked").any()


@pytest.mark.parametrize("corner", ["FL", "RL"])
def test_travel_steer_and_attitude(corner: str) -> None:
    """Poses away from the pulls', body rolled and pitched; level axes come out."""
    n = 5
    force = np.column_stack([np.full(n, 30.0), np.linspace(-2500, 2500, n), np.full(n, 3000.0)])
    steer = np.linspace(-0.08, 0.08, n) if corner == "FL" else np.zeros(n)
    through = states(
        corner, force, travel=np.linspace(-0.03, 0.03, n)[:, None], steer=steer,
        rack=rack_of_steer(exact(corner).car, steer), roll=np.linspace(-0.05, 0.05, n),
        pitch=np.full(n, 0.01),
    )  # fmt: skip
    found, _ = exact_forces(exact(corner), through)
    bush = exact(corner).car.corners[corner].bush_rate  # the exact car has no bushes
    travel = through.travel[:, 0] - exact(corner).car.corners[corner].droop_travel
    lifted = level(found) - np.outer(bush * travel, [0, 0, 1])
    # Bushes are told by the vehicle file and not there: taken off; tilted by 0.05 rad of 30 N.
    agree(lifted, force)
    # The same in the car's own axes and in the tyre's.
    turn = found["tyre_force_vehicle"].to_numpy()[:, 0]
    assert_allclose(np.linalg.norm(turn, axis=1), np.linalg.norm(level(found), axis=1), rtol=1e-5)
    heading = found["heading"].to_numpy()[:, 0]
    c, s = np.cos(heading), np.sin(heading)
    ahead = c * level(found)[:, 0] + s * level(found)[:, 1]
    assert_allclose(found["tyre_force"].to_numpy()[:, 0, 0], ahead, rtol=0, atol=0.01)  # singles
    if corner == "FL":
        assert_allclose(heading - heading[2], steer, rtol=0, atol=0.012)  # bump steer, toe: 0.7 deg


# --- what stands without the road ------------------------------------------------------------


def hanging_log(specific: np.ndarray) -> tuple:
    """Indications as at the tare, wheel at droop, hub under specific force (n, 3)."""
    car = exact().car.corners["FL"]
    n = len(specific)
    through = states("FL", np.zeros((n, 3)), travel=np.full((n, 1), car.droop_travel))
    log, tares, _ = exact_log(exact(), through)
    tare = tares.indication[tares.when == "before"]
    log["indication"].values[:] = tare
    log["hub_acceleration"].values[:] = specific[:, None]
    return log, tares


def test_nothing_in_leaves_the_unsprung_mass_alone() -> None:
    """As at the tare: no force; a hub that is thrown about without a link that feels it is
    carried by the road."""
    gravity = np.array([0.0, 0, STANDARD_GRAVITY])
    thrown = np.array([[0, 0, 0], [3.0, 0, 0], [0, -5.0, 0], [0, 0, 20.0]])
    log, tares = hanging_log(gravity + thrown)
    log["steer"].values[:] = 0.0
    found = reconstruct(
        condition(log, exact().car, tares, bandwidth=1e9), exact().calibration, exact().car
    )
    mass = exact().car.corners["FL"].unsprung_mass
    # Exactly so for a known map: 0.5 N of priors on moments per 500 N.
    assert_allclose(level(found), mass * thrown, rtol=0, atol=3.0)


# --- mirror ----------------------------------------------------------------------------------


@cache
def both_front() -> tuple:
    """Left and right corner of one car with one map: FR's gauges show what FL's show."""
    car = club_car("FL", "FR")
    left = exact().calibration.corners["FL"]
    names = tuple(g.name for g in car.corners["FR"].gauges)
    right = replace(left, corner="FR", gauges=names, facts=facts_of(car, "FR"))  # other points
    calibration = replace(
        exact().calibration, corners={"FL": left, "FR": right}, vehicle_checksum=car.checksum
    )
    return car, calibration


def mirrored(log: xr.Dataset, names: tuple[str, ...]) -> xr.Dataset:
    """The log of FL as FR would have written it: y, roll, steer and yaw turned round."""
    out = log.assign_coords(gauge=list(names), corner=["FR"]).copy(deep=True)
    for name in ("hub_acceleration", "acceleration"):
        out[name].values[..., 1] *= -1
    for name in ("roll", "steer", "yaw_rate"):
        out[name].values[:] *= -1
    return out


def test_mirror_images_have_mirrored_forces() -> None:
    car, calibration = both_front()
    n = 40
    rng = np.random.default_rng(6)
    force = np.column_stack(
        [rng.uniform(-100, 100, n), rng.uniform(-2500, 2500, n), rng.uniform(-200, 4000, n)]
    )
    steer = rng.uniform(-0.1, 0.1, n)
    through = states(
        "FL", force, travel=rng.uniform(-0.03, 0.03, (n, 1)), steer=steer,
        rack=rack_of_steer(car, steer), roll=rng.uniform(-0.04, 0.04, n),
        pitch=rng.uniform(-0.02, 0.02, n), brake_pressure=2e6 * rng.integers(0, 2, (n, 1)),
        specific_force=rng.uniform(-5, 15, (n, 1, 3)),
    )  # fmt: skip
    log, tares, _ = exact_log(exact(), through)
    right_names = calibration.corners["FR"].gauges
    other = replace(
        tares, gauge=np.array([g.replace("FL_", "FR_") for g in tares.gauge])
    )  # fmt: skip
    with unwarned():
        left = reconstruct(condition(log, car, tares, bandwidth=1e9), calibration, car)
        right = reconstruct(
            condition(mirrored(log, right_names), car, other, bandwidth=1e9), calibration, car
        )
    mirror = np.array([1.0, -1.0, 1.0])
    assert left["corner"].to_numpy().tolist() == ["FL"]
    assert right["corner"].to_numpy().tolist() == ["FR"]
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle",
                 "tyre_force_unbounded"):  # fmt: skip
        # Newton's closing of the pose (1e-12 m) and single precision of 4 kN.
        assert_allclose(right[name], left[name] * mirror, rtol=0, atol=2e-3, err_msg=name)
    for name in ("u_tyre_force", "u_tyre_force_vehicle", "u_tyre_force_calibration"):
        # Directions that are dropped (a thousandth of the variance) need not mirror.
        assert_allclose(right[name], left[name], rtol=2e-3, err_msg=name)
    assert np.array_equal(right["status"], left["status"])


# --- bound -----------------------------------------------------------------------------------


def lifted(down: float) -> np.ndarray:
    """Samples 3 to 5 with vertical force `down`, loaded ones around."""
    force = np.tile([20.0, 400.0, 1500.0], (9, 1))
    force[3:6] = [0.0, 300.0, down]
    return force


def test_a_force_below_zero_is_held_at_zero_and_shown_beside() -> None:
    found, _ = exact_forces(exact(), states("FL", lifted(-300.0)))
    held = np.array([False] * 3 + [True] * 3 + [False] * 3)
    assert np.array_equal(flagged(found, "bound_active"), held)
    vertical = found["tyre_force"].to_numpy()[:, 0, 2]
    assert np.all(vertical[held] == 0.0)
    free = found["tyre_force_unbounded"].to_numpy()[:, 0]
    agree(free, lifted(-300.0))
    assert np.all(found["tyre_force_lower"].to_numpy()[held, 0, 2] == 0.0)
    assert np.all(found["tyre_force_upper"].to_numpy()[held, 0, 2] >= 0.0)
    # What the bound moves goes along with it by the covariance: Fy changes too, by less.
    moved = np.abs(found["tyre_force"].to_numpy()[held, 0, 1] - free[held, 1])
    assert np.all(moved > 1.0)
    assert np.all(moved < 300.0)


def test_the_bound_stays_with_its_samples() -> None:
    """Neighbours are the same to the last bit whether the wheel lifts or not."""
    up, down = (exact_forces(exact(), states("FL", lifted(f)))[0] for f in (300.0, -300.0))
    others = [0, 1, 2, 6, 7, 8]
    for name in ("tyre_force", "u_tyre_force", "tyre_force_upper", "status"):
        assert np.array_equal(up[name].to_numpy()[others], down[name].to_numpy()[others]), name


def test_without_the_bound_nothing_is_held() -> None:
    through = states("FL", lifted(-300.0))
    free, _ = exact_forces(exact(), through, bounded=False)
    assert not flagged(free, "bound_active").any()
    held, _ = exact_forces(exact(), through)
    assert np.array_equal(free["tyre_force"], held["tyre_force_unbounded"])


@pytest.mark.parametrize(
    ("travel", "down", "suspect"),
    [(0.02, -800.0, True), (-0.03, -800.0, False), (0.02, -15.0, False)],
)
def test_a_compressed_wheel_cannot_hang(travel: float, down: float, suspect: bool) -> None:
    """Clearly below zero and compressed: zero or sign; at droop, or within noise: no verdict."""
    at = np.full((9, 1), travel)
    plain, _ = exact_forces(exact(), states("FL", lifted(1500.0), travel=at))
    bushes = level(plain)[0, 2] - 1500.0  # the exact car has none; the file's are taken off
    found, _ = exact_forces(exact(), states("FL", lifted(down - bushes), travel=at))
    assert flagged(found, "bound_active")[3:6].all()
    assert flagged(found, "zero_or_sign_suspect")[3:6].all() == suspect
    assert not flagged(found, "zero_or_sign_suspect")[[0, 1, 2, 6, 7, 8]].any()


# --- flags and what is not known -------------------------------------------------------------


def test_poses_beyond_the_stated_range_are_not_known() -> None:
    travel = np.zeros((6, 1))
    travel[2:4] = 0.08
    log, tares, _ = exact_log(exact(), states("FL", np.tile([0.0, 0, 2000], (6, 1))))
    log["travel"].values[:] = travel
    with pytest.warns(
        ExtrapolationWarning, match=r"virtual log, corner FL: 33\.3 % .* travel up to 80 mm, stated"
    ):
        found = reconstruct(
            condition(log, exact().car, tares, bandwidth=1e9), exact().calibration, exact().car
        )
    outside = np.array([False, False, True, True, False, False])
    assert np.array_equal(flagged(found, "beyond_pose"), outside)
    for name in ("tyre_force", "u_tyre_force", "tyre_force_lower", "tyre_force_unbounded"):
        assert np.array_equal(np.isnan(found[name].to_numpy()[:, 0]).all(axis=1), outside), name


@pytest.mark.parametrize("flag", ["channel_flat", "channel_clipped", "missing_input"])
def test_bad_channels_make_unknown_forces(flag: str) -> None:
    log, tares, _ = exact_log(exact(), states("FL", np.tile([0.0, 0, 2000], (6, 1))))
    conditioned = condition(log, exact().car, tares, bandwidth=1e9)
    conditioned["gauge_status"].values[2] = BIT[flag]
    found = reconstruct(conditioned, exact().calibration, exact().car)
    gone = np.arange(6) == 2
    assert np.array_equal(np.isnan(found["tyre_force"].to_numpy()[:, 0]).all(axis=1), gone)
    assert np.array_equal(flagged(found, flag), gone)
    assert np.isfinite(found["tyre_force"].to_numpy()[~gone]).all()


def test_a_clean_day_has_no_flags() -> None:
    assert not np.any(day().forces["status"])


# --- corners ----------------------------------------------------------------------------------


def test_one_corner_alone_is_that_corner_of_four() -> None:
    """Gauges of FL alone in the log: the same forces, less what four travels told of the body."""
    calibration = day().calibration
    alone = replace(calibration, corners={"FL": calibration.corners["FL"]})
    with unwarned():
        found = reconstruct(day().conditioned, alone, day().car)
    assert found["corner"].to_numpy().tolist() == ["FL"]
    for name in ("tyre_force", "u_tyre_force", "status"):
        assert np.array_equal(found[name].to_numpy()[:, 0], day().forces[name].to_numpy()[:, 0])


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_log_of_one_corner_is_that_of_four_with_the_others_empty() -> None:
    calibration = day().calibration
    alone = replace(calibration, corners={"RL": calibration.corners["RL"]})
    own = list(alone.corners["RL"].gauges)
    log = day().log.drop_vars("hub_acceleration").sel(gauge=own).isel(elapsed_time=slice(2400))
    empty = log.where(log["corner"] == "RL")
    empty = log.assign({name: empty[name] for name in log if "corner" in log[name].dims})
    with unwarned():
        one, four = (
            reconstruct(condition(of, day().car, day().tares), alone, day().car)
            for of in (log.sel(corner=["RL"]), empty)
        )
    for name in ("tyre_force", "u_tyre_force", "status"):
        assert np.array_equal(one[name], four[name])


# --- what is refused -------------------------------------------------------------------------


def test_the_calibration_of_another_car_is_refused() -> None:
    car, corner = day().car, day().car.corners["FL"]
    wheel = replace(corner.wheel, camber=0.02)
    other = replace(car, corners={**car.corners, "FL": replace(corner, wheel=wheel)})
    with pytest.raises(DataError, match=r"FL: wheel\.camber was .* and is 1\.14591559 deg"):
        reconstruct(day().conditioned, day().calibration, other)


def test_attributes_say_where_it_comes_from() -> None:
    found = day().forces
    assert found["tyre_force"].attrs["units"] == "N"
    assert found.attrs["vehicle_checksum"] == day().car.checksum
    assert found.attrs["bandwidth_Hz"] == pytest.approx(day().conditioned.attrs["bandwidth"])
    assert found.attrs["rate_Hz"] == pytest.approx(200.0)
    masks = found["status"].attrs["flag_masks"]
    assert dict(zip(found["status"].attrs["flag_meanings"].split(), masks, strict=True)) == BIT
