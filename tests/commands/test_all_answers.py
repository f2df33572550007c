"""`recon answers`: every answer that a drive allows in one call, the others with a reason."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from recon.answers import ANSWERS
from recon.base import second_core
from recon.records.results import read_result, write_result
from recon.records.section_table import read_sections
from tests.commands.session import CAR, OneCorner, Run
from tests.days import day


@pytest.fixture(scope="module")
def forces(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forces of all corners in a slalom that ends in a stop."""
    return write_result(day().forces, tmp_path_factory.mktemp("forces") / "forces.nc")


def test_every_answer_that_a_drive_allows(run: Run, forces: Path, tmp_path: Path) -> None:
    ended = run("answers", forces, "--vehicle", CAR, "--out", tmp_path)
    assert ended.code == 0, ended.err
    lines = ended.out.split("written:")[0].splitlines()
    for answer in ANSWERS:
        words = answer.name.replace("_", " ")
        (line,) = (x for x in lines if x.startswith(words.capitalize()))
        files = {p.name for p in (tmp_path / answer.name).glob("*")}
        given = not line.startswith(f"{words.capitalize()} not given: ")
        assert files == ({answer.result_file, answer.picture_file} if given else set())
    assert sum(" not given: " not in line for line in lines) >= 4
    assert len(lines) <= len(ANSWERS) + 2


@pytest.mark.slow(12)
def test_two_processes_give_the_answers_pages_and_lines_of_one(
    run: Run, forces: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = []
    for cores in (1, 2):
        monkeypatch.setattr(second_core, "cores", lambda cores=cores: cores)
        out = tmp_path / "out"
        ended = run(
            *("answers", forces, "--vehicle", CAR, "--out", out, "--page", out / "drive.html")
        )
        assert ended.code == 0, ended.err
        out.rename(tmp_path / str(cores))
        shown.append((ended.out, re.sub(r"\[ *[\d.]+ s\]", "", ended.err)))
    assert shown[0] == shown[1]
    one, two = (sorted((tmp_path / cores).rglob("*.nc")) for cores in "12")
    assert [file.name for file in one] == [file.name for file in two]
    for a, b in zip(one, two, strict=True):
        first, second = (read_result(file).drop_attrs(deep=False) for file in (a, b))
        assert first.identical(second), a.name
    pages = [(tmp_path / cores / "drive.html").read_text(encoding="utf-8") for cores in "12"]
    assert pages[0].count('"picture"') == pages[1].count('"picture"') >= 4


def test_an_existing_answer_stops_all_of_them_before_anything_is_written(
    run: Run, forces: Path, tmp_path: Path
) -> None:
    last = ANSWERS[-1]
    (tmp_path / last.name).mkdir()
    (tmp_path / last.name / last.result_file).write_text("mine", encoding="utf-8")
    ended = run("answers", forces, "--out", tmp_path)
    assert ended.code == 4
    assert f"{last.result_file}: this file already exists" in ended.err
    assert [p.name for p in tmp_path.iterdir()] == [last.name]


def test_one_corner_gets_its_answers_and_the_reasons_of_the_others(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    ended = run("answers", one_corner.forces, "--out", tmp_path)
    assert ended.code == 0, ended.err
    assert "\nSections: " in f"\n{ended.out}"
    assert "\nFriction: " in ended.out


def test_sections_by_hand_replace_those_found(run: Run, forces: Path, tmp_path: Path) -> None:
    table = tmp_path / "sections.csv"
    table.write_text(
        "name,kind,start [s],end [s]\nlast stop,straight braking,13.5,14.5\n", encoding="utf-8"
    )
    ended = run("sections", forces, "--sections", table, "--out", tmp_path / "out")
    assert ended.code == 0, ended.err
    found = read_result(tmp_path / "out" / "sections.nc")
    stops = found.isel(section=found["section_kind"].to_numpy() == "straight braking")
    assert stops["section_start"].to_numpy() == pytest.approx([13.5], abs=0.01)
    assert stops["section"].item() == "last stop"
    assert stops["section_reason"].item() == "given by hand"
    assert "sections.csv" in str(found["input_file"].to_numpy().tolist())


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("first,straight braking,5,4", "section 'first' from 5 to 4"),
        ("first,stop,4,5", "kind 'stop'"),
        ("first,part,,5", "section 'first' from nan to nan"),
        ("first,part,4,five", "'five'"),
    ],
)
def test_a_table_that_makes_no_sense_is_refused(
    run: Run, forces: Path, tmp_path: Path, rows: str, message: str
) -> None:
    table = tmp_path / "sections.csv"
    table.write_text(f"name,kind,start [s],end [s]\n{rows}\n", encoding="utf-8")
    ended = run("answers", forces, "--sections", table, "--out", tmp_path / "out")
    assert ended.code == 2
    assert f"{table}, line 2" in ended.err
    assert message in ended.err
    assert not (tmp_path / "out").exists()


def test_a_table_by_place(tmp_path: Path) -> None:
    table = tmp_path / "sections.csv"
    table.write_text("name,start_place [m],end_place [m]\nhairpin,100,150\n", encoding="utf-8")
    (section,) = read_sections(table)
    assert (section.name, section.kind, section.by_place) == ("hairpin", "part", True)
    assert (section.start, section.end) == (100.0, 150.0)
