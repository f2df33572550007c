"""Pull sheets: values in SI, defaults, and every slip of a hand that the reader knows."""

import re
from pathlib import Path

import numpy as np
import pytest

from recon.base.errors import DataError, DataWarning
from recon.records.column_maps import read_map
from recon.records.held_out import require_held_out
from recon.records.logs import read_log
from recon.records.pulls import DEFAULT_U, read_pulls
from recon.records.tares import read_tares
from tests.small_car import small_car
from tests.written_pulls import XYZ, point, save, sheet, step

EXACT = {"rtol": 1e-12, "atol": 0}  # a few roundings of double precision


def changed(row, **columns):
    """Return a sheet whose row `row` has other cells."""
    rows = sheet()
    rows[row] |= columns
    return rows


def test_values_in_si_and_defaults(tmp_path):
    read = read_pulls(save(tmp_path, sheet()), small_car())
    assert read.line.tolist() == [2, 3, 4]
    assert read.purpose.tolist() == ["fit"] * 3
    assert read.gauges == ("G1", "G2")
    np.testing.assert_allclose(read.strap.load, [0, 50 * 9.80665, 20 * 9.80665], **EXACT)
    assert np.isnan(read.pad.load).all()
    assert np.isnan(read.strap.direction).all()
    np.testing.assert_allclose(read.strap.mark2[1], [0, 1.5, 0.05], **EXACT)
    np.testing.assert_allclose(read.clock, 9 * 3600.0, **EXACT)
    assert (read.setting.travel == 0).all()
    assert (read.setting.steer == 0).all()
    assert np.isnan(read.strap.limit).all()
    assert np.isnan(read.temperature).all()
    for name, value in DEFAULT_U.items():
        assert (read.column(name) == value).all()
    np.testing.assert_allclose(read.indication, [[0.1, 0.2]] * 3, **EXACT)


def test_stated_uncertainties_pose_and_limit(tmp_path):
    extra = {
        "u_load_step [%]": "0.4",
        "u_mark [mm]": "2",
        "u_pad_tilt [deg]": "0.2",
        "travel [mm]": "-3",
        "steer [deg]": "1",
        "strap_limit [kN]": "20",
        "temperature [degC]": "19",
        "notes": "first, of the day",
    }
    read = read_pulls(save(tmp_path, [sheet()[0], *changed(1, **extra)[1:]]), small_car())
    np.testing.assert_allclose(read.u_load_step, [0.005, 0.004, 0.005], **EXACT)
    np.testing.assert_allclose(read.strap.u_mark, [0.003, 0.002, 0.003], **EXACT)
    np.testing.assert_allclose(read.pad.u_angle[1], np.deg2rad(0.2), **EXACT)
    np.testing.assert_allclose(read.setting.travel, [0, -0.003, 0], **EXACT)
    np.testing.assert_allclose(read.setting.steer[1], np.deg2rad(1), **EXACT)
    np.testing.assert_allclose(read.strap.limit, [np.nan, 20e3, np.nan], **EXACT)
    assert read.notes[1] == "first, of the day"


def test_purpose_asked_for_is_that_of_rows_without_one(tmp_path):
    path = save(tmp_path, sheet())
    assert set(read_pulls(path, small_car(), purpose="verify").purpose) == {"verify"}
    second = [row | {"pull": "2"} for row in sheet()]
    path = save(tmp_path, [*(row | {"purpose": "fit"} for row in sheet()), *second])
    assert read_pulls(path, small_car(), purpose="verify").purpose[::3].tolist() == [
        "fit",
        "verify",
    ]
    with pytest.raises(DataError, match="purpose 'verfy' asked for; need 'verify'"):
        read_pulls(path, small_car(), purpose="verfy")


def other(**cells):
    """A pull of its own, with some cells of every row changed."""
    steps = (step("tare", "0"), step("rising", "61"), step("falling", "31"))
    return [row | {"pull": "check", "purpose": "verify"} | cells for row in steps]


def judged(folder, rows):
    """Hold rows as a verification sheet against `sheet()` as the fit."""
    fit = read_pulls(save(folder, sheet(), "fit.csv"), small_car())
    checks = read_pulls(save(folder, rows, "checks.csv"), small_car(), purpose="verify")
    require_held_out(fit, checks)


def test_pulls_kept_apart_may_verify(tmp_path):
    judged(tmp_path, other())
    judged(tmp_path, [row | {"purpose": ""} for row in other()])
    # Rows that were fitted stand beside them, and do not count.
    judged(tmp_path, [*(row | {"purpose": "fit"} for row in sheet()), *other()])


