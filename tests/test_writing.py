"""Writers: what was written is read back to within half of the last place."""

import dataclasses
import warnings

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import OutputError
from recon.records.logs import VARIABLES, read_log
from recon.records.pulls import read_pulls
from recon.records.sheets import PullSheet, Tares
from recon.records.table_writing import WRITTEN, write_log, write_pulls, write_tares
from recon.records.tares import read_tares
from tests.small_car import small_car

# Half of the last decimal place that is written, in SI; 1 % on top for rounding.
HALF_PLACE = {
    "degC": 0.005,
    "m/s2": 0.0005,
    "m": 0.5e-5,
    "rad/s": 0.5e-4,
    "Pa": 50.0,
    "rad": np.deg2rad(0.5e-4),
    "m/s": 0.005 / 3.6,
    "1": 0.5e-5,
}


def dataset(car):
    """A log in which every variable has numbers of its own."""
    generator = np.random.default_rng(7)
    sizes = {"elapsed_time": 20, "corner": len(car.corners), "component": 3}
    data = xr.Dataset(
        coords={
            "elapsed_time": np.arange(20) * 0.002,
            "gauge": [gauge.name for _, gauge in car.gauges],
            "corner": list(car.corners),
            "component": list("xyz"),
        }
    )
    data["indication"] = ("elapsed_time", "gauge"), generator.normal(size=(20, len(car.gauges)))
    for name, described in VARIABLES.items():
        shape = [sizes[d] for d in described.dims]
        data[name] = described.dims, generator.normal(size=shape)
    # one sensor for each axle: both of its wheels have the same pressure
    data["brake_pressure"][:] = data["brake_pressure"].values[:, :1]
    return data


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz"])
@pytest.mark.parametrize("unit", ["mV/V", "microstrain", "V", "counts"])
def test_log_comes_back(tmp_path, name, unit):
    car = small_car(unit)
    written = dataset(car)
    write_log(tmp_path / name, written, car)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read = read_log(tmp_path / name, car)
    half = 0.505 * 10.0 ** -WRITTEN[unit][1]  # half of the last place, 1 % for rounding
    np.testing.assert_allclose(read["indication"], written["indication"], rtol=0, atol=half)
    for variable, described in VARIABLES.items():
        assert read[variable].dims == written[variable].dims
        place = 0.005 if variable == "distance" else HALF_PLACE[described.units]
        np.testing.assert_allclose(read[variable], written[variable], rtol=0, atol=1.01 * place)


def test_only_what_was_logged_is_written(tmp_path):
    car = small_car()
    written = dataset(car)[["indication", "travel"]].sel(corner=["FR"])
    write_log(tmp_path / "log.csv", written, car)
    header = (tmp_path / "log.csv").read_text().split("\n")[0].split(",")
    assert header[0] == "elapsed_time [s]"
    assert header[-2:] == ["G4 [mV/V]", "travel_FR [mm]"]


def test_equal_content_gives_equal_bytes_and_nothing_is_overwritten(tmp_path):
    car = small_car()
    one, two = tmp_path / "one.csv.gz", tmp_path / "two.csv.gz"
    for path in (one, two):
        write_log(path, dataset(car), car)
    assert one.read_bytes() == two.read_bytes()
    with pytest.raises(OutputError, match=r"one.csv.gz: this file already exists"):
        write_log(one, dataset(car), car)
    write_log(one, dataset(car).isel(elapsed_time=slice(5)), car, overwrite=True)
    assert read_log(one, car).sizes["elapsed_time"] == 5


def pull_sheet():
    rows = 4
    nothing = np.full(rows, np.nan)
    point = np.tile([0.01, 0.7, 0.02], (rows, 1))
    generator = np.random.default_rng(3)
    columns = {
        "pull": np.array(["fore, low"] * rows),
        "purpose": np.array(["verify"] * rows),
        "wheel_held_by": np.array(["half-shaft"] * rows),
        "phase": np.array(["tare", "rising", "rising", "falling"]),
        "clock": np.arange(rows) * 60.0,
        "strap_load": np.array([0.0, 500.03, 1000.0, 300.0]),
        "pad_load": nothing,
        "attach": point,
        "mark1": point + np.array([0.2, 0, 0]),
        "mark2": point + np.array([0.9, 0, 0.1234]),
        "direction": np.full((rows, 3), np.nan),
        "pad": np.full((rows, 3), np.nan),
        "travel": np.full(rows, -0.0123),
        "partner_travel": np.array([np.nan, 0.004, 0.004, np.nan]),
        "steer": np.full(rows, 0.02),
        "temperature": np.full(rows, 19.5),
        "u_load_step": np.full(rows, 0.004),
        "u_strap_gain": np.full(rows, 0.003),
        "u_pad_gain": np.full(rows, 0.003),
        "u_attach": np.full(rows, 0.002),
        "u_mark": np.full(rows, 0.003),
        "u_pad_point": np.full(rows, 0.002),
        "u_direction": np.full(rows, 0.0175),
        "u_pad_tilt": np.full(rows, 0.0035),
        "strap_limit": np.full(rows, 20e3),
        "notes": np.array(["", "slack, by hand", "", ""]),
        "corner": np.array(["FL"] * rows),
        "indication": generator.normal(size=(rows, 2)),
    }
    sheet = PullSheet.of_columns(
        columns, path="", checksum="", line=np.arange(2, 2 + rows), gauges=("G1", "G2")
    )
    return sheet, [*columns, "line", "gauges"]


def test_pull_sheet_comes_back(tmp_path):
    car, (written, names) = small_car(), pull_sheet()
    write_pulls(tmp_path / "pulls.csv.gz", written, car)
    read = read_pulls(tmp_path / "pulls.csv.gz", car)
    for name in names:
        mine, theirs = written.column(name), read.column(name)
        if mine.dtype.kind == "f":
            # last places: loads 0.1 N, lengths 0.01 mm, angles 0.0001 deg, ratios and mV/V 1e-5
            last = 0.1 if name in ("strap_load", "strap_limit") else 1e-5
            np.testing.assert_allclose(theirs, mine, rtol=0, atol=0.51 * last)
        else:
            assert np.array_equal(theirs, mine), name


@pytest.mark.parametrize("units", [("mV/V", "mV/V"), ("mV/V", "microstrain")])
def test_tares_come_back_in_one_unit_or_each_in_its_own(tmp_path, units):
    car = small_car()
    corners = {
        name: dataclasses.replace(
            corner, gauges=tuple(dataclasses.replace(g, unit=unit) for g in corner.gauges)
        )
        for (name, corner), unit in zip(car.corners.items(), units, strict=True)
    }
    car = dataclasses.replace(car, corners=corners)
    written = Tares(
        path="",
        checksum="",
        line=np.array([2, 3]),
        when=np.array(["before", "after"]),
        gauge=np.array(["G1", "G3"]),
        state=np.array(["hanging", "pads"]),
        indication=np.array([0.12345, -12.5]),
        sd=np.array([0.0008, 0.2]),
        temperature=np.array([18.5, np.nan]),
        pad_load=np.array([np.nan, 1800.5]),
        time=np.array([0.0, 600.0]),
    )
    write_tares(tmp_path / "tares.csv", written, car)
    read = read_tares(tmp_path / "tares.csv", car)
    for name in ("indication", "sd", "temperature", "pad_load", "time"):
        # every number has no more places than are written
        np.testing.assert_allclose(getattr(read, name), getattr(written, name), rtol=1e-12, atol=0)
    assert read.gauge.tolist() == ["G1", "G3"]
    assert read.state.tolist() == ["hanging", "pads"]
