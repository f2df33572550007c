"""Wrong plugs: those that a drive would not show are stated beforehand, and no others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.quantities import CORNERS
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE
from recon.examination.hidden_plugs import hidden_plugs
from recon.examination.term import Term
from recon.examination.unseen import unseen
from recon.examination.view import View, view_of
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned
from tests.spoiled_days import Spoil, exchange, scale, sound

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
GAUGES = [str(name) for name in day().log["gauge"].to_numpy()]


def drive(
    corners: tuple[str, ...], kept: tuple[str, ...] = (), spoil: Spoil | None = None
) -> tuple[View, xr.Dataset]:
    """Some corners alone, in a log with hardly any other channel, and its conditioned log."""
    fitted = {name: day().calibration.corners[name] for name in corners}
    calibration = replace(day().calibration, corners=fitted)
    log = day().log.copy(deep=True)
    if spoil is not None:
        spoil(log["indication"].to_numpy())
    log = log.drop_vars(set(log.data_vars) - {"indication", *kept})
    log = log.sel(gauge=[gauge for one in fitted.values() for gauge in one.gauges])
    with unwarned():
        log = completed(condition(log, day().car, day().tares), calibration, day().car)
        return view_of(prepare(calibration, day().car, log), log), log


def exchanged(one: str, other: str) -> Spoil:
    return exchange(GAUGES.index(one), GAUGES.index(other))


def solved(view: View, log: xr.Dataset) -> np.ndarray:
    """Forces (sample, 3) [N] of the only corner."""
    return view.prepared.solve(log)["tyre_force_intermediate"].to_numpy()[:, 0]


def contradicting(view: View) -> list[Term]:
    return [term for term in JUDGE.terms(view) if term.contradicts]


@pytest.mark.parametrize("kept", [(), ("hub_acceleration", "travel")])
def test_plugs_said_to_be_hidden_are_not_seen_and_change_forces_as_stated(
    kept: tuple[str, ...],
) -> None:
    view, log = drive(("RR",), kept)
    hidden = [(one.kind, one.title) for one in hidden_plugs(view)]
    assert hidden == [
        ("exchanged", "RR_upper_fore and RR_upper_aft"),
        ("exchanged", "RR_lower_fore and RR_coil_over"),
    ]
    stated = {one.kind: one for one in unseen(view, log)}["exchanged"]
    (title,) = stated.gauge  # the one that hides most
    wrong, spoiled = drive(("RR",), kept, exchanged(*title.split(" and ")))
    assert contradicting(wrong) == contradicting(view) == []
    with unwarned():
        before, after = solved(view, log), solved(wrong, spoiled)
    change = np.quantile(np.abs(after - before), 0.95, axis=0)
    # The other pair may hide more of a smaller component.
    largest = int(np.argmax(stated.error[0]))
    np.testing.assert_allclose(stated.error[0, largest], change[largest], rtol=0.1)
    assert np.all(change < stated.error[0] + 0.1 * change + 30.0)  # N
    assert change.max() > 1000.0


@pytest.mark.parametrize(
    "spoil", [exchanged("RL_upper_fore", "RL_coil_over"), scale(GAUGES.index("RL_coil_over"), -1.0)]
)
def test_wrong_plugs_that_are_not_said_to_be_hidden_are_seen(spoil: Spoil) -> None:
    view, _ = drive(("RL",), ("hub_acceleration", "travel"), spoil)
    assert contradicting(view)


def test_a_drive_with_all_channels_hides_no_wrong_plugs() -> None:
    assert list(hidden_plugs(sound())) == []


def test_the_end_of_an_exchange_that_looks_sound_is_named_with_the_other() -> None:
    """A push rod is checked by no other gauge of its corner."""
    view, _ = drive(CORNERS, spoil=exchanged("FL_push_rod", "RR_toe_link"))
    terms = JUDGE.terms(view)
    assert {corner for term in terms if term.contradicts for corner in term.corners} == {"RR"}
    doubt = JUDGE.doubts(view, terms)[0]
    assert (doubt.cause, doubt.channels) == ("exchanged", ("FL_push_rod", "RR_toe_link"))
    assert doubt.corners == ("FL", "RR")
    assert doubt.probability > 0.95
