"""The calibration file: what is read back is what was written, and nothing else is taken."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import netCDF4
import numpy as np
import pytest

from recon.base.errors import DataError, OutputError
from recon.base.version import program_version
from recon.calibration.calibrated import Calibration
from recon.calibration.gross_errors import GrossError
from recon.calibration.store import read_calibration, write_calibration
from recon.records.provenance import Input, Record
from recon.records.results import read_result, write_result
from tests.days import day, exact
from tests.suspension_days import unit_day

GROSS = GrossError("inward", 36, "strap", 3065.0, 2316.25, 22.5, True)
KEPT = GrossError("aft", 17, "pad", 3677.0, 3049.5, -40.75, False)


def same(found: object, expected: object, place: str = "") -> None:
    """Every field equal to the last bit, NaN equal to NaN, types included."""
    if dataclasses.is_dataclass(expected):
        assert type(found) is type(expected), place
        for field in dataclasses.fields(expected):
            name = f"{place}.{field.name}"
            same(getattr(found, field.name), getattr(expected, field.name), name)
    elif isinstance(expected, dict):
        assert list(found) == list(expected), place
        for key in expected:
            same(found[key], expected[key], f"{place}[{key}]")
    elif isinstance(expected, np.ndarray):
        assert found.shape == expected.shape, place
        assert found.dtype == expected.dtype, place
        assert np.array_equal(found, expected, equal_nan=True), place
    elif isinstance(expected, tuple):
        assert len(found) == len(expected), place
        for i, (a, b) in enumerate(zip(found, expected, strict=True)):
            same(a, b, f"{place}[{i}]")
    elif isinstance(expected, float):
        assert found == expected or (np.isnan(found) and np.isnan(expected)), place
        assert isinstance(found, float), place
    else:
        assert found == expected, place
        assert type(found) is type(expected), place


def with_everything() -> Calibration:
    """The day's calibration with gross errors, open priors and a NaN here and there."""
    found = day().calibration
    corner = found.corners["FL"]
    geometry = corner.K_geometry.copy()
    geometry[2] = np.nan
    spoiled = dataclasses.replace(
        corner,
        K_geometry=geometry,
        quality=dataclasses.replace(
            corner.quality, gross=(GROSS, KEPT), rests_on_prior=("Mz with Fy (opposite sign)", "Fx")
        ),
        conditions=dataclasses.replace(corner.conditions, temperature=float("nan")),
    )
    bare = dataclasses.replace(found.corners["RR"], verification=None)
    return dataclasses.replace(found, corners={**found.corners, "FL": spoiled, "RR": bare})


@pytest.mark.parametrize("which", ["day", "everything", "one corner"])
def test_what_is_read_back_is_what_was_written(tmp_path: Path, which: str) -> None:
    calibration = {
        "day": lambda: day().calibration,
        "everything": with_everything,
        "one corner": lambda: exact().calibration,
    }[which]()
    path = write_calibration(calibration, tmp_path / "calibration.nc")
    same(read_calibration(path), calibration)


def test_what_was_read_is_shared_and_cannot_be_changed(tmp_path: Path) -> None:
    path = write_calibration(exact().calibration, tmp_path / "calibration.nc")
    read = read_calibration(path)
    assert read_calibration(path) is read
    with pytest.raises(ValueError, match="read-only"):
        next(iter(read.corners.values())).K[0, 0] = 1.0


def test_the_tares_of_the_pulls_are_kept(tmp_path: Path) -> None:
    """They are what the tares of a drive are compared with."""
    car, drawn = day().car, day().drawn
    found = read_calibration(write_calibration(day().calibration, tmp_path / "calibration.nc"))
    for name in car.corners:
        corner, channels = found.corners[name], drawn.channels[name]
        newton = np.max(np.abs(corner.K * corner.arms), axis=1)
        # The true zeros, shifted by some hundred newtons of the wheel's weight on its links.
        assert np.all(np.abs(corner.conditions.tare - channels.zero) < 1000 * newton)
        assert np.all(corner.conditions.tare_scatter < 30 * newton)
        kept = corner.without(corner.gauges[0])
        assert np.array_equal(kept.conditions.tare, corner.conditions.tare[1:])


@pytest.mark.parametrize(
    "gone",
    [
        ("tare", "tare_scatter"), ("sources", "covariance_by_source"), ("arms",),
        ("facts_place", "facts_value"),
    ],
    ids=["tares", "sources", "arms", "facts"],
)  # fmt: skip
def test_a_calibration_from_before_a_release_is_to_be_made_again(
    tmp_path: Path, gone: tuple[str, ...]
) -> None:
    inputs = (Input("vehicle", "car.toml", "0"), Input("pulls", "p.csv", "1"),
              Input("verification", "v.csv", "2"))  # fmt: skip
    path = write_calibration(
        exact().calibration, tmp_path / "calibration.nc",
        record=Record("calibrate", {}, inputs, (), ()),
    )  # fmt: skip
    names = [f"FL_{name}" for name in gone]
    older = write_result(read_result(path).drop_vars(names), tmp_path / "older.nc")
    message = (
        rf"older\.nc: 'Calibration of Invented club racer', without {', '.join(names)}; need a "
        rf"dataset with these variables\.(?s:.*)recon {program_version()} wrote this file on 20.*"
        r"older layout(?s:.*)Write it again: `recon calibrate car.toml p.csv --verification v.csv`"
    )
    with pytest.raises(DataError, match=message):
        read_calibration(older)


