"""Tare tables: values in the gauges' units, and what is refused."""

import dataclasses

import numpy as np
import pytest

from recon.base.errors import DataError, DataWarning
from recon.records.tares import read_tares
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
        (HEADER + ROWS.replace("G1", "G9"), r"line 2, column 'gauge': gauge 'G9'; need 'G"),
        (HEADER + ROWS.replace("before", "befor"), r"when 'befor'; need 'before'"),
        (HEADER + ROWS.replace("pads", "pad"), r"line 3, .*: state 'pad'; need 'pads'"),
        (HEADER + ROWS.replace("-18.7", ""), r"line 2: no indication of G1"),
        (HEADER + ROWS.replace("150", ""), r"line 3: state 'pads' for G2 without"),
        (HEADER + ROWS.replace("0.8", "-0.8"), r"line 2: sd = -0.8 uV/V; need .* below 0"),
    ],
)
def test_tares_refused(tmp_path, content, message):
    with pytest.raises(DataError, match=message):
        read_tares(save(tmp_path, content), small_car())


def test_a_column_that_nobody_reads_is_noted(tmp_path):
    rows = ROWS.replace(",,\n", ",,,dry\n").replace("150,2\n", "150,2,dry\n")
    path = save(tmp_path, HEADER.replace("\n", ",weather\n") + rows)
    with pytest.warns(DataWarning, match=r"tares\.csv: ignored: column 'weather'"):
        read_tares(path, small_car())
