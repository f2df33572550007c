"""Result files: conventions, what is there stays, what is refused; units and shipped files."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from recon.analysis.friction import friction_use
from recon.analysis.slalom import slalom
from recon.base.errors import DataError, OutputError
from recon.base.quantities import UNITS, unit_of
from recon.base.shipped import shipped
from recon.calibration.store import write_calibration
from recon.examination.reconstruct import reconstruct
from recon.records.forces import CHANNELS
from recon.records.results import read_result, write_result
from recon.report.answers.friction import plot_friction_plane
from recon.report.answers.slalom import plot_lateral_force
from tests.days import day


@cache
def results() -> dict[str, xr.Dataset]:
    return {
        "forces": day().forces,
        "slalom": slalom(day().forces),
        "friction": friction_use(day().forces),
    }


def written(name: str, folder: Path) -> Path:
    if name == "calibration":
        return write_calibration(day().calibration, folder / "calibration.nc")
    return write_result(results()[name], folder / f"{name}.nc")


@pytest.mark.parametrize("name", ["forces", "slalom", "friction"])
def test_what_is_read_back_is_what_was_written(tmp_path: Path, name: str) -> None:
    back = read_result(written(name, tmp_path))
    # Channels of the log are kept in single precision, everything else to the last bit.
    single = {n: v.astype("float32") for n, v in results()[name].items() if n in CHANNELS}
    xr.testing.assert_equal(back, results()[name].assign(single))
    for variable in results()[name].variables:
        attributes = back[variable].attrs
        for key, value in results()[name][variable].attrs.items():
            assert np.array_equal(attributes[key], value), (variable, key)
    assert back["elapsed_time" if "elapsed_time" in back else "cone"].dtype != "datetime64[ns]"
    assert back.attrs["Conventions"] == "CF-1.11"
    assert back.attrs["format"] == 1
    assert back.attrs["history"].endswith("written by recon")


def test_the_samples_of_a_force_lie_beside_each_other_when_read(tmp_path: Path) -> None:
    """As in forces that were just made: answers from a file had taken three times as long."""
    back = read_result(written("forces", tmp_path))
    for name in ("tyre_force", "u_tyre_force_random", "travel", "status"):
        assert back[name].to_numpy()[:, 0, ...].strides[0] == back[name].dtype.itemsize, name


# The checker takes differences of every coordinate to see whether it rises; ours of words
# (corner, axle, component) make it stumble, which is no complaint about the file.
STUMBLES = (
    "check_coordinate_variables_strict_monotonicity: unsupported operand type(s) for -: 'str'"
)


@pytest.mark.parametrize(
    "names",
    [("forces", "slalom", "friction"), pytest.param(("calibration",), marks=pytest.mark.slow(5))],
)
def test_the_conventions_checker_has_no_complaint(tmp_path: Path, names: tuple[str, ...]) -> None:
    paths = [str(written(name, tmp_path)) for name in names]
    program = Path(sys.executable).with_name("compliance-checker")
    done = subprocess.run(
        [program, "--test=cf:1.11", "--criteria=strict", *paths],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.count("All tests passed!") == len(names), done.stdout + done.stderr
    stumbled = [line for line in done.stderr.splitlines() if line.startswith("cf:1.11.")]
    assert all(STUMBLES in line for line in stumbled), done.stderr


def test_labels_have_no_fill_value_and_numbers_have_nan(tmp_path: Path) -> None:
    with netCDF4.Dataset(written("forces", tmp_path)) as opened:
        assert "_FillValue" not in opened["status"].ncattrs()
        assert "_FillValue" not in opened["elapsed_time"].ncattrs()
        assert np.isnan(opened["tyre_force"].getncattr("_FillValue"))
        assert opened["status"].dtype == np.uint16


def test_nothing_is_overwritten_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "friction.nc"
    path.write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"friction\.nc: this file already exists"):
        write_result(results()["friction"], path)
    assert path.read_bytes() == b"mine"
    write_result(results()["friction"], path, overwrite=True)
    xr.testing.assert_equal(read_result(path), results()["friction"])
    assert [p.name for p in tmp_path.iterdir()] == ["friction.nc"]


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = written("friction", tmp_path)
    before = path.read_bytes()
    bad = xr.Dataset({"odd": ("x", np.array([object(), object()], dtype=object))})
    with pytest.raises((TypeError, ValueError)):
        write_result(bad, path, overwrite=True)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["friction.nc"]


@pytest.mark.parametrize("version", [0, 2, 17])
def test_another_format_is_refused(tmp_path: Path, version: int) -> None:
    path = written("friction", tmp_path)
    with netCDF4.Dataset(path, "a") as opened:
        opened.format = np.int64(version)
    with pytest.raises(DataError, match=rf"friction\.nc: format {version}; need format 1"):
        read_result(path)


def test_a_text_is_no_result(tmp_path: Path) -> None:
    path = tmp_path / "odd.nc"
    path.write_bytes(b"no netCDF")
    with pytest.raises(DataError, match=r"odd\.nc: no netCDF file where a result or calibration"):
        read_result(path)


@pytest.mark.parametrize("content", [b"", b"\x89HDF\r\n\x1a\n" + bytes(200)])
def test_what_is_no_netcdf_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "odd.nc"
    path.write_bytes(content)
    with pytest.raises(DataError, match=r"odd\.nc: not readable as netCDF \(\w+\)"):
        read_result(path)


@pytest.mark.parametrize("mark", [{}, {"format": "NetCDF-4"}])
def test_a_netcdf_file_of_another_program_is_refused(tmp_path: Path, mark: dict[str, str]) -> None:
    path = tmp_path / "weather.nc"
    xr.Dataset({f"v{i}": ("x", np.arange(3.0)) for i in range(8)}, attrs=mark).to_netcdf(path)
    message = r"weather\.nc: a netCDF file of another program, with v0, .*, v5 and 2 more; need"
    with pytest.raises(DataError, match=message):
        read_result(path)


@pytest.mark.parametrize("use", [slalom, friction_use, plot_lateral_force, plot_friction_plane])
def test_results_that_are_no_forces_are_refused(
    tmp_path: Path, use: Callable[[xr.Dataset], object]
) -> None:
    read = read_result(written("calibration", tmp_path))
    message = r"calibration\.nc: 'Calibration of .*', without tyre_force\w*, "
    with pytest.raises(DataError, match=message):
        use(read)
    with pytest.raises(DataError, match=r"Slalom: .*: 'Slalom: .*', without tyre_force"):
        use(results()["slalom"])


def test_a_file_is_named_as_seen_from_the_current_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = read_result(written("calibration", tmp_path))
    for folder, seen in ((tmp_path, ""), (tmp_path.parent, rf"{tmp_path.name}[/\\]")):
        monkeypatch.chdir(folder)
        with pytest.raises(DataError, match=rf"^{seen}calibration\.nc: 'Calibration of"):
            slalom(read)


def test_addresses_are_not_fetched() -> None:
    with pytest.raises(
        DataError, match=r"https://somewhere\.invalid/forces\.nc: a network address"
    ):
        read_result("https://somewhere.invalid/forces.nc")


# --- units and shipped files -----------------------------------------------------------------


def test_units_by_their_definition() -> None:
    assert unit_of("kgf", "force", "here").factor == 9.80665
    fahrenheit = unit_of("degF", "temperature", "here")
    assert 212 * fahrenheit.factor + fahrenheit.offset == pytest.approx(100.0, abs=1e-12)
    assert unit_of("psi", "pressure", "here").factor == pytest.approx(6894.757, rel=1e-6)
    assert unit_of("rpm", "angular_rate", "here").factor == pytest.approx(0.10471976, rel=1e-7)
    assert all(u.dimension == d for d, table in UNITS.items() for u in table.values())


@pytest.mark.parametrize(
    ("spelling", "dimension", "found"),
    [
        ("Kgf", "force", "kgf"),
        ("MM", "length", "mm"),
        ("mm/s", "length", "mm"),
        ("furlong", "length", "one of mm"),
    ],
)
def test_unknown_units_are_refused_with_the_nearest(
    spelling: str, dimension: str, found: str
) -> None:
    message = f"line 3: unit '{spelling}' for a quantity of kind {dimension}; need .*{found}"
    with pytest.raises(DataError, match=message):
        unit_of(spelling, dimension, "pulls.csv, line 3")


@pytest.mark.parametrize(
    ("spelling", "dimension", "ours"),
    [
        ("kph", "speed", "km/h"),
        ("kp", "force", "kgf"),
        ("Sec", "time", "s"),
        ("\u00b0C", "temperature", "degC"),
        ("\u00ba C", "temperature", "degC"),
        ("\u2103", "temperature", "degC"),
        ("deg_C", "temperature", "degC"),
        ("C", "temperature", "degC"),
        ("\u00b0F", "temperature", "degF"),
        ("m/s\u00b2", "acceleration", "m/s2"),
        ("\u00b5\u03b5", "microstrain", "microstrain"),
    ],
)
def test_a_spelling_of_others_that_means_one_unit_is_taken(spelling, dimension, ours):
    assert unit_of(spelling, dimension, "log.csv") == UNITS[dimension][ours]


def test_a_spelling_of_others_is_no_unit_of_another_kind() -> None:
    with pytest.raises(DataError, match="unit '\u00b0C' for a quantity of kind angle; need 'deg'"):
        unit_of("\u00b0C", "angle", "log.csv")


def test_pounds_may_be_two_things() -> None:
    with pytest.raises(DataError, match=r"unit 'lb' .*\n.*'lb' may be a mass or a force"):
        unit_of("lb", "force", "pulls.csv")


def test_no_unit_is_suggested_for_a_spelling_of_several() -> None:
    """Degrees in German, and hundredths of a right angle in French: radians in neither."""
    message = r"unit 'Grad' .*; need one of rad, deg\.\n.*'Grad' may be degrees or gon: write deg"
    with pytest.raises(DataError, match=message):
        unit_of("Grad", "angle", "log.csv")


def test_shipped_files_are_there() -> None:
    assert shipped("vehicles", "club_racer.toml").is_file()
    assert shipped("demo_data").is_dir()


def test_a_file_that_is_not_shipped_is_told() -> None:
    with pytest.raises(OutputError, match=r"no shipped file vehicles/hovercraft\.toml"):
        shipped("vehicles", "hovercraft.toml")


def test_channels_of_the_log_are_kept_beside_the_forces(tmp_path: Path) -> None:
    stored = read_result(write_result(day().forces, tmp_path / "forces.nc"))
    log = day().conditioned
    for name in ("speed", "steer", "acceleration", "hub_acceleration", "wheel_speed", "yaw_rate"):
        kept = stored[name]
        assert kept.dims == log[name].dims
        assert kept.attrs["units"] == log[name].attrs["units"]
        # Files hold numbers in single precision.
        np.testing.assert_allclose(kept, log[name], rtol=1e-6, atol=1e-6)
    assert stored["travel"].attrs["long_name"] == "travel as used, bump positive"


def test_a_log_with_more_corners_keeps_those_of_the_forces() -> None:
    alone = replace(day().calibration, corners={"RL": day().calibration.corners["RL"]})
    log = day().conditioned.isel(elapsed_time=slice(600, 640))
    found = reconstruct(log, alone, day().car)
    assert found["wheel_speed"].dims == ("elapsed_time", "corner")
    np.testing.assert_array_equal(found["wheel_speed"].sel(corner="RL"), log["wheel_speed"][:, 2])


@pytest.mark.parametrize(
    ("change", "gone"),
    [
        (lambda d: d.rename(loading_added_tyre="loading_steered"), "loading_added_tyre"),
        (lambda d: d.drop_vars(["vehicle_mass", "contact_point"]), "contact_point, vehicle_mass"),
        (lambda d: d.drop_vars("calibration_doubt"), "calibration_doubt"),
    ],
    ids=["loadings", "facts of the car", "verdicts"],
)
def test_forces_from_before_a_release_are_to_be_written_again(
    tmp_path: Path, change: Callable[[xr.Dataset], xr.Dataset], gone: str
) -> None:
    older = write_result(change(day().forces), tmp_path / "older.nc")
    message = (
        rf"older\.nc: 'Tyre forces of Invented club racer', without {gone}; need a dataset with "
        r"these variables\.(?s:.*)forces\.nc\), or write it again"
    )
    with pytest.raises(DataError, match=message):
        read_result(older)


def test_reading_takes_hardly_more_memory_than_what_is_read(tmp_path: Path) -> None:
    """The times of all samples had been copied for every variable."""
    count, names = 100_000, [f"v{k}" for k in range(20)]
    values = xr.DataArray(np.ones(count, np.float32), dims="elapsed_time", attrs={"units": "1"})
    made = xr.Dataset(dict.fromkeys(names, values), {"elapsed_time": np.arange(float(count))})
    file = write_result(made, tmp_path / "many.nc")
    tracemalloc.start()
    found = read_result(file)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    size = sum(found[name].nbytes for name in (*names, "elapsed_time"))
    assert most < 1.5 * size, f"{most / size:.2f} times what is read"
