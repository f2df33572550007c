"""The record in every file: who made it, from what, with which options; and made again from it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from recon import pipeline
from recon.base.version import program_version
from recon.calibration.store import read_calibration
from recon.records.files import checksum
from recon.records.results import read_result
from tests.commands.session import CAR, OneCorner, Run, rows_of, write_rows

SAME = 1e-9  # relative, on the same machine


def inputs(result: xr.Dataset) -> dict[str, tuple[str, str]]:
    """File and checksum by the option that named it."""
    columns = (result[f"input_{n}"].to_numpy().tolist() for n in ("role", "file", "checksum"))
    return {role: (file, sums) for role, file, sums in zip(*columns, strict=True)}


def made_again(file: Path, out: Path) -> None:
    """Run the command that made a file, as its record states it."""
    result = read_result(file)
    files = {role: name for role, (name, _) in inputs(result).items() if " of " not in role}
    options: dict[str, Any] = json.loads(result.attrs["settings"])
    getattr(pipeline, result.attrs["command"].replace("-", "_"))(**files, **options, out=out)


def same_numbers(a: xr.Dataset, b: xr.Dataset) -> None:
    assert list(a.variables) == list(b.variables)
    for name in a.variables:
        x, y = a[name].to_numpy(), b[name].to_numpy()
        if x.dtype.kind == "f":
            np.testing.assert_allclose(x, y, rtol=SAME, atol=0, err_msg=str(name))
        elif not str(name).startswith("input_"):
            assert np.array_equal(x, y), name


def test_the_version_is_printed(run: Run) -> None:
    ended = run("--version")
    assert (ended.code, ended.out) == (0, f"recon {program_version()}\n")


def test_every_file_names_all_that_it_was_made_from(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    column_map = tmp_path / "map.toml"
    column_map.write_text('format = 1\nkind = "log"\n', encoding="utf-8")
    files = {"vehicle": CAR, "calibration": one_corner.calibration, "log": one_corner.log}
    files |= {"tares": one_corner.tares, "map": column_map}
    words = [str(file) for role, file in files.items() if role != "map"]
    made = run(
        "reconstruct", *words, "--map", column_map, "--bandwidth", 30, "--out", tmp_path / "f"
    )
    assert made.code == 0, made.err
    result = read_result(tmp_path / "f" / "forces.nc")
    behind = {"vehicle of calibration": CAR, "pulls of calibration": one_corner.pulls}
    assert inputs(result) == {r: (str(f), checksum(f)) for r, f in (files | behind).items()}
    assert result.attrs["program"] == f"recon {program_version()}"
    assert result.attrs["command"] == "reconstruct"
    settings = json.loads(result.attrs["settings"])
    assert settings["bandwidth"] == 30.0
    assert settings["unbounded"] is False
    assert not {"out", "overwrite", "say"} & settings.keys()


def test_answers_name_the_forces_and_their_options(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    assert run("friction", one_corner.forces, "--low-load", 400, "--out", tmp_path).code == 0
    result = read_result(tmp_path / "friction.nc")
    named = {
        "forces": one_corner.forces,
        "vehicle of forces": CAR,
        "calibration of forces": one_corner.calibration,
        "vehicle of calibration of forces": CAR,
        "pulls of calibration of forces": one_corner.pulls,
        "log of forces": one_corner.log,
        "tares of forces": one_corner.tares,
    }
    assert inputs(result) == {role: (str(f), checksum(f)) for role, f in named.items()}
    assert json.loads(result.attrs["settings"])["low_load"] == 400.0


def test_notes_and_assumptions_are_kept(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    lines = CAR.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith("u_total_kg")]
    assert len(kept) < len(lines)
    car.write_text("\n".join(kept), encoding="utf-8")
    header, *rows = rows_of(one_corner.log)
    column = header.index("hub_acceleration_FL_z [m/s2]")
    log = write_rows(
        tmp_path / "log.csv", [[c for k, c in enumerate(r) if k != column] for r in (header, *rows)]
    )
    files = (one_corner.calibration, log, one_corner.tares)
    made = run("reconstruct", car, *files, "--out", tmp_path / "f")
    notes = read_result(tmp_path / "f" / "forces.nc")["note"].to_numpy().tolist()
    printed = [line for line in made.err.splitlines() if line.startswith("note (")]
    assert len(notes) == len(printed) > 0
    for note, line in zip(notes, printed, strict=True):
        assert line.endswith(f": {note}")
    assumed = read_result(tmp_path / "f" / "forces.nc")["assumption"].to_numpy().tolist()
    assert any(a.startswith("car: u_total_kg not stated, taken as 1 %") for a in assumed)


def test_defaults_of_sheets_are_kept(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    header, *rows = rows_of(one_corner.pulls)
    gain, angle = header.index("u_strap_gain [1]"), header.index("u_pad_tilt [deg]")
    rows[3][gain] = rows[7][gain] = ""
    table = [[c for k, c in enumerate(r) if k != angle] for r in (header, *rows)]
    pulls = write_rows(tmp_path / "pulls.csv", table)
    assert run("calibrate", CAR, pulls, "--out", tmp_path / "c").code == 0
    found = read_result(tmp_path / "c" / "calibration.nc")["assumption"].to_numpy().tolist()
    n = len(rows)
    assert found == [
        f"{pulls}: u_strap_gain not stated in 2 of {n} rows, taken as 0.005 in SI units (common "
        "practice, no source)",
        f"{pulls}: u_pad_tilt not stated in {n} of {n} rows, taken as 0.0035 in SI units (common "
        "practice, no source)",
    ]
    assert read_calibration(tmp_path / "c" / "calibration.nc").corners.keys() == {"FL"}
    # What is made from a calibration rests on them as well, and so do answers.
    words = (CAR, tmp_path / "c", one_corner.log, one_corner.tares, "--no-pictures")
    assert run("reconstruct", *words, "--out", tmp_path / "f").code == 0
    assert run("friction", tmp_path / "f", "--out", tmp_path / "u").code == 0
    for file in (tmp_path / "f" / "forces.nc", tmp_path / "u" / "friction.nc"):
        behind = read_result(file)["assumption"].to_numpy().tolist()
        assert [text for text in behind if text.startswith(str(pulls))] == found
        assert len(set(behind)) == len(behind)


@pytest.mark.parametrize("of", ["calibration", "forces", "friction"])
def test_the_same_inputs_give_the_same_numbers_again(
    of: str, run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    first = {"calibration": one_corner.calibration, "forces": one_corner.forces}.get(of)
    if first is None:
        assert run("friction", one_corner.forces, "--out", tmp_path / "first").code == 0
        first = tmp_path / "first" / "friction.nc"
    made_again(first, tmp_path / "again")
    same_numbers(read_result(tmp_path / "again" / first.name), read_result(first))


@pytest.mark.parametrize(("asked", "told"), [(500, True), (100, False), (50, False)])
def test_a_bandwidth_beyond_the_rate_of_the_log_is_told(
    run: Run, one_corner: OneCorner, tmp_path: Path, asked: int, told: bool
) -> None:
    files = (CAR, one_corner.calibration, one_corner.log, one_corner.tares)
    ended = run("reconstruct", *files, "--out", tmp_path, "--bandwidth", asked, "--no-pictures")
    assert ended.code == 0
    words = f"a bandwidth of {asked} Hz is asked for, but 200 samples per second hold nothing above"
    assert (words in " ".join(ended.err.split())) is told
