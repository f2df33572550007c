"""Tare tables: values in the gauges' units, and what is refused."""

import dataclasses

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataError, DataWarning
from recon.base.shipped import shipped
from recon.calibration.store import read_calibration
from recon.records.column_maps import WORDS
from recon.records.logs import read_log
from recon.records.pulls import read_pulls
from recon.records.results import write_result
from recon.records.tares import STATES, read_tares
from tests.small_car import small_car

HEADER = "when,gauge,state,indication [uV/V],sd [uV/V],temperature [K],pad_load [kg],time [min]\n"
ROWS = "before,G1,,-18.7,0.8,293.15,,\nafter,G2,pads,12,,,150,2\n"


def save(folder, content):
    path = folder / "tares.csv"
    path.write_text(content)
    return path


def test_tares_in_the_units_of_the_gauges(tmp_path):
    tares = read_tares(save(tmp_path, HEADER + ROWS), small_car())
    assert tares.when.tolist() == ["before", "after"]
    assert tares.gauge.tolist() == ["G1", "G2"]
    assert tares.state.tolist() == ["hanging", "pads"]
    assert tares.line.tolist() == [2, 3]
    exact = {"rtol": 1e-12, "atol": 0}  # a few roundings of double precision
    np.testing.assert_allclose(tares.indication, [-0.0187, 0.012], **exact)
    np.testing.assert_allclose(tares.sd, [0.0008, np.nan], **exact)
    np.testing.assert_allclose(tares.temperature, [20.0, np.nan], **exact)
    np.testing.assert_allclose(tares.pad_load, [np.nan, 150 * 9.80665], **exact)
    np.testing.assert_allclose(tares.time, [np.nan, 120.0], **exact)


def test_rows_may_have_the_unit_of_their_own_gauge(tmp_path):
    car = small_car()
    left, right = car.corners.values()
    strain = tuple(dataclasses.replace(g, unit="microstrain") for g in right.gauges)
    mixed = dataclasses.replace(
        car, corners={"FL": left, "FR": dataclasses.replace(right, gauges=strain)}
    )
    text = "when,gauge,indication [{}]\nbefore,G1,0.5\nbefore,G3,120\n"
    tares = read_tares(save(tmp_path, text.format("gauge unit")), mixed)
    assert tares.indication.tolist() == [0.5, 120.0]
    with pytest.raises(DataError, match=r"line 3, .*: indications of G3 in 'mV/V'.*microstrain"):
        read_tares(save(tmp_path, text.format("mV/V")), mixed)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (HEADER.replace("gauge,", "gage,") + ROWS, r"tares.csv: no column gauge; .*'gage'"),
        (HEADER.replace(" [uV/V]", "", 1) + ROWS, r"column 'indication': no unit .*mV/V, uV/V"),
        (
            HEADER + ROWS.replace("G1", "G9"),
            r"(?s)line 2, column 'gauge': gauge 'G9'; need 'G.*Remove the rows of gauges that",
        ),
        (HEADER + ROWS.replace("before", "befor"), r"when 'befor'; need 'before'"),
        (HEADER + ROWS.replace("pads", "pad"), r"line 3: state 'pad' for G2; need one of 'hang"),
        (HEADER + ROWS.replace("pads", "stand"), r"state 'stand' for G2; .*'standing' \(on the gr"),
        (HEADER + ROWS.replace("-18.7", ""), r"line 2: no indication of G1"),
        (HEADER + ROWS.replace("150", ""), r"line 3: state 'pads' for G2 without"),
        (HEADER + ROWS.replace("0.8", "-0.8"), r"line 2: sd = -0.8 uV/V; need .* below 0"),
    ],
)
def test_tares_refused(tmp_path, content, message):
    with pytest.raises(DataError, match=message):
        read_tares(save(tmp_path, content), small_car())


def test_no_state_is_guessed_from_its_spelling():
    """'standing' looks like 'hanging' and means the opposite."""
    assert tuple(STATES) == WORDS["state"]
    assert "standing" in STATES


@pytest.mark.parametrize("state", ["standing", "coasting"])
def test_states_without_a_known_load_are_kept(tmp_path, state):
    tares = read_tares(save(tmp_path, HEADER + ROWS.replace("pads", state)), small_car())
    assert tares.state.tolist() == ["hanging", state]
    assert np.isnan(tares.pad_load[1])


@pytest.mark.parametrize(
    ("name", "found"), [("day.csv.gz", "a log"), ("pulls.csv", "a pull sheet")]
)
def test_a_table_of_another_kind_is_named(club_racer, name, found):
    with pytest.raises(DataError, match=rf"{name}: {found} where a tare table is wanted; need a"):
        read_tares(shipped("demo_data", name), club_racer)


def test_a_tare_table_is_no_log_and_no_pull_sheet(club_racer):
    path = shipped("demo_data", "tares.csv")
    with pytest.raises(DataError, match=r"tares\.csv: a tare table where a log is wanted; need"):
        read_log(path, club_racer)
    with pytest.raises(DataError, match=r"a tare table where a pull sheet is wanted; need .* pull"):
        read_pulls(path, club_racer)


def test_a_calibration_is_no_tare_table(tmp_path, club_racer):
    path = write_result(xr.Dataset({"a": ("x", [1.0])}), tmp_path / "calibration.nc")
    with pytest.raises(DataError, match=r"calibration\.nc: a netCDF file .* where a tare table is"):
        read_tares(path, club_racer)


def test_a_table_is_no_calibration():
    path = shipped("demo_data", "tares.csv")
    with pytest.raises(DataError, match=r"tares\.csv: no netCDF file where a result or calib"):
        read_calibration(path)


def test_a_column_that_nobody_reads_is_noted(tmp_path):
    rows = ROWS.replace(",,\n", ",,,dry\n").replace("150,2\n", "150,2,dry\n")
    path = save(tmp_path, HEADER.replace("\n", ",weather\n") + rows)
    with pytest.warns(DataWarning, match=r"tares\.csv: ignored: column 'weather'"):
        read_tares(path, small_car())
