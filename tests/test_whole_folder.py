"""A folder of results is replaced as a whole, wherever the run that replaces it is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from recon.base.errors import OutputError
from recon.records import whole_folder
from recon.records.files import part_name, replace_whole
from recon.records.whole_folder import replaced_as_a_whole

OURS = ("result.nc", "a.png", "b.png")
NEW = {"result.nc": "new", "a.png": "new"}
MINE = {"notes.txt": "mine", "mine.png": "mine"}
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")


def write(folder: Path, files: dict[str, str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def content(folder: Path) -> dict[str, str]:
    return {f.name: f.read_text(encoding="utf-8") for f in folder.iterdir() if f.is_file()}


def earlier(folder: Path) -> dict[str, str]:
    files = dict.fromkeys(OURS, "old") | MINE
    write(folder, files)
    return files


def replaced(folder: Path) -> None:
    with replaced_as_a_whole(folder, OURS) as new:
        write(new, NEW)


def test_new_results_replace_the_earlier_ones_and_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    earlier(folder)
    replaced(folder)
    assert content(folder) == NEW | MINE
    assert list(tmp_path.iterdir()) == [folder]


def test_a_folder_is_made_with_its_parents(tmp_path: Path) -> None:
    replaced(tmp_path / "some" / "where")
    assert content(tmp_path / "some" / "where") == NEW


def test_a_fault_leaves_the_earlier_results(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    files = earlier(folder)

    def written_twice() -> None:
        with replaced_as_a_whole(folder, OURS) as new:
            write(new, {"b.png": "half"})
            with replace_whole(new / "b.png"):
                pytest.fail("the body must not run")

    with pytest.raises(OutputError, match=f"{folder / 'b.png'}: this file already exists"):
        written_twice()
    assert content(folder) == files
    assert list(tmp_path.iterdir()) == [folder]


def test_a_file_in_the_place_of_the_folder_is_kept(tmp_path: Path) -> None:
    write(tmp_path, {"out": "mine"})
    with pytest.raises(OutputError, match=rf"{tmp_path}/out: cannot be created or opened \(Not a"):
        replaced(tmp_path / "out")
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


# --- folders that cannot be exchanged -----------------------------------------------------------


def test_the_current_folder_stays_the_same_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier(tmp_path)
    monkeypatch.chdir(tmp_path)
    before = tmp_path.stat().st_ino
    replaced(Path())
    assert content(tmp_path) == NEW | MINE
    assert tmp_path.stat().st_ino == before


def test_folders_inside_are_not_touched(tmp_path: Path) -> None:
    earlier(tmp_path)
    write(tmp_path / "other", {"result.nc": "mine"})
    replaced(tmp_path)
    assert content(tmp_path) == NEW | MINE
    assert content(tmp_path / "other") == {"result.nc": "mine"}


def test_a_system_that_cannot_exchange_folders_renames_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole_folder, "_exchanged", lambda *_: False)
    earlier(tmp_path / "out")
    replaced(tmp_path / "out")
    assert content(tmp_path / "out") == NEW | MINE
    assert list(tmp_path.iterdir()) == [tmp_path / "out"]


# --- killed at every step -----------------------------------------------------------------------

KILLED = """\
import os, signal, sys
from pathlib import Path
from recon.records import whole_folder
from tests.test_whole_folder import replaced
folder, last, exchange = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "exchange"
if not exchange:
    whole_folder._exchanged = lambda *_: False
count = 0
CHANGES = ("open", "os.mkdir", "os.rename", "os.link", "os.remove", "os.rmdir", "os.chmod")
def hook(event, words):
    global count
    if event in CHANGES:
        count += 1
        if count > last:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
replaced(folder)
"""


def killed_after(steps: int, folder: Path, how: str) -> bool:
    """Replace the results in a process that is killed after so many steps; False if it ended."""
    words = [sys.executable, "-c", KILLED, str(folder), str(steps), how]
    return subprocess.run(words, check=False).returncode == -signal.SIGKILL


@POSIX
@pytest.mark.parametrize("how", ["exchange", "two renames"])
def test_killed_at_any_step_a_folder_holds_one_whole_result(tmp_path: Path, how: str) -> None:
    """Every change of the disk is one step; the next run clears what was left."""
    folder, seen, steps = tmp_path / "out", [], 0
    old = earlier(folder)
    while killed_after(steps, folder, how):
        if how == "two renames" and not folder.exists():
            seen.append("neither")
        else:
            assert content(folder) in (old, NEW | MINE), f"killed after {steps} steps"
            seen.append("old" if content(folder) == old else "new")
        steps += 1
        replaced(folder)
        assert content(folder) == NEW | MINE
        assert list(tmp_path.iterdir()) == [folder]  # nothing is left
        earlier(folder)
    assert seen.count("old") > 5
    assert seen.count("new") > 1
    assert ("neither" in seen) == (how == "two renames")


@POSIX
def test_earlier_results_that_were_moved_away_come_back(tmp_path: Path) -> None:
    """A next run that fails must not be the end of the earlier results."""
    folder = tmp_path / "out"
    old = earlier(folder)
    folder.rename(tmp_path / f".part999999999-{whole_folder.EARLIER}out")
    with pytest.raises(RuntimeError), replaced_as_a_whole(folder, OURS):
        raise RuntimeError
    assert content(folder) == old


# --- what other runs left or are writing --------------------------------------------------------


@POSIX
@pytest.mark.parametrize(
    "begin", [lambda p: replace_whole(p / "a.png"), lambda p: replaced_as_a_whole(p, OURS)]
)
def test_what_ended_runs_left_is_cleared_and_what_others_write_is_not(
    tmp_path: Path, begin: Callable
) -> None:
    write(tmp_path, {".part999999999-a.png": "", ".part1-a.png": "", ".partly-a.png": "mine"})
    write(tmp_path, {part_name("a.png"): "from an earlier process of our number"})
    with begin(tmp_path) as place:
        assert not (tmp_path / ".part999999999-a.png").exists()
        write(place if place.is_dir() else tmp_path, {place.name: ""})
    assert {".part1-a.png", ".partly-a.png"} <= {f.name for f in tmp_path.iterdir()}
    assert not (tmp_path / part_name("a.png")).exists()
    assert os.getpid() != 1
