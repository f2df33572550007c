"""Channels that stand still and cars of another weight are marked; sound drives are not."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.doubt import Doubt
from recon.base.errors import PriorWarning
from recon.conditioning.condition import condition
from recon.examination.examine import examine
from recon.examination.view import view_of
from recon.examination.whole_car import sums_agree
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned


def doubts_of(spoil: Callable[[xr.Dataset], None]) -> tuple[Doubt, ...]:
    raw = day().log.copy(deep=True)
    spoil(raw)
    with unwarned():
        log = condition(raw, day().car, day().tares)
        prepared = prepare(day().calibration, day().car, log)
        return examine(prepared, log, prepared.solve(log)).doubts


def test_a_travel_that_stands_still_is_named_with_its_value() -> None:
    def spoil(raw: xr.Dataset) -> None:
        raw["travel"].loc[{"corner": "FR"}] = 0.003

    (doubt,) = doubts_of(spoil)
    assert (doubt.cause, doubt.channels, doubt.corners) == ("stuck", ("travel_FR",), ("FR",))
    assert "travel_FR stands at 0.003 in SI units from 0.0 s" in doubt.found


@pytest.mark.parametrize(
    ("name", "corners"), [("roll", ("FL", "FR", "RL", "RR")), ("yaw_rate", ())]
)
def test_a_channel_that_sticks_in_mid_drive_is_named_with_its_time(
    name: str, corners: tuple[str, ...]
) -> None:
    cut = len(day().log["elapsed_time"]) // 2

    def spoil(raw: xr.Dataset) -> None:
        raw[name][cut:] = raw[name][cut]

    (doubt,) = doubts_of(spoil)
    assert (doubt.cause, doubt.channels, doubt.corners) == ("stuck", (name,), corners)
    # The filter spreads the last change over some samples; short means would tell 0.13 s later.
    assert doubt.start == pytest.approx(float(day().log["elapsed_time"][cut]), abs=0.06)


def test_the_weight_is_compared_where_no_acceleration_is_logged() -> None:
    raw = day().log.drop_vars("acceleration")
    heavy = replace(day().car, mass=1.4 * day().car.mass, u_mass=5.0)
    sizes = []
    for car in (day().car, heavy):
        with unwarned(), warnings.catch_warnings():
            warnings.simplefilter("ignore", PriorWarning)  # what is not logged is inferred
            log = condition(raw, car, day().tares)
            prepared = prepare(day().calibration, day().car, log)
            view = view_of(replace(prepared, car=car), log)
        (term,) = [t for t in sums_agree(view) if "against the weight of the car" in t.name]
        sizes.append(term.size / term.limit)
        total = np.mean([view.force[c][2] for c in view.corners]) * 4
        shown, weight = (f"{float(f'{n:.3g}'):.0f}" for n in (total, car.mass * 9.80665))
        assert f"mean {shown} where {weight} N is expected" in term.found
    assert sizes[0] < 1 < sizes[1]