def test_a_result_already_there_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "kept.nc"
    path.write_text("mine")
    with pytest.raises(OutputError, match=r"kept\.nc: this file already exists"):
        write_calibration(exact().calibration, path)
    assert path.read_text() == "mine"
    write_calibration(exact().calibration, path, overwrite=True)
    same(read_calibration(path), exact().calibration)


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=rf"no folder {tmp_path}/nowhere"):
        write_calibration(exact().calibration, tmp_path / "nowhere" / "calibration.nc")


def test_another_result_is_no_calibration(tmp_path: Path) -> None:
    path = write_result(day().forces, tmp_path / "forces.nc")
    title = "a file titled 'Tyre forces of Invented club racer'"
    with pytest.raises(DataError, match=rf"forces\.nc: {title}; need a calibration"):
        read_calibration(path)


def test_a_newer_format_is_refused(tmp_path: Path) -> None:
    path = write_calibration(exact().calibration, tmp_path / "calibration.nc")
    with netCDF4.Dataset(path, "a") as opened:
        opened.format = np.int64(2)
    with pytest.raises(DataError, match=r"calibration\.nc: format 2; need format 1"):
        read_calibration(path)


def test_a_slope_that_no_bridge_has_is_refused(tmp_path: Path) -> None:
    path = write_calibration(exact().calibration, tmp_path / "calibration.nc")
    with netCDF4.Dataset(path, "a") as opened:
        opened["FL_K"][3, 1] = 3e9
    with pytest.raises(DataError, match=r"FL_K.* 3e\+09.*need numbers from -1 to 1"):
        read_calibration(path)


def test_a_truncated_file_is_refused(tmp_path: Path) -> None:
    path = write_calibration(exact().calibration, tmp_path / "calibration.nc")
    path.write_bytes(path.read_bytes()[:5000])
    with pytest.raises(DataError, match=r"calibration\.nc: not readable as netCDF"):
        read_calibration(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"gone\.nc: no such file"):
        read_calibration(tmp_path / "gone.nc")


def test_foreign_netcdf_is_told_by_its_missing_format(tmp_path: Path) -> None:
    with netCDF4.Dataset(tmp_path / "other.nc", "w") as opened:
        opened.title = "something else"
    with pytest.raises(
        DataError, match=r"other\.nc: a netCDF file of another program, with no variable"
    ):
        read_calibration(tmp_path / "other.nc")


def test_units_and_names_stand_in_the_file(tmp_path: Path) -> None:
    """Whoever opens the file with other tools finds the words."""
    stored = read_result(write_calibration(day().calibration, tmp_path / "calibration.nc"))
    assert stored.attrs["kind"] == "calibration"
    assert [str(c) for c in stored["corners"].to_numpy()] == ["FL", "FR", "RL", "RR"]
    assert stored["FL_K"].dims == ("FL_gauge", "FL_member")
    assert all("long_name" in v.attrs for v in stored.data_vars.values())
    units = {
        "K": "mV/V/N", "K_geometry": "mV/V/N", "covariance": "(mV/V/N)^2", "noise": "mV/V",
        "friction": "mV/V", "gain_effect": "mV/V/N", "tare": "mV/V", "force_reached": "N",
        "pull_peak": "N", "pull_angle": "rad", "hysteresis": "1", "temperature": "degC",
    }  # fmt: skip
    assert {name: stored[f"FL_{name}"].attrs["units"] for name in units} == units
    assert stored["FL_K"].attrs["long_name"] == "FL: indication per load of a member"
    assert not list(tmp_path.glob(".part*"))  # nothing half written is left


def test_units_of_a_corner_with_moments_are_listed(tmp_path: Path) -> None:
    made = unit_day("wishbone_spring_on_arm", "FL", 0).fitted
    other = ("microstrain", *made.units[1:])
    for units, y in ((made.units, "mV/V"), (other, "unit_of_gauge")):
        corner = dataclasses.replace(made, units=units)
        calibration = dataclasses.replace(exact().calibration, corners={"FL": corner})
        path = write_calibration(calibration, tmp_path / "calibration.nc", overwrite=True)
        stored = read_result(path)
        assert stored["FL_K"].attrs["units"] == f"{y}/unit_of_member"
        assert stored["FL_member_units"].to_numpy().tolist().count("N m") > 0
        assert stored["FL_units"].to_numpy().tolist() == list(units)
        same(read_calibration(path), calibration)


def test_a_number_of_another_unit_is_refused(tmp_path: Path) -> None:
    path = write_calibration(exact().calibration, tmp_path / "calibration.nc")
    with netCDF4.Dataset(path, "a") as opened:
        opened["FL_K"].units = "mV/V/kN"
    with pytest.raises(DataError, match=r"variable FL_K: unit 'mV/V/kN'; need unit 'mV/V/N'"):
        read_calibration(path)
