"""Dampers on lines of their own without a gauge: forces of their wheels follow a bit late."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import recon
from recon.examination.lateness import FLOOR, delays_of
from recon.examination.view import view_of
from recon.reconstruction.prepare import prepare
from tests.days import VEHICLES, day, unwarned

DAMPER = """
[[corner.RL.support]]
name = "damper"
kind = "spring"
outer = { on = "upright", point_mm = [-2440, 640, 230] }
inner = { on = "chassis", point_mm = [-2470, 470, 600] }
rate_N_per_mm = 0

[corner.RR]
"""
SEAT = 'inner = { on = "chassis", point_mm = [-2398, 420, 560], u_mm = 2 }\n'


@pytest.mark.parametrize("ungauged", [True, False])
def test_a_damper_without_a_gauge_may_make_the_gauges_beside_it_seem_late(
    tmp_path: Path, ungauged: bool
) -> None:
    """It holds its wheel while that moves; a sound car with one was told that its axle is late."""
    text = (VEHICLES / "club_racer.toml").read_text(encoding="utf-8")
    if ungauged:
        text = text.replace(SEAT, SEAT + "rate_N_per_mm = 45\n")
        text = text.replace("\n[corner.RR]\n", DAMPER, 1)
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    with unwarned():
        car = recon.read_vehicle(path)
        calibration = recon.calibrate(day().pulls, car)
        conditioned = recon.condition(day().log, car, day().tares)
        found = delays_of(view_of(prepare(calibration, car, conditioned), conditioned))
    assert found is not None
    front, rear = found.floor[:2], found.floor[2:]
    assert np.all(front == FLOOR)
    assert np.all(rear > 2 * FLOOR if ungauged else rear == FLOOR)
