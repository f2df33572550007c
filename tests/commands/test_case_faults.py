"""Faults of gauges in a slalom from two loggers, by name: a car made by other engines.

One logger has the gauges and nothing else, the other the vehicle's channels on its own clock.  A
delay of gauges must be told from an offset between the clocks and from what hub accelerations that
are not logged may feign.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import recon
from tests.commands.session import ROOT, Run, rows_of, write_rows
from tests.outside.case_drives import MAPS, WINDOWS, case_calibration

pytestmark = [
    pytest.mark.source("CASE-CAR: right cause, channels and exit code of four faults of gauges"),
    pytest.mark.slow(4),
]

CAR = ROOT / "vehicles" / "case_car.toml"
REAR = [f"SG{k}" for k in range(13, 25)]
DEAD_FROM, LATE = 7.3, 9e-3  # s

Columns = dict[str, np.ndarray]
Fault = Callable[[Columns], None]


def sound(gauges: Columns) -> None:
    """Nothing."""


def dead(gauges: Columns) -> None:
    """One gauge stands still."""
    gauges["SG14"][gauges["time"] >= DEAD_FROM] = -0.0021


def exchanged(gauges: Columns) -> None:
    """The plugs of two gauges of a corner after the tares."""
    gauges["SG08"], gauges["SG09"] = gauges["SG09"], gauges["SG08"]


def inverted(gauges: Columns) -> None:
    """One gauge after the tares."""
    gauges["SG22"] *= -1.0


def late(gauges: Columns) -> None:
    """The amplifier of the rear gauges lags behind."""
    for name in REAR:
        gauges[name] = np.interp(gauges["time"] - LATE, gauges["time"], gauges[name])


@pytest.fixture(scope="module")
def calibration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("calibration") / "calibration.nc"
    recon.write_calibration(case_calibration(), path)
    return path


def gauges_with(fault: Fault, path: Path) -> Path:
    """The log of the gauges with a fault."""
    names, units, *rows = rows_of(WINDOWS / "slalom_gauges.csv.gz")
    gauges = dict(zip(names, np.array(rows, dtype=float).T, strict=True))
    fault(gauges)
    values = np.column_stack(list(gauges.values()))
    return write_rows(path, [names, units, *([f"{x:.4f}" for x in row] for row in values)])


@pytest.mark.parametrize(
    ("fault", "code", "found"),
    [
        (sound, 0, []),
        (dead, 6, [("dead", ["SG14"])]),
        (exchanged, 5, [("exchanged", ["SG08", "SG09"])]),
        (inverted, 5, [("inverted", ["SG22"])]),
        (late, 5, [("late", REAR)]),
    ],
)
def test_cause_channels_and_exit_code(
    run: Run, calibration: Path, tmp_path: Path, fault: Fault, code: int,
    found: list[tuple[str, list[str]]],
) -> None:  # fmt: skip
    ended = run(
        "reconstruct", CAR, calibration, gauges_with(fault, tmp_path / "gauges.csv"),
        WINDOWS / "slalom_tares.csv", "--tares-map", MAPS / "tares.toml",
        "--map", MAPS / "gauges.toml",
        "--also-log", f"{WINDOWS / 'slalom_vehicle.csv.gz'}:{MAPS / 'vehicle.toml'}",
        "--out", tmp_path / "out", "--no-pictures",
    )  # fmt: skip
    assert ended.code == code, ended.out + ended.err
    doubts = recon.doubts_in(recon.read_result(tmp_path / "out" / "forces.nc"))
    assert [(doubt.cause, list(doubt.channels)) for doubt in doubts] == found
    if fault is dead:
        assert doubts[0].start == pytest.approx(DEAD_FROM, abs=0.1)
    if fault is late:
        line = next(line for line in doubts[0].do.splitlines() if "late_ms" in line)
        assert float(line.partition("late_ms = ")[2].rstrip(" }")) == pytest.approx(9.0, abs=5.0)
