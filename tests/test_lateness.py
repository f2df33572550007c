"""Delays of gauges and of other loggers, on a drive that is quiet here and loud there."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import xarray as xr

from recon.calibration.calibrate import calibrate
from recon.conditioning.carrying import Channel
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.examination.lateness import _evidence, _u_time
from recon.reconstruction.prepare import prepare
from recon.virtual.crew import virtual_pulls
from recon.virtual.day import launch_states
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from tests.days import day
from tests.spoiled_days import examination_of

SAMPLES, QUIET, LOUD = 400, 2.0, 60.0  # of a drive; N, on its straights and in its only corners


@pytest.mark.parametrize("late", [0.0, 0.02])
def test_a_delay_is_as_unsure_as_the_samples_that_show_it(late: float) -> None:
    """Forces change in a tenth of the drive, and are rough there; the rest is quiet."""
    rng, wrong = np.random.default_rng(8), []
    turning = np.arange(SAMPLES) % 10 == 0
    for _ in range(200):
        slopes = np.where(turning, rng.normal(0.0, 3000.0, (2, SAMPLES)), 0.0)
        rough = rng.normal(0.0, np.where(turning, LOUD, QUIET))
        seen = -late * slopes[0] + rough
        compared: Any = SimpleNamespace(seen=seen, expected=np.zeros(SAMPLES), effects=())
        found = _evidence(compared, slopes)
        assert found is not None
        information, score = found
        delay = np.linalg.solve(information, score) - [late, 0.0]
        wrong.append(delay @ information @ delay / 2)
    # Below 1 by `ALIKE`; 90 by the scatter of all samples, most of which say nothing of a delay.
    assert 0.3 < np.mean(wrong) < 1.0


@pytest.mark.parametrize("changes", [1, 12])
@pytest.mark.parametrize("step", [0.02, 0.1])  # s
def test_a_change_between_two_samples_of_a_slow_acceleration_has_no_time(
    changes: int, step: float
) -> None:
    """Forces that change within 30 ms, against an acceleration that shows them every `step`."""
    rng, time, width = np.random.default_rng(5), np.arange(0, 20, 0.002), 62
    delays, stated = [], []
    for _ in range(100):
        at = 0.5 + (19.0 / changes) * (np.arange(changes) + rng.uniform(0.1, 0.9, changes))
        force = np.clip((time[:, None] - at) / 0.03, 0.0, 1.0) @ (-1.0) ** np.arange(changes)
        own = np.arange(rng.uniform(0, step), time[-1], step)
        slow = Channel(own, np.interp(own, time, force)).at(time, 1.0)
        wrong, means = (
            x[: len(x) // width * width].reshape(-1, width).mean(axis=1)
            for x in (slow - force, force)
        )
        slope = np.gradient(means, width * 0.002)
        good = np.isfinite(wrong)
        delays.append(float(wrong[good] @ slope[good] / (slope[good] @ slope[good])))
        log = xr.Dataset({"acceleration": ((), 0.0, {"own_step": step})})
        log["gauge_status"] = ((), 0)
        view: Any = SimpleNamespace(log=log, u_clock={"acceleration": 0.0}.get)
        stated.append(_u_time(view, cast(Any, SimpleNamespace(gauges=())), slope[None]))
    # Samples that are closer than a change is long show more of it.
    assert 0.2 < np.sqrt(np.mean(np.square(delays)) / np.mean(np.square(stated))) < 1.4


@pytest.mark.parametrize(("late", "named"), [(0.0, []), (0.03, ["late"])])
def test_an_accelerometer_off_its_place_is_no_delay_where_yaw_is_not_logged(
    late: float, named: list[str]
) -> None:
    """10 cm ahead of the centre of mass it feels a weave earlier; rear gauges seemed 14 ms late."""
    raw = day().log.copy(deep=True)
    time, change = raw["elapsed_time"].to_numpy(), np.gradient(raw["yaw_rate"].to_numpy(), 0.005)
    raw["acceleration"].values[:, 1] += 0.1 * change
    gauges = [k for k, name in enumerate(raw["gauge"].to_numpy()) if str(name)[0] == "R"]
    for k in gauges:
        shown = raw["indication"].to_numpy()[:, k]
        raw["indication"].values[:, k] = np.interp(time - late, time, shown)
    log = condition(raw.drop_vars("yaw_rate"), day().car, day().tares)
    doubts = examination_of(log, day().calibration).doubts
    assert [doubt.cause for doubt in doubts] == named


@pytest.mark.parametrize("u_clock", [0.0, 0.2])  # s
def test_a_yaw_rate_of_a_clock_that_is_known_roughly_contradicts_no_tyre(u_clock: float) -> None:
    raw = day().log.copy(deep=True)
    time, own = raw["elapsed_time"].to_numpy(), raw["yaw_rate"].to_numpy()
    raw["yaw_rate"][:] = np.interp(time - 0.3, time, own)
    raw["yaw_rate"].attrs["u_clock"] = u_clock
    found = examination_of(condition(raw, day().car, day().tares), day().calibration).doubts
    by_tyres = [doubt for doubt in found if "yaw moment of all tyres" in str(doubt)]
    assert bool(by_tyres) == (u_clock == 0)


@pytest.mark.parametrize("rear_carried", [False, True])
@pytest.mark.parametrize("end", ["F", "R"])
def test_a_clock_excuses_only_the_gauges_of_the_other_logger(end: str, rear_carried: bool) -> None:
    """One logger has the gauges of the front, another those of the rear and the acceleration."""
    raw = day().log.copy(deep=True)
    time = raw["elapsed_time"].to_numpy()
    for name in map(str, raw["gauge"].to_numpy()):
        if name.startswith(end):
            own = raw["indication"].sel(gauge=name).to_numpy().copy()
            raw["indication"].loc[{"gauge": name}] = np.interp(time - 0.03, time, own)
    other = {"u_clock": 0.03, "from_log": "rear.csv"}
    if rear_carried:
        rear = [name for name in map(str, raw["gauge"].to_numpy()) if name.startswith("R")]
        raw["indication"].attrs |= other | {"carried": rear}
        raw["acceleration"].attrs |= other
    found = examination_of(condition(raw, day().car, day().tares), day().calibration).doubts
    late = [doubt for doubt in found if doubt.cause == "late"]
    assert bool(late) == (end == "R" or not rear_carried)


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize("logged", [False, True])
def test_a_wheel_whose_travel_nobody_logged_may_seem_late(logged: bool) -> None:
    raw = day().log.drop_vars("hub_acceleration").copy(deep=True)
    if not logged:
        raw["travel"].loc[{"corner": ["RL", "RR"]}] = np.nan
    time = raw["elapsed_time"].to_numpy()
    for name in map(str, raw["gauge"].to_numpy()):
        if name.startswith("RL"):
            own = raw["indication"].sel(gauge=name).to_numpy().copy()
            raw["indication"].loc[{"gauge": name}] = np.interp(time - 0.012, time, own)
    found = examination_of(condition(raw, day().car, day().tares), day().calibration).doubts
    assert [doubt.cause for doubt in found] == ["late"] * logged


def test_forces_of_another_loggers_gauges_hold_the_error_of_its_clock() -> None:
    raw = day().log.copy(deep=True)
    time, rear = raw["elapsed_time"].to_numpy(), [g for g in raw["gauge"].to_numpy() if g[0] == "R"]
    for name in rear:
        own = raw["indication"].sel(gauge=name).to_numpy().copy()
        raw["indication"].loc[{"gauge": name}] = np.interp(time - 0.01, time, own)
    found = []
    for attributes in ({}, {"u_clock": 0.01, "from_log": "rear.csv", "carried": rear}):
        raw["indication"].attrs |= attributes
        log = condition(raw, day().car, day().tares, bandwidth=8.0)
        found.append(prepare(day().calibration, day().car, log).solve(log))
    (before, after), name = found, "u_tyre_force_intermediate"
    assert after[name].sel(corner=["FL", "FR"]).equals(before[name].sel(corner=["FL", "FR"]))
    true = low_pass(day().truth["tyre_force_intermediate"].to_numpy(), 8.0, 200.0)
    z = [(one["tyre_force_intermediate"] - true)[:, 2:] / one[name][:, 2:] for one in found]
    inside = [float((np.abs(one) < 1.96).mean()) for one in z]
    assert inside[0] < 0.85
    assert 0.93 < inside[1] < 0.98


@pytest.mark.parametrize(("late", "named"), [(0.0, []), (0.03, ["late"])])
def test_an_accelerometer_far_ahead_of_the_centre_of_mass_may_pitch_with_the_body(
    late: float, named: list[str]
) -> None:
    """It rises and falls in launches and stops; what it felt had been laid to the gauges."""
    rng = np.random.default_rng(16)
    drawn = draw_car(day().car, rng)
    calibration = calibrate(virtual_pulls(drawn, None, rng), day().car)
    drive = launch_states(drawn, rng)
    raw, tares, _ = virtual_drive(drawn, drive, rng)
    time = raw["elapsed_time"].to_numpy()
    slow = low_pass(drive.body.pitch[:, None], 10.0, 1 / (time[1] - time[0]))[:, 0]
    raw["acceleration"].values[:, 2] -= 1.0 * np.gradient(np.gradient(slow, time), time)
    for name in (g for g in map(str, raw["gauge"].to_numpy()) if g.startswith("R")):
        own = raw["indication"].sel(gauge=name).to_numpy().copy()
        raw["indication"].loc[{"gauge": name}] = np.interp(time - late, time, own)
    found = examination_of(condition(raw, day().car, tares), calibration).doubts
    assert [doubt.cause for doubt in found] == named