def test_the_pull_sheet_is_no_verification_sheet(tmp_path):
    with pytest.raises(DataError, match=r"checks\.csv: the same file as the pull sheet .*fit\.csv"):
        judged(tmp_path, sheet())


def test_rows_declared_fit_do_not_verify(tmp_path):
    with pytest.raises(DataError, match=r"checks\.csv: purpose 'fit' in all 3 rows; need .*verify"):
        judged(tmp_path, other(purpose="fit"))


@pytest.mark.parametrize("name", ["1", "renamed"])
def test_a_fitted_pull_does_not_verify(tmp_path, name):
    again = [row | {"pull": name, "purpose": "verify"} for row in sheet()]
    told = rf"checks\.csv, line 6: verification pull '{name}' of FL .* pull '1', .*fit\.csv, line 3"
    with pytest.raises(DataError, match=told):
        judged(tmp_path, [*other(), *again])


def test_columns_that_nobody_reads_are_noted(tmp_path):
    rows = [row | {"temprature [degC]": "19", "tyre": "old", "G9 [mV/V]": "0"} for row in sheet()]
    path = save(tmp_path, rows)
    with pytest.warns(DataWarning) as noted:
        read = read_pulls(path, small_car())
    assert np.isnan(read.temperature).all()
    words = [str(w.message) for w in noted]
    assert words[0] == f"{path}: column 'temprature' is not used; was 'temperature' meant?"
    assert re.fullmatch(
        rf"{path}: ignored: columns 'tyre'.*, 'G9' \(closest known name: 'G\d'\)", words[1]
    )
    assert len(words) == 2


def test_columns_that_a_map_leaves_out_are_not_noted(tmp_path):
    chosen = tmp_path / "map.toml"
    chosen.write_text('format = 1\nkind = "pulls"\n[constants]\npurpose = "verify"\n')
    path = save(tmp_path, [row | {"tyre": "old"} for row in sheet()])
    assert set(read_pulls(path, small_car(), column_map=chosen).purpose) == {"verify"}


def test_direction_of_any_length_becomes_a_unit_vector(tmp_path):
    vector = point("direction", ("0", "3", "4"), "1")
    gone = point("mark1", ("", "", "")) | point("mark2", ("", "", ""))
    read = read_pulls(save(tmp_path, [row | vector | gone for row in sheet()]), small_car())
    np.testing.assert_allclose(read.strap.direction, [[0, 0.6, 0.8]] * 3, **EXACT)


def test_pad_pull_with_decimal_commas_and_foreign_words(tmp_path):
    gone = {key: "" for name in ("attach", "mark1", "mark2") for key in point(name, XYZ)}
    rows = [
        step(phase, "", **gone, **{"pad_load [kg]": load}, **point("pad", ("1,5", "700", "0")))
        for phase, load in (("tare", ""), ("up", "100,5"), ("down", "50"))
    ]
    for row in rows:
        row |= {"G1 [mV/V]": "0,1", "G2 [mV/V]": "0,2"}
    chosen = tmp_path / "map.toml"
    chosen.write_text(
        'format = 1\nkind = "pulls"\n[file]\ndecimal = ","\n'
        '[values.phase]\nup = "rising"\ndown = "falling"\n[constants]\npurpose = "verify"\n'
    )
    path = save(tmp_path, rows, delimiter=";")
    read = read_pulls(path, small_car(), column_map=chosen)
    np.testing.assert_allclose(read.pad.load, np.array([np.nan, 100.5, 50]) * 9.80665, **EXACT)
    np.testing.assert_allclose(read.pad.point[1], [0.0015, 0.7, 0], **EXACT)
    assert read.phase.tolist() == ["tare", "rising", "falling"]
    assert set(read.purpose) == {"verify"}


def test_row_number_counts_without_a_clock(tmp_path):
    rows = sheet()
    for row in rows:
        del row["clock"]
    assert read_pulls(save(tmp_path, rows), small_car()).clock.tolist() == [0, 1, 2]


