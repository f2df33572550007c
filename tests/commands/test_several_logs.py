"""One drive from two loggers, and a part of it, on the command line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recon.records.results import read_result
from tests.commands.session import CAR, OneCorner, Run, rows_of, write_rows

OF_GAUGES = ("FL_", "hub_", "gauge_temperature", "acceleration")


@pytest.fixture
def loggers(one_corner: OneCorner, tmp_path: Path) -> tuple[Path, Path]:
    """The drive as two logs: gauges, and every second row of the vehicle from 0.5 s on."""
    header, *rows = rows_of(one_corner.log)
    gauges = [0, *(k for k, name in enumerate(header) if name.startswith(OF_GAUGES))]
    others = [
        k for k, name in enumerate(header) if k not in gauges[1:] and not name.endswith("[mV/V]")
    ] + [header.index("acceleration_y [m/s2]")]
    names = {"travel_FL [mm]": "bump", "elapsed_time [s]": "t"}
    late = [[f"{float(row[0]) - 0.5:.4f}", *row[1:]] for row in rows[100::2]]
    vehicle = [[names.get(header[k], header[k]) for k in others]]
    vehicle += [[row[k] for k in others] for row in late]
    (tmp_path / "map.toml").write_text(
        'format = 1\nkind = "log"\n[columns]\nelapsed_time = { column = "t", unit = "s" }\n'
        'travel_FL = { column = "bump", unit = "mm" }\n'
    )
    one = [[header[k] for k in gauges], *([row[k] for k in gauges] for row in rows)]
    return (write_rows(tmp_path / "gauges.csv", one), write_rows(tmp_path / "vehicle.csv", vehicle))


def test_two_logs_and_a_part_of_the_drive(
    run: Run, one_corner: OneCorner, loggers: tuple[Path, Path], tmp_path: Path
) -> None:
    gauges, vehicle = loggers
    ended = run(
        "reconstruct", CAR, one_corner.calibration, gauges, one_corner.tares,
        "--also-log", f"{vehicle}:{tmp_path / 'map.toml'}", "--from", 2, "--to", 6,
        "--out", tmp_path / "two",
    )  # fmt: skip
    assert ended.code == 0, ended.err
    assert "vehicle.csv started 0.500 s late by the clock of gauges.csv" in ended.out
    assert (tmp_path / "two" / "clocks.png").is_file()
    two, one = read_result(tmp_path / "two" / "forces.nc"), read_result(one_corner.forces)
    assert two["elapsed_time"].to_numpy()[[0, -1]].tolist() == [2.0, 6.0]
    same = one.sel(elapsed_time=two["elapsed_time"], method="nearest")
    apart = (two["tyre_force"] - same["tyre_force"].to_numpy()).to_numpy()
    # Travel is carried from 100 to 200 Hz; its noise is far below what is claimed.
    assert np.sqrt(np.mean(apart**2)) < 0.3 * float(np.sqrt((one["u_tyre_force"] ** 2).mean()))
    assert "aligned within" in two.attrs["time_base"]
    assert two["wheel_speed"].attrs["from_log"].endswith("vehicle.csv")


def test_a_log_that_is_not_there_is_named(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    ended = run(
        "reconstruct", CAR, one_corner.calibration, one_corner.log, one_corner.tares,
        "--also-log", tmp_path / "vehicle.csv", "--out", tmp_path / "two",
    )  # fmt: skip
    assert ended.code == 2
    assert "vehicle.csv: no such file where a log is wanted" in ended.err


def test_a_part_without_samples_is_refused(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    ended = run(
        "reconstruct", CAR, one_corner.calibration, one_corner.log, one_corner.tares,
        "--from", 500, "--out", tmp_path / "none",
    )  # fmt: skip
    assert ended.code == 2
    assert "0 samples from 500 s; need at least 3; the log has 0 to" in ended.err
