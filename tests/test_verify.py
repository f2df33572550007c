"""Verification pulls: errors in newtons against intervals that include the pulls' own slips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Verification
from recon.calibration.verify import verify
from recon.records.sheets import PullSheet
from recon.virtual.crew import virtual_pulls, virtual_verification
from recon.virtual.drawing import draw_car
from tests.days import NOTHING, club_car, day, exact, unwarned
from tests.pull_sheets import rewritten, rows_of


def test_exact_pulls_verify_to_the_last_digit() -> None:
    rng = np.random.default_rng(21)
    checks = virtual_verification(exact().drawn, rng, corners=("FL",))
    found = verify(checks, exact().calibration, exact().car)["FL"]
    # Points to whole millimetres: 0.3 mm on 0.3 m of arm, 0.1 % of 3 kN, four times; pads are
    # read to 5 N.
    assert np.max(np.abs(found.error)) < 15.0
    assert found.share_inside == 1.0
    loaded = checks.phase != "tare"
    assert found.pull == tuple(checks.pull[loaded])
    # Reference values are the written loads: the strap's pull along its line, the pad's upwards.
    strap, pad = (np.nan_to_num(a[loaded]) for a in (checks.strap.load, checks.pad.load))
    alone = pad == 0
    assert_allclose(found.applied[alone], strap[alone], rtol=1e-12)  # rounding
    assert_allclose(np.linalg.norm(found.reference, axis=1), found.applied, rtol=1e-12)
    assert np.all(found.reference[pad > 0, 2] > 0.9 * pad[pad > 0])  # straps slope by 5 %


def test_error_is_measured_less_reference() -> None:
    """Gauges that show 2 % more than the map's measure 2 % more force."""
    rng = np.random.default_rng(21)
    checks = virtual_verification(exact().drawn, rng, corners=("FL",))
    more = replace(checks, indication=1.02 * checks.indication)
    before, after = (
        verify(c, exact().calibration, exact().car)["FL"] for c in (checks, more)
    )  # fmt: skip
    change = after.error - before.error
    # Exactly 2 % of what was measured, which is the reference but for the error before.
    assert_allclose(change, 0.02 * (before.reference + before.error), rtol=0, atol=0.5)  # N, prior
    assert after.share_inside < before.share_inside


def test_share_inside_its_intervals() -> None:
    """Eight full virtual corners of both kinds, pulled, fitted and verified by the same cell."""
    inside, z = [], []
    for seed in range(4):
        for corner in ("FL", "RL"):
            car, rng = club_car(corner), np.random.default_rng([23, seed])
            drawn = draw_car(car, rng)
            sheet = virtual_pulls(drawn, None, rng)
            with unwarned():
                found = calibrate(sheet, car, verification=virtual_verification(drawn, rng))
            checked = found.corners[corner].verification
            inside.append(checked.share_inside)
            z.append(checked.error / checked.u_error)
    # 8 corners times 4 pulls times 3 components: 96 draws, 2.2 % each, and twice that because
    # steps of a pull and pulls of a corner share their slips.
    assert np.mean(inside) == pytest.approx(0.95, abs=0.06)
    assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.25)


def test_noise_and_friction_of_every_gauge_enter_as_they_move_the_forces() -> None:
    """Their part of the variance, by checks whose indications are off gauge after gauge."""
    calibration, car, checks = day().calibration, day().car, day().checks
    corner = calibration.corners["FL"]

    def verified(sheet: PullSheet, **other: np.ndarray) -> Verification:
        corners = calibration.corners | {"FL": replace(corner, **other)}
        return verify(sheet, replace(calibration, corners=corners), car)["FL"]

    plain, moved = verified(checks), []
    for i, gauge in enumerate(corner.gauges):
        seen = checks.indication.copy()
        seen[checks.phase != "tare", checks.gauges.index(gauge)] += corner.noise[i]
        moved.append(verified(replace(checks, indication=seen)).error - plain.error)
    by_noise = np.square(moved)  # (gauge, step, component)
    # Other noise in all gauges alike weighs them alike, but for the loose prior of the moments.
    more = verified(checks, noise=2.0 * corner.noise).u_error ** 2 - plain.u_error**2
    assert_allclose(more, 3.0 * by_noise.sum(axis=0), rtol=0.2)
    without = verified(checks, friction=np.zeros_like(corner.friction))
    share = (corner.friction / corner.noise)[:, None, None]
    assert_allclose(
        plain.u_error**2 - without.u_error**2, np.sum(share**2 * by_noise, axis=0), rtol=1e-6
    )


def test_the_common_cell_cannot_show_in_a_verification() -> None:
    """A cell 3 % wrong in pulls and checks alike leaves relative errors as they were."""
    rng = np.random.default_rng(24)
    car = club_car("FL")
    wrong = replace(draw_car(car, rng, effects=NOTHING), strap_gain=0.03, pad_gain=0.03)
    sheet, checks = virtual_pulls(wrong, None, rng), virtual_verification(wrong, rng)
    with unwarned():
        calibration = calibrate(sheet, car, verification=checks)
    found = calibration.corners["FL"].verification
    assert np.max(np.abs(found.error)) < 20.0  # N; 3 % would be 90 N
    assert found.share_inside > 0.95


