"""Drives that do not add up are told with the numbers, honest ones say nothing."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from recon.reconstruction.plausible import implausible
from tests.days import day


def test_nothing_to_say_of_an_honest_drive() -> None:
    assert implausible(day().forces, day().log, day().car) == ()


def test_a_travel_that_stands_still_is_told() -> None:
    log = day().log.copy(deep=True)
    log["travel"].loc[{"corner": "FR"}] = 0.003
    (said,) = implausible(day().forces, log, day().car)
    assert "travel_FR stands at 3.00 mm throughout" in said


def test_gravity_that_was_taken_off_is_told() -> None:
    log = day().log.copy(deep=True)
    log["hub_acceleration"].loc[{"corner": "RL", "component": "z"}] -= 9.81
    (said,) = implausible(day().forces, log, day().car)
    assert re.search(r"hub_acceleration_RL_z has a mean of -?0\.\d\d m/s2", said)


def test_a_car_that_weighs_something_else_is_told() -> None:
    heavy = replace(day().car, mass=1.3 * day().car.mass)
    (said,) = implausible(day().forces, day().log, heavy)
    total = float(np.mean(day().forces["tyre_force_intermediate"][:, :, 2].sum(axis=1)))
    assert (
        f"add up to {total:.0f} N in the mean, the car weighs {heavy.mass * 9.80665:.0f} N" in said
    )
