"""Ordinary channels that are wrong for a moment: named, and marked while they last."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.status import BIT
from recon.records.doubt_variables import doubts_in
from tests.days import unwarned
from tests.test_momentary import raw

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")

SINCE = 33.3  # s
EVERY_CORNER = ("FL", "FR", "RL", "RR")


def reconstructed(
    variable: str, at: dict[str, str], factor: float, add: float, lasts: float, since: float = SINCE
) -> xr.Dataset:
    """Forces of the demo's minute, one channel of which is wrong for some seconds."""
    log, car, calibration, tares = raw()
    log = log.copy(deep=True)
    time = log["elapsed_time"].to_numpy()
    column = log[variable].sel(at).values
    within = (time >= since) & (time < since + lasts)
    column[within] = factor * column[within] + add
    with unwarned():
        return recon.reconstruct(recon.condition(log, car, tares), calibration, car)


@pytest.mark.parametrize(
    ("variable", "at", "factor", "add", "lasts", "corners"),
    [
        ("hub_acceleration", {"corner": "RR", "component": "z"}, 0.0, 0.0, 2.0, ("RR",)),
        ("hub_acceleration", {"corner": "FL", "component": "x"}, 1.0, 12.0, 0.6, ("FL",)),
        ("hub_acceleration", {"corner": "RL", "component": "y"}, 1.0, 4.0, 3.0, ("RL",)),
        ("acceleration", {"component": "x"}, 1.0, 8.0, 2.0, EVERY_CORNER),
    ],
)
def test_the_channel_is_named_and_its_forces_are_marked_while_it_lasts(
    variable: str,
    at: dict[str, str],
    factor: float,
    add: float,
    lasts: float,
    corners: tuple[str, ...],
) -> None:
    forces = reconstructed(variable, at, factor, add, lasts)
    (doubt,) = doubts_in(forces)
    name = "_".join((variable, *at.values()))
    assert (doubt.cause, doubt.channels, doubt.corners) == ("interrupted", (name,), corners)
    assert (doubt.start, doubt.end) == pytest.approx((SINCE, SINCE + lasts), abs=0.25)
    assert f"from {doubt.start:.2f} to {doubt.end:.2f} s" in doubt.found
    time = forces["elapsed_time"].to_numpy()
    marked = (forces["status"].to_numpy() & BIT["doubted"]) > 0
    own = np.isin(forces["corner"].to_numpy(), corners)
    assert marked[(time > SINCE) & (time < SINCE + lasts)][:, own].all()
    assert not marked[:, ~own].any()


def test_a_wrong_sign_of_the_whole_drive_does_not_come_and_go_with_its_turns() -> None:
    forces = reconstructed("acceleration", {"component": "y"}, -1.0, 0.0, np.inf, since=0.0)
    (doubt,) = doubts_in(forces)
    assert (doubt.cause, doubt.channels) == ("inverted", ("acceleration_y",))


def test_an_unknown_one_of_two_channels_is_not_guessed() -> None:
    """Without roll's other witnesses, either of two may be wrong: no name is made up."""
    log, car, calibration, tares = raw()
    kept = log.drop_vars(["hub_acceleration", "travel", "yaw_rate", "speed"]).copy(deep=True)
    time = kept["elapsed_time"].to_numpy()
    kept["roll"].values[(time >= SINCE) & (time < SINCE + 2.0)] = 0.4
    with unwarned():
        forces = recon.reconstruct(recon.condition(kept, car, tares), calibration, car)
    (doubt,) = (one for one in doubts_in(forces) if one.start < SINCE + 1.0 < one.end)
    assert (doubt.channels, doubt.corners) == ((), EVERY_CORNER)
    assert doubt.start == pytest.approx(SINCE, abs=0.25)
