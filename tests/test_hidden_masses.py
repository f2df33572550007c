"""Wheels that weigh something else than the vehicle file says: seen, or foretold with the error."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE
from recon.examination.mass_causes import MOST_MASS, hidden_masses, mass_causes, wheels_times
from recon.examination.unseen import unseen
from recon.examination.view import View, view_of
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned
from tests.outside.case_drives import case_calibration, case_car, case_log
from tests.spoiled_days import sound


def contradicts(view: View) -> bool:
    return any(term.contradicts for term in JUDGE.terms(view))


def test_wheels_that_are_too_heavy_by_the_share_stated_are_seen_and_by_a_third_of_it_are_not() -> (
    None
):
    every = tuple(sound().parts)
    # Shares are of the stated mass: wheels of four times the mass show a smaller one.
    heavy = wheels_times(sound(), names=every, factor=4.0)
    share = 4.0 * max(hidden_masses(heavy).values())
    assert 1.0 < share < 4.0 * MOST_MASS
    assert contradicts(wheels_times(sound(), names=every, factor=1.0 + share))
    assert not contradicts(wheels_times(sound(), names=every, factor=1.0 + share / 3))


def test_the_error_of_a_mass_that_stays_unseen_is_that_of_mass_times_acceleration() -> None:
    hidden = {one.kind: one for one in unseen(sound(), day().conditioned)}["mass"]
    assert hidden.size == pytest.approx(MOST_MASS)
    assert hidden.gauge == ("FL", "FR", "RL", "RR")
    hubs = day().truth["hub_acceleration"].to_numpy()[:, :, 1]
    sideways = np.quantile(np.abs(hubs), 0.95, axis=0)
    for corner, error, acceleration in zip(hidden.gauge, hidden.error, sideways, strict=True):
        expected = day().car.corners[corner].unsprung_mass * acceleration
        assert error[1] == pytest.approx(expected, rel=0.15), corner


def test_the_error_of_a_mass_that_stays_unseen_holds_the_hop_of_its_wheel() -> None:
    """Driven wheels of the case car hop in its launch; short means had left 200 N of 1500."""
    log, tares = case_log("launch")
    with unwarned():
        ready = condition(log, case_car(), tares)
        hidden = unseen(view_of(prepare(case_calibration(), case_car(), ready), ready), ready)
    found = {one.kind: one for one in hidden}["mass"]
    upwards = ready["hub_acceleration"].to_numpy()[:, :, 2] - STANDARD_GRAVITY
    for corner in ("RL", "RR"):
        k = list(ready["corner"].to_numpy()).index(corner)
        expected = found.size[k] * case_car().corners[corner].unsprung_mass
        expected *= np.quantile(np.abs(upwards[:, k]), 0.95)
        assert found.error[k, 2] == pytest.approx(expected, rel=0.15), corner


@pytest.mark.slow(6)
def test_a_passenger_whom_the_vehicle_file_does_not_have_is_named() -> None:
    weighed = replace(day().car, mass=day().car.mass - 90.0)
    with unwarned():
        view = view_of(prepare(day().calibration, weighed, day().conditioned), day().conditioned)
    (doubt,) = JUDGE.doubts(view, JUDGE.terms(view))
    assert (doubt.cause, doubt.channels) == ("car mass", ("total_kg",))
    assert doubt.probability > 0.9
    carried = re.search(r"its tyres carry (\d+) kg in the mean, and total_kg is 652\.", doubt.do)
    assert carried
    assert float(carried[1]) == pytest.approx(day().car.mass, rel=0.02)


def test_a_mass_that_one_axle_cannot_show_is_no_cause() -> None:
    with unwarned():
        made = {name: day().calibration.corners[name] for name in ("RL", "RR")}
        gauges = [gauge for corner in made.values() for gauge in corner.gauges]
        log = day().conditioned.sel(gauge=gauges)
        prepared = prepare(replace(day().calibration, corners=made), day().car, log)
    rear = view_of(prepared, log)
    assert not any(one.cause == "car mass" for one in mass_causes(rear, ("RL", "RR")))
