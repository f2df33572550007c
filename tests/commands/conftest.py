"""What the tests of the command line share: one corner of the demo, calibrated once."""

from __future__ import annotations

import base64
import os
import subprocess
import sys
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import pytest

from recon.base import second_core
from recon.cli import main
from recon.report.common import sheet
from tests.commands.session import CAR, DEMO, ROOT, Ended, OneCorner, Run, rows_of, write_rows

TINY_PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)


def _write_tiny(_figure: object, path: Path) -> None:
    """Stand in for the drawing of a picture: one grey dot."""
    path.write_bytes(TINY_PNG)


@pytest.fixture(autouse=True)
def _tiny_pictures(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw no pictures where files and exit codes are tested, unless marked `pictures`."""
    if request.node.get_closest_marker("pictures") is None:
        monkeypatch.setattr(sheet, "_write_png", _write_tiny)


@pytest.fixture(autouse=True)
def _one_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands that run in this process start no other: the tests share the cores."""
    monkeypatch.setattr(second_core, "cores", lambda: 1)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run one command in this process."""

    def ran(*words: object) -> Ended:
        capsys.readouterr()
        try:
            code = main([str(w) for w in words])
        except SystemExit as end:
            code = int(end.code or 0)
        printed = capsys.readouterr()
        return Ended(code, printed.out, printed.err)

    return ran


@pytest.fixture(scope="session")
def environment() -> dict[str, str]:
    """Environment of a new process that finds this checkout from any folder."""
    return os.environ | {"PYTHONPATH": str(ROOT)}


@pytest.fixture(scope="session")
def spawn(environment: dict[str, str]) -> Run:
    """Run `python ...` in a new process, without a terminal."""

    def ran(*words: object, folder: Path = ROOT) -> Ended:
        done = subprocess.run(
            [sys.executable, *map(str, words)],
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            encoding="utf-8",
            stdin=subprocess.DEVNULL,
            check=False,
        )
        return Ended(done.returncode, done.stdout, done.stderr)

    return ran


@pytest.fixture(scope="session")
def one_corner(tmp_path_factory: pytest.TempPathFactory) -> OneCorner:
    """The demo's front left corner: pulls cut out, calibrated and reconstructed."""
    folder = tmp_path_factory.mktemp("one corner")
    header, *rows = rows_of(DEMO / "pulls.csv")
    pulls = write_rows(
        folder / "pulls.csv", [header, *(r for r in rows if r[header.index("corner")] == "FL")]
    )
    log, tares = DEMO / "run_1.csv.gz", DEMO / "tares.csv"
    calibration, forces = folder / "calibration", folder / "forces"
    fitted = calibration / "calibration.nc"
    words = ["reconstruct", str(CAR), str(fitted), str(log), str(tares), "--out", str(forces)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sheet, "_write_png", _write_tiny)
        patch.setattr(second_core, "cores", lambda: 1)
        assert main(["calibrate", str(CAR), str(pulls), "--out", str(calibration)]) == 0
        assert main(words) == 0
    return OneCorner(pulls, fitted, log, tares, forces / "forces.nc")


@pytest.fixture
def short_log(tmp_path: Path) -> Callable[..., Path]:
    """Write the first rows of the demo's log; changes are (row, column, text), rows from 1."""

    def written(*changes: tuple[int, str, str], rows: int = 60, name: str = "log.csv") -> Path:
        header, *data = islice(rows_of(DEMO / "run_1.csv.gz"), rows + 1)
        names = [cell.split(" [")[0] for cell in header]
        for row, column, text in changes:
            data[row - 1][names.index(column)] = text
        return write_rows(tmp_path / name, [header, *data])

    return written
