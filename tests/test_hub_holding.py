"""Wheels that were held otherwise than is written are named instead of single loads."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest

import recon
from recon.base.errors import ReconWarning
from recon.calibration.calibrated import Verdict
from recon.records.sheets import PullSheet
from tests.calibrated_corners import pulled
from tests.pull_sheets import rewritten


def held(sheet: PullSheet, as_written: dict[str, str]) -> PullSheet:
    words = [as_written.get(word, word) for word in sheet.wheel_held_by.tolist()]
    return rewritten(sheet, wheel_held_by=np.array(words))


@cache
def verdict(corner: str, *as_written: tuple[str, str]) -> Verdict:
    drawn, sheet = pulled(corner, 40)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        calibration = recon.calibrate(held(sheet, dict(as_written)), drawn.car)
    found = calibration.corners[corner].verdict
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("corner", "as_written", "named"),
    [
        ("FL", (("brake", "free"),), "every wheel was held by an outboard brake"),
        (
            "RL",
            (("brake", "half-shaft"), ("half-shaft", "brake")),
            "brake and half-shaft were exchanged in wheel_held_by",
        ),
    ],
)
def test_wheels_held_otherwise_are_named(
    corner: str, as_written: tuple[tuple[str, str], ...], named: str
) -> None:
    found = verdict(corner, *as_written)
    assert found.unusable
    (sentence,) = found.doubts
    assert f"times better as if {named}: compare wheel_held_by" in sentence
    assert sentence.removesuffix(".") in found.words


def test_sound_pulls_and_other_contradictions_name_no_holding() -> None:
    assert not verdict("RL").doubts
    drawn, sheet = pulled("RL", 40)
    load = sheet.strap.load * np.where(sheet.pull == sheet.pull[0], 1.6, 1.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        corner = recon.calibrate(rewritten(sheet, strap_load=load), drawn.car).corners["RL"]
    assert corner.verdict is not None
    assert not any("held" in doubt for doubt in corner.verdict.doubts)
