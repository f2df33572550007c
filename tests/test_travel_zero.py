"""A travel that is counted from anywhere but design height is noted, with what would correct it."""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataWarning
from recon.reconstruction.inputs.travel_zero import MOVES, UPRIGHT, warn_of_travel_zero
from tests.days import day


def moved(by: np.ndarray) -> xr.Dataset:
    """The day's log with travels (corner,) [m] higher."""
    log = day().conditioned
    return log.assign(travel=(log["travel"].dims, log["travel"].to_numpy() + by))


def test_travels_counted_from_droop_are_named_with_the_line_that_corrects_them() -> None:
    droop = np.array([corner.droop_travel for corner in day().car.corners.values()])
    front, rear = (f"{1e3 * at:.0f} mm" for at in droop[[0, 2]])
    told = f'"travel_FL, travel_FR" = {{ add = "{front}" }} and "travel_RL, travel_RR" = {{ add = '
    assert front != rear
    with pytest.warns(DataWarning, match=re.escape(told)) as noted:
        warn_of_travel_zero(moved(-droop), day().car)
    assert len(noted) == 1
    assert re.search(r"travel_FL is usually \+\d\d mm", str(noted[0].message))


def test_wheels_that_hardly_move_are_named_with_those_that_do() -> None:
    """Stiff springs in front, while the rear shows that the car drives."""
    log = day().conditioned
    upright = np.abs(log["acceleration"].to_numpy()[:, :2]).max(axis=1) < UPRIGHT
    droop = np.array([corner.droop_travel for corner in day().car.corners.values()])
    travel = log["travel"].to_numpy().copy()
    middle = np.median(travel[upright], axis=0)
    travel[:, :2] = middle[:2] + 0.2 * (travel[:, :2] - middle[:2])
    assert np.std(travel[upright], axis=0)[:2].max() < MOVES < np.std(travel[upright], axis=0).max()
    stiff = log.assign(travel=(log["travel"].dims, travel - droop))
    with pytest.warns(DataWarning, match="travel_FL is usually .*travel_FR is usually .*travel_RL"):
        warn_of_travel_zero(stiff, day().car)
    travel[:, 0] = 0.06  # stuck: named by others
    with pytest.warns(DataWarning) as noted:
        warn_of_travel_zero(log.assign(travel=(log["travel"].dims, travel - droop)), day().car)
    assert "travel_FL is" not in str(noted[0].message)


def test_one_travel_far_from_design_height_is_named_alone() -> None:
    with pytest.warns(DataWarning, match=r": travel_RL is usually -3\d mm, where it is 0") as noted:
        warn_of_travel_zero(moved(np.array([0.0, 0.0, -0.035, 0.0])), day().car)
    assert "travel_FL" not in str(noted[0].message)


def test_sound_and_inferred_travels_are_not_noted() -> None:
    inferred = moved(np.full(4, 0.05)).assign(u_travel=("corner", np.full(4, 0.004)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warn_of_travel_zero(day().conditioned, day().car)
        warn_of_travel_zero(inferred, day().car)
        warn_of_travel_zero(inferred.drop_vars(["travel", "u_travel"]), day().car)


def test_a_travel_in_another_unit_is_left_to_those_who_name_it() -> None:
    log = day().conditioned
    metres = log.assign(travel=(log["travel"].dims, 1e3 * log["travel"].to_numpy() + 5.0))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warn_of_travel_zero(metres, day().car)


def test_a_part_of_a_drive_that_is_one_bend_is_not_noted() -> None:
    """A car leans there all the time; without accelerations nobody knows."""
    leaning = moved(np.array([0.04, -0.04, 0.04, -0.04]))
    sideways = leaning["acceleration"].to_numpy() + np.array([0.0, 20.0, 0.0])
    bend = leaning.assign(acceleration=(leaning["acceleration"].dims, sideways))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warn_of_travel_zero(bend, day().car)
    with pytest.warns(DataWarning, match="travel_FL is usually"):
        warn_of_travel_zero(bend.drop_vars("acceleration"), day().car)
