"""Numbers outside what a car can have, texts nested too deep, and files that are too large."""

import re

import pytest

from recon.base.errors import DataError, RankError, VehicleError, nearest, shortened
from recon.base.toml import LARGEST, TomlFault, parsed, text_of
from recon.car.schema import Table
from recon.car.sizes import SIZES, range_of, size_fault
from recon.records.column_maps import read_map
from recon.records.layout import split_unit
from recon.records.logs import read_log
from recon.records.pulls import read_pulls
from recon.records.tares import read_tares
from recon.records.vehicles import read_vehicle
from tests.example_car import EXAMPLE, refusal, write_example
from tests.small_car import small_car
from tests.written_pulls import save, sheet, step

# --- texts -----------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [21, 5000, 100_000])
@pytest.mark.parametrize(
    "form", ["x = {0}", "x = {1}", "{2} = 1", "[{2}]", "x = {3}", "[[{2}]]"],
)  # fmt: skip
def test_deep_texts_are_refused_before_they_are_parsed(tmp_path, form, depth):
    deep = "[" * depth + "]" * depth, "{a=" * depth, "a." * depth + "a", "[{a=" * depth
    path = tmp_path / "car.toml"
    path.write_text("format = 1\n" + form.format(*deep))
    where = r"car\.toml, line 2: 21 nested brackets or dotted names; need at most 20"
    assert re.search(where, refusal(path))
    with pytest.raises(DataError, match=where):
        read_map(path, "log", small_car())


def test_brackets_in_texts_and_comments_mean_nothing():
    text = 'a = "[[[[[[[[[[[[[[[[[[[[[[[[[ \\" ["\n# ((([[[' + "[" * 99 + '\nb = """\n' + "[" * 99
    text += '\n"""\nc = \'' + "a.b" * 99 + "'"
    assert parsed(text)["b"] == "[" * 99 + "\n"


@pytest.mark.parametrize("number", ["9" * 4301, "0x" + "f" * 400, "1" + "0" * 150])
def test_long_numbers_are_refused(tmp_path, number):
    path = write_example(tmp_path, ("total_kg = 742", f"total_kg = {number}"))
    assert f"a number or key of {len(number)} characters ('{number[:20]}...')" in refusal(path)


def test_a_large_file_is_refused(tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes(b"#" * (LARGEST + 1))
    assert f"car.toml: more than {LARGEST} bytes; need" in refusal(path)
    with pytest.raises(DataError, match=rf"car\.toml: more than {LARGEST} bytes"):
        read_map(path, "log", small_car())


def test_a_byte_that_is_not_utf8_has_its_line():
    with pytest.raises(TomlFault, match="the byte 0xe9, which is not UTF-8"):
        text_of(b"\xef\xbb\xbfa = 1\nb = \xe9")


def test_another_file_in_place_of_the_vehicle_file_is_called_so(tmp_path):
    """Binary data and tables are no vehicle file; text in UTF-16 is text."""
    path = tmp_path / "calibration.nc"
    path.write_bytes(b"\x89HDF\r\n\x1a\n\0\0")
    assert "calibration.nc, line 1: binary data, no text; need a text file" in refusal(path)
    path.write_text("corner,pull\nFL,fore\n", encoding="utf-8")
    assert "if this is no vehicle file, check the order of the files" in refusal(path)
    path.write_bytes('name = "a"'.encode("utf-16"))
    assert re.search("the byte 0xf[ef], which is not UTF-8", refusal(path))


@pytest.mark.parametrize("name", ["car\0.toml", "c" * 300 + ".toml"])
def test_names_that_no_file_can_have(name):
    with pytest.raises(VehicleError, match=re.escape(name[:3]) + ".*: (reading failed|no such)"):
        read_vehicle(name)


def test_a_folder_that_was_removed_is_named_so(tmp_path, monkeypatch):
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with pytest.raises(
        VehicleError, match=r"car\.toml: no such file(.|\n)*does not exist any more"
    ):
        read_vehicle("car.toml")
    with pytest.raises(DataError, match=r"log\.csv: no such file(.|\n)*does not exist any more"):
        read_log("log.csv", small_car())


def test_lines_of_blanks_take_no_time(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(EXAMPLE + "\n" + " " * 200_000 + "\n")
    assert read_vehicle(path).mass == 742


def test_long_messages_are_cut():
    error = RankError("here", "x" * 5000, "y", "z")
    assert len(str(error)) < 700
    assert "(5000 characters)" in str(error)
    assert shortened("abc", 2) == "ab... (3 characters)"
    assert nearest("a", [f"name{i}" for i in range(100)]).endswith("name39, 60 more")


# --- numbers of the vehicle file -------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("total_kg = 742", "total_kg = 1e300", "mass.total_kg: found 1e+300 kg; need 0 or a size"),
        ("total_kg = 742", "total_kg = 1e-300", "found 1e-300 kg; need 0 or a size from 0.001"),
        ("[2, 632, 195]", "[2, 1e300, 195]", r"outer.point_mm: found 1e+300 mm; need .* 20000 mm"),
        ("[-60, 60]", "[-60, 1e9]", "travel_mm: found 1e+09 mm; need 0 or a size from 1e-06 to"),
    ],
)
def test_numbers_that_no_car_has_are_refused(tmp_path, old, new, told):
    told = ".*".join(map(re.escape, told.split(".*")))
    assert re.search(told, refusal(write_example(tmp_path, (old, new))))


