"""Results that stay whole: no folder, a full disk, a stop by the user; exit codes 4 and 130."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from recon.base.errors import OutputError
from recon.base.quantities import CORNERS
from recon.calibration.store import read_calibration
from recon.records.files import checksum
from recon.records.overwriting import refuse_existing
from tests.commands.kills import killed
from tests.commands.session import CAR, OneCorner, Run, no_traceback

# --- 4: nothing earlier is lost --------------------------------------------------------------


# Ctrl-C comes a moment after a stage was reported. The command keeps that time itself: a process
# that watched it from outside might wake when it has ended. (A job that a shell started in the
# background ignores Ctrl-C, and so would its children.)
STOPPED = """
import signal, sys
from recon.cli import main

stage, *words = sys.argv[1:]
write = sys.stderr.write

def watched(text):
    if stage in text:
        signal.setitimer(signal.ITIMER_REAL, 0.05)
    return write(text)

signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(signal.SIGINT))
sys.stderr.write = watched
sys.exit(main(words))
"""


def stopped(
    environment: dict[str, str], stage: str, *words: object
) -> subprocess.CompletedProcess[str]:
    """Run a command that its user stops 50 ms after it reports a stage."""
    return subprocess.run(
        [sys.executable, "-c", STOPPED, stage, *map(str, words)],
        capture_output=True,
        text=True,
        env=environment,
        timeout=120,
        check=False,
    )


def test_pictures_of_a_replaced_calibration_do_not_stay(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    for name in ("crosstalk_RR.png", "verification.png", "crosstalk_mine.png", "crosstalk_FL.txt"):
        (tmp_path / name).write_text("older", encoding="utf-8")
    words = ("calibrate", CAR, one_corner.pulls, "--out", tmp_path)
    for first in (words, (*words, "--overwrite")):
        (tmp_path / "calibration.nc").unlink(missing_ok=True)
        (tmp_path / "crosstalk_FL.png").unlink(missing_ok=True)
        assert run(*first).code == 0
        assert (tmp_path / "crosstalk_RR.png").exists()  # nothing was replaced
    ended = run(*words, "--overwrite")
    assert ended.code == 0, ended.err
    mine = {"crosstalk_mine.png", "crosstalk_FL.txt"}
    ours = {"calibration.nc", "crosstalk_FL.png"}
    assert {file.name for file in tmp_path.iterdir()} == mine | ours
    for name in ("crosstalk_RR.png", "verification.png"):
        assert f"removed {tmp_path / name}, a picture of the result that was" in ended.out


def test_a_folder_that_cannot_be_made(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("in the way", encoding="utf-8")
    ended = run("friction", one_corner.forces, "--out", file / "friction")
    assert ended.code == 4
    assert str(file) in ended.err
    assert file.read_text(encoding="utf-8") == "in the way"


def test_a_folder_that_cannot_be_made_is_refused_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    with pytest.raises(OutputError, match=rf"{tmp_path}/file is no folder"):
        refuse_existing(tmp_path / "file" / "deep" / "forces.nc", overwrite=True)
    refuse_existing(tmp_path / "new" / "deep" / "forces.nc", overwrite=False)  # can be made
    assert not (tmp_path / "new").exists()


def test_a_parent_without_rights_is_refused_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.access", lambda *_: False)  # root may write everywhere
    with pytest.raises(OutputError, match=rf"no right to write into {tmp_path}\) from"):
        refuse_existing(tmp_path / "new" / "forces.nc", overwrite=False)


def test_a_folder_whose_name_is_too_long(run: Run, one_corner: OneCorner) -> None:
    ended = run("friction", one_corner.forces, "--out", "much" * 100)
    assert ended.code == 4
    assert f"{'much' * 100}: cannot be created or opened (File name too long)" in ended.err


REMOVED = """\
import os, sys
from recon.cli import main
os.rmdir(os.getcwd())
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps the folder of a process")
@pytest.mark.skipif(sys.version_info[:3] == (3, 13, 0), reason="this Python imports nothing then")
@pytest.mark.parametrize("command", ["demo", "check", "slalom", "calibrate", "friction"])
def test_a_current_folder_that_was_removed(
    command: str, spawn: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    words: list[object] = {
        "demo": [],
        "check": [CAR, "--out", "pictures"],
        "slalom": [one_corner.forces],
        "calibrate": [CAR, one_corner.pulls],
        "friction": ["forces.nc", "--out", tmp_path / "out"],
    }[command]
    folder = tmp_path / "folder"
    folder.mkdir()
    ended = spawn("-c", REMOVED, command, *words, folder=folder)
    assert ended.code == (2 if command == "friction" else 4)
    assert "from a folder that does not exist any more" in ended.err
    assert no_traceback(ended.err)
    assert "writing" not in ended.err  # refused before the work


FULL = """\
import resource, sys
from recon.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), resource.RLIM_INFINITY))
sys.exit(main(sys.argv[2:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit of a file's size")
@pytest.mark.parametrize(
    ("room", "gone"),
    [(20_000, "friction.nc"), (None, "friction_plane.png")],
    ids=["no room for the result", "room for the result alone"],
)
@pytest.mark.pictures
def test_a_full_disk_leaves_the_earlier_result(
    room: int | None, gone: str, run: Run, spawn: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    """A limit of a file's size stands for the end of the disk."""
    out = tmp_path / "out"
    words = ("friction", one_corner.forces, "--out", out, "--overwrite")
    assert run(*words).code == 0
    picture = out / "friction_plane.png"
    if room is None:
        room = picture.stat().st_size - 1
        assert room > (out / "friction.nc").stat().st_size
    before = {file.name: checksum(file) for file in out.iterdir()}
    ended = spawn("-c", FULL, room, *words)
    assert ended.code == 4, ended.err
    assert f"recon friction: {out / gone}: writing failed: " in ended.err
    assert f"free space of {out}" in ended.err
    assert no_traceback(ended.err)
    after = {file.name: checksum(file) for file in out.iterdir()}
    assert after == before
    assert list(tmp_path.iterdir()) == [out]


# --- 130: stopped by the user ----------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGALRM")
@pytest.mark.parametrize("stage", ["fitting the calibration", "writing the calibration"])
def test_stopping_leaves_nothing_half_written(
    stage: str, one_corner: OneCorner, environment: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    ended = stopped(environment, stage, "calibrate", CAR, one_corner.pulls, "--out", out)
    assert ended.returncode == 130, ended.stderr
    assert "recon calibrate: stopped by you" in ended.stderr
    assert no_traceback(ended.stderr)
    left = {file.name for file in out.iterdir()} if out.exists() else set()
    assert left <= {"calibration.nc", "crosstalk_FL.png"}  # no name of a half-written file
    if "calibration.nc" in left:
        assert list(read_calibration(out / "calibration.nc").corners) == ["FL"]
    if "crosstalk_FL.png" in left:
        assert b"IEND" in (out / "crosstalk_FL.png").read_bytes()[-12:]


# Python prints an exception that comes while an object is cleared away, and goes on.
CLEARING = """
import signal, sys
from recon.cli import main

class Cleared:
    def __del__(self):
        signal.raise_signal(signal.SIGINT)

write = sys.stderr.write

def watched(text):
    if "fitting" in text:
        Cleared()
    return write(text)

signal.signal(signal.SIGINT, signal.default_int_handler)
sys.stderr.write = watched
sys.exit(main(sys.argv[1:]))
"""


def test_stopping_is_not_lost_while_python_clears_an_object_away(
    one_corner: OneCorner, spawn: Run, tmp_path: Path
) -> None:
    ended = spawn("-c", CLEARING, "calibrate", CAR, one_corner.pulls, "--out", tmp_path / "out")
    assert "Exception ignored" in ended.err
    assert ended.code == 130
    assert "recon calibrate: stopped by you" in ended.err


@pytest.mark.slow(4)
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGALRM")
def test_a_stopped_demo_tells_which_results_are_complete(
    environment: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    ended = stopped(environment, "reconstructing forces", "demo", "--out", out)
    assert ended.returncode == 130, ended.stderr
    assert "folders reported complete are complete" in ended.stderr
    printed = [line for line in ended.stderr.splitlines() if "complete: " in line]
    complete = [Path(line.split("complete: ")[1]) for line in printed]
    assert complete == [out / "calibration"]
    names = {f"crosstalk_{corner}.png" for corner in CORNERS} | {"verification.png"}
    assert {file.name for file in complete[0].iterdir()} == names | {"calibration.nc"}
    assert set(read_calibration(complete[0] / "calibration.nc").corners) == set(CORNERS)


@pytest.mark.slow(35)
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
def test_killed_at_random_times_a_folder_holds_one_whole_result() -> None:
    """All commands replace a folder in one way; `test_whole_folder.py` kills it at every step."""
    assert set(killed("calibrate", 10)) <= {"earlier", "new"}


# Where a stop falls into an import, Python 3.11 may say "expected a message argument" instead.
IMPORTING = """
import signal, sys
from recon import cli

def importing(**_):
    try:
        signal.raise_signal(signal.SIGINT)
    except KeyboardInterrupt:
        raise TypeError("expected a message argument") from None

from recon import pipeline
pipeline.check = importing
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.exit(cli.main(sys.argv[1:]))
"""


def test_a_stop_of_which_python_makes_another_error_is_a_stop(environment: dict[str, str]) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", IMPORTING, "check", CAR],
        capture_output=True, text=True, env=environment, timeout=120, check=False,
    )  # fmt: skip
    assert ended.returncode == 130, ended.stderr
    assert "recon check: stopped by you" in ended.stderr
