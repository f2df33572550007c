"""Grip of wheels whose hop no sensor shows: their vertical force in hop is not known."""

from __future__ import annotations

import numpy as np
import pytest

from recon.analysis.grip import BELOW_HOP, grip
from recon.evaluation.common.answer_labels import not_given
from tests.launch_days import launch_day

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
SAID = "grip in wheel hop: the hubs of FL, FR, RL and RR have neither accelerometer nor travel"


def test_grip_is_read_below_hop_where_no_sensor_shows_it() -> None:
    """In hop Fz may be wrong by its whole amplitude, so that light loads seem to hold much."""
    forces, _ = launch_day(without=("hub_acceleration", "travel"))
    found = grip(forces)
    assert found.equals(grip(forces, bandwidth=BELOW_HOP))
    assert f"low-passed to {BELOW_HOP:g} Hz" in found.attrs["gate"]
    assert not_given(found)[0].startswith(SAID)
    full, _ = launch_day()
    for corner in ("RL", "RR"):
        share, true = (_highest_share(of, corner) for of in (found, grip(full)))
        assert share < true + 0.1
    # At the bandwidth of the forces the same tyres seem to hold more than any of them did.
    as_they_are = grip(forces, bandwidth=float(forces.attrs["bandwidth_Hz"]))
    assert max(_highest_share(as_they_are, c) for c in ("RL", "RR")) > true + 0.1


def test_one_sensor_that_shows_hop_suffices() -> None:
    forces, _ = launch_day(without=("hub_acceleration",))
    assert forces.attrs["hop_not_measured"] == ""
    assert "low-passed" not in grip(forces).attrs["gate"]


def _highest_share(found, corner: str) -> float:
    """Highest driving force over load [1] of a tyre, at any load of the table."""
    own = found["demonstrated_force"].sel(corner=corner, direction="drive")
    return float(np.nanmax(own / found["load"]))
