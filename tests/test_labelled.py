"""Labels, units and content of result files: one description, checked where a file is opened."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from recon.analysis.friction import friction_use
from recon.analysis.slalom import slalom
from recon.base.errors import DataError
from recon.base.labelled import Variable, require, require_content, stamp
from recon.calibration.store import read_calibration, write_calibration
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from recon.records.forces import FORCES, SIGNED, require_forces
from recon.records.results import read_result, write_result
from recon.report.answers.friction import plot_friction_plane
from recon.report.answers.slalom import plot_lateral_force
from recon.report.calibration.calibration_summary import calibration_summary
from tests.days import day, exact

SPEED = {"speed": Variable(("time",), "speed over ground", "m/s", finite=True, least=0.0)}


def car_speed(values: object = (1.0, 2.0), units: str = "m/s", dim: str = "time") -> xr.Dataset:
    return xr.Dataset({"speed": (dim, np.asarray(values), {"units": units})}, attrs={"title": "T"})


def test_what_is_stamped_is_what_is_required() -> None:
    made = xr.Dataset({"speed": stamp(SPEED["speed"], np.array([1.0]))})
    assert made["speed"].attrs == {"units": "m/s", "long_name": "speed over ground"}
    require(made, SPEED, ["speed"], "Do.")
    require_content(made, SPEED, ["speed"], "Do.")


@pytest.mark.parametrize(
    ("made", "message"),
    [
        (
            xr.Dataset(attrs={"title": "T"}),
            r"T: 'T', without speed; need a dataset with these variables",
        ),
        (car_speed(units="km/h"), r"T, variable speed: unit 'km/h'; need unit 'm/s'"),
        (car_speed(dim="sample"), r"variable speed: \(sample\); need \(time\)"),
        (car_speed([1, 2]), r"variable speed: whole numbers; need numbers"),
        (car_speed(["a", "b"]), r"variable speed: words; need numbers"),
        (car_speed([True]), r"variable speed: type bool; need numbers"),
        (car_speed([1.0, np.inf]), r"variable speed: inf; need numbers from 0 to 1e\+12"),
        (car_speed([1.0, -2.0]), r"variable speed: -2; need numbers from 0"),
        (car_speed([1.0, np.nan]), r"variable speed: 1 of 2 not known \(NaN\); need numbers"),
    ],
)
def test_what_is_not_as_described_is_refused(made: xr.Dataset, message: str) -> None:
    def door() -> None:
        require(made, SPEED, ["speed"], "Do.")
        require_content(made, SPEED, ["speed"], "Do.")

    with pytest.raises(DataError, match=message):
        door()


def test_words_are_among_those_that_are_known() -> None:
    described = {"corner": Variable(("corner",), kind="word", words=("FL", "FR"))}
    made = xr.Dataset(coords={"corner": ["FL", "rr"]})
    with pytest.raises(DataError, match=r"variable corner: 'rr'; need FL, FR"):
        require_content(made, described, ["corner"], "Do.")


# --- doors of forces -------------------------------------------------------------------------

DOORS: list[Callable[[xr.Dataset], object]] = [
    slalom,
    friction_use,
    plot_lateral_force,
    plot_friction_plane,
    lambda forces: signed_errors(forces, np.arange(3)),
]


@pytest.mark.parametrize("use", DOORS)
def test_every_door_looks_at_labels_and_units(use: Callable[[xr.Dataset], object]) -> None:
    kilo = day().forces.copy()
    for name in ("tyre_force", "tyre_force_intermediate"):
        kilo[name] = kilo[name].assign_attrs(units="kN")
    with pytest.raises(DataError, match=r"variable tyre_force\w*: unit 'kN'; need unit 'N'"):
        use(kilo)
    turned = day().forces.transpose("corner", "elapsed_time", ...)
    with pytest.raises(DataError, match=r"\(corner, .*component.*\); need \(elapsed_time|cause"):
        use(turned)


def changed(**changes: object) -> xr.Dataset:
    return day().forces.isel(elapsed_time=slice(0, 9)).assign_coords(changes)


@pytest.mark.parametrize(
    ("forces", "message"),
    [
        (changed(corner=["FL", "FL", "RL", "RR"]), "corner: 'FL' 2 times; need each label once"),
        (changed(corner=["FL", "FR", "RL", "XX"]), "corners FL, FR, RL, XX; need some of FL"),
        (changed(component=["x", "z", "y"]), "components x, z, y; need x, y, z"),
        (
            changed(elapsed_time=("elapsed_time", np.zeros(9), {"units": "s"})),
            "9 samples, 8 of them not after the one before; need two",
        ),
    ],
)  # fmt: skip
def test_labels_of_forces(forces: xr.Dataset, message: str) -> None:
    forces["corner"].attrs = forces["component"].attrs = {}
    with pytest.raises(DataError, match=message):
        require_forces(forces, "tyre_force")


def test_partners_name_each_other() -> None:
    odd = day().forces.copy()
    odd["partner"] = odd["partner"] * 0 + 3
    with pytest.raises(DataError, match=r"partners 3, 3, 3, 3 of corners FL, FR, RL, RR; need"):
        signed_errors(odd, np.arange(3))
    for part, words in (
        ({"mode": slice(0, 2)}, r"\d+ causes, 2 m"),
        ({"cause": []}, "0 causes, 3 m"),
    ):
        with pytest.raises(DataError, match=rf"{words}odes and 14 features; need 3 and 14"):
            signed_errors(day().forces.isel(part), np.arange(3))


@cache
def forces_file(folder: Path) -> bytes:
    return write_result(day().forces.isel(elapsed_time=slice(0, 30)), folder / "f.nc").read_bytes()


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("loading", np.nan, r"variable loading: 1 of \d+ not known"),
        ("tyre_force", np.inf, r"variable tyre_force: inf; need numbers from -1e\+12"),
        ("hub_mode", 7, r"variable hub_mode: 7; need numbers from 0 to 2"),
        ("u_tyre_force", -1.0, r"variable u_tyre_force: -1; need numbers from 0"),
    ],
)
def test_numbers_that_forces_cannot_hold(
    tmp_path: Path, name: str, value: float, message: str
) -> None:
    path = tmp_path / "forces.nc"
    path.write_bytes(forces_file(tmp_path))
    with netCDF4.Dataset(path, "a") as opened:
        variable = opened[name]
        variable[(0,) * variable.ndim] = value
    with pytest.raises(DataError, match=rf"forces\.nc, {message}"):
        read_result(path)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("bandwidth_Hz", "fast", r"attribute bandwidth_Hz: 'fast'; need a frequency"),
        ("rate_Hz", -5.0, r"attribute rate_Hz: .*-5.*; need a frequency"),
        ("not_known", 3, r"attribute not_known: .*3.*; need a text"),
    ],
)
def test_attributes_of_forces(tmp_path: Path, name: str, value: object, message: str) -> None:
    path = tmp_path / "forces.nc"
    path.write_bytes(forces_file(tmp_path))
    with netCDF4.Dataset(path, "a") as opened:
        opened.setncattr(name, value)
    with pytest.raises(DataError, match=rf"forces\.nc, {message}"):
        read_result(path)


def test_every_variable_of_the_result_is_described() -> None:
    assert set(day().forces.variables) <= set(FORCES)
    assert set(SIGNED) <= set(FORCES)
    for name, variable in day().forces.variables.items():
        assert variable.attrs.keys() == FORCES[str(name)].attributes.keys(), name


def test_forces_without_their_main_variable_are_looked_at_too(tmp_path: Path) -> None:
    bare = day().forces.drop_vars("tyre_force").isel(elapsed_time=slice(0, 30)).copy(deep=True)
    bare["heading"][0, 0] = np.inf
    path = write_result(bare, tmp_path / "forces.nc")
    with pytest.raises(DataError, match=r"variable heading: inf; need numbers"):
        read_result(path)


def test_a_bandwidth_far_below_the_rate_is_refused() -> None:
    message = r"a bandwidth of 1e-09 Hz at 200 samples per second; need .* at least 0\.02 Hz"
    with pytest.raises(DataError, match=message):
        condition(day().log, day().car, day().tares, bandwidth=1e-9)
    with pytest.raises(DataError, match=message):
        slalom(day().forces, bandwidth=1e-9)


# --- doors of logs ---------------------------------------------------------------------------


def test_every_door_of_logs_looks_at_labels_and_units() -> None:
    found = day()
    doors = (
        (found.log, lambda log: condition(log, found.car, found.tares)),
        (found.conditioned, lambda log: prepare(found.calibration, found.car, log)),
        (found.conditioned, lambda log: reconstruct(log, found.calibration, found.car)),
    )
    for log, use in doors:
        assert log["travel"].attrs["units"] == "m"
        millimetres = log.assign(travel=(1e3 * log["travel"]).assign_attrs(units="mm"))
        with pytest.raises(DataError, match=r"variable travel: unit 'mm'; need unit 'm'"):
            use(millimetres)
        with pytest.raises(DataError, match=r"variable indication: \(gauge, elapsed_time\); need"):
            use(log.assign(indication=log["indication"].T))
        with pytest.raises(DataError, match=r"without indication; need a dataset with"):
            use(log.drop_vars("indication"))


# --- sizes that a header claims ---------------------------------------------------------------


def test_a_claimed_size_is_refused_before_it_is_asked_for(tmp_path: Path) -> None:
    path = write_calibration(exact().calibration, tmp_path / "calibration.nc")
    with netCDF4.Dataset(path, "a") as opened:
        opened.createDimension("endless", 10**13)
        opened.createVariable("huge", "f8", ("endless",))
    message = r"calibration\.nc: 8\d{13} bytes claimed by a file of \d+ bytes; need .* 200 times"
    with pytest.raises(DataError, match=message):
        read_calibration(path)


def test_too_many_variables_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "many.nc"
    xr.Dataset({f"v{i}": 1.0 for i in range(2001)}).to_netcdf(path)
    with pytest.raises(DataError, match=r"many\.nc: not readable as netCDF \(ValueError\)"):
        read_result(path)


# --- calibration files ------------------------------------------------------------------------


def spoiled(folder: Path, change: Callable[[xr.Dataset], xr.Dataset]) -> Path:
    """The calibration's file after a change of its dataset."""
    path = write_calibration(exact().calibration, folder / "sound.nc")
    return write_result(change(read_result(path)), folder / "calibration.nc")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.drop_vars("FL_K"), r"without FL_K; need"),
        (lambda d: d.assign(FL_K=d.FL_K.T), r"variable FL_K: \(FL_member, FL_gauge\); need"),
        (lambda d: d.assign(FL_K=d.FL_K * np.nan), r"variable FL_K: 36 of 36 not known \(NaN\)"),
        (lambda d: d.assign(FL_travel=d.FL_travel.astype(str)), r"variable FL_travel: words; need"),
        (lambda d: d.assign(FL_noise=-d.FL_noise - 1), r"variable FL_noise: -1.*; need .* 0"),
        (lambda d: d.isel(FL_term=slice(5)), r"covariance_by_source: \(5, 36\) entries"),
        (lambda d: d.assign(FL_units=d.FL_units.where(False, "psi")), r"FL_K: .* need unit 'psi"),
        (
            lambda d: d.assign(FL_members=d.FL_members.where(False, "one")),
            r"variable FL_members: 1 entries of their own; need 6",
        ),
        (lambda d: d.assign(corners=d.corners.where(False, "XX")), r"corners: 'XX'; need FL, FR"),
        (lambda d: d.drop_vars("FL_pull_peak"), r"without FL_pull_peak"),
        (lambda d: d.assign_attrs(vehicle=3), r"attribute vehicle: .*3.*; need a text"),
        (
            lambda d: d.drop_vars("corners").assign(corners=("corner_list", ["FL", "FL"])),
            r"corners 'FL, FL'; need each calibrated corner once",
        ),
    ],
)  # fmt: skip
def test_a_spoiled_calibration_is_refused(
    tmp_path: Path, change: Callable[[xr.Dataset], xr.Dataset], message: str
) -> None:
    with pytest.raises(DataError, match=message):
        read_calibration(spoiled(tmp_path, change))


