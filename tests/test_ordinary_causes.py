"""Causes in ordinary channels are proposed in the order in which the drive supports them."""

from __future__ import annotations

from dataclasses import replace

from recon.conditioning.condition import condition
from recon.examination.ordinary_causes import ordinary_causes
from recon.examination.view import view_of
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned

PSI_PER_BAR = 14.5038


def test_a_pressure_in_psi_comes_first_where_only_gauges_contradict_it() -> None:
    """A torque per bar that is known roughly is no contradiction, but speaks for one unit.

    Among eight causes that sums of forces did not tell apart, it could be left out.
    """
    corners = {
        name: replace(
            corner,
            brake=replace(
                corner.brake, u_torque_per_pressure=0.5 * corner.brake.torque_per_pressure
            ),
        )
        for name, corner in day().car.corners.items()
    }
    car, raw = replace(day().car, corners=corners), day().log.copy(deep=True)
    raw["brake_pressure"] *= PSI_PER_BAR
    with unwarned():
        log = condition(raw, car, day().tares)
        view = view_of(prepare(day().calibration, car, log), log)
    first, *_ = ordinary_causes(view, ("FL", "FR"))
    assert (first.cause, first.channels) == ("other unit", ("brake_pressure",))
    assert "the numbers seem to be in psi, not in bar" in first.do
