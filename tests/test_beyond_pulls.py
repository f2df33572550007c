"""Forces beyond the largest pull: flag, wider interval, and a warning where it is not noise."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import ExtrapolationWarning
from recon.base.status import BIT
from recon.calibration.calibrated import Calibration
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.solving.solve import EXCESS_SHARE, WITHIN_PULLS
from tests.days import exact, exact_log, states


def beyond(forces: xr.Dataset) -> list[bool]:
    return ((forces["status"].to_numpy()[:, 0] & BIT["beyond_pulls"]) > 0).tolist()


def pulled_to(reached: np.ndarray) -> Calibration:
    """The exact calibration of FL as if its pulls had reached other forces (3,) [N]."""
    corner = exact().calibration.corners["FL"]
    conditions = replace(corner.conditions, force_reached=reached)
    return replace(exact().calibration, corners={"FL": replace(corner, conditions=conditions)})


def test_forces_beyond_the_pulls_are_flagged_and_widened() -> None:
    reached = exact().calibration.corners["FL"].conditions.force_reached
    force = np.array([[0, 0, 2500.0], [0, 0, reached[2] + 2000.0]] * 2)
    log, tares, _ = exact_log(exact(), states("FL", force))
    conditioned = condition(log, exact().car, tares, bandwidth=1e9)
    with pytest.warns(
        ExtrapolationWarning, match=r"virtual log, corner FL: 50 % .*beyond the largest"
    ):
        found = reconstruct(conditioned, exact().calibration, exact().car)
    assert beyond(found) == [False, True] * 2
    far = reconstruct(conditioned, pulled_to(np.full(3, 1e9)), exact().car)
    more, less = (f["u_tyre_force"].to_numpy()[1, 0, 2] for f in (found, far))
    excess = float(found["tyre_force_intermediate"][1, 0, 2]) - 1.02 * reached[2]
    share = EXCESS_SHARE * excess  # as stated
    assert np.sqrt(more**2 - less**2) == pytest.approx(share, rel=1e-3)
    assert np.array_equal(found["tyre_force"], far["tyre_force"])


@pytest.mark.parametrize(("over", "warned"), [(0.7, False), (1.5, True)])
def test_a_single_peak_warns_if_it_is_beyond_by_more_than_its_uncertainty(
    over: float, warned: bool
) -> None:
    force = np.tile([0.0, 0, 2500.0], (2000, 1))
    force[700, 2] = 3000.0
    log, tares, _ = exact_log(exact(), states("FL", force))
    conditioned = condition(log, exact().car, tares, bandwidth=1e9)
    peak = reconstruct(conditioned, pulled_to(np.full(3, 1e9)), exact().car).isel(corner=0)
    size, u = (float(peak[name][700, 2]) for name in ("tyre_force_vehicle", "u_tyre_force_vehicle"))
    reached = np.array([1e9, 1e9, (size - over * u) / WITHIN_PULLS])
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        found = reconstruct(conditioned, pulled_to(reached), exact().car)
    assert np.flatnonzero(beyond(found)).tolist() == [700]
    words = "corner FL: 0.05 % of the samples have forces beyond the largest pull"
    assert any(words in str(one.message) for one in caught) == warned
