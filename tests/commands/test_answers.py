"""Every answer of the table: command, names, files, and what is refused."""

from __future__ import annotations

import importlib
import inspect
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import recon
from recon import pipeline
from recon.answers import ANSWERS, Answer
from recon.base.errors import DataError
from recon.commands import COMMANDS
from recon.records.results import read_result
from tests.commands.session import CAR, Ended, OneCorner, Run
from tests.days import day
from tests.launch_days import launch_day

every_answer = pytest.mark.parametrize("answer", ANSWERS, ids=[a.name for a in ANSWERS])


def calculated(answer: Answer, forces: xr.Dataset) -> xr.Dataset:
    needed = {o.name: day().car for o in answer.options if o.reads == "vehicle"}
    return answer.function(answer.compute)(forces, **needed)


def files_of(answer: Answer) -> list[object]:
    """Options of the command that name files the answer cannot do without."""
    return [w for o in answer.options if o.reads == "vehicle" for w in (o.flag, CAR)]


def refused(ended: Ended, answer: Answer) -> bool:
    """Whether one corner in a slalom does not allow the answer: exit code 3 and one message.

    `test_every_answer_that_a_drive_allows` sees to it that not all of them refuse.
    """
    if ended.code != 3:
        return False
    assert ended.err.count(f"recon {answer.command}: ") == 1
    assert "; need " in ended.err
    return True


def test_names_are_used_once() -> None:
    names = [name for a in ANSWERS for name in a.public_names]
    assert len(set(names)) == len(names)
    assert len({a.name for a in ANSWERS}) == len(ANSWERS)


@every_answer
def test_an_answer_is_a_command_a_pipeline_function_and_public_names(answer: Answer) -> None:
    assert answer.command in COMMANDS
    assert callable(getattr(pipeline, answer.name))
    for name, place in answer.public_names.items():
        assert name in recon.__all__
        assert getattr(recon, name) is getattr(importlib.import_module(place), name)


def test_the_pipeline_has_no_other_functions() -> None:
    with pytest.raises(AttributeError, match=r"'recon\.pipeline' has no attribute 'tyre_wear'"):
        _ = pipeline.tyre_wear


@every_answer
def test_options_are_keywords_of_the_calculation(answer: Answer) -> None:
    forces, *keywords = inspect.signature(answer.function(answer.compute)).parameters.values()
    assert forces.name == "forces"
    known = {k.name: k.default for k in keywords}
    assert known == {o.name: o.default for o in answer.options}
    assert all(k.kind is inspect.Parameter.KEYWORD_ONLY for k in keywords)


@every_answer
def test_help_names_every_option_with_default_and_unit(answer: Answer, run: Run) -> None:
    shown = " ".join(run(answer.command, "--help").out.split())
    assert answer.help in shown
    for option in answer.options:
        assert f"{option.flag} " in shown
        assert option.words in shown
        assert not option.unit or f"{option.help} [{option.unit}]" in option.words
        assert option.default is None or f"(default {option.default:g})" in option.words


