"""Comparisons of a drive that is sound: a car that stands, and a calibration that is rough."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.examination.loads import loads_agree
from recon.examination.view import View, view_of
from recon.examination.whole_car import whole_of
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned

HELD = 3e6  # Pa


def viewed(raw: xr.Dataset) -> View:
    with unwarned():
        log = condition(raw, day().car, day().tares)
        return view_of(prepare(day().calibration, day().car, log), log)


def braked(raw: xr.Dataset) -> set[str]:
    """Wheels that contradict their brakes, with pressure in the first third of the drive."""
    raw["brake_pressure"][: raw.sizes["elapsed_time"] // 3] = HELD
    terms = (term for term in loads_agree(viewed(raw)) if "the torque of its brake" in term.name)
    return {term.place for term in terms if term.contradicts}


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_car_that_stands_on_its_brakes_does_not_contradict_them() -> None:
    """Without wheel speeds its speed tells, and without that its acceleration."""
    log = day().log.drop_vars("wheel_speed")
    third = log.sizes["elapsed_time"] // 3
    assert braked(log.copy(deep=True)) == {"FL", "FR"}  # the car rolls on as before
    stands = log.copy(deep=True)
    stands["speed"][:third] = 0.0
    assert braked(stands) == set()
    unknown = log.copy(deep=True).drop_vars("speed")
    assert braked(unknown.copy(deep=True)) == set()
    unknown["acceleration"].loc[{"component": "x"}][:third] -= 0.4 * STANDARD_GRAVITY
    assert braked(unknown) == {"FL", "FR"}


def test_errors_of_a_rough_calibration_grow_with_the_forces_it_may_make() -> None:
    """An error in proportion to the force aside, of twice its u in the tightest turn, is none."""
    view = viewed(day().log)
    whole = whole_of(view)
    assert whole is not None
    aside = whole.sums[1]
    force = whole.pushed[1] / np.max(np.abs(whole.pushed[1]))
    rough = 0.2 * whole.weight  # N, of the sum in that turn
    wrong = aside.of(aside.seen + 2 * rough * force)
    fine = replace(wrong, kept={})
    assert fine.contradicts
    like = [effect for effect in wrong.effects if np.ptp(effect) > 0]
    u = float(whole.u_of(aside.weights)[0])
    grows = [k for k, effect in enumerate(like) if np.allclose(effect, u * whole.pushed[1])]
    assert len(grows) == 1
    wider = [rough / u * e if np.allclose(e, u * whole.pushed[1]) else e for e in wrong.effects]
    assert not replace(wrong, effects=wider, kept={}).contradicts
