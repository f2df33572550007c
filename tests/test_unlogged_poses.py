"""Racks that nobody logged: what they do to the gauges is expected, and hides no other fault."""

from __future__ import annotations

import warnings

import pytest

from recon.base.quantities import CORNERS
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE
from recon.examination.view import View, view_of
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from tests.campaign.slip_days import SoundDay, sound_day
from tests.spoiled_days import scale
from tests.test_hidden_plugs import GAUGES, contradicting, drive

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")


@pytest.fixture(scope="module")
def spring_on_arm(tmp_path_factory: pytest.TempPathFactory) -> SoundDay:
    """A day of a car whose springs bend an arm: it turns with the wheel more than other members."""
    return sound_day("wishbone_spring_on_arm", 23, tmp_path_factory.mktemp("days"))


def corner_without_steer(day: SoundDay, corner: str, gauge: str = "") -> View:
    """The slalom of a front corner alone; `gauge` has the opposite sign."""
    own = day.recorded(0, [corner])
    log = own.log.copy(deep=True)
    if gauge:
        log["indication"].loc[{"gauge": gauge}] *= -1.0
    log = log.drop_vars(set(log.data_vars) - {"indication", "travel", "speed", "brake_pressure"})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        log = completed(condition(log, day.car, own.tares), own.calibration, day.car)
        return view_of(prepare(own.calibration, day.car, log), log)


@pytest.mark.slow(15)
def test_a_slalom_without_steer_is_sound_and_a_sign_is_still_seen(spring_on_arm: SoundDay) -> None:
    for corner in ("FL", "FR"):
        assert contradicting(corner_without_steer(spring_on_arm, corner)) == []
        for gauge in spring_on_arm.calibration.corners[corner].gauges:
            assert contradicting(corner_without_steer(spring_on_arm, corner, gauge)), gauge


@pytest.mark.parametrize("kept", [("yaw_rate", "speed"), ("yaw_rate", "wheel_speed")])
def test_a_steer_that_was_inferred_is_no_evidence(kept: tuple[str, ...]) -> None:
    view, _ = drive(CORNERS, kept)
    assert not view.prepared.session.steer.logged
    assert not [term for term in JUDGE.terms(view) if "steer" in f"{term.place} {term.name}"]
    view, _ = drive(CORNERS, (*kept, "steer"))
    assert [term for term in JUDGE.terms(view) if term.name == "steer against yaw rate and speed"]


@pytest.mark.slow(3)
def test_a_gauge_spoils_all_corners_where_acceleration_is_inferred() -> None:
    kept, spoil = ("travel", "yaw_rate", "speed"), scale(GAUGES.index("FL_lower_rear"), -1.0)
    view, _ = drive(CORNERS, kept, spoil)
    (doubt,) = JUDGE.doubts(view, JUDGE.terms(view))
    assert (doubt.cause, doubt.corners) == ("inverted", CORNERS)
    assert doubt.found.endswith(
        "Acceleration is inferred from these gauges: FR, RL, RR suffer too."
    )
    view, _ = drive(CORNERS, (*kept, "acceleration"), spoil)
    (doubt,) = JUDGE.doubts(view, JUDGE.terms(view))
    assert (doubt.cause, doubt.corners) == ("inverted", ("FL",))
    assert "Acceleration" not in doubt.found