def test_a_window_is_asked_for_in_the_words_of_all_commands(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    window = ("--from", 2, "--to", 4)
    ended = run("budget", one_corner.forces, *window, "--out", tmp_path / "budget")
    assert ended.code == 0, ended.err
    assert "from 2 to 4 s" in ended.out
    ended = run("export", one_corner.forces, *window, "--out", tmp_path / "window.csv")
    assert ended.code == 0, ended.err


@every_answer
def test_files_that_are_no_forces_are_refused(
    answer: Answer, run: Run, one_corner: OneCorner, tmp_path
) -> None:
    address, missing = "https://example.org/forces.nc", tmp_path / "nowhere.nc"
    calibration = one_corner.calibration
    for file, found in {
        address: "a network address",
        missing: "no such file",
        calibration: "'Calibration of Invented club racer', without",
    }.items():
        ended = run(answer.command, file, "--out", tmp_path / "out")
        assert ended.code == 2
        assert f"recon {answer.command}: {file}: {found}" in ended.err
        assert "Traceback" not in ended.err
        assert not (tmp_path / "out").exists()


@every_answer
def test_an_option_that_is_not_finite_is_refused(
    answer: Answer, run: Run, one_corner: OneCorner, tmp_path
) -> None:
    for option in answer.options:
        if not option.unit:
            continue  # a word
        ended = run(
            answer.command, one_corner.forces, option.flag, "nan", "--out", tmp_path / "out"
        )
        assert ended.code == 2
        assert f"{option.name} = nan {option.unit}" in ended.err
        assert not (tmp_path / "out").exists()


@every_answer
def test_an_existing_result_stays_until_overwriting_is_asked_for(
    answer: Answer, run: Run, one_corner: OneCorner, tmp_path
) -> None:
    words = (answer.command, one_corner.forces, *files_of(answer), "--out", tmp_path)
    first = run(*words)
    if refused(first, answer):
        return
    assert first.code == 0, first.err
    assert "nan" not in first.out.lower().replace(str(tmp_path).lower(), "")
    assert {f.name for f in tmp_path.iterdir()} == {answer.result_file, answer.picture_file}
    for file in tmp_path.iterdir():
        file.write_text("an earlier result", encoding="utf-8")
    ended = run(*words)
    assert ended.code == 4
    assert f"{tmp_path / answer.result_file}: this file already exists" in ended.err
    assert "--overwrite" in ended.err
    assert {file.read_text(encoding="utf-8") for file in tmp_path.iterdir()} == {
        "an earlier result"
    }
    replaced = run(*words, "--overwrite")
    assert replaced.code == 0, replaced.err
    assert read_result(tmp_path / answer.result_file).data_vars
    assert (tmp_path / answer.picture_file).read_bytes().startswith(b"\x89PNG")


@every_answer
def test_attributes_are_found_again_by_xarray(
    answer: Answer, run: Run, one_corner: OneCorner, tmp_path
) -> None:
    ended = run(answer.command, one_corner.forces, *files_of(answer), "--out", tmp_path)
    if refused(ended, answer):
        return
    found = xr.open_dataset(tmp_path / answer.result_file, decode_times=False)
    assert found.attrs["Conventions"].startswith("CF-")
    for name in ("title", "source", "institution", "references", "comment", "history"):
        assert str(found.attrs[name]).strip(), name
    quantities = [n for n in found.data_vars if "flag_meanings" not in found[n].attrs]
    assert quantities
    for name in quantities:
        assert found[name].attrs["long_name"].strip(), name
        assert "units" in found[name].attrs or found[name].dtype.kind in "UOT", name
    with_u = {str(n).removeprefix("u_") for n in found.data_vars if str(n).startswith("u_")}
    assert with_u, "a number needs its standard uncertainty"
    assert with_u <= set(found.data_vars)


@every_answer
def test_an_unknown_tyre_is_reported_in_words(answer: Answer) -> None:
    forces = day().forces.copy(deep=True)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        forces[name].values[:, 1] = np.nan
    try:
        lines = answer.function("summary")(calculated(answer, forces))
    except DataError:  # this drive does not allow the answer
        return
    text = "\n".join(lines)
    assert "nan" not in text.lower()
    if "FL" in text:  # an answer that names tyres names this one too
        assert "FR" in text
        assert "not known" in text or "never known" in text


@every_answer
def test_forces_of_which_none_is_known_are_refused(answer: Answer) -> None:
    forces = day().forces.copy(deep=True)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        forces[name].values[:] = np.nan
    with pytest.raises(DataError, match=r"Tyre forces of .*: no "):
        calculated(answer, forces)


@every_answer
def test_the_picture_is_drawn_from_forces_and_result(answer: Answer) -> None:
    """From the slalom that many tests share, or from the launch where the slalom does not do."""
    forces = day().forces
    try:
        result = calculated(answer, forces)
    except DataError:
        forces = launch_day()[0]
        result = calculated(answer, forces)
    assert answer.function(answer.plot)(forces, result).axes
