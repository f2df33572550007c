"""Speed, yaw rate and steer against each other: in slides, and by the wheels that are logged."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.conditioning.condition import condition
from recon.examination.ordinary import STEER, comparisons
from recon.examination.view import view_of
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned

ASIDE = "sideways acceleration against speed times yaw rate"
AHEAD = "change of speed against acceleration ahead"


def slid(log: xr.Dataset) -> None:
    """The rear swings out by 0.7 rad about 9.2 s and comes back; the driver steers against it.

    In the hard turns of the day its front tyres turn it no more for the more that they are steered.
    The path stays what it was, and the body's acceleration is turned into the body's new axes.
    """
    t = log["elapsed_time"].to_numpy()
    swung = 0.7 * np.exp(-(((t - 9.2) / 0.35) ** 2))
    log["yaw_rate"] += np.gradient(swung, t)
    ahead, aside, _ = log["acceleration"].to_numpy().copy().T
    ploughs = np.abs(aside) > 0.82 * np.quantile(np.abs(aside), 0.99)
    log["steer"] += np.where(ploughs, 0.15 * np.sign(aside), 0.0) - swung
    along = (np.cos(swung), np.sin(swung))
    log["acceleration"].to_numpy()[:, 0] = along[0] * ahead + along[1] * aside
    log["acceleration"].to_numpy()[:, 1] = along[0] * aside - along[1] * ahead


def contradicted(log: xr.Dataset) -> set[str]:
    with unwarned():
        known = condition(log, day().car, day().tares)
        view = view_of(prepare(day().calibration, day().car, known), known)
    found = {one.name: one for one in comparisons(view)}
    return {name for name in (ASIDE, AHEAD, STEER) if found[name].contradicts}


def test_a_slide_is_no_contradiction() -> None:
    log = day().log.copy(deep=True)
    slid(log)
    assert contradicted(log) == set()


@pytest.mark.parametrize("slides", [False, True])
@pytest.mark.parametrize(
    ("channel", "factor", "names"),
    [
        ("yaw_rate", -1.0, {ASIDE, STEER}),
        ("yaw_rate", 180 / np.pi, {ASIDE}),
        ("speed", 3.6, {ASIDE, AHEAD}),
        ("steer", -1.0, {STEER}),
    ],
)
def test_a_wrong_sign_or_unit_is_no_slide(
    channel: str, factor: float, names: set[str], slides: bool
) -> None:
    log = day().log.copy(deep=True)
    if slides:
        slid(log)
    log[channel] *= factor
    assert names <= contradicted(log)


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize(("factor", "names"), [(1.0, set()), (10.0, {STEER})])
def test_the_wheels_of_one_axle_show_the_speed(factor: float, names: set[str]) -> None:
    log = day().log.drop_vars("speed")
    log["wheel_speed"] = log["wheel_speed"].where(log["corner"].isin(["RL", "RR"]))
    log["steer"] = factor * log["steer"]
    assert contradicted(log) == names