NO_MARKS = point("mark1", ("", "", "")) | point("mark2", ("", "", ""))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            changed(1, corner="FX"),
            r"(?s)pulls.csv, line 3, column 'corner': corner 'FX'; need 'F.*rows of corners that",
        ),
        (changed(1, phase="risng"), r"line 3, column 'phase': phase 'risng'; need 'rising'"),
        (changed(1, wheel_held_by="brakes"), r"wheel_held_by 'brakes'; need 'brake'"),
        (changed(1, wheel_held_by=""), r"line 3, column 'wheel_held_by': no wheel_held_by; need"),
        (changed(1, purpose="verify"), "line 3: pull FL 1 with purpose 'verify' after another"),
        (changed(1, purpose="fitt"), r"line 3, .*: purpose 'fitt'; need 'fit'"),
        (changed(1, pull=""), r"line 3: no word in column pull at corner FL"),
        (
            changed(0, **{"strap_load [kgf]": "25"}),
            r"line 2: a tare of pull FL 1 with a load of 245 N; need tares with slack strap",
        ),
        (changed(0, phase="rising"), r"line 2: pull FL 1 begins with phase 'rising'"),
        (changed(2, pull="2"), r"line 4: pull FL 2 begins with phase 'falling'"),
        (changed(2, clock="08:59"), r"line 4: the clock runs back within pull FL 1 to 32340 s"),
        (changed(2, clock="noon"), r"line 4, column 'clock': 'noon'"),
        (changed(1, **{"strap_load [kgf]": ""}), r"line 3: pull 1, phase rising, without strap"),
        (changed(1, **{"strap_load [kgf]": "-50"}), r"line 3: strap_load = -50 kgf"),
        (changed(1, **{"strap_load [kgf]": "50,5"}), r"'50,5'; need .*\n.*decimal = \","),
        (changed(1, **{"pad_load [kg]": "80"}), r"line 3: pull 1 has pad_load 784.532 N and no"),
        (changed(1, **{"u_mark [mm]": "-3"}), r"line 3: u_mark = -3 mm"),
        (
            changed(1, **point("attach", ("", "", ""))),
            r"line 3: pull 1 has strap_load 490.332 N and no attach",
        ),
        (changed(1, **point("attach", ("0", "", "0"))), r"line 3: attach without attach_y"),
        (changed(1, **NO_MARKS), r"line 3: pull 1 has neither direction nor two marks"),
        (changed(1, **point("mark2", ("", "", ""))), r"line 3: pull 1 has neither direction"),
        (
            changed(1, **point("direction", ("0", "1", "0"), "1")),
            r"line 3: pull 1 has direction and marks",
        ),
        (
            changed(1, **NO_MARKS, **point("direction", ("0", "0", "0"), "1")),
            r"line 3: pull 1 has a direction of length 0",
        ),
        (
            changed(1, **point("mark2", ("0", "940", "20"))),
            r"line 3: the marks of pull 1 are 40.0 mm apart; need .*50 mm",
        ),
        (
            changed(1, **point("mark1", ("0", "1500", "50")), **point("mark2", ("0", "900", "20"))),
            r"line 3: mark1 of pull 1 is 801 mm from the attachment, mark2 200 mm: marks exch",
        ),
        (
            changed(1, **{"G1 [mV/V]": "", "G2 [mV/V]": ""}),
            r"line 3: no indication of any gauge of FL; need a number for G1",
        ),
        (
            changed(1, **point("attach", ("0", "7000", "100"))),
            r"line 3: mark1 of pull 1 is \d+ mm from the attachment, mark2 \d+ mm: attachm",
        ),
        (
            changed(2, **point("mark2", ("0", "100", "50"))),
            r"line 4: the strap of pull FL 1 points 1\d\d deg away from where it points in line 3; "
            r"need one direction .*\n.*a pull of its own",
        ),
        (changed(1, **{"G1 [mV/V]": "OVERLOAD"}), r"line 3, column 'G1 .*: 'OVERLOAD'"),
    ],
)
def test_slips_of_a_hand_are_told(tmp_path, rows, message):
    with pytest.raises(DataError, match=message):
        read_pulls(save(tmp_path, rows), small_car())


def test_rows_without_any_cell_are_passed_over(tmp_path):
    """A spreadsheet writes separators for every row that was left empty between two pulls."""
    path = save(tmp_path, sheet())
    lines = path.read_text(encoding="utf-8").splitlines()
    empty = "," * lines[0].count(",")
    path.write_text("\n".join([*lines[:2], empty, *lines[2:], empty, ""]), encoding="utf-8")
    assert read_pulls(path, small_car()).line.tolist() == [2, 4, 5]


