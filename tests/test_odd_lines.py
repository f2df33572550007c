"""A pull whose direction or point was mistyped is named, although no residual shows it."""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest

from recon.base.errors import DataWarning
from recon.calibration.calibrate import calibrate
from recon.records.sheets import PullSheet
from tests.calibrated_corners import pulled
from tests.pull_sheets import rewritten


def told(sheet: PullSheet) -> list[str]:
    """Notes about lines of action that a calibration with the sheet gives."""
    drawn, _ = pulled("FL", 40)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        calibrate(sheet, drawn.car)
    texts = [str(w.message) for w in said if issubclass(w.category, DataWarning)]
    return [text for text in texts if "away from what is written" in text]


def with_mark(pull: str, rise: float) -> PullSheet:
    """The sheet with the far mark of one pull written too high [m]."""
    _, sheet = pulled("FL", 40)
    mark = sheet.strap.mark2.copy()
    mark[sheet.pull == pull, 2] += rise
    return rewritten(sheet, mark2=mark)


@pytest.mark.parametrize("pull", ["fore", "inward"])
def test_a_far_mark_that_is_mistyped_names_its_pull(pull: str) -> None:
    """60 mm over the metre and more between the marks."""
    sheet = with_mark(pull, 0.06)
    (text,) = told(sheet)
    line = int(sheet.line[(sheet.pull == pull) & (sheet.phase != "tare")][0])
    assert f"agree with pull '{pull}' (from line {line}) only if its strap points" in text
    (angle,) = re.findall(r"points ([\d.]+) deg", text)
    lines = [direction(written, pull) for written in (sheet, with_mark(pull, 0.0))]
    turned = np.degrees(np.arccos(lines[0] @ lines[1]))
    # What is written holds the line as well: it does not come back all the way.
    assert 0.5 * turned < float(angle) < 1.1 * turned


def direction(sheet: PullSheet, pull: str) -> np.ndarray:
    """Direction (3,) of a strap by its attachment and both marks, as a first loaded row has them.

    The first principal axis of the three points, which are about equally unsure.
    """
    row = np.flatnonzero((sheet.pull == pull) & (sheet.phase != "tare"))[0]
    points = np.array([at[row] for at in (sheet.strap.point, sheet.strap.mark1, sheet.strap.mark2)])
    axis = np.linalg.svd(points - points.mean(axis=0))[2][0]
    return axis * np.sign(axis @ (points[2] - points[0]))


def test_sound_pulls_have_no_odd_line() -> None:
    assert told(with_mark("fore", 0.0)) == []
