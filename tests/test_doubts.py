"""What a calibration refuses to guess, and what it says against itself."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DataWarning, DoubtWarning, PriorWarning
from recon.calibration.applied import pulls_of
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import CornerCalibration
from recon.calibration.prior import bridge_prior
from recon.calibration.verdict import verdict_of
from recon.car.vehicle import Vehicle
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import assembly_of
from recon.records.sheets import PullSheet
from recon.virtual.crew import virtual_pulls, virtual_verification
from recon.virtual.drawing import draw_car
from tests.calibrated_corners import fitted, pulled, without_slopes
from tests.days import day, unwarned
from tests.pull_sheets import rewritten, rows_of
from tests.shipped_mechanisms import shipped
from tests.suspension_days import unit_day


def with_sign(car: Vehicle, gauge: str, sign: int) -> Vehicle:
    """The car of one corner with another sign noted for one gauge."""
    ((name, corner),) = car.corners.items()
    gauges = tuple(replace(g, sign=sign) if g.name == gauge else g for g in corner.gauges)
    return replace(car, corners={name: replace(corner, gauges=gauges)})


def fitted_and_told(sheet: PullSheet, car: Vehicle) -> tuple[CornerCalibration, list[str]]:
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        ((_, corner),) = calibrate(sheet, car).corners.items()
    return corner, [str(w.message) for w in told if issubclass(w.category, PriorWarning)]


def test_a_sign_that_nobody_noted_and_no_pull_shows_is_not_guessed() -> None:
    """A pull straight up at the contact loads the upper links with a tenth of what it is."""
    drawn, sheet = pulled("FL", 0)
    chosen = sheet.pull == "pad"
    noise = np.random.default_rng(0).standard_normal(len(chosen))
    seen = sheet.indication.copy()
    g = sheet.gauges.index("FL_upper_rear")
    seen[:, g] += 2.0 * np.max(np.abs(seen[chosen, g])) * noise  # hidden in its own noise
    only = rows_of(replace(sheet, indication=seen), chosen)
    match = r"gauge FL_upper_rear: the vehicle file states no sign, and the pulls, which"
    open_sign, said = fitted_and_told(only, with_sign(drawn.car, "FL_upper_rear", 0))
    assert any(re.search(match, text) for text in said)
    noted, said = fitted_and_told(only, with_sign(drawn.car, "FL_upper_rear", -1))
    assert not any(re.search(match, text) for text in said)
    at = noted.gauges.index("FL_upper_rear"), noted.members.index("upper_rear")
    (gauge,) = [x for x in drawn.car.corners["FL"].gauges if x.name == "FL_upper_rear"]
    assert noted.K[at] < -0.5 * gauge.slope
    assert open_sign.u_K[at] > 0.5 * gauge.slope  # both signs are possible
    assert noted.u_K[at] < 0.2 * gauge.slope


def test_a_mistyped_load_does_not_hide_a_sign() -> None:
    drawn, sheet = pulled("FL", 0)
    row = np.flatnonzero(sheet.pull == "inward")[4]
    load = sheet.strap.load.copy()
    load[row] *= 100.0  # a decimal point forgotten twice
    found = fitted(rewritten(sheet, strap_load=load), with_sign(drawn.car, "FL_upper_rear", 0))
    (error,) = found.quality.gross
    assert error.line == int(sheet.line[row])
    clean = fitted(sheet, drawn.car)
    assert np.max(np.abs(found.K - clean.K) / clean.u_K) < 0.5  # one step's worth of evidence


def test_a_gauge_that_does_not_answer_is_refused() -> None:
    drawn, sheet = pulled("FL", 0)
    seen = sheet.indication.copy()
    g = sheet.gauges.index("FL_push_rod")
    seen[:, g] *= 1e-3
    with pytest.raises(DataError, match=r"gauge FL_push_rod: not above [0-9.e-]+ mV/V in nearly"):
        fitted(replace(sheet, indication=seen), drawn.car)
    seen[:, g] = 0.123
    bare = without_slopes(drawn.car)
    with pytest.raises(DataError, match=r"gauge FL_push_rod: not above 0 mV/V.*that moves with"):
        fitted(replace(sheet, indication=seen), bare)


def test_a_pull_beyond_the_ranges_is_refused_with_line_and_value() -> None:
    drawn, sheet = pulled("FL", 0)
    chosen = sheet.pull == "pad"
    line = int(sheet.line[chosen & (sheet.phase != "tare")][0])
    low = rewritten(sheet, travel=np.where(chosen, -0.075, 0.0))
    with pytest.raises(DataError, match=rf"line {line}, corner FL, pull pad: travel of -75\.0 mm"):
        fitted(low, drawn.car)
    turned = rewritten(sheet, steer=np.where(chosen, 1.2, 0.0))
    with pytest.raises(DataError, match=r"pull pad: the rack's shift of [0-9.]+ mm; need -40 to"):
        fitted(turned, drawn.car)


# --- what speaks against a map ----------------------------------------------------------------


def doubts(sheet: PullSheet, car: Vehicle, checks: PullSheet | None = None) -> list[str]:
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", DataWarning)
        calibrate(sheet, car, verification=checks)
    return [str(w.message) for w in said if w.category is DataWarning]


def test_nothing_speaks_against_an_honest_sheet() -> None:
    drawn, sheet = pulled("FL", 0)
    assert doubts(sheet, drawn.car, virtual_verification(drawn, np.random.default_rng(3))) == []


OTHERS_AGREE = (
    r"contradict each other \d+ times .* Look at pull '{}' first: without it the others a"
)


def test_the_pull_that_contradicts_all_others_is_named() -> None:
    drawn, sheet = pulled("FL", 0)
    load = np.where(sheet.pull == "inward", 1.3, 1.0) * sheet.strap.load  # another cell's units
    said = doubts(rewritten(sheet, strap_load=load), drawn.car)[-1]
    assert re.search(OTHERS_AGREE.format("inward"), said), said


def test_a_pull_that_bends_the_whole_fit_is_named() -> None:
    """Written as a pull forwards that went backwards: to first order others seem to be wrong."""
    drawn, sheet = pulled("FL", 0)
    ahead = np.where((sheet.pull == "aft")[:, None], [-1.0, 1.0, 1.0], 1.0)
    strap = sheet.strap
    points = {"attach": strap.point, "mark1": strap.mark1, "mark2": strap.mark2}
    mirrored = rewritten(sheet, **{name: ahead * at for name, at in points.items()})
    said = doubts(mirrored, drawn.car)
    assert any(re.search(OTHERS_AGREE.format("aft"), one) for one in said), said


def test_exchanged_channels_are_told() -> None:
    drawn, sheet = pulled("FL", 0)
    a, b = (sheet.gauges.index(f"FL_{n}") for n in ("upper_front", "push_rod"))
    seen = sheet.indication.copy()
    seen[:, [a, b]] = seen[:, [b, a]]
    said = doubts(replace(sheet, indication=seen), without_slopes(drawn.car))
    assert any("gauge FL_upper_front on upper_front answers most to push_rod" in s for s in said)


def test_a_gauge_far_from_its_bridges_slope_is_told() -> None:
    drawn, sheet = pulled("FL", 0)
    seen = sheet.indication.copy()
    seen[:, sheet.gauges.index("FL_push_rod")] *= 2.0  # a half bridge noted as a full one
    said = doubts(replace(sheet, indication=seen), drawn.car)
    assert any(re.search(r"gauge FL_push_rod answers (1\.[89]|2\.[01])", s) for s in said), said


def test_a_failed_verification_is_told_when_made_and_when_used() -> None:
    drawn, sheet = pulled("FL", 0)
    checks = virtual_verification(drawn, np.random.default_rng(3))
    wrong = replace(checks, indication=1.15 * checks.indication)
    (said,) = doubts(sheet, drawn.car, wrong)
    assert re.search(
        r"corner FL: verification failed: \d+ % .*worst is pull '[a-z ,-]+', F[xyz]", said
    )
    with unwarned(), pytest.warns(DataWarning):
        made = calibrate(sheet, drawn.car, verification=wrong)
    log = day().conditioned.isel(elapsed_time=slice(600, 640))
    used = replace(made, vehicle_checksum=day().car.checksum)
    assert used.unusable == ("FL",)
    said_when_used = pytest.warns(DataWarning, match="calibration of corner FL: verification fail")
    with warnings.catch_warnings(), unwarned(), said_when_used:
        warnings.simplefilter("ignore", DoubtWarning)  # the calibration is of another car's FL
        reconstruct(log, used, day().car, accept_corner=["FL"])


# --- gauges at cuts: newtons beside newton metres ------------------------------------------------


def test_a_moment_is_not_weighed_against_a_force_as_if_it_were_one() -> None:
    fitted = unit_day("wishbone_spring_on_arm", "FL", 0).fitted
    car = shipped("wishbone_spring_on_arm")
    unit = assembly_of(car, "FL")
    axial, bending = fitted.gauges.index("FL_arm_axial"), fitted.gauges.index("FL_arm_bending")
    own, other = (fitted.members.index(f"arm:FL_arm_{what}") for what in ("axial", "bending"))

    def said(g: int, own: int, row: dict[int, float]) -> str:
        K = fitted.K.copy()
        for m, times in row.items():
            K[g, m] = times * fitted.K[g, own]
        return " ".join(verdict_of(replace(fitted, K=K), unit, car).doubts)

    # Per newton metre 3 times as much as per newton: a third of it on an arm of 0.1 m.
    assert said(axial, own, {other: 3.0}) == ""
    assert "FL_arm_axial on arm answers most to arm:FL_arm_bending (0.67 of it" in said(
        axial, own, {other: 15.0}
    )
    # A station 10 mm off on a lever of 60 mm changes a moment by a sixth, and is no wrong bridge.
    assert said(bending, other, {other: 1.17}) == ""
    assert re.search(r"FL_arm_bending answers 2\.[012]", said(bending, other, {other: 2.1}))


def test_prior_of_cross_talk_counts_moments_as_forces_on_an_arm() -> None:
    car = shipped("wishbone_spring_on_arm")
    drawn = draw_car(car, 1, corners=("FL",))
    corner = car.corners["FL"]
    alone = replace(car, corners={"FL": corner})
    unit = assembly_of(alone, "FL")
    pulls = pulls_of(virtual_pulls(drawn, None, np.random.default_rng(2)), alone, unit, "fit")
    members = unit.members
    with unwarned():
        prior = bridge_prior("sheet", unit, pulls)
    axial, moment = members.index("arm:FL_arm_axial"), members.index("arm:FL_arm_bending")
    gauges = {g.name: (i, g.slope) for i, g in enumerate(corner.gauges)}
    g, slope = gauges["FL_arm_bending"]
    assert_allclose(prior.u[g, axial], 0.10 * slope * 0.1)
    assert_allclose(prior.u[g, moment], np.hypot(0.01, 0.10) * slope)
    g, slope = gauges["FL_spring"]
    assert_allclose(prior.u[g, [axial, moment]], [0.10 * slope, 0.10 * slope / 0.1])
