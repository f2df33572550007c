"""Sound windows of the case car, whole and in parts: what is compared agrees."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.errors import ReconWarning
from recon.base.quantities import CORNERS
from recon.records.doubt_variables import doubts_in
from tests.outside.case_drives import case_calibration, case_car, case_forces, case_log

pytestmark = pytest.mark.source("CASE-CAR: a sound drive is not doubted")

SPEED = r"wheel speed of (\w+) against the car's speed ([\d.]+)"
UPWARD = r"(car): sum of Fz of all tyres against mass times acceleration ([\d.]+)"
BRAKE = r"Fx of the (\w+) tyre against the torque of its brake ([\d.]+)"


def solved(
    log: xr.Dataset,
    drive: str,
    corners: tuple[str, ...],
    *,
    end: float | None = None,
    bandwidth: float | None = None,
) -> xr.Dataset:
    """Forces of some corners from a raw log, in the form that `case_log` gives, up to `end` [s]."""
    fitted = {name: case_calibration().corners[name] for name in corners}
    calibration = replace(case_calibration(), corners=fitted)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        conditioned = recon.condition(log, case_car(), case_log(drive)[1], bandwidth=bandwidth)
        part = recon.part_of(conditioned, end=end)
        return recon.reconstruct(part, calibration, case_car())


def sizes(forces: xr.Dataset, of: str) -> dict[str, float]:
    """Sizes of comparisons by corner; 1 is what their uncertainties allow."""
    return {corner: float(size) for corner, size in re.findall(of, forces.attrs["compared"])}


def test_the_brake_of_a_steered_wheel_agrees_with_the_force_along_the_wheel() -> None:
    """In braking turns 400 N and more of the side force of a front tyre point along the car."""
    found = sizes(case_forces("lap"), BRAKE)
    assert found["FL"] < 0.5  # along the car 1.6, and beyond 2 in other parts of the lap


def test_a_heading_that_nobody_logged_is_no_fault_of_a_brake() -> None:
    log = case_log("lap")[0].drop_vars(["steer", "yaw_rate"])
    forces = solved(log.sel(gauge=list(case_calibration().corners["FL"].gauges)), "lap", ("FL",))
    assert sizes(forces, BRAKE)["FL"] < 1.5  # a heading of zero for sure: beyond 2
    assert forces.sizes.get("doubt", 0) == 0


# Without acceleration the speed shows how hard the car stops, without that the other wheels.
@pytest.mark.parametrize("gone", [(), ("acceleration",), ("acceleration", "speed")])
def test_a_wheel_that_locks_does_not_contradict_the_speed_of_a_short_part(
    gone: tuple[str, ...],
) -> None:
    """The right front wheel stands still for 0.6 s, and slows and spins up before and after."""
    forces = solved(case_log("lap")[0].drop_vars(gone), "lap", CORNERS, end=16.6)
    assert forces.sizes.get("doubt", 0) == 0
    assert sizes(forces, SPEED)["FR"] < 0.5  # with the moments of locking: beyond 2


def test_a_pressure_in_another_unit_is_named_in_a_drive_of_little_else_than_braking() -> None:
    log = case_log("braking")[0].copy(deep=True)
    log["brake_pressure"].to_numpy()[:] /= 14.5038  # numbers in bar, labelled psi
    (doubt,) = doubts_in(solved(log, "braking", CORNERS))
    assert (doubt.cause, doubt.channels) == ("other unit", ("brake_pressure",))


@pytest.mark.parametrize(("gauge", "suffering"), [("SG24", ("RL",)), ("SG20", ())])
def test_a_gauge_that_is_out_now_and_then_spoils_the_other_wheel(
    gauge: str, suffering: tuple[str, ...]
) -> None:
    """Without its spring link nothing shows the load of a wheel, nor how hard the axle turns."""
    log = case_log("braking")[0][["indication"]].copy(deep=True)
    values = log["indication"].to_numpy()[:, list(log["gauge"].to_numpy()).index(gauge)]
    for start in range(200, len(values) - 400, 800):
        values[start : start + 400] = values[start]
    rear = [name for corner in ("RL", "RR") for name in case_calibration().corners[corner].gauges]
    doubt = doubts_in(solved(log.sel(gauge=rear), "braking", ("RL", "RR")))[0]
    assert (doubt.cause, doubt.channels) == ("intermittent", (gauge,))
    assert doubt.corners == ("RR", *suffering)
    assert doubt.found.endswith("RL suffers too.") == bool(suffering)


@pytest.mark.parametrize("gone", [("hub_acceleration",), ("hub_acceleration", "travel")])
def test_wheels_that_hop_without_their_sensor_do_not_contradict_the_body(
    gone: tuple[str, ...],
) -> None:
    """Short means of a hopping wheel are not zero: its mass moves by some hundred newtons."""
    log = case_log("launch")[0].drop_vars(gone)
    forces = solved(log, "launch", CORNERS, bandwidth=17.5)
    assert sizes(forces, UPWARD)["car"] < 0.5  # wheels as still as the body: 3.4 and 1.6
    assert forces.sizes.get("doubt", 0) == 0


@pytest.mark.parametrize(
    ("drive", "gone", "corners", "end"),
    [("lap", ("roll", "pitch"), CORNERS, "F"), ("launch", ("steer",), ("RL", "RR"), "R")],
)
def test_gauges_of_an_axle_that_are_so_late_that_the_body_contradicts_them_are_named(
    drive: str, gone: tuple[str, ...], corners: tuple[str, ...], end: str
) -> None:
    """As "late gauge" they had been named, and as wheels whose mass is in lb."""
    log = case_log(drive)[0].drop_vars(gone).copy(deep=True)
    own = {g for c in corners for g in case_calibration().corners[c].gauges}
    late = {g for c in corners if c[0] == end for g in case_calibration().corners[c].gauges}
    time, log = log["elapsed_time"].to_numpy(), log.sel(gauge=list(own))
    for k, gauge in enumerate(log["gauge"].to_numpy()):
        if gauge in late:
            shown = log["indication"].to_numpy()[:, k]
            log["indication"].values[:, k] = np.interp(time - 0.05, time, shown)
    doubt = doubts_in(solved(log, drive, corners))[0]
    assert (doubt.cause, set(doubt.channels)) == ("late", late)
