"""Wrong plugs where the gauges of a corner or axle alone show how the body is accelerated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from recon.base.doubt import Doubt
from recon.conditioning.condition import condition
from recon.reconstruction.from_gauges import completed
from tests.days import day, unwarned
from tests.slow_repeats import some_quick
from tests.spoiled_days import examination_of

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
# Corner, gauges that are exchanged, or the one that is inverted; the mass of the wheel in lb, or
# other gauges, had been named with it or in its place.
WRONG = [
    ("FR", "FR_push_rod"),
    ("FR", "FR_lower_front"),
    ("FR", "FR_lower_rear FR_push_rod"),
    ("RL", "RL_coil_over"),
    ("RL", "RL_upper_fore RL_lower_aft"),
    ("RL", "RL_lower_aft RL_coil_over"),
]


def by_gauges_alone(corners: list[str], wrong: str) -> tuple[Doubt, ...]:
    """Doubts about some corners, with no other channel, and a gauge inverted or two exchanged."""
    fitted = {name: day().calibration.corners[name] for name in corners}
    calibration, plugs = replace(day().calibration, corners=fitted), wrong.split()
    gauges = [gauge for one in fitted.values() for gauge in one.gauges]
    log = day().log[["indication"]].sel(gauge=gauges).copy(deep=True)
    with unwarned():
        raw, other = (log["indication"].sel(gauge=own).to_numpy() for own in (plugs, plugs[::-1]))
        log["indication"].loc[{"gauge": plugs}] = other if len(plugs) > 1 else -raw
        log = completed(condition(log, day().car, day().tares), calibration, day().car)
    return examination_of(log, calibration).doubts


@pytest.mark.parametrize("plugs", some_quick(WRONG, WRONG[0], WRONG[4]))
def test_wrong_plugs_of_a_lone_corner_are_the_only_cause(plugs: tuple[str, str]) -> None:
    corner, wrong = plugs
    (doubt,) = by_gauges_alone([corner], wrong)
    assert doubt.cause == ("exchanged" if " " in wrong else "inverted")
    assert sorted(doubt.channels) == sorted(wrong.split())


def test_the_other_wheel_of_an_axle_suffers_from_the_acceleration_that_both_show() -> None:
    (doubt,) = by_gauges_alone(["FL", "FR"], "FR_push_rod")
    assert (doubt.cause, doubt.channels) == ("inverted", ("FR_push_rod",))
    assert doubt.corners == ("FR", "FL")
    assert doubt.found.endswith("Acceleration is inferred from these gauges: FL suffers too.")
