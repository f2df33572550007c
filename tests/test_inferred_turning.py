"""Speed and yaw move wheels whose acceleration was inferred: a fault there is named as such."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.base.doubt import Doubt
from recon.conditioning.condition import condition
from recon.examination.examine import examine
from recon.examination.inferred_turning import turned_again, yaw_channels
from recon.examination.thinning import thinned
from recon.examination.unseen_channels import channel_faults
from recon.examination.view import WINDOWS, view_of
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned
from tests.spoiled_days import sound

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")

ALL = ("FL", "FR", "RL", "RR")
MILES = 1.609344


def log_of(**channels: xr.DataArray) -> xr.Dataset:
    """The day's log without accelerometers at the hubs and without yaw rate, conditioned."""
    raw = day().log.drop_vars(["hub_acceleration", "yaw_rate", "wheel_speed"])
    with unwarned():
        return condition(raw.assign(channels), day().car, day().tares)


def doubts_of(log: xr.Dataset) -> tuple[Doubt, ...]:
    with unwarned():
        log = completed(log, day().calibration, day().car)
        prepared = prepare(day().calibration, day().car, log)
        return examine(prepared, log, prepared.solve(log)).doubts


def turn_of(log: xr.Dataset) -> np.ndarray:
    return np.asarray(log["relative_acceleration"].to_numpy()[:, :, :2])


@pytest.mark.parametrize("factor", [1 / 3.6, MILES, 2.0])
def test_a_mended_speed_turns_the_wheels_as_the_right_one_does(factor: float) -> None:
    right, wrong = (thinned(log_of(speed=f * day().log["speed"]), WINDOWS) for f in (1.0, factor))
    names = ("speed", "slope_of_speed")
    mended = turned_again(wrong.assign({n: right[n] for n in names}), wrong, day().car)
    away = np.std(turn_of(wrong) - turn_of(right))
    assert np.std(turn_of(mended) - turn_of(right)) < 0.01 * away  # one filter for both: 0.006
    assert yaw_channels(right) == ("speed", "acceleration")
    # Twin: what leaves speed and acceleration as they are leaves the wheels as they are.
    other = wrong.assign(travel=2 * wrong["travel"])
    np.testing.assert_array_equal(turn_of(turned_again(other, wrong, day().car)), turn_of(wrong))


@pytest.mark.parametrize("factor", [-1.0, 2.0])
def test_a_mended_acceleration_turns_the_wheels_as_the_right_one_does(factor: float) -> None:
    aside = day().log["acceleration"].copy(deep=True)
    aside[:, 1] *= factor
    right, wrong = (thinned(one, WINDOWS) for one in (log_of(), log_of(acceleration=aside)))
    names = ("acceleration", "slope_of_acceleration")
    mended = turned_again(wrong.assign({n: right[n] for n in names}), wrong, day().car)
    away = np.std(turn_of(wrong) - turn_of(right))
    assert np.std(turn_of(mended) - turn_of(right)) < 0.05 * away


def test_a_sound_drive_without_yaw_rate_has_no_doubt() -> None:
    assert doubts_of(log_of()) == ()


def test_a_speed_in_another_unit_is_named_and_doubts_the_forces() -> None:
    (doubt,) = doubts_of(log_of(speed=day().log["speed"] / 3.6))
    assert (doubt.cause, doubt.channels, doubt.corners) == ("other unit", ("speed",), ALL)
    assert "speed = { factor = 3.6 }" in doubt.do


def test_a_speed_that_stands_still_is_named_where_the_car_gains_speed() -> None:
    still = xr.full_like(day().log["speed"], 20.0)
    (doubt,) = doubts_of(log_of(speed=still))
    assert (doubt.cause, doubt.channels, doubt.corners) == ("stuck", ("speed",), ALL)
    assert "speed stands at 20 in SI units from 0.0 s to the end, although the car" in doubt.found


def test_a_speed_that_turns_the_wheels_is_among_the_faults_that_a_drive_may_hide() -> None:
    with unwarned():
        log = completed(log_of(), day().calibration, day().car)
        view = view_of(prepare(day().calibration, day().car, log), log)
    faults = {(f.kind, f.channels.title) for f in channel_faults(view)}
    assert {("channel gain", "speed"), ("channel zero", "speed")} <= faults
    assert ("channel inverted", "speed") not in faults
    # Twin: with accelerometers at the hubs a speed enters no force.
    assert "speed" not in {fault.channels.title for fault in channel_faults(sound())}
