"""A launch with hop of known size, from gauges to the answer: the inertia of the wheel matters.

12.5 Hz, 1500 N, 0.8 s, decay 5 % per cycle; the tyre slips until a stated time and then catches.
One driven corner of a car without hidden effects, so that every error is the answer's own.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr

from recon.analysis.launch import launch
from recon.base.errors import DataError, PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.sections.stated_sections import GivenSection
from recon.examination.reconstruct import reconstruct
from recon.report.answers.launch import launch_summary
from recon.virtual.states import States
from tests.days import exact, exact_log, states, unwarned

# One wheel cannot obey all laws of a car; what the examination says of that is no matter here.
pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.DoubtWarning")

RATE, SECONDS = 500.0, 5.0
START, CAUGHT, END = 1.0, 3.0, 4.5  # s
FREQUENCY, AMPLITUDE, DECAY, HOPS = 12.5, 1500.0, 0.05, (1.6, 2.4)
HUB = 25.0  # m/s2 of the hub at the start of the hop
PLATEAU = 2000.0  # N
NOISE = 1e-4  # mV/V, about 1 N
TIME = np.arange(0, SECONDS, 1 / RATE)


def wave() -> np.ndarray:
    """Hop at its start 1, dying away."""
    since = TIME - HOPS[0]
    on = (since >= 0) & (HOPS[1] > TIME)
    size = (1 - DECAY) ** (FREQUENCY * since)
    return np.where(on, size * np.sin(2 * np.pi * FREQUENCY * since), 0.0)


def through() -> States:
    """Force rises at the start, falls to 70 % while the tyre slips, and is back when it catches."""
    points = [(0, 0), (START, 0), (START + 0.2, PLATEAU), (CAUGHT - 1.7, 0.7 * PLATEAU),
              (CAUGHT - 0.1, 0.7 * PLATEAU), (CAUGHT, PLATEAU), (END, PLATEAU),
              (END + 0.1, 0), (SECONDS, 0)]  # fmt: skip
    force = np.zeros((len(TIME), 3))
    force[:, 0] = np.interp(TIME, *np.array(points).T)
    force[:, 2] = 3000.0 + AMPLITUDE * wave()
    hub = np.tile([0.0, 0.0, STANDARD_GRAVITY], (len(TIME), 1, 1))
    hub[:, 0, 2] -= HUB * wave()  # a wheel that goes down presses the tyre
    speed = np.interp(TIME, [0, START, END, SECONDS], [0, 0, 15, 15])
    slip = np.interp(TIME, [START, START + 0.3, CAUGHT - 0.1, CAUGHT + 0.1], [0.0, 0.4, 0.4, 0.03])
    radius = exact("RL").car.corners["RL"].wheel.loaded_radius
    turning = (speed * (1 + slip) / radius)[:, None]
    made = states(
        "RL",
        force,
        specific_force=hub,
        speed=speed,
        wheel_speed=turning,
        travel=0.005 * force[:, :1] / PLATEAU,
    )
    return replace(made, time=TIME)


def solved(without: tuple[str, ...] = ()) -> xr.Dataset:
    of = exact("RL")
    log, tares, _ = exact_log(of, through())
    log["speed"].values[:] = through().body.speed
    log["wheel_speed"].values[:] = through().wheel_speed
    # Without any noise, a force that holds its highest value looks like a channel that clips.
    noise = np.random.default_rng(3).normal(size=log["indication"].shape)
    log["indication"].values[:] += NOISE * noise
    with unwarned():
        conditioned = condition(log.drop_vars(without), of.car, tares)
        return reconstruct(conditioned, of.calibration, of.car)


@cache
def answered(without: tuple[str, ...] = ()) -> xr.Dataset:
    forces = solved(without)
    by_hand = [GivenSection("start", "launch", start=START - 0.1, end=END)]
    return launch(forces, sections=find_sections(forces, by_hand))


def test_a_launch_by_hand_of_a_car_that_moves_is_refused() -> None:
    forces = solved()
    forces["speed"].values[:] += 9.0
    given = [GivenSection("start", "launch", start=START - 0.1, end=END)]
    said = r"section start: a launch from .* slower than 9\.\d m/s; need"
    with pytest.raises(DataError, match=said):
        launch(forces, sections=find_sections(forces, given))


def within_limits(found: xr.Dataset) -> set[str]:
    """Limits on hop and catch that the answer keeps."""
    value = {str(n): float(found[n].values[0, 0, 1]) for n in found if str(n).startswith("hop_")
             and found[n].ndim == 3}  # fmt: skip
    kept = {
        "frequency": abs(value["hop_frequency"] - FREQUENCY) < 0.2,
        "amplitude": abs(value["hop_amplitude"] / AMPLITUDE - 1) < 0.10,
        "cycles": abs(value["hop_cycles"] - FREQUENCY * (HOPS[1] - HOPS[0])) <= 0.5,
        "ends": max(abs(value["hop_begin"] - HOPS[0]), abs(value["hop_finish"] - HOPS[1])) < 0.04,
        "decay": abs(value["hop_decay"] - DECAY) < 0.01,
    }
    return {name for name, good in kept.items() if good}


def test_hop_from_gauges_and_hub_accelerometer() -> None:
    found = answered()
    assert found.sizes["hop"] == 1
    assert within_limits(found) == {"frequency", "amplitude", "cycles", "ends", "decay"}
    assert np.isnan(found["hop_amplitude"].values[0, 0, 0])  # none in Fx
    assert "decays 5." in " ".join(launch_summary(found))
    growing = found.copy(deep=True)
    growing["hop_decay"].values[:] *= -1
    assert "does not decay (-5." in " ".join(launch_summary(growing))


@pytest.mark.filterwarnings("ignore:.*would narrow the intervals:recon.base.errors.PriorWarning")
def test_hop_without_the_hub_accelerometer_is_wrong_and_says_so() -> None:
    """The twin that fails: travel shows no hop, so 25 m/s2 of a 28 kg wheel are missing."""
    with pytest.warns(PriorWarning, match="hub_acceleration is not logged"):
        found = answered(("hub_acceleration",))
    assert "amplitude" not in within_limits(found)
    assert "RL have no accelerometer at the hub" in found.attrs["not_given"]


def test_the_catch_after_slip() -> None:
    found = answered()
    started = float(found["launch_start"][0])
    # 95 % of the plateau of 2000 N are reached 17 ms before the force is back in full.
    plateau = float(found["plateau_drive_force"][0, 0])
    back = CAUGHT - 0.1 * (PLATEAU - 0.95 * plateau) / (0.3 * PLATEAU)
    end_of_slip = CAUGHT - 0.1 + 0.2 * (0.4 - 0.15) / 0.37
    caught = started + float(found["catch_time"].values[0, 0])
    assert caught == pytest.approx(max(back, end_of_slip), abs=0.020)
