"""The calibration on a page: verdict, age and limits from forces alone, the rest from its file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from recon.base.errors import DataError
from recon.base.quantities import COVERAGE_FACTOR
from recon.calibration.store import write_calibration
from recon.pages.calibration import age, calibration_of, read_its_calibration
from tests.days import day
from tests.pages.browser import Opened


def test_verdicts_and_limits_are_in_the_forces_alone() -> None:
    found = calibration_of(day().forces, None)
    verdicts = [str(words) for words in day().forces["calibration_verdict"].to_numpy()]
    assert [one["words"] for one in found["verdicts"]] == list(dict.fromkeys(verdicts))
    reach = float(day().forces["largest_pull"][2, 1]) / 1e3
    assert any(w.startswith("RL") and f"{reach:.1f} kN sideways" in w for w in found["not_valid"])
    assert found["assemblies"] == []


@pytest.mark.parametrize(
    ("driven", "words"),
    [
        ("2031-05-14", "it was 9 days old at the drive, 2031-05-14"),
        ("2031-05-06", "it was 1 day old at the drive"),
        ("2031-05-01", "it was not made yet (it is 4 days younger) at the drive"),
        ("", "not known; when the forces were calculated, on 2031-05-25, it was 20 days old"),
    ],
)
def test_the_age_at_the_drive_is_stated_or_why_it_is_not(driven: str, words: str) -> None:
    dated = {
        "calibration_created": "2031-05-05T12:00:00+00:00",
        "log_date": driven,
        "history": "2031-05-25T08:00:00+00:00 written by recon",
    }
    assert words in age(day().forces.assign_attrs(dated))
    bare = day().forces.assign_attrs(dated | {"log_date": "", "history": ""})
    assert "its age at the drive is not known." in age(bare)
    assert "does not state when" in age(bare.assign_attrs(calibration_created=""))


def test_another_calibration_is_refused(tmp_path: Path) -> None:
    other = replace(day().calibration, created="2031-05-05T12:00:00+00:00")
    with pytest.raises(DataError, match="a calibration made 2031-05-05T12:00:00"):
        calibration_of(day().forces, other)
    file = write_calibration(day().calibration, tmp_path / "calibration.nc")
    columns = {"role": ["calibration"], "file": ["c.nc"], "checksum": ["0123456789abcdef" * 4]}
    stated = {f"input_{n}": ("input", np.array(v)) for n, v in columns.items()}
    with pytest.raises(
        DataError, match=r"calibration\.nc: .*that of these forces, checksum 0123456789ab"
    ):
        read_its_calibration(tmp_path, day().forces.assign(stated))  # its folder stands for it
    assert read_its_calibration(file, day().forces).created == day().calibration.created


def test_the_map_and_every_check_are_on_the_page(drive: Opened) -> None:
    for name, one in day().calibration.corners.items():
        article = drive.page.locator(f"#calibration-{name}")
        cells = article.locator("table.map td").all_text_contents()
        shown = [c.replace("\u2212", "-").split("±") for c in cells if c != "main"]
        percent = one.crosstalk_percent
        half = COVERAGE_FACTOR * 100 * one.u_K / one.main_slope[:, None]
        others = np.abs(percent) < 99.999
        expected = np.stack([percent[others], half[others]], axis=1)
        np.testing.assert_allclose(np.array(shown, dtype=float), expected, atol=0.051)
        checks = one.verification
        assert checks is not None
        inside = int((np.abs(checks.error) <= COVERAGE_FACTOR * checks.u_error).sum())
        assert f"{inside} of {checks.error.size} errors" in str(article.text_content())
        marks = article.locator("svg .inside").count() + article.locator("svg .outside").count()
        assert marks == checks.error.size
        for error in one.quality.gross:
            assert error.sentence(name) in str(article.text_content())


def test_words_say_where_map_and_checks_are_if_not_here(started: Any, tmp_path: Path) -> None:
    from recon.pages.page import page
    from tests.pages.browser import opened

    short = day().forces.isel(elapsed_time=slice(0, 400))
    with opened(started, page(short, answers=()).write(tmp_path / "bare.html")) as one:
        assert "--calibration calibration.nc" in one.text("#calibration-body")
        assert one.page.locator("table.map").count() == 0