@pytest.mark.parametrize(
    ("key", "old", "new"), [("gauges", "FL_tie_rod", "FL_other"), ("members", "tie_rod", "upright")]
)
def test_gauges_and_members_of_another_car_are_refused(
    tmp_path: Path, key: str, old: str, new: str
) -> None:
    path = spoiled(
        tmp_path, lambda d: d.assign({f"FL_{key}": d[f"FL_{key}"].str.replace(f"^{old}$", new)})
    )
    found = read_calibration(path)
    message = (
        rf"calibration with .*, corner FL: gauges .* about .*{new if key == 'members' else ''}"
    )
    with pytest.raises(DataError, match=message):
        prepare(found, exact().car, day().conditioned)
    with pytest.raises(DataError, match=message):
        calibration_summary(found, exact().car)


def test_units_of_another_car_are_refused_when_the_file_is_read(tmp_path: Path) -> None:
    path = spoiled(
        tmp_path, lambda d: d.assign(FL_units=d["FL_units"].str.replace("mV/V", "counts"))
    )
    with pytest.raises(DataError, match=r"FL_K: unit 'mV/V/N'; need unit 'count/N'"):
        read_calibration(path)


def test_a_corner_that_the_car_does_not_have_is_refused() -> None:
    corners = {"RR": exact().calibration.corners["FL"]}
    found = dataclasses.replace(exact().calibration, corners=corners)
    with pytest.raises(DataError, match="a calibration of 'RR'; need one of FL"):
        calibration_summary(found, exact().car)
