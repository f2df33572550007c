"""Causes in ordinary channels are proposed in the order in which the drive supports them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.labelled import stamp
from recon.conditioning.condition import condition
from recon.examination.ordinary_causes import ordinary_causes
from recon.examination.view import view_of
from recon.mechanics.motion import rack_of_steer
from recon.reconstruction.prepare import prepare
from recon.records.doubt_variables import doubts_in
from recon.records.logs import LOG
from tests.days import day, unwarned
from tests.spoiled_days import examination_of

PSI_PER_BAR = 14.5038


def in_psi(log: xr.Dataset, _: object) -> xr.Dataset:
    """Pressures in psi that are said to be in bar."""
    return log.assign(brake_pressure=PSI_PER_BAR * log["brake_pressure"])


def wheel_in_rad(log: xr.Dataset, car: recon.Vehicle) -> xr.Dataset:
    """The angle of the steering wheel, which moves the rack, in rad but said to be in deg."""
    rack = rack_of_steer(car, log["steer"].to_numpy())
    wheel = log["steer"].copy(data=np.radians(rack / car.steering.rack_per_angle))
    return log.drop_vars("steer").assign(steering_wheel_angle=wheel)


@pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")
@pytest.mark.parametrize(
    ("spoilt", "channel", "line"),
    [
        (in_psi, "brake_pressure", "factor = 0.0689476"),
        (wheel_in_rad, "steering_wheel_angle", "steering_wheel_angle = { factor = 57.2958 }"),
    ],
)
def test_a_unit_is_named_though_travels_beyond_their_range_would_suit_the_sums_better(
    spoilt, channel: str, line: str
) -> None:
    """Travels ten times as large leave few forces known, whose sums then contradict nothing."""
    data, vehicle = recon.shipped("demo_data"), recon.shipped("vehicles", "club_racer.toml")
    car = recon.read_vehicle(vehicle)
    calibration = recon.calibrate(recon.read_pulls(data / "pulls.csv", car), car)
    log = spoilt(recon.read_log(data / "run_3.csv.gz", car), car)
    tares = recon.read_tares(data / "tares.csv", car)
    (doubt,) = doubts_in(recon.reconstruct(recon.condition(log, car, tares), calibration, car))
    assert (doubt.cause, doubt.channels) == ("other unit", (channel,))
    assert line in doubt.do


@pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")
def test_a_rack_in_another_unit_is_named_without_any_speed() -> None:
    """The rate of turn and the sideways acceleration say how quick the car is."""
    log = day().log.drop_vars(["speed", "wheel_speed", "steer"])
    rack = rack_of_steer(day().car, day().log["steer"].to_numpy())
    for factor, named in ((1.0, ()), (0.1, (("other unit", ("rack",)),))):
        shown = log.assign(rack=stamp(LOG["rack"], factor * rack))
        conditioned = condition(shown, day().car, day().tares)
        forces = recon.reconstruct(conditioned, day().calibration, day().car)
        assert tuple((one.cause, one.channels) for one in doubts_in(forces)) == named


def test_a_pressure_in_psi_comes_first_where_only_gauges_contradict_it() -> None:
    """A torque per bar that is known roughly is no contradiction, but speaks for one unit.

    Among eight causes that sums of forces did not tell apart, it could be left out.
    """
    corners = {
        name: replace(
            corner,
            brake=replace(
                corner.brake, u_torque_per_pressure=0.5 * corner.brake.torque_per_pressure
            ),
        )
        for name, corner in day().car.corners.items()
    }
    car, raw = replace(day().car, corners=corners), day().log.copy(deep=True)
    raw["brake_pressure"] *= PSI_PER_BAR
    with unwarned():
        log = condition(raw, car, day().tares)
        view = view_of(prepare(day().calibration, car, log), log)
    first, *_ = ordinary_causes(view, ("FL", "FR"))
    assert (first.cause, first.channels) == ("other unit", ("brake_pressure",))
    assert "the numbers seem to be in psi, not in bar" in first.do


def test_a_car_that_understeers_as_cars_on_road_tyres_do_is_not_doubted() -> None:
    """It needs 6 degrees per g more than the club racer; a steer that is half as large again is."""
    log = day().log.copy(deep=True)
    log["steer"].values[:] += 0.010 * log["speed"].to_numpy() * log["yaw_rate"].to_numpy()
    assert not examination_of(condition(log, day().car, day().tares), day().calibration).doubts
    log["steer"].values[:] *= 1.5
    found = examination_of(condition(log, day().car, day().tares), day().calibration).doubts
    assert any("steer" in str(doubt) for doubt in found)
