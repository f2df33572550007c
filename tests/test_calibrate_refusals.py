"""`calibrate` refuses what cannot be fitted and warns of loads beyond limits."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DataWarning, SafetyWarning
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from tests.calibrated_corners import fitted, pulled
from tests.days import club_car, unwarned
from tests.pull_sheets import rewritten


def test_a_wrong_stated_sign_is_overruled() -> None:
    drawn, sheet = pulled("FL", 0)
    channels = drawn.channels["FL"]
    gauges = drawn.car.corners["FL"].gauges
    g = next(i for i, gauge in enumerate(gauges) if gauge.sign == 0)
    true = np.sign(channels.K[g, drawn.elastic["FL"].members.names.index(gauges[g].on)])
    corner = replace(
        drawn.car.corners["FL"],
        gauges=tuple(replace(x, sign=-int(true)) if i == g else x for i, x in enumerate(gauges)),
    )
    car = replace(drawn.car, corners={"FL": corner})
    said, written = ("+", "-") if true > 0 else ("-", "+")
    with (
        unwarned(),
        pytest.warns(
            DataWarning,
            match=rf"gauge {gauges[g].name}: .*sign is \{said}, the vehicle file says \{written}",
        ),
    ):
        (found,) = calibrate(sheet, car).corners.values()
    assert_allclose(found.K, fitted(sheet, drawn.car).K, rtol=1e-9)  # the same problem


def test_a_gauge_on_a_support_that_does_not_hold_the_upright_is_refused() -> None:
    car = club_car("FL")
    corner = car.corners["FL"]
    gauges = (replace(corner.gauges[0], on="rocker_pivot"), *corner.gauges[1:])
    spoiled = replace(car, corners={"FL": replace(corner, gauges=gauges)})
    with pytest.raises(
        DataError, match=r"gauge FL_upper_front: sits on 'rocker_pivot'; need .*upper_front, upper"
    ):
        calibrate(pulled("FL", 0)[1], spoiled)


def test_missing_indications_are_told_by_gauge() -> None:
    drawn, sheet = pulled("FL", 0)
    seen = sheet.indication.copy()
    seen[5, 2] = np.nan
    with pytest.raises(DataError, match=r"corner FL, gauge FL_lower_front: no indication"):
        calibrate(replace(sheet, indication=seen), drawn.car)


def test_a_gauge_without_column_is_told() -> None:
    drawn, sheet = pulled("FL", 0)
    less = replace(sheet, gauges=sheet.gauges[:-1], indication=sheet.indication[:, :-1])
    with pytest.raises(DataError, match=r"corner FL, gauge FL_\w+: no indication.*each of the 6"):
        calibrate(less, drawn.car)


def test_a_sheet_without_rows_to_fit_is_refused() -> None:
    drawn, sheet = pulled("FL", 0)
    with pytest.raises(DataError, match="virtual pulls: no row with purpose fit for FL"):
        calibrate(replace(sheet, purpose=np.full(len(sheet.line), "verify")), drawn.car)


def test_a_pull_above_the_straps_limit_is_told_in_newtons() -> None:
    drawn, sheet = pulled("RL", 0)
    peak = np.nanmax(sheet.strap.load[sheet.pull == "fore"])
    limit = np.where(sheet.pull == "fore", 2000.0, np.nan)
    message = rf"corner RL, pull fore: {peak:.0f} N on the strap, .*limit is 2000 N"
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        calibrate(rewritten(sheet, strap_limit=limit), drawn.car)
    texts = [str(w.message) for w in said if w.category is SafetyWarning]
    (text,) = (t for t in texts if "on the strap" in t)
    assert re.search(message, text)


def test_a_pull_above_half_of_a_links_limit_is_told_in_newtons() -> None:
    drawn, sheet = pulled("FL", 0)
    corner = drawn.car.corners["FL"]
    weak = tuple(
        replace(s, limit=1000.0 if s.name == "tie_rod" else np.nan) for s in corner.supports
    )
    car = replace(drawn.car, corners={"FL": replace(corner, supports=weak)})
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        calibrate(sheet, car)
    texts = [str(w.message) for w in said if w.category is SafetyWarning]
    told = re.compile(r"pull (.*): link tie_rod saw (\d+) N, more than half .*limit of 1000 N\.")
    found = [told.search(t) for t in texts]
    assert all(found)
    assert len({m[1] for m in found if m}) == len(found) >= 2  # one per pull
    assert all(int(m[2]) > 500 for m in found if m)


def test_no_limits_no_warnings() -> None:
    """Nobody stated a limit, so nothing is said; any warning would fail this test."""
    drawn, sheet = pulled("FL", 0)
    corner = drawn.car.corners["FL"]
    open_ended = tuple(replace(s, limit=np.nan) for s in corner.supports)
    car = replace(drawn.car, corners={"FL": replace(corner, supports=open_ended)})
    found: Calibration = calibrate(
        rewritten(sheet, strap_limit=np.full(len(sheet.line), np.nan)), car
    )
    assert (
        found.corners["FL"].quality.lack_of_fit < 2.0
    )  # pulls as unsure as they say, 636 freedoms
