"""Hub accelerations against each other, where the acceleration of the body is not logged."""

from __future__ import annotations

import pytest
import xarray as xr

from recon.base.quantities import CORNERS
from recon.conditioning.condition import condition
from recon.examination.comparison import LIMIT
from recon.examination.examine import Examination
from tests.days import day, unwarned
from tests.spoiled_days import examination_of

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
KEPT = ("indication", "gauge_temperature", "hub_acceleration", "steer", "travel", "brake_pressure")


def examined(inverted: tuple[str, str] | None = None) -> Examination:
    """The day with few channels, and one axis of one hub, (corner, axis), inverted."""
    raw: xr.Dataset = day().log[list(KEPT)].copy(deep=True)
    if inverted:
        at = dict(zip(("corner", "component"), inverted, strict=True))
        raw["hub_acceleration"].loc[at] *= -1.0
    with unwarned():
        log = condition(raw, day().car, day().tares)
    return examination_of(log, day().calibration)


def test_sound_hubs_of_an_axle_and_of_a_side_move_alike() -> None:
    found = examined()
    of_hubs = [t for t in found.terms if "against that of hub" in t.name]
    assert [(t.place, t.name[0], t.corners) for t in of_hubs] == [
        ("FL", "x", ("FL", "RL")),
        ("FR", "x", ("FR", "RR")),
        ("FL", "y", ("FL", "FR")),
        ("RL", "y", ("RL", "RR")),
    ]
    assert all(t.size < LIMIT / 2 for t in of_hubs)
    assert found.doubts == ()


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("axis", ["x", "y"])
def test_an_inverted_hub_is_named_by_the_hub_that_moves_alike(corner: str, axis: str) -> None:
    doubt = examined((corner, axis)).doubts[0]
    assert (doubt.cause, doubt.channels) == ("inverted", (f"hub_acceleration_{corner}_{axis}",))
    assert doubt.probability > 0.95