def test_gains_of_two_devices_do_not_cancel() -> None:
    """A check on the pad alone, against a map from straps alone, is less sure by both gains."""
    sheet, car = exact().pulls, exact().car
    straps = rows_of(sheet, np.isnan(sheet.pad.load))
    pads = rows_of(sheet, np.isin(sheet.pull, ["pad", "fore"]))
    pads = replace(pads, purpose=np.full(len(pads.line), "verify"))
    with unwarned():
        calibration = calibrate(with_tares(straps, sheet), car)
    loose = rewritten(pads, u_pad_gain=np.full(len(pads.line), 0.05))
    tight, wide = (verify(p, calibration, car)["FL"] for p in (pads, loose))
    on_pad = np.array(tight.pull) == "pad"
    extra = np.sqrt(wide.u_error[on_pad, 2] ** 2 - tight.u_error[on_pad, 2] ** 2)
    # 5 % of the load against 0.3 %, joined by the strap's 0.3 %.
    assert_allclose(extra, 0.05 * tight.applied[on_pad], rtol=0.01)
    assert_allclose(wide.u_error[~on_pad], tight.u_error[~on_pad], rtol=1e-12)  # no pad in there


def test_the_gain_of_the_one_device_cancels() -> None:
    """The map takes over the cell's gain, and the reference has it too: nothing of it is left."""
    sheet, car = exact().pulls, exact().car
    straps = with_tares(rows_of(sheet, np.isnan(sheet.pad.load)), sheet)
    checks = replace(straps, purpose=np.full(len(straps.line), "verify"))
    sure, unsure = 1e-6, 0.003
    found = []
    for u in (sure, unsure):
        gain = np.full(len(straps.line), u)
        with unwarned():
            calibration = calibrate(rewritten(straps, u_strap_gain=gain), car)
        found.append(verify(rewritten(checks, u_strap_gain=gain), calibration, car)["FL"])
    grown = np.sum(found[1].u_error ** 2 - found[0].u_error ** 2, axis=1)
    # Added up they would make twice 0.3 % of the load, in the reference alone once; bridges hold
    # the map against a part of the gain, which is 16 % of it here.
    assert np.all(np.sqrt(grown) < 0.25 * unsure * found[0].applied)


def with_tares(sheet: PullSheet, whole: PullSheet) -> PullSheet:
    """Pulls of `sheet` that use no pad in any of their rows."""
    pads = set(whole.pull[np.isfinite(whole.pad.load)])
    return rows_of(sheet, ~np.isin(sheet.pull, list(pads)))


def test_readings_that_are_less_sure_widen_along_their_line() -> None:
    """A reading's u acts on the reference along the strap: its square is added, nothing else."""
    sure = virtual_checks()
    unsure = replace(sure, u_load_step=np.full(len(sure.line), 0.03))
    before, after = (
        verify(c, exact().calibration, exact().car)["FL"] for c in (sure, unsure)
    )  # fmt: skip
    loaded = sure.phase != "tare"
    alone = np.nan_to_num(sure.pad.load[loaded]) == 0
    more = np.sum(after.u_error**2 - before.u_error**2, axis=1)[alone]
    share = 0.03**2 - sure.u_load_step[loaded][alone] ** 2
    assert_allclose(more, share * sure.strap.load[loaded][alone] ** 2, rtol=1e-6)
    assert np.array_equal(after.error, before.error)


def test_fewer_gauges_than_unknowns_hold_the_moments() -> None:
    """Five gauges: the pull's own moment stands in, and forces are still met."""
    car = exact().car
    corner = car.corners["FL"]
    fewer = replace(car, corners={"FL": replace(corner, gauges=corner.gauges[:-1])})
    sheet = exact().pulls
    less = replace(sheet, gauges=sheet.gauges[:-1], indication=sheet.indication[:, :-1])
    rng = np.random.default_rng(21)
    checks = virtual_verification(exact().drawn, rng, corners=("FL",))
    checks = replace(checks, gauges=sheet.gauges[:-1], indication=checks.indication[:, :-1])
    with unwarned():
        calibration = calibrate(less, fewer)
    found = verify(checks, calibration, fewer)["FL"]
    assert found.share_inside > 0.9
    assert np.max(np.abs(found.error)) < 150.0  # N of 3 kN; without the rod Fz hangs on moments
    six = verify(virtual_checks(), exact().calibration, car)["FL"]
    assert np.mean(found.u_error) > np.mean(six.u_error)


def virtual_checks() -> PullSheet:
    return virtual_verification(exact().drawn, np.random.default_rng(21), corners=("FL",))


def test_calibrate_and_verify_say_the_same() -> None:
    for name, found in verify(day().checks, day().calibration, day().car).items():
        told = day().calibration.corners[name].verification
        assert np.array_equal(found.error, told.error)
        assert np.array_equal(found.u_error, told.u_error)
        assert found.pull == told.pull


def test_verification_rows_of_the_same_sheet_count_too() -> None:
    sheet = exact().pulls
    chosen = sheet.pull == "fore-out"
    mixed = replace(sheet, purpose=np.where(chosen, "verify", sheet.purpose))
    with unwarned():
        found = calibrate(mixed, exact().car).corners["FL"]
    assert set(found.verification.pull) == {"fore-out"}
    assert "fore-out" not in {p.name for p in found.quality.pulls}  # held out of the fit


def test_a_sheet_without_verification_rows_is_refused() -> None:
    with pytest.raises(DataError, match="virtual pulls: no row with purpose verify"):
        verify(day().pulls, day().calibration, day().car)