def test_a_row_with_the_gauges_of_another_wheel_is_told(tmp_path):
    """G1 and G2 are on FL, G3 and G4 on FR."""
    other = [row | {"pull": "2", "G3 [mV/V]": "0.1", "G4 [mV/V]": "0.2"} for row in sheet()]
    other = [row | {"corner": "FR", "G1 [mV/V]": "", "G2 [mV/V]": ""} for row in other]
    rows = [row | {"G3 [mV/V]": "", "G4 [mV/V]": ""} for row in sheet()]
    rows[1] |= {"corner": "FR"}
    match = (
        r"line 3: no indication of any gauge of FR, but of those of FL: corner mistyped\?; need a"
    )
    with pytest.raises(DataError, match=rf"{match} number for G3"):
        read_pulls(save(tmp_path, [*rows, *other]), small_car())


def test_clock_in_numbers_must_be_there_in_every_row(tmp_path):
    rows = [row | {"clock": ""} | {"clock [min]": "5"} for row in sheet()]
    for row in rows:
        del row["clock"]
    rows[1]["clock [min]"] = ""
    with pytest.raises(DataError, match="line 3: no time of the clock beside corner 'FL'"):
        read_pulls(save(tmp_path, rows), small_car())


@pytest.mark.parametrize("column", ["corner", "pull", "wheel_held_by", "phase", "G2 [mV/V]"])
def test_required_columns(tmp_path, column):
    rows = sheet()
    for row in rows:
        del row[column]
    with pytest.raises(DataError, match=rf"pulls.csv: no column {column.split()[0]}"):
        read_pulls(save(tmp_path, rows), small_car())


def test_a_load_column_is_required(tmp_path):
    rows = sheet()
    for row in rows:
        del row["strap_load [kgf]"], row["pad_load [kg]"]
    with pytest.raises(DataError, match=r"pulls.csv: no column strap_load or pad_load"):
        read_pulls(save(tmp_path, rows), small_car())


def test_corner_without_gauges_cannot_be_pulled(tmp_path):
    bare = small_car(names=())
    with (
        pytest.warns(DataWarning, match="ignored: columns 'G1', 'G2'"),
        pytest.raises(DataError, match="line 2: a pull at FL, which has no gauge"),
    ):
        read_pulls(save(tmp_path, sheet()), bare)


README = Path(__file__).parents[1] / "demo_data" / "README.md"


def examples():
    """The fenced examples of the format reference, by their file names."""
    text = README.read_text(encoding="utf-8")
    return dict(re.findall(r"^`([\w.]+)`:\n\n```\w*\n(.*?)^```", text, re.M | re.S))


def test_examples_of_the_format_reference_can_be_read(tmp_path):
    car = small_car(names=("FL_upper", "FL_lower"), corners=("FL",))
    for name, text in examples().items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    pulls = read_pulls(tmp_path / "pulls.csv", car)
    assert set(pulls.pull) == {"1", "2"}
    foreign = read_pulls(tmp_path / "foreign.csv", car, column_map=tmp_path / "pulls_map.toml")
    np.testing.assert_allclose(foreign.strap.load[:3], pulls.strap.load[:3], rtol=0.01, atol=0)
    assert set(read_tares(tmp_path / "tares.csv", car).when) == {"before", "after"}
    assert read_log(tmp_path / "log.csv", car).sizes["elapsed_time"] == 3
    assert read_map(tmp_path / "pulls_map.toml", "pulls", car).file.decimal == ","


@pytest.mark.parametrize(
    ("axis", "value", "at"),
    [("y", "-700", ", and at the wheel of FR"), ("z", "-240", ""), ("x", "1400", "")],
)
def test_a_point_that_is_not_at_the_wheel_is_noted(tmp_path, axis, value, at):
    rows = changed(1, **{f"attach_{axis} [mm]": value})
    rows[2] |= {f"attach_{axis} [mm]": value}
    told = (
        rf"line 3: pull 1 of FL has attach at \(.*{value}.*\) mm, "
        rf"\d+ mm from the wheel centre{at}\. "
    )
    with pytest.warns(DataWarning, match=told) as said:
        read_pulls(save(tmp_path, rows), small_car())
    assert len(said) == 1


def test_a_row_written_twice_is_named(tmp_path):
    rows = sheet()
    with pytest.warns(
        DataWarning, match=r"line 4: the same row as line 3 \(pull 1 of FL\)"
    ) as said:
        read_pulls(save(tmp_path, [*rows[:2], rows[1], rows[2]]), small_car())
    assert len(said) == 1
    # Twin: two tares may well read the same.
    read_pulls(save(tmp_path, [rows[0], rows[0], *rows[1:]]), small_car())
