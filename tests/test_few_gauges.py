"""Logs and cars with fewer gauges than forces: left out, refused, or NaN with a reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataError, PriorWarning, RankError
from recon.base.status import BIT
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from tests.days import day, exact, exact_log, states, unwarned


def test_a_log_without_any_calibrated_gauge_is_refused() -> None:
    less = day().conditioned.isel(gauge=slice(0, 6))
    others = replace(day().calibration, corners={"RR": day().calibration.corners["RR"]})
    with pytest.raises(DataError, match=r"no corner with its gauges: RR lacks RR_upper_fore"):
        reconstruct(less, others, day().car)


def gauged(*members: str) -> tuple[Vehicle, Calibration]:
    """The exact front corner with gauges on some members only."""
    corner = exact().car.corners["FL"]
    kept = tuple(g for g in corner.gauges if g.on in members)
    car = replace(exact().car, corners={"FL": replace(corner, gauges=kept)})
    names = tuple(g.name for g in kept)
    at = [exact().pulls.gauges.index(n) for n in names]
    with unwarned():
        sheet = replace(exact().pulls, gauges=names, indication=exact().pulls.indication[:, at])
        return car, calibrate(sheet, car)


def solved_with(*members: str, force: tuple[float, float, float]) -> xr.Dataset:
    car, calibration = gauged(*members)
    log, tares, _ = exact_log(exact(), states("FL", np.tile(force, (4, 1))))
    log = log.sel(gauge=list(calibration.corners["FL"].gauges))
    return reconstruct(condition(log, car, tares, bandwidth=1e9), calibration, car)


def test_gauges_that_see_no_force_are_refused_with_number_and_cure() -> None:
    message = (
        r"corner FL: 2 gauges \(upper_front, upper_rear\) leave Fx, Fy and Fz unknown, "
        r"u up to \d+ N"
    )
    with pytest.raises(RankError, match=message) as told:
        solved_with("upper_front", "upper_rear", force=(0.0, 0.0, 2000.0))
    assert "Cheapest cure: gauge" in str(told.value)


def test_a_force_that_no_gauge_sees_is_not_given_and_the_others_are() -> None:
    """Three gauges off the spring's path: Fy and Fz are NaN with their reason, Fx is met."""
    members = ("upper_rear", "lower_rear", "tie_rod")
    force = (0.0, 0.0, 2000.0)
    with pytest.warns(
        PriorWarning, match=r"corner FL: Fy and Fz not known with gauges on upper_rear"
    ):
        found = solved_with(*members, force=force)
    assert np.all((found["status"] & BIT["not_observable"]) > 0)
    for name in ("tyre_force", "u_tyre_force", "tyre_force_lower", "tyre_force_unbounded"):
        values = found[name].to_numpy()[:, 0]
        assert np.all(np.isnan(values[:, 1:])), name
        assert np.all(np.isfinite(values[:, 0])), name
    off = found["tyre_force_intermediate"].to_numpy()[0, 0, 0] - force[0]
    u = found["u_tyre_force_intermediate"].to_numpy()[0, 0, 0]
    assert abs(off) < 3 * u
    assert "Fy and Fz not known" in found.attrs["not_known"]
    assert "gauge push_rod" in found.attrs["not_known"]
