"""What the tests of the command line share: one corner of the demo, calibrated once."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import pytest

from recon.cli import main
from tests.commands.session import CAR, DEMO, ROOT, Ended, OneCorner, Run, rows_of, write_rows


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
    log, tares = DEMO / "slalom.csv.gz", DEMO / "tares.csv"
    calibration, forces = folder / "calibration", folder / "forces"
    assert main(["calibrate", str(CAR), str(pulls), "--out", str(calibration)]) == 0
    fitted = calibration / "calibration.nc"
    words = ["reconstruct", str(CAR), str(fitted), str(log), str(tares), "--out", str(forces)]
    assert main(words) == 0
    return OneCorner(pulls, fitted, log, tares, forces / "forces.nc")


@pytest.fixture
def short_log(tmp_path: Path) -> Callable[..., Path]:
    """Write the first rows of the demo's log; changes are (row, column, text), rows from 1."""

    def written(*changes: tuple[int, str, str], rows: int = 60, name: str = "log.csv") -> Path:
        header, *data = islice(rows_of(DEMO / "slalom.csv.gz"), rows + 1)
        names = [cell.split(" [")[0] for cell in header]
        for row, column, text in changes:
            data[row - 1][names.index(column)] = text
        return write_rows(tmp_path / name, [header, *data])

    return written
