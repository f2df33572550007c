"""What a user sees and a script gets when something is wrong: text, exit code, earlier results."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from recon import pipeline
from recon.records.files import checksum
from recon.records.results import read_result
from tests.commands.session import CAR, DEMO, OneCorner, Run, no_traceback, rows_of, write_rows

Log = Callable[..., Path]


def reconstruct(files: OneCorner, log: Path) -> tuple[object, ...]:
    """The command without options."""
    return ("reconstruct", CAR, files.calibration, log, files.tares)


# --- 2: the user's files --------------------------------------------------------------------


@pytest.mark.parametrize("command", ["check", "calibrate", "reconstruct"])
def test_a_missing_file_is_named(
    command: str, run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    missing = tmp_path / "nowhere.csv"
    words = {
        "check": [missing],
        "calibrate": [CAR, missing],
        "reconstruct": [CAR, one_corner.calibration, missing, one_corner.tares],
    }[command]
    ended = run(command, *words)
    assert ended.code == 2
    assert f"recon {command}: {missing}" in ended.err
    assert "no such file" in ended.err
    assert no_traceback(ended.err)


@pytest.mark.parametrize(
    "place",
    [
        *("check 0", "calibrate 1", "calibrate --map", "calibrate --verification"),
        *("reconstruct 1", "reconstruct 2", "reconstruct 3", "reconstruct --tares-map"),
    ],
)
def test_an_address_of_the_network_is_refused(
    place: str, run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    command, which = place.split()
    address = "https://example.org/file.csv"
    words: list[object] = {
        "check": [CAR],
        "calibrate": [CAR, one_corner.pulls],
        "reconstruct": [CAR, one_corner.calibration, one_corner.log, one_corner.tares],
    }[command]
    if which.startswith("--"):
        words += [which, address]
    else:
        words[int(which)] = address
    if command != "check":
        words += ["--out", tmp_path / "out"]
    ended = run(command, *words)
    assert ended.code == 2
    assert address in ended.err
    assert "a network address" in ended.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "words", ["slalom --bandwidth 0", "slalom --bandwidth=-8", "friction --low-load=-1"]
)
def test_an_option_out_of_range_is_refused(
    words: str, run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    command, *option = words.split()
    ended = run(command, one_corner.forces, *option, "--out", tmp_path / "out")
    assert ended.code == 2
    assert f"= {option[-1].split('=')[-1]} " in ended.err
    assert "asked for; need" in ended.err
    assert not (tmp_path / "out").exists()


def test_wrong_toml_is_ended_with_its_line(run: Run, tmp_path: Path) -> None:
    lines = CAR.read_text(encoding="utf-8").splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("total_kg"))
    lines[at] = "total_kg = 742 kg"
    car = tmp_path / "car.toml"
    car.write_text("\n".join(lines), encoding="utf-8")
    ended = run("check", car)
    assert ended.code == 2
    assert f"{car}, line {at + 1}" in ended.err
    assert "not TOML" in ended.err


@pytest.mark.parametrize(("typed", "nearest"), [("calibrat", "calibrate"), ("slalon", "slalom")])
def test_an_unknown_command_offers_the_nearest(typed: str, nearest: str, run: Run) -> None:
    ended = run(typed, "car.toml")
    assert ended.code == 2
    assert f"no command '{typed}'" in ended.err
    assert f"Did you mean '{nearest}'?" in ended.err


def test_an_unknown_option_offers_the_nearest_of_its_command(run: Run) -> None:
    ended = run("slalom", "forces.nc", "--bandwith", "5")
    assert ended.code == 2
    assert "recon slalom: no option '--bandwith'. Did you mean '--bandwidth'?" in ended.err
    ended = run("slalom", "forces.nc", "more.nc")
    assert ended.code == 2
    assert "one file or word too many: 'more.nc'" in ended.err
    ended = run("slalom", "forces.nc", "--bandwidth", "8Hz")
    assert "argument --bandwidth: '8Hz' is no number" in ended.err
    ended = run("observe", "car.toml", "--best", "four")
    assert "argument --best: 'four' is no whole number" in ended.err


def test_a_folder_stands_for_the_one_result_in_it(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    (tmp_path / "forces").mkdir()
    shutil.copy(one_corner.forces, tmp_path / "forces")
    ended = run("friction", tmp_path / "forces", "--out", tmp_path / "friction")
    assert ended.code == 0, ended.err
    found = read_result(tmp_path / "friction" / "friction.nc")
    assert checksum(one_corner.forces) in found["input_checksum"].to_numpy().tolist()
    for name in ("first.nc", "second.nc"):  # beside forces.nc they change nothing
        shutil.copy(one_corner.forces, tmp_path / "forces" / name)
    (tmp_path / "forces" / one_corner.forces.name).unlink()
    ended = run("export", tmp_path / "forces", "--out", tmp_path / "two.csv")
    assert ended.code == 2
    assert f"{tmp_path / 'forces'}: a folder where a result" in ended.err


def test_an_option_without_its_number_is_ended(run: Run, one_corner: OneCorner) -> None:
    ended = run("slalom", one_corner.forces, "--bandwidth", "eight")
    assert ended.code == 2
    assert "'eight'" in ended.err


def test_a_column_of_the_map_that_the_log_lacks(
    run: Run, one_corner: OneCorner, short_log: Log, tmp_path: Path
) -> None:
    column_map = tmp_path / "map.toml"
    column_map.write_text(
        'format = 1\nkind = "log"\n[columns]\nFL_tie_rod = { column = "ch_17", unit = "mV/V" }\n',
        encoding="utf-8",
    )
    log = short_log()
    ended = run(*reconstruct(one_corner, log), "--map", column_map)
    assert ended.code == 2
    assert "'ch_17'" in ended.err
    assert str(log) in ended.err or str(column_map) in ended.err


def test_text_in_a_column_of_numbers(
    run: Run, one_corner: OneCorner, short_log: Log, tmp_path: Path
) -> None:
    log = short_log((41, "FL_push_rod", "OVERLOAD"))
    ended = run(*reconstruct(one_corner, log), "--out", tmp_path / "out")
    assert ended.code == 2
    assert f"{log}, line 42, column 'FL_push_rod [mV/V]': 'OVERLOAD'" in ended.err
    assert not (tmp_path / "out").exists()


def test_time_that_runs_back(run: Run, one_corner: OneCorner, short_log: Log) -> None:
    log = short_log((31, "elapsed_time", "0.1"))
    ended = run(*reconstruct(one_corner, log))
    assert ended.code == 2
    assert f"{log}, line 32, column 'elapsed_time [s]'" in ended.err
    assert "0.1 s after 0.145 s" in ended.err


def test_the_calibration_of_another_car(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    text = CAR.read_text(encoding="utf-8")
    changed = re.sub(r"(?m)^centre_mm = \[ *(-?[\d.]+),", "centre_mm = [ 8.5,", text, count=1)
    assert changed != text
    car.write_text(changed, encoding="utf-8")
    ended = run("reconstruct", car, one_corner.calibration, one_corner.log, one_corner.tares)
    assert ended.code == 2
    assert f"calibration with {car}: FL: wheel.centre was 0, 710, " in ended.err
    assert "mm when it was calibrated and is 8.5, 710, " in ended.err


def test_a_comment_and_a_name_do_not_void_a_calibration(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    car = tmp_path / "car.toml"
    text = CAR.read_text(encoding="utf-8")
    changed = re.sub(r'(?m)^name = ".*"$', 'name = "New paint"  # red', text, count=1)
    assert changed != text
    car.write_text(changed, encoding="utf-8")
    out = tmp_path / "out"
    files = (one_corner.calibration, one_corner.log, one_corner.tares)
    ended = run("reconstruct", car, *files, "--out", out)
    assert ended.code == 0, ended.err
    found, before = read_result(out / "forces.nc"), read_result(one_corner.forces)
    assert found["tyre_force"].identical(before["tyre_force"])


def test_the_pulls_do_not_verify_themselves(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    same = one_corner.pulls
    ended = run("calibrate", CAR, same, "--verification", same, "--out", tmp_path / "out")
    assert ended.code == 2
    assert f"{same}: the same file as the pull sheet {same}" in ended.err
    assert not (tmp_path / "out").exists()


# --- 3: the data cannot answer ---------------------------------------------------------------


def test_one_pull_without_bridges_cannot_answer(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    car = tmp_path / "car.toml"
    text = CAR.read_text(encoding="utf-8")
    bare = re.sub(r"(?m)^(u_)?tube_.*\n", "", text)
    assert bare != text
    car.write_text(bare, encoding="utf-8")
    header, *rows = rows_of(one_corner.pulls)
    pull = header.index("pull")
    pulls = write_rows(
        tmp_path / "pulls.csv", [header, *(r for r in rows if r[pull] == rows[0][pull])]
    )
    ended = run("calibrate", car, pulls, "--out", tmp_path / "out")
    assert ended.code == 3
    assert f"{pulls}, corner FL" in ended.err
    assert "the pulls span 1 of 6 directions" in ended.err
    assert "FL_upper_front" in ended.err
    assert not (tmp_path / "out").exists()


# --- 5: the result is doubted ------------------------------------------------------------------


def test_a_calibration_that_fails_its_verification(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    header, *rows = rows_of(DEMO / "verification.csv")
    corner, load = header.index("corner"), header.index("strap_load [N]")
    checks = [r for r in rows if r[corner] == "FL"]
    for row in checks:
        row[load] = str(1.5 * float(row[load] or 0))
    table = write_rows(tmp_path / "checks.csv", [header, *checks])
    words = ("calibrate", CAR, one_corner.pulls, "--verification", table)
    made = run(*words, "--out", tmp_path / "made")
    assert made.code == 5
    assert "FL is not to be used, because verification failed: " in made.out
    fitted = tmp_path / "made" / "calibration.nc"
    use = ("reconstruct", CAR, fitted, one_corner.log, one_corner.tares, "--out", tmp_path / "out")
    refused = run(*use)
    assert refused.code == 2
    assert "accept it by name: --accept-corner FL" in refused.err
    accepted = run(*use, "--accept-corner", "FL")
    assert accepted.code == 5
    assert "calibration: FL is not to be used" in accepted.out


# --- 1: our own faults -----------------------------------------------------------------------


def test_an_unforeseen_fault_is_one_message(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(vehicle: str, **_: object) -> None:
        message = f"nobody thought of {vehicle}"
        raise ValueError(message)

    monkeypatch.setattr(pipeline, "check", broken)
    ended = run("check", "odd.toml")
    assert ended.code == 1
    assert "ValueError: nobody thought of odd.toml" in ended.err
    assert "--debug" in ended.err
    assert no_traceback(ended.err)
    ended = run("check", "odd.toml", "--debug")
    assert ended.code == 1
    assert "Traceback" in ended.err
    assert "ValueError: nobody thought of odd.toml" in ended.err


def test_debug_shows_where_a_fault_was_met(spawn: Run, tmp_path: Path) -> None:
    words = ("-m", "recon", "check", "nowhere.toml")
    assert no_traceback(spawn(*words, folder=tmp_path).err)
    ended = spawn(*words, "--debug", folder=tmp_path)
    assert ended.code == 2
    assert "Traceback" in ended.err
    assert "nowhere.toml: no such file" in ended.err


@pytest.mark.skipif(sys.platform == "win32", reason="Windows reports closed pipes in another way")
def test_a_reader_that_stops_reading_is_no_fault(environment: dict[str, str]) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "recon", "check", CAR],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    ) as started:
        assert started.stdout is not None
        started.stdout.close()  # as `| head` does once it has its lines
        assert started.stderr is not None
        err = started.stderr.read()
    assert "BrokenPipeError" not in err
    assert started.returncode == 0


# --- warnings --------------------------------------------------------------------------------


def test_warnings_are_notes_on_standard_error(
    run: Run, one_corner: OneCorner, short_log: Log, tmp_path: Path
) -> None:
    log = short_log((31, "FL_push_rod", ""), rows=200)
    ended = run(*reconstruct(one_corner, log), "--out", tmp_path / "out")
    assert ended.code == 0, ended.err
    assert f"note (data): {log}: samples without a number, of 200" in ended.err
    assert "note (" not in ended.out
    assert "bridged: FL 0.5 %" in ended.out


def test_a_short_log_has_no_peak_and_says_so(
    run: Run, one_corner: OneCorner, short_log: Log, tmp_path: Path
) -> None:
    ended = run(*reconstruct(one_corner, short_log(rows=200)), "--out", tmp_path / "out")
    assert ended.code == 0, ended.err
    assert "  FL: Fx no peak (200 known samples, 1000 needed), Fy no peak" in ended.out


def test_a_pull_beyond_its_strap_is_a_safety_note(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    header, *rows = rows_of(one_corner.pulls)
    header = [*header, "strap_limit [N]"] if "strap_limit [N]" not in header else header
    at = header.index("strap_limit [N]")
    limited = [[*r[:at], "1234", *r[at + 1 :]] for r in rows]
    pulls = write_rows(tmp_path / "pulls.csv", [header, *limited])
    ended = run("calibrate", CAR, pulls, "--out", tmp_path / "out")
    assert ended.code == 0, ended.err
    assert re.search(r"(?m)^note \(safety\): .*working load limit is 1234 N", ended.err)


# --- 5: written, but doubted -----------------------------------------------------------------


def test_doubted_forces_are_written_and_end_with_a_code_of_their_own(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    header, *rows = rows_of(one_corner.log)
    i, j = (k for k, name in enumerate(header) if name.startswith(("FL_lower_front", "FL_tie_rod")))
    header[i], header[j] = header[j], header[i]
    log, out = write_rows(tmp_path / "log.csv", [header, *rows]), tmp_path / "out"
    ended = run(*reconstruct(one_corner, log), "--out", out)
    assert ended.code == 5, ended.err
    assert ended.out.startswith("DOUBTED: FL.")
    assert "exchanged (FL_lower_front and FL_tie_rod)" in " ".join(ended.out.split())
    assert (out / "forces.nc").exists()
    answered = run("friction", out / "forces.nc", "--out", tmp_path / "friction")
    assert answered.code == 5, answered.err
    assert answered.out.startswith("DOUBTED: FL.")


def test_a_doubt_about_the_log_alone_ends_with_the_same_code(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    header, *rows = rows_of(one_corner.log)
    yaw = next(k for k, name in enumerate(header) if name.startswith("yaw_rate"))
    for row in rows:
        row[yaw] = str(-float(row[yaw]))
    log, out = write_rows(tmp_path / "log.csv", [header, *rows]), tmp_path / "out"
    ended = run(*reconstruct(one_corner, log), "--out", out)
    assert ended.out.startswith("DOUBTED in the log")
    assert "inverted (yaw_rate)" in ended.out
    assert ended.code == 5, ended.err
    assert run("friction", out / "forces.nc", "--out", tmp_path / "friction").code == 5


# --- 6: written, without a gauge that failed ---------------------------------------------------


def test_a_gauge_that_was_left_out_ends_with_a_code_of_its_own(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    header, *rows = rows_of(one_corner.log)
    dead = next(k for k, name in enumerate(header) if name.startswith("FL_push_rod"))
    half = len(rows) // 2
    for row in rows[half:]:
        row[dead] = rows[half][dead]
    log, out = write_rows(tmp_path / "log.csv", [header, *rows]), tmp_path / "out"
    ended = run(*reconstruct(one_corner, log), "--out", out)
    assert ended.out.startswith("LEFT OUT")
    assert "dead (FL_push_rod)" in ended.out
    assert ended.code == 6, ended.err
    assert run("friction", out / "forces.nc", "--out", tmp_path / "friction").code == 6
