"""What gauges show of the motion of body and wheels, where nothing else is logged."""

from __future__ import annotations

import tracemalloc
import warnings
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

import recon.reconstruction.body_of_some as body_of_some_module
from recon.base.errors import PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.calibrated import Calibration
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.conditioning.hub_motion import unseen_share
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.body_of_some import U_SLOW_HEAVE, _heave, body_of_some
from recon.reconstruction.from_gauges import U_DAMPING_SHARE, U_SLOW_WHEEL, _hop, completed
from recon.reconstruction.inputs import attitude
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from recon.reconstruction.seen_by_gauges import Seen, Wanted
from recon.reconstruction.solving.outputs import Outputs
from recon.records.sheets import Tares
from recon.virtual.dampers import Damper
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from tests.days import SEED, club_car, day, standardised, unwarned
from tests.slalom_course import Slalom, slalom_states

DAMPING = 1200.0  # N s/m at the wheel: ride frequency 2 Hz, damping ratio 0.4, 125 kg on a wheel


def u_of_hop(found: xr.Dataset) -> np.ndarray:
    """Standard uncertainty (corner,) [m/s2] of the vertical motion of wheels, over the drive."""
    of_share = found["u_share_of_hop"] * found["relative_acceleration"][..., 2].std("elapsed_time")
    return np.hypot(found["u_relative_acceleration"][:, 2], of_share).to_numpy()


@cache
def damped_drive() -> tuple[xr.Dataset, Tares, xr.Dataset, Calibration]:
    """The day's car on its slalom with dampers, as real cars have them."""
    rng = np.random.default_rng(SEED)
    drawn = draw_car(club_car(), rng)
    states = slalom_states(day().drawn, rng, wish=Slalom(damper=Damper(DAMPING)))
    assert drawn.trail == day().drawn.trail  # the same car: its calibration holds
    return *virtual_drive(day().drawn, states, rng), day().calibration


def gauges_alone(
    bandwidth: float | None = None, but: tuple[str, ...] = ()
) -> tuple[xr.Dataset, xr.Dataset]:
    """Conditioned log without any other channel `but` these, and its truth."""
    log, tares, truth, _ = damped_drive()
    own = ("indication", "gauge_temperature", *but)
    kept = log.drop_vars([n for n in log.data_vars if n not in own])
    with unwarned():
        return condition(kept, day().car, tares, bandwidth=bandwidth), truth


