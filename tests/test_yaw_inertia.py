"""Yaw inertia by a steered axle that rolls freely, where the gauges alone show speed and steer."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.car.vehicle import Vehicle
from recon.reconstruction.inputs.steering import INFERRED
from recon.reconstruction.seen_by_gauges import Seen
from recon.reconstruction.steer_from_gauges import with_steer
from recon.reconstruction.yaw_inertia import Share, YawMoment, yaw_inertia
from tests.days import day

RATE = 100.0
TIME = np.arange(0, 60, 1 / RATE)
SPEED = 14.0 + 6.0 * np.cos(2 * np.pi * TIME / 40.0)


class Drive:
    """A weave and corners of a car whose yaw inertia is a share of that by rule."""

    def __init__(self, share: float, turning: float = 1.0) -> None:
        self.car = day().car
        yaw = 0.35 * np.sin(2 * np.pi * 0.3 * TIME) + 0.25 * np.sin(2 * np.pi * TIME / 17.0)
        yaw *= turning * 20.0 / SPEED / 2
        aside, ahead = SPEED * yaw, np.gradient(SPEED, TIME)
        self.steer = self.car.wheelbase * yaw / SPEED
        felt = np.column_stack([ahead, aside, np.full(len(TIME), 9.81)])
        self.log = xr.Dataset(
            {"acceleration": (("elapsed_time", "component"), felt)}, attrs={"rate": RATE}
        )
        rule = YawMoment(np.zeros(1), 1000.0, 200.0)
        moment = np.gradient(yaw, TIME) * (share * rule.by_rule - rule.wheels)
        self.turning = replace(rule, moment=moment)
        noise = np.random.default_rng(3).normal(0.0, 20.0, (2, len(TIME)))
        across = 300.0 * aside + noise[0]
        self.tyres = -self.steer * across - 30.0 + noise[1], across
        self.felt = ahead, aside

    def seen(self, car: Vehicle) -> list[Seen]:
        """Forces of the links of both front wheels: without what accelerates the wheels."""
        front = []
        for name in ("FL", "FR"):
            corner = car.corners[name]
            along, across = (
                0.5 * tyre - corner.unsprung_mass * felt
                for tyre, felt in zip(self.tyres, self.felt, strict=True)
            )
            solver: Any = SimpleNamespace(
                assembly=SimpleNamespace(corners=(corner,)),
                outputs=SimpleNamespace(lost_of_wheels=lambda: np.zeros((1, 3), dtype=bool)),
            )
            link = np.stack([along, across, np.zeros(len(TIME))])[None]
            front.append(Seen(solver, None, link, along[None], np.zeros((1, 0)), np.zeros(0)))
        return front

    def found(self, car: Vehicle | None = None) -> Share:
        car = car or self.car
        return yaw_inertia(self.log, car, self.seen(car), self.turning)

    def steer_by(self, share: float) -> np.ndarray:
        with_it = with_steer(self.log, self.car, self.turning.change(share))
        return cast(np.ndarray, with_it[INFERRED].to_numpy())


@pytest.mark.parametrize("share", [0.6, 1.0, 1.25])
def test_a_free_front_axle_shows_the_yaw_inertia(share: float) -> None:
    drive = Drive(share)
    found = drive.found()
    assert_allclose(found.value, share, atol=0.05)
    assert abs(found.value - share) < 3 * found.u + 0.02  # the steer of a changing yaw rate
    assert found.u < 0.1


def test_steer_of_a_car_with_its_masses_amidships() -> None:
    """Taken as usual, it would seem nearly twice as quick, and would hardly steer."""
    drive = Drive(0.6)
    size = np.sqrt(np.mean(drive.steer**2))
    fitted, usual = (drive.steer_by(share) - drive.steer for share in (drive.found().value, 1.0))
    assert np.sqrt(np.mean(fitted**2)) < 0.15 * size
    assert np.sqrt(np.mean(usual**2)) > 0.5 * size  # twin


def test_the_yaw_inertia_stays_as_assumed_where_nothing_shows_it() -> None:
    drive = Drive(0.6)
    front = {c: replace(drive.car.corners[c], driven=True) for c in ("FL", "FR")}
    assert drive.found(replace(drive.car, corners=drive.car.corners | front)) == Share()
    nobody = {c: replace(drive.car.corners[c], driven=False) for c in drive.car.corners}
    assert drive.found(replace(drive.car, corners=nobody)) == Share()
    assert Drive(0.6, turning=0.05).found() == Share()
    assert Drive(0.3).found() == Share()  # no car has so little
    assert drive.found() != Share()  # twin