def test_every_number_of_the_vehicle_file_has_a_range():
    def tables(of):
        for sub in of.__subclasses__():
            yield sub
            yield from tables(sub)

    fields = [
        key
        for table in tables(Table)
        for key, field in table.model_fields.items()
        if "float" in str(field.annotation)
    ]
    assert len(fields) > 50
    assert not [key for key in fields if range_of(key) is None]


@pytest.mark.parametrize("unit", SIZES)
def test_ranges_hold_on_both_sides(unit):
    least, most = SIZES[unit]
    assert size_fault(f"u_{unit}", least) is None
    assert size_fault(f"u_{unit}", (0.0, -most)) is None
    assert f"{2 * most:g}" in size_fault(f"u_{unit}", (0.0, 2 * most))[0]
    assert f"{least / 2:g}" in size_fault(unit, -least / 2)[0]


def test_too_many_supports_and_faults(tmp_path):
    support = EXAMPLE[EXAMPLE.index("[[corner.FL.support]]") :]
    support = support[: support.index("[[corner.FL.support]]", 5)]
    text = refusal(write_example(tmp_path, more="\n" + support * 50))
    assert "corner.FL.support: found 5" in text
    assert "need 40 entries" in text
    many = "\n".join(f"key{i} = 1" for i in range(200))
    assert "... and 170 more faults." in refusal(
        write_example(tmp_path, ("[mass]", many + "\n[mass]"))
    )


# --- numbers of tables -----------------------------------------------------------------------


def changed(row, **cells):
    rows = sheet()
    rows[row] |= cells
    return rows


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (changed(1, **{"strap_load [kgf]": "1e300"}), r"strap_load = 1e\+300 kgf; need .* 1e\+08"),
        (changed(1, **{"mark1_x [mm]": "-1e9"}), r"line 3: mark1_x = -1e\+09 mm; need .* 1000 in"),
        (changed(1, **{"G1 [mV/V]": "1e200"}), r"line 3: G1 = 1e\+200 mV/V; need .* 1e\+06 in SI"),
        (changed(1, **{"u_mark [mm]": "0"}), r"line 3: u_mark = 0 mm; need .* 1e-05 in SI"),
        (changed(1, **{"u_mark [mm]": "2000"}), r"line 3: u_mark = 2000 mm; need .* 1 in SI"),
        (
            [*sheet(), step("tare", "0", pull="2"), step("tare", "0", pull="2")],
            r"line 5: pull FL 2 with 2 tare rows and no load",
        ),
    ],
)  # fmt: skip
def test_slips_of_a_pull_sheet(tmp_path, rows, message):
    with pytest.raises(DataError, match=message):
        read_pulls(save(tmp_path, rows), small_car())


def test_a_log_with_a_mark_for_missing_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("elapsed_time [s],G1 [mV/V],speed [km/h]\n0,0.1,1\n1,0.2,9.9e37\n2,0.1,\n")
    told = r"line 3, column 'speed \[km/h\]': speed = 2\.75e\+37 in SI units; need .* 10000 in SI"
    with pytest.raises(DataError, match=told):
        read_log(path, small_car())


def test_a_tare_beyond_any_amplifier_is_refused(tmp_path):
    path = tmp_path / "tares.csv"
    path.write_text("when,gauge,indication [mV/V]\nbefore,G1,1e300\n")
    with pytest.raises(DataError, match=r"line 2: indication = 1e\+300 mV/V; need .* 1e\+12"):
        read_tares(path, small_car())


def test_cells_with_endless_text_are_shortened(tmp_path):
    with pytest.raises(DataError, match=r"line 3.*'xxxx.*\(5002 characters\)") as caught:
        read_pulls(save(tmp_path, changed(1, **{"G1 [mV/V]": "x" * 5000})), small_car())
    assert len(str(caught.value)) < 1500


@pytest.mark.parametrize("cell", ["[" * 200_000, " " * 200_000 + "x", "[{" * 50_000])
def test_headers_of_brackets_take_no_time(cell):
    assert split_unit(cell)[1] == ""


@pytest.mark.parametrize(
    ("cell", "parts"),
    [("a [mm]", ("a", "mm")), ("a[b] [mm]", ("a[b]", "mm")), ("a [ mV/V ] ", ("a", "mV/V"))],
)
def test_name_and_unit_of_a_header(cell, parts):
    assert split_unit(cell) == parts


def test_too_many_columns_are_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(",".join(f"c{i}" for i in range(2001)) + "\n" + "1," * 2000 + "1\n")
    with pytest.raises(DataError, match=r"line 1: 2001 columns with separator ','; need at most"):
        read_log(path, small_car())
