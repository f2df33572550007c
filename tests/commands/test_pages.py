"""Option `page`: forces are reconstructed and shown in one step."""

from __future__ import annotations

from pathlib import Path

import pytest

from recon.base.errors import OutputError
from recon.pages.page import page
from recon.records.results import write_result
from tests.commands.session import CAR, OneCorner, Run
from tests.pages.test_comparison_page import comparison


def test_forces_and_their_page_in_one_step(one_corner: OneCorner, run: Run, tmp_path: Path) -> None:
    files = (CAR, one_corner.calibration, one_corner.log, one_corner.tares)
    words = ("reconstruct", *files, "--from", 2, "--to", 4, "--no-pictures")
    page = tmp_path / "drive.html"
    ended = run(*words, "--out", tmp_path / "forces", "--page", page)
    assert ended.code == 0, ended.err
    assert page.name in ended.out
    text = page.read_text(encoding="utf-8")
    assert one_corner.log.name in text  # where it comes from
    assert '"corners": ["FL"]' in text
    assert '"assemblies": [{' in text  # the calibration with its map
    again = run(*words, "--out", tmp_path / "other", "--page", page)
    assert again.code == 4
    assert f"{page}: this file already exists" in again.err
    assert not (tmp_path / "other").exists()


def test_a_calibration_beside_a_comparison_is_refused(
    one_corner: OneCorner, run: Run, tmp_path: Path
) -> None:
    file = write_result(comparison(), tmp_path / "comparison.nc")
    page = tmp_path / "page.html"
    ended = run("page", file, "--calibration", one_corner.calibration, "--out", page)
    assert ended.code == 2
    assert "Comparison of 'B' with 'A'" in ended.err
    assert "they belong to a drive" in ended.err
    assert not page.exists()


def test_a_page_has_a_name_that_a_browser_knows(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write_result(comparison(), Path("comparison.nc"))
    ended = run("page", "comparison.nc", "--out", "soft_bar")
    assert ended.code == 4
    assert "soft_bar: a name without an ending; need a name that ends '.html'" in ended.err
    assert "Name soft_bar.html." in ended.err
    ended = run("page", "comparison.nc", "--out", "soft_bar.html")
    assert ended.code == 0, ended.err
    assert "this folder: soft_bar.html" in ended.out
    with pytest.raises(OutputError, match=r"bar\.txt: a name that ends '\.txt'; .*'\.html'"):
        page(comparison()).write("bar.txt")