def by_gauges(log: xr.Dataset) -> xr.Dataset:
    """The log with the accelerations that the gauges show."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        return completed(log, day().calibration, day().car)


def test_the_links_weigh_the_body() -> None:
    log, truth = gauges_alone(8.0)
    with pytest.warns(PriorWarning, match=r"acceleration is not logged; .* gauges, .* 0\.3, 0\.3"):
        found = completed(log, day().calibration, day().car)
    assert "acceleration" not in log
    seen = found["acceleration"].to_numpy()
    raw = damped_drive()[0]["acceleration"].to_numpy()
    true = low_pass(raw, 8.0, 200.0)
    error = np.sqrt(np.mean((seen - true) ** 2, axis=0))
    # Stated as 0.3: noise of 100 N of all wheels and unsprung masses in other motion.
    assert np.all(error < [0.4, 0.6, 0.5])
    assert error[1] < 0.1  # 0.15 by links of wheels that do not lean with the body
    assert np.std(true[:, 1]) > 4.0  # twin: the slalom is there
    assert truth.sizes["elapsed_time"] == len(true)


def test_yaw_is_in_the_forces_of_front_and_rear() -> None:
    log, _ = gauges_alone(8.0)
    found = by_gauges(log)
    y = found["relative_acceleration"].to_numpy()[:, :, 1]
    yaw = low_pass(damped_drive()[0]["yaw_rate"].to_numpy()[:, None], 8.0, 200.0)[:, 0]
    change = np.gradient(yaw, 1 / 200.0)
    arm = day().car.corners["FL"].wheel.centre[0] - day().car.centre_of_mass[0]
    assert np.corrcoef(y[:, 0], change * arm)[0, 1] > 0.95
    size = y[:, 0] @ (change * arm) / np.sum(np.square(change * arm))
    assert size == pytest.approx(1.0, abs=0.05)  # 0.84 if the wheels do not turn with the body
    assert np.corrcoef(y[:, 0], y[:, 2])[0, 1] < -0.95  # front and rear swing opposite ways
    # The square of the yaw rate pulls wheels towards the middle of the body.
    places = np.array([corner.wheel.centre for corner in day().car.corners.values()])
    pulled = -np.mean(yaw**2) * (places - day().car.centre_of_mass)[:, :2]
    mean = found["relative_acceleration"].to_numpy().mean(axis=0)[:, :2]
    assert np.min(np.abs(pulled)) > 0.08  # m/s2
    assert mean == pytest.approx(pulled, rel=0.3, abs=0.03)


def test_yaw_is_taken_from_the_forces_where_acceleration_alone_is_logged() -> None:
    found = {}
    for but in ((), ("acceleration",), ("acceleration", "speed")):
        log, _ = gauges_alone(8.0, but)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", PriorWarning)
            found[but] = log, completed(log, day().calibration, day().car)
    logged, seen = found["acceleration",]
    u = [one["u_relative_acceleration"].to_numpy()[:, :2] for one in (logged, seen, found[()][1])]
    assert np.all(u[1] < 0.8 * u[0])
    assert u[1] == pytest.approx(u[2], rel=0.1)
    fast, same = found["acceleration", "speed"]
    flat = [one["relative_acceleration"].sel(component=["x", "y"]) for one in (fast, same)]
    assert flat[1].identical(flat[0])  # yaw is there


def test_wheel_hop_is_in_the_force_of_the_damper() -> None:
    log, truth = gauges_alone()
    found = by_gauges(log)
    seen = found["relative_acceleration"].to_numpy()[:, :, 2]
    true = truth["hub_acceleration"].to_numpy()[:, :, 2]
    shake = true - low_pass(true, 3.0, 200.0)
    for k in range(4):
        assert np.corrcoef(seen[:, k], shake[:, k])[0, 1] > 0.8
    error = np.sqrt(np.mean((seen - shake) ** 2, axis=0))
    u = u_of_hop(found)
    assert np.all(error < 1.5 * u)
    assert np.all(u < 0.8 * np.std(shake, axis=0) * 1.5)  # no wider than not knowing it
    # Damping is not known, and above 30 Hz nothing is seen of a road that has more there.
    share = np.sqrt(U_DAMPING_SHARE**2 + unseen_share(30.0, found.attrs["bandwidth"]))
    assert found.attrs["bandwidth"] > 60.0
    known = np.hypot(U_SLOW_WHEEL, share * np.std(seen, axis=0))
    assert np.all((known < u) & (u < 1.1 * known))  # few peaks are beyond the knee of a damper


def test_a_quick_damper_tells_less_of_the_wheel() -> None:
    time = np.arange(0.0, 10.0, 0.005)
    log = xr.Dataset(attrs={"rate": 200.0, "bandwidth": 35.0})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        prepared = prepare(day().calibration, day().car, gauges_alone(8.0)[0])
    seen = Seen.empty(prepared.solvers[0], len(time), Wanted(True, True, False))
    seen.change[:] = 0.0
    shares = []
    for speed in (0.05, 0.2, 1.0):  # m/s at the damper, beside a load that cornering changes
        quick = 10.0 * seen.carried[0] * speed * np.sin(2 * np.pi * 12.0 * time)
        seen.link[0, 2] = quick + 1000.0 * np.sin(np.pi * time)
        shares.append(_hop(log, seen, 0)[1])
    assert shares[0] < 0.05
    assert_allclose(shares[1:], [0.42, 0.87], atol=0.03)  # of (|sin| - KNEE / speed), by quadrature


def test_travel_shows_how_hard_the_dampers_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recon.reconstruction.from_gauges.DAMPING", 20.0)  # twice that of the car
    log, truth = gauges_alone(but=("travel",))
    # As if it were too noisy to be used for the motion itself.
    log = log.assign(u_relative_acceleration=3 * log["u_relative_acceleration"])
    found = by_gauges(log)
    seen = found["relative_acceleration"].to_numpy()[:, :, 2]
    u = u_of_hop(found)
    assert np.all(u < log["u_relative_acceleration"].to_numpy()[:, 2])  # twin: not by travel
    true = truth["hub_acceleration"].to_numpy()[:, :, 2]
    shake = true - low_pass(true, 3.0, 200.0)
    gain = np.sum(seen * shake, axis=0) / np.sum(seen**2, axis=0)
    assert gain == pytest.approx(1.0, abs=0.1)
    assert np.all(np.std(seen - shake, axis=0) < 1.2 * u)


@pytest.mark.parametrize("bandwidth", [8.0, None])
def test_forces_from_gauges_alone_lie_in_their_intervals(bandwidth: float | None) -> None:
    log, truth = gauges_alone(bandwidth)
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        forces = reconstruct(log, day().calibration, day().car)
    z = standardised(forces, truth)
    assert np.sqrt(np.mean(np.square(z))) < 1.3
    assert np.mean(np.abs(z) < 1.96) > 0.92  # 95 %, and one day's systematic errors
    u = np.sqrt(np.mean(forces["u_tyre_force_intermediate"].to_numpy() ** 2, axis=(0, 1)))
    assert np.all(u < [60.0, 80.0, 120.0])  # N; 10 m/s2 of 24.5 kg alone were 245 N


def test_one_axle_shows_the_acceleration_of_the_body_less_well() -> None:
    log, truth = gauges_alone(8.0)
    front = log.sel(gauge=[g for g in log["gauge"].to_numpy() if str(g).startswith("F")])
    with pytest.warns(
        PriorWarning, match=r"inferred from the gauges, .* 0\.9, 0\.6\d, 0\.3\d m/s2"
    ):
        found = completed(front, day().calibration, day().car)
    u = found["u_acceleration"].to_numpy()
    raw = damped_drive()[0]["acceleration"].to_numpy().copy()
    # Sideways it is the acceleration of the axle, yaw included.
    raw[:, 1] = truth["hub_acceleration"].sel(corner=["FL", "FR"], component="y").mean("corner")
    true = low_pass(raw, 8.0, 200.0)
    error = np.sqrt(np.mean((found["acceleration"].to_numpy() - true) ** 2, axis=0))
    assert np.all(error < u)
    assert error[1] < 0.4 * np.std(true[:, 1])  # twin: it is seen
    assert np.all(u < 1.3)  # not known at all: 10 m/s2


@pytest.mark.parametrize("corner", ["FL", "RL"])
def test_a_lone_corner_sees_by_its_load_how_another_axle_drives(corner: str) -> None:
    log, truth = gauges_alone(8.0)
    assert [c.driven for c in day().car.corners.values()] == [False, False, True, True]
    one = log.sel(gauge=[g for g in log["gauge"].to_numpy() if str(g).startswith(corner)])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        alone = completed(one, day().calibration, day().car)
    u = alone["u_acceleration"].to_numpy()
    assert 0.8 < u[0] < 1.5  # an axle: 0.9; by the wheel's own force 2 to 3.3 in front
    body = alone["acceleration"].to_numpy()[:, 0]
    seen = body + alone["relative_acceleration"].sel(corner=corner, component="x").to_numpy()
    true = low_pass(
        truth["hub_acceleration"].sel(corner=corner, component="x").to_numpy(), 8.0, 200.0
    )
    error = seen - true
    own = alone["u_relative_acceleration"].sel(corner=corner, component="x")
    assert np.sqrt(np.mean(error**2)) < np.hypot(u[0], own)
    # Yaw by sideways acceleration over a usual speed explains some of it.
    turned = np.abs(truth["elapsed_time"].to_numpy() - 7.0) < 4.0
    assert np.std(error[turned]) < 0.9 * np.std((body - true)[turned])


class Weaving(NamedTuple):
    """True and found acceleration (sample,) [m/s2] of a drive that one front wheel saw."""

    ahead: np.ndarray
    aside: np.ndarray
    load: np.ndarray
    found: np.ndarray
    u: np.ndarray

    def error(self, axis: int, at: np.ndarray) -> float:
        """Root mean square error [m/s2] along or sideways at some samples."""
        true = (self.ahead, self.aside)[axis]
        return float(np.sqrt(np.mean((self.found[axis] - true)[at] ** 2)))


def weaving(size: float) -> Weaving:
    """Twenty seconds of weaving with `size` [m/s2], in three of which the rear wheels drive.

    `load` [1] is over that at rest; a wheel off the ground still carries a tenth of it.
    """
    car, time = day().car, np.arange(0.0, 20.0, 0.01)
    aside = size * np.sin(2 * np.pi * time / 3.0)
    ahead = np.where((time > 8.0) & (time < 11.0), 4.0, 0.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        prepared = prepare(day().calibration, car, gauges_alone(8.0)[0])
    solver = next(s for s in prepared.solvers if s.assembly.name == "FL")
    seen = [Seen.empty(solver, len(time), Wanted(False, False, False))]
    rest = STANDARD_GRAVITY * seen[0].carried[0]
    moved = car.mass * car.centre_of_mass[2] * (ahead / car.wheelbase + 0.5 * aside / 1.3)
    load = np.maximum(rest - 0.5 * moved, 0.1 * rest)
    yawing = np.gradient(aside, 0.01) * 0.1
    force = np.array([0.0 * time, load * (aside + yawing) / STANDARD_GRAVITY, load])
    log = xr.Dataset(attrs={"rate": 100.0, "bandwidth": 35.0})
    found, u = body_of_some(log, car, seen, {"FL": force})
    return Weaving(ahead, aside + yawing, load / rest, found, u)


def test_the_load_of_one_wheel_shows_driving_while_it_weaves(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drive = weaving(5.0)
    steady = np.gradient(drive.ahead) == 0
    assert drive.load.min() > 0.3
    assert drive.error(0, steady) < drive.u[0] < 1.6
    drives = drive.ahead > 0
    assert drive.found[0, drives].mean() - drive.found[0, ~drives].mean() > 3.0
    # Twin: what turning moves to the wheel is taken for driving if it is not fitted.
    monkeypatch.setattr(body_of_some_module, "_turned", lambda aside, *_: (aside, 0.0 * aside))
    assert weaving(5.0).error(0, steady) > 3.0


def test_a_wheel_nearly_off_the_ground_shows_how_hard_the_car_turns() -> None:
    drive = weaving(20.0)
    lifted = drive.load < 0.3
    assert 0.1 < lifted.mean() < 0.4
    # Its own side force over its usual load would be less than a third of it.
    assert drive.error(1, lifted) < 0.3 * np.sqrt(np.mean(drive.aside[lifted] ** 2))
    assert drive.error(0, ~lifted & (np.gradient(drive.ahead) == 0)) < 1.5


def test_a_straight_drive_does_not_explain_loads_by_turning() -> None:
    drive = weaving(0.05)
    found = drive.found[0]
    assert found[drive.ahead > 0].mean() - found[drive.ahead == 0].mean() > 3.5


def test_the_road_tells_how_hard_the_body_is_shaken() -> None:
    time = np.arange(0.0, 20.0, 0.01)
    log = xr.Dataset(attrs={"rate": 100.0, "bandwidth": 35.0})
    car = day().car
    mass = car.mass - sum(corner.unsprung_mass for corner in car.corners.values())
    load = 3e3 + 400.0 * np.sin(2 * np.pi * 8.0 * time) + 500.0 * np.sin(np.pi * time)
    one, two = (_heave(log, car, load, wheels) for wheels in (1, 2))
    # Four wheels that shake as this one does, independently; cornering is slow and no shaking.
    assert_allclose(one**2 - U_SLOW_HEAVE**2, 4 * (400.0**2 / 2) / mass**2, rtol=0.05)
    assert_allclose(two**2 - U_SLOW_HEAVE**2, 0.5 * (one**2 - U_SLOW_HEAVE**2))


@pytest.mark.parametrize(
    ("lost", "sums", "known"),
    [
        ((), [], True),
        ((1, 4), [[0, 1.02, 0, 0, 0.99, 0]], True),  # sideways forces only as a sum
        ((1, 4), [], False),
        ((0, 1, 4), [[1, 1, 0, 0, 1, 0]], False),  # Fx of one wheel is mixed into it
    ],
)
def test_an_axle_shows_acceleration_if_its_sums_are_known(
    lost: tuple[int, ...], sums: list[list[float]], known: bool
) -> None:
    rows = np.vstack([np.eye(6), *sums])
    assert Outputs(rows, (), lost, "", np.zeros((6, 6))).totals_known is known


def test_a_lone_corner_with_an_accelerometer_at_its_hub_needs_none_of_the_body() -> None:
    """Yaw is known, and nothing of how the hub moves against the body."""
    log = day().log.sel(gauge=list(day().calibration.corners["RL"].gauges))
    fitted = replace(day().calibration, corners={"RL": day().calibration.corners["RL"]})
    kept = condition(log.drop_vars("acceleration"), day().car, day().tares)
    with pytest.warns(PriorWarning, match="acceleration is not logged; it is inferred"):
        found = completed(kept, fitted, day().car)
    assert "relative_acceleration" not in found
    true = low_pass(day().log["acceleration"].to_numpy(), found.attrs["bandwidth"], 200.0)
    error = np.sqrt(np.mean((found["acceleration"].to_numpy() - true) ** 2, axis=0))
    assert np.all(error < 2.0 * found["u_acceleration"].to_numpy())


def test_a_full_log_needs_no_completion() -> None:
    assert completed(day().conditioned, day().calibration, day().car) is day().conditioned


def test_a_body_that_leans_more_moves_loads_and_axes_against_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    log, _ = gauges_alone(8.0)
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        done = completed(log, day().calibration, day().car)
        prepared = prepare(day().calibration, day().car, done)
        forces = prepared.solve(done)
        monkeypatch.setattr(attitude, "ROLL_RATE", 1.1 * attitude.ROLL_RATE)
        change = prepared.solve(done)["tyre_force_intermediate"] - forces["tyre_force_intermediate"]
    at = np.arange(200, forces.sizes["elapsed_time"], 40)
    errors = signed_errors(forces, at)
    names = [str(name) for name in forces["cause_name"].to_numpy()]
    joint = errors[names.index("roll on the springs")]
    more = 0.1 * attitude.ROLL_RATE / 1.1 * done["acceleration"].to_numpy()[at, 1]
    stated = joint * (more / prepared.session.attitude.on_springs[0])[:, None, None]
    y = change.to_numpy()[at, :, 1]
    assert np.std(y - stated[..., 1]) < 0.3 * np.std(y) + 1.0
    # The road's side of it: most of what the turned axes do is undone by the links.
    turned = more[:, None] * forces["tyre_force_vehicle"].to_numpy()[at, :, 2]
    assert np.std(y) < 0.5 * np.std(turned)
    for axes, name in (("vehicle", "_vehicle"), ("intermediate", "_intermediate")):
        own = np.square(signed_errors(forces, at, axes)).sum(axis=0)
        random = forces["u_tyre_force_random"].to_numpy()[at] ** 2
        assert_allclose(own + random, forces[f"u_tyre_force{name}"].to_numpy()[at] ** 2, rtol=0.02)


@pytest.mark.parametrize("front", [False, True])
def test_a_longer_drive_needs_hardly_more_memory(
    front: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it works with is made for a section; what it returns has room outside, see `scratch`.

    Only single channels of the body are worked out whole, a few bytes a sample.  Forces of a whole
    drive at once took 1.2 kB a sample: four times as much for a drive four times as long.
    """
    short, _ = gauges_alone(8.0, ("speed",))
    if front:
        short = short.sel(gauge=[g for g in short["gauge"].values if str(g).startswith("F")])
    monkeypatch.setattr("recon.records.scratch.LARGE", 1 << 12)
    monkeypatch.setattr("recon.reconstruction.prepare.SECTION", 1 << 13)
    beyond = []
    for samples in (25_000, 100_000):
        repeated = np.arange(samples) % short.sizes["elapsed_time"]
        log = short.isel(elapsed_time=repeated)
        time = (("elapsed_time",), np.arange(samples) / short.attrs["rate"], log.elapsed_time.attrs)
        log = log.assign_coords(elapsed_time=time)
        tracemalloc.start()
        with pytest.warns(PriorWarning, match=r"acceleration is not logged; .* [0-9.]+ m/s2"):
            found = completed(log, day().calibration, day().car)
        held, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert np.isfinite(found["acceleration"].to_numpy()).all()
        beyond.append(peak - held)
    assert beyond[1] <= 1.25 * beyond[0], f"{beyond[1] / beyond[0]:.2f} times the memory"
