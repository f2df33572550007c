"""The answer with the balance of the whole car: what it takes from mass, acceleration, moments."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from matplotlib.backends.backend_agg import FigureCanvasAgg
from numpy.testing import assert_allclose

import recon
from recon.base.errors import DataError, PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.calibrated import Calibration
from recon.conditioning.filters import low_pass
from recon.mechanics.axes import intermediate_to_tyre, tyre_to_intermediate
from recon.reconstruction.prepare import Prepared, prepare
from recon.reconstruction.solving.fz_bound import bound_wheels
from recon.reconstruction.whole_car.car_balance import (
    DRAG,
    BodyMotion,
    balance_of,
    motion_of,
    places_of,
)
from recon.reconstruction.whole_car.car_stance import stance_of
from recon.reconstruction.whole_car.whole_car import CarState, gain_of, with_whole_car
from recon.report.drive.three_answers import plot_whole_car, whole_car_lines, whole_car_pictures
from tests.days import club_car, day

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.ExtrapolationWarning")
WHOLE = "tyre_force_whole_car"


@cache
def prepared() -> Prepared:
    return prepare(day().calibration, day().car, day().conditioned)


@cache
def solved() -> xr.Dataset:
    forces = prepared().solve(day().conditioned)
    return with_whole_car(prepared(), day().conditioned, forces)


@cache
def without_two_gauges() -> xr.Dataset:
    """The day without two gauges of RL: its Fz is not seen."""
    calibration = day().calibration
    fewer = calibration.corners["RL"].without("RL_coil_over", "RL_lower_aft")
    calibration = replace(calibration, corners=calibration.corners | {"RL": fewer})
    return whole_car_of(calibration)


def whole_car_of(calibration: Calibration) -> xr.Dataset:
    with pytest.warns(PriorWarning, match="RL"):
        made = prepare(calibration, day().car, day().conditioned)
    return with_whole_car(made, day().conditioned, made.solve(day().conditioned))


def true_forces(forces: xr.Dataset) -> np.ndarray:
    level = day().truth["tyre_force_intermediate"].to_numpy()
    return intermediate_to_tyre(level, forces["heading"].to_numpy())


def motion_at_rest(n: int = 3) -> BodyMotion:
    car = day().car
    still = np.zeros((4, n))
    at = [places_of(s.assembly, still[:1], still[0]) for s in prepared().solvers]
    log = day().conditioned.isel(elapsed_time=slice(0, 500))
    motion = motion_of(log, np.zeros((4, 3, n)), at[0])
    up = np.tile([[0.0], [0.0], [STANDARD_GRAVITY]], n)
    assert len(car.corners) == 4
    return replace(
        motion,
        force=up,
        hubs=np.tile(up, (4, 1, 1)),
        places=type(at[0])(*(np.concatenate(p) for p in zip(*at, strict=True))),
        turning=np.zeros((3, n)),
        turning_change=np.zeros((3, n)),
        speed=np.zeros(n),
    )


def test_a_car_at_rest_carries_its_weight_where_its_centre_of_mass_is() -> None:
    car, rows = day().car, balance_of(day().car, motion_at_rest())
    weight = car.mass * STANDARD_GRAVITY
    assert_allclose(rows.given[:3, 0], [0, 0, weight], atol=1e-9 * weight)
    # Vertical loads of which each axle has its share by the lever law, left and right alike.
    x = np.array([car.corners[c].wheel.centre[0] for c in ("FL", "FR", "RL", "RR")])
    front = (car.centre_of_mass[0] - x[2]) / (x[0] - x[2])
    load = np.zeros(12)
    load[2::3] = 0.5 * weight * np.array([front, front, 1 - front, 1 - front])
    residual = rows.given[:, 0] - rows.matrix[:, :, 0] @ load
    # Contacts stand a few millimetres from below the centres, by camber.
    assert_allclose(residual, 0, atol=0.003 * weight)
    assert np.all(np.abs(residual) < np.sqrt(np.sum(rows.effects[..., 0] ** 2, axis=0)))


def test_a_braking_car_leans_on_its_front_wheels_by_the_height_of_its_centre() -> None:
    car = day().car
    rest, braking = motion_at_rest(), motion_at_rest()
    braking.force[0] = braking.hubs[:, 0] = -8.0
    change = balance_of(car, braking).given - balance_of(car, rest).given
    assert_allclose(change[0], -8.0 * car.mass)
    rows = balance_of(car, braking)
    load = np.zeros(12)
    load[0::3] = 0.25 * rows.given[0, 0]
    ground = np.mean([c.wheel.centre[2] - c.wheel.loaded_radius for c in car.corners.values()])
    height = car.centre_of_mass[2] - ground
    spun = sum(c.wheel.spin_inertia / c.wheel.loaded_radius for c in car.corners.values())
    # Pitch moment that vertical forces have to give: of the decelerated mass, and of the wheels.
    needed = (change[:, 0] - rows.matrix[:, :, 0] @ load)[4]
    assert_allclose(needed, -8.0 * (car.mass * height + spun), rtol=0.002)


def test_air_and_speed_widen_the_rows_along_and_upwards() -> None:
    slow, fast = motion_at_rest(), motion_at_rest()
    fast.speed[:] = 40.0
    before, after = (balance_of(day().car, m) for m in (slow, fast))
    assert_allclose(after.given[0] - before.given[0], DRAG * 1600)
    u = [np.sqrt(np.sum(b.effects[..., 0] ** 2, axis=0)) for b in (before, after)]
    assert u[1][0] > u[0][0] + 300
    assert u[1][2] > u[0][2] + 300
    assert u[1][1] == u[0][1]


def test_rows_whose_rotation_is_not_logged_are_left_out() -> None:
    log = day().conditioned.drop_vars(["yaw_rate"])
    made = prepared()
    out = with_whole_car(made, log, made.solve(log))
    assert out.attrs["whole_car_rows"] == (
        "sum of Fx, sum of Fy, sum of Fz, roll moment, pitch moment"
    )
    assert np.isfinite(out[WHOLE].to_numpy()).all()


def test_the_true_forces_meet_every_row_within_its_uncertainty() -> None:
    state = CarState.of(prepared(), day().conditioned, solved())
    at = state.grid
    true = true_forces(solved()).reshape(-1, 12).T[:, at]
    apart = state.balance.given[:, at] - np.einsum("rkn,kn->rn", state.rows(at), true)
    u = np.sqrt(np.sum(state.balance.effects[..., at] ** 2, axis=0))
    size = np.sqrt(np.mean(np.square(apart / u), axis=1))
    # One draw of a car: each row's errors are a handful of fixed numbers.
    assert np.all(size < 2.0), dict(zip(state.balance.rows, size.round(2), strict=True))


def test_the_gain_is_that_of_weighted_least_squares() -> None:
    """Against the normal equations of all observations, where nothing is left out of P."""
    state = CarState.of(prepared(), day().conditioned, solved())
    state = replace(state, kept=np.ones_like(state.kept))
    for at in (300, 1700):
        one = np.array([at])
        turn = np.zeros((12, 12))
        for k in range(4):
            turn[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] = state.to_vehicle[k, :, :, at]
        A, effects = state.balance.matrix[..., at], state.effects(one, "vehicle")[..., 0]
        noise = turn @ np.diag(state.share * state.random[:, at]) @ turn.T
        P = effects.T @ effects + noise
        given = state.balance.effects[..., at]
        weight = np.linalg.inv(given.T @ given)
        after = np.linalg.inv(np.linalg.inv(P) + A.T @ weight @ A)
        wanted = after @ A.T @ weight
        tyre = state.effects(one, "tyre")[..., 0]
        # Errors of roll, pitch and heading turn tyre axes and no force of the vehicle.
        wanted = (tyre.T @ effects + turn.T @ noise) @ np.linalg.solve(P, wanted)
        assert_allclose(gain_of(state, one).gain[0], wanted, atol=1e-7)  # inverses of inverses


def test_full_gauges_keep_their_forces_and_honest_limits() -> None:
    forces = solved()
    error = forces[WHOLE].to_numpy() - true_forces(forces)
    size = np.sqrt(np.mean((error / forces[f"u_{WHOLE}"].to_numpy()) ** 2))
    assert 0.7 < size < 1.3, size  # one day is one draw of its fixed errors
    assert np.all(forces[f"u_{WHOLE}"] <= 1.0001 * forces["u_tyre_force"])
    moved = forces[WHOLE] - forces["tyre_force_unbounded"]
    assert float(np.abs(moved / forces["u_tyre_force"]).max()) < 2
    inside = (forces[f"{WHOLE}_lower"] <= forces[WHOLE]) & (
        forces[WHOLE] <= forces[f"{WHOLE}_upper"]
    )
    assert inside.all()


def test_a_force_that_no_gauge_sees_is_found_by_the_balance() -> None:
    forces = without_two_gauges()
    at = {"corner": "RL", "component": "z"}
    assert not np.isfinite(forces["tyre_force"].sel(at)).any()
    error = forces[WHOLE].sel(at) - true_forces(forces)[:, 2, 2]
    u = forces[f"u_{WHOLE}"].sel(at)
    assert float(u.median()) < 400  # of a load of about 2 kN
    assert 0.2 < float(np.sqrt(np.mean((error / u) ** 2))) < 2  # one draw of one force
    others = forces["corner"] != "RL"
    wider = forces[f"u_{WHOLE}"] / forces["u_tyre_force"]
    assert float(wider.where(others).max()) <= 1.0001


def test_a_sum_that_gauges_know_is_kept_by_the_forces_that_they_do_not() -> None:
    calibration = day().calibration
    fewer = calibration.corners["RL"].without("RL_coil_over", "RL_upper_fore")
    forces = whole_car_of(replace(calibration, corners=calibration.corners | {"RL": fewer}))
    assert "known sum of a corner" in forces.attrs["whole_car_rows"]
    weight = forces["sum_weight"].to_numpy()[0]
    level = tyre_to_intermediate(forces[WHOLE].to_numpy(), forces["heading"].to_numpy())
    apart = np.einsum("nci,ci->n", level, weight) - forces["sum_of_forces"].to_numpy()[:, 0]
    u = forces["u_sum_of_forces"].to_numpy()[:, 0]
    slow = low_pass(apart[:, None], 4.0, 200.0)[:, 0]
    assert float(np.median(np.abs(slow / u))) < 1
    error = forces[WHOLE].to_numpy()[:, 2] - true_forces(forces)[:, 2]
    size = np.sqrt(np.mean((error / forces[f"u_{WHOLE}"].to_numpy()[:, 2]) ** 2, axis=0))
    assert np.all(size < 2), size  # one draw of each force


def test_errors_of_hub_acceleration_cancel_in_the_balance() -> None:
    log = day().conditioned.copy(deep=True)
    log["hub_acceleration"].values[:, 1] += [0.3, -0.5, 0.4]
    made = prepared()
    out = with_whole_car(made, log, made.solve(log))
    moved, before = (f[WHOLE] - f["tyre_force_unbounded"] for f in (out, solved()))
    shift = np.abs(out["tyre_force_unbounded"] - solved()["tyre_force_unbounded"])
    assert float(shift.sel(corner="FR").max()) > 5.0
    # Places of contact and hub differ by a radius, and so the moments.
    assert float(np.abs(moved - before).max()) < 0.1


def lifted() -> tuple[Prepared, xr.Dataset]:
    """The day with FL made light: a zero that is off by some hundred newtons."""
    log = day().conditioned.copy(deep=True)
    gauge = log.sel(gauge="FL_push_rod")["indication"].to_numpy()
    slope = float(np.std(gauge)) / 700.0
    sign = np.sign(np.corrcoef(gauge, solved()["tyre_force"].to_numpy()[:, 0, 2])[0, 1])
    log["indication"].loc[{"gauge": "FL_push_rod"}] -= sign * slope * 900.0
    return prepared(), log


def test_no_wheel_is_pulled_down_and_the_solution_is_optimal() -> None:
    made, log = lifted()
    out = with_whole_car(made, log, made.solve(log))
    free = with_whole_car(made, log, made.solve(log), bounded=False)
    held = out["whole_car_at_bound"].to_numpy() > 0
    assert held.sum() > 100
    assert float(out[WHOLE].sel(component="z").min()) >= 0
    assert float(free[WHOLE].sel(component="z").min()) < -50
    assert np.all(out[WHOLE].to_numpy()[..., 2][held] == 0.0)
    assert np.all(out[f"{WHOLE}_lower"].to_numpy()[..., 2][held] == 0.0)
    untouched = ~(free[WHOLE].to_numpy()[..., 2] < 0).any(axis=1)
    assert_allclose(out[WHOLE].to_numpy()[untouched], free[WHOLE].to_numpy()[untouched])


def test_the_bound_of_four_wheels_meets_the_conditions_of_optimality() -> None:
    rng = np.random.default_rng(3)
    n, up = 2000, np.array([0.0, 0.0, 1.0])
    root = rng.normal(size=(n, 12, 12)) * rng.uniform(1, 60, (n, 1, 1))
    P = root @ np.swapaxes(root, 1, 2) + 25 * np.eye(12)
    force = rng.normal(0, 800, (n, 4, 3))
    normal = np.broadcast_to(up, (n, 3))
    found = bound_wheels(force, P, normal, np.ones(4, dtype=bool))
    z = found[..., 2]
    step = (found - force).reshape(n, 12)
    push = np.linalg.solve(P, step[..., None])[..., 0].reshape(n, 4, 3)
    scale = np.max(np.abs(force), axis=(1, 2))
    assert np.all(z >= -1e-10 * scale[:, None])
    # Contacts push, push only where they touch, and nothing else moves the forces.
    by_newton = push * np.diagonal(P, axis1=1, axis2=2).reshape(n, 4, 3) / scale[:, None, None]
    assert np.max(np.abs(by_newton[..., :2])) < 1e-10
    assert np.min(by_newton[..., 2]) > -1e-10
    assert np.max(np.abs(by_newton[..., 2] * z) / scale[:, None]) < 1e-10


def test_reconstruct_adds_the_answer_where_it_is_asked_for() -> None:
    found = recon.reconstruct(day().conditioned, day().calibration, day().car, whole_car=True)
    assert_allclose(found[WHOLE], solved()[WHOLE])
    assert WHOLE not in day().forces


def test_words_and_picture_put_three_answers_side_by_side() -> None:
    forces = without_two_gauges()
    text = "\n".join(whole_car_lines(forces))
    assert "gauges only | with Fz >= 0 | with the whole car" in text
    assert "not known | not known | " in text
    assert "yaw moment" in text
    figure = plot_whole_car(forces)
    FigureCanvasAgg(figure).draw()
    assert len(figure.axes) == 12
    assert "1 forces more are known" in figure.texts[0].get_text()
    assert list(whole_car_pictures(forces)) == ["whole_car.png"]
    assert whole_car_pictures(day().forces) == {}
    assert whole_car_lines(day().forces) == []


def test_a_part_of_a_car_is_refused() -> None:
    made = prepare(day().calibration, day().car, day().conditioned)
    forces = made.solve(day().conditioned).sel(corner=["FL", "FR", "RL"])
    with pytest.raises(DataError, match="forces of FL, FR, RL; need all four corners"):
        with_whole_car(made, day().conditioned, forces)


def test_a_log_without_acceleration_of_the_body_is_refused() -> None:
    log = day().conditioned.copy(deep=True)
    log["acceleration"].values[:, 1] = np.nan
    with pytest.raises(DataError, match="no logged acceleration of the body along x, y and z"):
        with_whole_car(prepared(), log, solved())


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_acceleration_inferred_from_the_gauges_is_no_balance() -> None:
    log = day().conditioned.drop_vars("acceleration")
    with pytest.raises(DataError, match="no logged acceleration of the body"):
        recon.reconstruct(log, day().calibration, day().car, whole_car=True)


def test_files_without_the_answer_cannot_be_drawn() -> None:
    with pytest.raises(DataError, match="without tyre_force_whole_car"):
        plot_whole_car(day().forces)


def test_places_of_wheels_are_those_of_exact_poses() -> None:
    from recon.mechanics.assembly import assemblies_of
    from recon.mechanics.motion import pose

    assembly = assemblies_of(club_car())["FL"]
    travel, rack = np.linspace(-0.05, 0.05, 9), np.linspace(-0.02, 0.02, 9)
    found = places_of(assembly, travel[None], rack)
    exact = pose(assembly.mechanism, travel[:, None], rack).wheels[0]
    assert_allclose(found.contacts[0].T, exact.contact, atol=2e-4)  # m, of arms of a metre
    assert_allclose(found.centres[0].T, exact.hub, atol=2e-4)


def test_the_body_rolls_by_a_third_of_its_track_and_yaws_by_its_axles() -> None:
    stance = stance_of(club_car())
    assert stance is not None
    roll, pitch, yaw = np.sqrt(stance.sprung_inertia / stance.sprung)
    widest = np.ptp(stance.centres[:, 1])
    assert roll == pytest.approx(0.35 * widest, rel=1e-6)
    assert pitch == yaw
    # Two masses over the axles, the wheels' own taken off.
    assert yaw == pytest.approx(np.sqrt(-stance.ahead[0] * stance.ahead[2]), rel=0.1)
