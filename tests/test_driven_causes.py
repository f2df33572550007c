"""A vehicle file that names the wrong driven wheels is told so by the drive."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr

from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.conditioning.condition import condition
from recon.examination.driven_causes import driven_causes
from recon.examination.examine import JUDGE
from recon.examination.view import view_of
from recon.reconstruction.prepare import prepare
from recon.virtual.crew import virtual_pulls
from recon.virtual.day import launch_states
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from tests.days import club_car, day, unwarned


@cache
def launched() -> tuple[xr.Dataset, Calibration]:
    """A launch of the virtual club racer, conditioned, and its calibration."""
    rng = np.random.default_rng(6)
    drawn = draw_car(club_car(), rng)
    with unwarned():
        calibration = calibrate(virtual_pulls(drawn, None, rng), drawn.car)
        log, tares, _ = virtual_drive(drawn, launch_states(drawn, rng), rng)
        return condition(log, drawn.car, tares), calibration


@pytest.mark.parametrize(
    "stated", [set(), pytest.param({"FL", "FR"}, marks=pytest.mark.slow(4)), {"RL", "RR"}]
)
def test_other_driven_wheels_are_named(stated: set[str]) -> None:
    log, calibration = launched()
    car = club_car()
    corners = {n: replace(corner, driven=n in stated) for n, corner in car.corners.items()}
    with unwarned():
        view = view_of(prepare(calibration, replace(car, corners=corners), log), log)
    doubts = JUDGE.doubts(view, JUDGE.terms(view))
    if stated == {"RL", "RR"}:
        assert doubts == ()
        return
    (doubt,) = doubts
    assert doubt.cause == "driven wheels"
    assert set(doubt.channels) == {f"driven_{name}" for name in stated | {"RL", "RR"}}
    assert doubt.probability > 0.9
    assert "Only RL and RR seem to drive: correct driven of " in doubt.do


def test_a_car_of_one_axle_has_no_such_cause() -> None:
    car, log = day().car, day().conditioned
    front = {name: corner for name, corner in car.corners.items() if name[0] == "F"}
    gauges = [g for g in log["gauge"].to_numpy() if str(g)[0] == "F"]
    with unwarned():
        some = log.sel(gauge=gauges)
        view = view_of(prepare(day().calibration, car, some), some)
    one = replace(view, prepared=replace(view.prepared, car=replace(car, corners=front)))
    assert list(driven_causes(one, ("FL",))) == []
    assert len(list(driven_causes(view, ("FL",)))) == 2
