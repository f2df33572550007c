"""Two files of one logger, whose map says that they have one clock."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.errors import DataError, ReconWarning
from tests.raw_logs import save, swerve
from tests.small_car import small_car
from tests.test_joining import csv

MAP = 'format = 1\nkind = "log"\nsame_clock = true\n'


def stamps(time: np.ndarray, before: str = "") -> list[str]:
    at = 8 * 3600 + time
    return [f"{before}{int(s // 3600):02}:{int(s % 3600 // 60):02}:{s % 60:06.3f}" for s in at]


def text(time: np.ndarray, columns: dict[str, np.ndarray], written: list[str] | None) -> str:
    if written is None:
        return csv({"elapsed_time [s]": time, **columns})
    header, *rows = csv(columns).splitlines()
    lines = [f"{t},{row}" for t, row in zip(written, rows, strict=True)]
    return "\n".join([f"elapsed_time,{header}", *lines]) + "\n"


def joined(
    folder: Path, *, common: bool = True, late: float = 0.0, first: str | None = None,
    second: str | None = None,
) -> xr.Dataset:  # fmt: skip
    """Gauges from 0 s and a vehicle from 1.5 s on; what both hold is `late` [s] in the latter.

    `first` and `second` stand before times of day; times are numbers without them.
    """
    t, own = np.arange(0, 30, 0.01), np.arange(1.5, 30, 0.05)
    gauges = {"G1 [mV/V]": np.sin(t)}
    vehicle = {"speed [m/s]": 20 + np.sin(own)}
    if common:
        gauges["acceleration_y [m/s2]"] = swerve(t, 1)
        vehicle["acceleration_y [m/s2]"] = swerve(own - late, 1)
    one = save(folder, text(t, gauges, None if first is None else stamps(t, first)), "gauges.csv")
    two = save(
        folder, text(own, vehicle, None if second is None else stamps(own, second)), "vehicle.csv"
    )
    chosen = save(folder, MAP, "map.toml")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        return recon.read_logs([one, (two, chosen)], small_car())


@pytest.mark.parametrize("before", [None, "", "2025-05-12T"])
@pytest.mark.parametrize("common", [True, False])
def test_files_of_one_logger_need_no_channel_in_common(
    tmp_path: Path, common: bool, before: str | None
) -> None:
    log = joined(tmp_path, common=common, first=before, second=before)
    time, speed = (log[name].to_numpy() for name in ("elapsed_time", "speed"))
    inside = (time > 1.6) & (time < 29.9)
    np.testing.assert_allclose(speed[inside], (20 + np.sin(time))[inside], atol=1e-3)
    assert log["speed"].attrs["u_clock"] == pytest.approx(np.hypot(1e-3, 5e-3))
    (words,) = log.attrs["clocks"]
    assert words.startswith("vehicle.csv has the clock of gauges.csv, by a column map")
    seen = "acceleration_y agree within" if common else "nothing shows whether that is so: no chan"
    assert seen in words


def test_channels_that_contradict_one_clock_are_named(tmp_path: Path) -> None:
    found = r"same_clock = true, but acceleration_y agree -?\+?\d+ \+-\d+ ms"
    with pytest.raises(DataError, match=found) as said:
        joined(tmp_path, late=0.3)
    assert "-300 +-" in str(said.value)


@pytest.mark.parametrize(("first", "second"), [(None, ""), ("", "2025-05-12T")])
def test_times_of_one_logger_are_written_alike(
    tmp_path: Path, first: str | None, second: str | None
) -> None:
    with pytest.raises(
        DataError, match=r"vehicle\.csv beside .*gauges\.csv: same_clock = true, but"
    ):
        joined(tmp_path, first=first, second=second)


def test_dated_times_count_days(tmp_path: Path) -> None:
    """A second file that goes on after midnight: none of it is inside the first."""
    log = joined(tmp_path, common=False, first="2025-05-12T", second="2025-05-13T")
    assert np.isnan(log["speed"]).all()


def test_only_logs_have_a_clock(tmp_path: Path) -> None:
    chosen = save(tmp_path, MAP.replace("log", "tares"), "tares.toml")
    table = save(tmp_path, "when,gauge,state,indication\n", "tares.csv")
    with pytest.raises(DataError, match=r"tares\.toml, same_clock: same_clock in a map for tares"):
        recon.read_tares(table, small_car(), column_map=chosen)
