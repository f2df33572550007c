"""A mistyped load is named by pull and line, and one per corner is left out of the fit."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

import recon
from recon.base.arrays import Floats
from recon.base.errors import DataWarning, ReconWarning
from recon.calibration.applied import Pull, pulls_of
from recon.calibration.calibrated import CornerCalibration
from recon.calibration.crosstalk_fit import HYSTERESIS_PRIOR
from recon.calibration.gross_errors import fit_without_gross, own_slopes, within_pull
from recon.calibration.noise import gauge_scale, noise_of
from recon.calibration.prior import bridge_prior
from recon.mechanics.assembly import assembly_of
from recon.records.sheets import PullSheet
from recon.report.calibration.calibration_summary import calibration_summary
from recon.virtual.crew import Mistyped, virtual_pulls
from recon.virtual.drawing import draw_car
from tests.calibrated_corners import FEW, fitted, pulled
from tests.days import club_car
from tests.pull_sheets import rewritten


def mistyped(sheet: PullSheet, pull: str, step: int, factor: float) -> tuple[PullSheet, int]:
    """The sheet with one strap load written wrong, and its line."""
    row = np.flatnonzero(sheet.pull == pull)[step]
    load = sheet.strap.load.copy()
    load[row] = round(load[row] * factor)
    return rewritten(sheet, strap_load=load), int(sheet.line[row])


def test_a_load_contradicts_its_own_pull_by_its_error_over_what_is_stated() -> None:
    drawn, sheet = pulled("FL", 40)
    pulls = pulls_of(sheet, drawn.car, assembly_of(drawn.car, "FL"), "fit")
    pull = next(p for p in pulls if p.name == "inward")
    scale, slopes = gauge_scale(pulls), own_slopes(pulls)
    before, step = within_pull(pull, scale, slopes), 4
    u = np.hypot(pull.u_reading(pull.load[0]), HYSTERESIS_PRIOR * pull.load[0].max())
    load = pull.load.copy()
    load[0, step] += 6.0 * u[step]
    change = within_pull(replace(pull, load=load), scale, slopes) - before
    assert change[step] == pytest.approx(6.0, rel=0.05)  # u follows what the gauges say
    assert np.abs(np.delete(change, step)).max() < 0.5  # the median of all steps moves a little


@cache
def clean_fit(corner: str) -> CornerCalibration:
    drawn, clean = pulled(corner, 40)
    return fitted(clean, drawn.car)


def risen(pull: Pull, K: Floats, share: float) -> Pull:
    """The pull as a wheel on its spring shows it: one member's load grows beside the strap's."""
    member = int(np.argmax(np.abs(pull.loads(pull.wrench())[-1])))
    loads = pull.loads(pull.wrench())[:, member]
    moved = np.zeros_like(pull.moved)
    moved[:, member] = share * loads * np.abs(loads) / np.abs(loads).max()
    return replace(pull, moved=moved, indication=pull.indication + moved @ K.T)


def test_the_rise_of_a_wheel_in_a_pull_is_no_mistyped_load() -> None:
    drawn, sheet = pulled("FL", 40)
    assembly, K = assembly_of(drawn.car, "FL"), clean_fit("FL").K
    pulls = [risen(p, K, 0.3) for p in pulls_of(sheet, drawn.car, assembly, "fit")]
    prior, noise = bridge_prior("pulls.csv", assembly, pulls), noise_of(pulls)
    assert fit_without_gross(pulls, prior, noise)[1] == ()
    k, step = next(k for k, p in enumerate(pulls) if p.name == "inward"), 4
    load = pulls[k].load.copy()
    load[0, step] *= 1.1
    pulls[k] = replace(pulls[k], load=load)
    (error,) = fit_without_gross(pulls, prior, noise)[1]
    assert (error.pull, error.line) == ("inward", int(pulls[k].line_of_file[step]))
    assert error.implied == pytest.approx(load[0, step] / 1.1, rel=0.05)


@pytest.mark.parametrize(
    ("corner", "pull", "step"),
    [("FL", "inward", 4), ("RL", "aft", 2), ("FL", "pad", 3), ("RL", "fore, shaft", 7),
     ("FL", "outward on the pad", 5)],
)  # fmt: skip
def test_one_mistyped_load_is_named_and_left_out(corner: str, pull: str, step: int) -> None:
    _, clean = pulled(corner, 40)
    rng = np.random.default_rng([17, 40])
    drawn = draw_car(club_car(corner), rng)
    sheet = virtual_pulls(drawn, None, rng, mistyped=Mistyped(corner, pull, step))
    row = np.flatnonzero(sheet.pull == pull)[step]
    found = fitted(sheet, drawn.car)
    (error,) = found.quality.gross
    assert (error.pull, error.line, error.left_out) == (pull, int(sheet.line[row]), True)
    device = "pad" if pull == "pad" else "strap"
    load = {"strap": "strap_load", "pad": "pad_load"}[device]
    assert error.device == device
    assert error.written == sheet.column(load)[row]
    # A reading is known to 0.4 %, the map to as much, the loop to 0.2 %: 0.6 %, three times.
    assert error.implied == pytest.approx(clean.column(load)[row], rel=0.02)
    sentence = error.sentence(corner)
    assert f"line {error.line}" in sentence
    assert f"{error.written:.0f} N" in sentence
    assert "left out of the fit" in sentence
    # The map is that of the sheet without the slip, but for one step's worth of evidence.
    whole = clean_fit(corner)
    assert np.max(np.abs(found.K - whole.K) / whole.u_K) < 0.5


@pytest.mark.parametrize("second", [("aft", 5, 1.2), ("fore", 3, 0.85), ("inward", 2, 1.2)])
def test_of_two_mistyped_loads_the_second_is_named_but_kept(second: tuple[str, int, float]) -> None:
    drawn, sheet = pulled("FL", 41)
    sheet, one = mistyped(sheet, "inward", 4, 1.3)
    sheet, two = mistyped(sheet, *second)
    with warnings.catch_warnings():
        # What stays in the fit may well be told as pulls that contradict each other.
        warnings.simplefilter("ignore", DataWarning)
        out, kept, *rest = fitted(sheet, drawn.car).quality.gross
    assert (out.line, out.left_out) == (one, True)
    assert (kept.line, kept.left_out) == (two, False)
    assert "still in the fit: check the sheet" in kept.sentence("FL")
    assert f"line {two}" in kept.sentence("FL")
    # A slip that stays in the fit may cast doubt on other steps of its own pull, on none else.
    assert {e.pull for e in rest} <= {second[0]}


def test_many_odd_loads_are_no_list_but_another_cause() -> None:
    """The brake said to be inboard: all moments about the wheel's axis seem to be missing."""
    drawn, sheet = pulled("FL", 41)
    car = drawn.car
    brake = replace(car.corners["FL"].brake, place="inboard")
    corners = {name: replace(corner, brake=brake) for name, corner in car.corners.items()}
    car = replace(car, corners=car.corners | corners)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        calibration = recon.calibrate(sheet, car)
    gross = calibration.corners["FL"].quality.gross
    assert len(gross) > 5
    lines = [line for line in calibration_summary(calibration, car) if "mistyped" in line]
    assert len([line for line in lines if line.startswith("  mistyped? FL, pull")]) == 3
    assert f"  {len(gross) - 3} further loads do not fit the gauges. So many" in lines[-1]
    assert "wheel_held_by" in lines[-1]
    (doubt,) = calibration.corners["FL"].verdict.doubts
    assert re.search(r"agree \d+ times better as if every wheel was held by an outboard", doubt)


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize("corner", ["FL", "RL"])
def test_no_false_alarm(corner: str) -> None:
    """Ten cars of each kind with nothing mistyped."""
    for seed in range(10):
        drawn, sheet = pulled(corner, seed, *FEW) if seed > 1 else pulled(corner, seed)
        assert fitted(sheet, drawn.car).quality.gross == (), f"seed {seed}"
