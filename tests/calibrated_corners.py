"""Corners of virtual cars, pulled and calibrated."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import CornerCalibration
from recon.car.vehicle import Vehicle
from recon.records.sheets import PullSheet
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.plan import pull_plan
from tests.days import club_car, unwarned

FEW = ("fore", "outward", "pad", "aft", "inward", "fore-out", "rim top inward", "hub fore")


@cache
def pulled(corner: str, seed: int, *names: str) -> tuple[VirtualCar, PullSheet]:
    """A full virtual car of one corner and its pulls, or those named."""
    car = club_car(corner)
    rng = np.random.default_rng([17, seed])
    drawn = draw_car(car, rng)
    plan = tuple(p for p in pull_plan(car, (corner,)) if not names or p.name in names)
    return drawn, virtual_pulls(drawn, plan, rng)


def fitted(sheet: PullSheet, car: Vehicle) -> CornerCalibration:
    """The only corner of `car`, whatever the pulls say of the links' limits."""
    with unwarned():
        (corner,) = calibrate(sheet, car).corners.values()
    return corner


def without_slopes(car: Vehicle) -> Vehicle:
    """The car whose tubes nobody measured."""
    corners = {
        name: replace(c, gauges=tuple(replace(g, expected=None) for g in c.gauges))
        for name, c in car.corners.items()
    }
    return replace(car, corners=corners)
