"""Text tables: layouts as loggers write them, and damage told with its place."""

import codecs
import gzip
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from recon.base.errors import DataError, OutputError
from recon.records.files import checksum, existing_file, replace_whole
from recon.records.layout import find_layout
from recon.records.tables import parse_table, read_rows

ROWS = "0.00,1.5,-2\n0.01,1.6,\n0.02, 1.7 ,nan\n"
PLAIN = "time [s],a [mV/V],b [mm]\n" + ROWS
EXPECTED = [[0.0, 0.01, 0.02], [1.5, 1.6, 1.7], [-2.0, np.nan, np.nan]]


def save(folder: Path, content: str | bytes, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    ("content", "options"),
    [
        (PLAIN, {}),
        (PLAIN.replace("\n", "\r\n"), {}),
        (PLAIN.replace("\n", "\r"), {}),
        (PLAIN.replace("\n", "\r").encode("utf-16"), {}),
        (PLAIN.replace("\n", ",\n"), {}),
        (PLAIN.replace("\n", ";\n").replace(",", ";"), {}),
        (ROWS.join(["time,a,b\ns,mV/V,mm\n", ""]).replace("0.01", "time,a,b\ns,mV/V,mm\n0.01"), {}),
        (PLAIN.replace("0.02", "time [s],a [mV/V],b [mm]\n0.02").replace("\n", "\r\n"), {}),
        ("time,a,b\n" + ROWS.replace("\n", ",\n"), {}),
        ("time,a,b,\ns,mV/V,mm,\n" + ROWS, {}),
        (PLAIN.replace("0.01,1.6", "\n0.01,1.6"), {}),
        (PLAIN.rstrip("\n"), {}),
        (codecs.BOM_UTF8 + PLAIN.encode(), {}),
        (PLAIN.encode("utf-16"), {}),
        (PLAIN.replace(",", "\t"), {}),
        (PLAIN.replace(",", ";").replace(".", ","), {"decimal": ","}),
        (PLAIN.replace(",", ";").replace(".", ","), {}),
        (PLAIN.replace(",", "\t").replace(".", ","), {}),
        ("Logger of the car\n\nno, 7\n" + PLAIN, {"skip_lines": 3}),
        ("time,a,b\ns,mV/V,mm\n" + ROWS, {}),
        ("time,a,b\nhh:mm:ss,mV/V,-\n" + ROWS, {}),
        ("time,a,b\nzs,Q,\n" + ROWS, {"units_row": True}),
        ('time,a,b\n"0.00","1.5","-2"\n' + ROWS.split("\n", 1)[1], {"units_row": False}),
    ],
)
def test_layouts_give_the_same_numbers(tmp_path, content, options):
    layout = find_layout(save(tmp_path, content), **options)
    np.testing.assert_array_equal(parse_table(layout, range(3)), EXPECTED)
    assert tuple(name for name in layout.names if name) == ("time", "a", "b")


def test_packed_table_and_columns_in_the_order_asked_for(tmp_path):
    layout = find_layout(save(tmp_path, gzip.compress(PLAIN.encode()), "table.csv.gz"))
    np.testing.assert_array_equal(parse_table(layout, [2, 0]), [EXPECTED[2], EXPECTED[0]])
    assert layout.units == ("s", "mV/V", "mm")


@pytest.mark.parametrize("encoding", ["cp1252", "utf-8", "utf-16"])
def test_words_and_line_numbers_in_every_encoding(tmp_path, encoding):
    text = "corner,notes\nFL,Straße\n\nFR,ok\n"
    layout = find_layout(save(tmp_path, text.encode(encoding)))
    assert read_rows(layout) == ([2, 4], [["FL", "Straße"], ["FR", "ok"]])


def test_quoted_separators_and_line_ends_keep_line_numbers(tmp_path):
    content = 'corner,notes\nFL,"up, 15\nthen down"\nFR,ok\n'
    assert read_rows(find_layout(save(tmp_path, content)))[0] == [2, 4]


@pytest.mark.parametrize("size", [5, 40])
def test_many_blocks_are_one_table(tmp_path, monkeypatch, size):
    monkeypatch.setattr("recon.records.tables.BLOCK_BYTES", size)
    numbers = np.arange(60.0).reshape(20, 3)
    text = "a,b,c\n" + "".join(f"{x},{y},{z}\n" for x, y, z in numbers)
    np.testing.assert_array_equal(
        parse_table(find_layout(save(tmp_path, text)), range(3)), numbers.T
    )
    bad = save(tmp_path, text.replace("49.0", "OVERLOAD"))
    with pytest.raises(DataError, match=r"table.csv, line 18, column 'b': 'OVERLOAD'"):
        parse_table(find_layout(bad), range(3))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", r"table.csv: an empty file"),
        (" \r\n\n", r"table.csv: an empty file"),
        (
            "time,a\n",
            r"table.csv: 1 line with text; need a header .*\n.* export the table again, or",
        ),
        ("time,a\ns,mm\n", r"no data row below the header of line 1"),
        ("logger export\n1,2\n", r"line 1: a first line 'logger export'"),
        ("time,a,a [mm]\n1,2,3\n", r"line 1: two columns named 'a' \(2 and 3\)"),
        ("0.0,1.5,1.5\n1,2,3\n", r"line 1: nothing but numbers \(0.0, 1.5, 1.5\) where"),
        ("time,a\n1,2\0\n", r"line 2: a NUL byte"),
        ("time,a\n1,2\n3\n", r"line 3: 1 fields; need 2 fields"),
        ("time,a\n1,2\n\n3,4,5\n", r"line 4: 3 fields; need 2 fields"),
        ('time,a\n1,2\n3,"4\n', r"table.csv, lines 2 to 3: the parser stopped: .*inside string"),
        ('time,a\n1,2\n"3",4,5\n', r"line 3: 3 fields"),
        ("x" * 200_000 + "\n1,2\n", r"line 1: a first line 'xxx"),
        ('time,a\n1,2\n3,"4\n' + "5,6\n" * 40_000, r"line 3: a quotation mark that is never"),
        ('time,"a\nb"\n1,2\n', r"line 2: 1 fields; need 2"),
        ("time,a\n1,2\n3,4\r5,6\n", r"line 3: a carriage return after '3,4'"),
        ("time,a\n1\n2\n3,4\n", r"line 2: 1 fields; need 2"),
        ("time,a\n1,2\n3,--\n", r"line 3, column 'a': '--'"),
        ("time,a\n1,2\n3,NAN\n", r"line 3, column 'a': 'NAN'"),
        ("time,a\n1,2\n3,-inf\n", r"line 3, column 'a': '-inf'"),
        ("time,a\n1,2\n3,1e999\n", r"line 3, column 'a': '1e999'"),
        ("time,a\n1,2\n3,0x10\n", r"line 3, column 'a': '0x10'"),
        ("time;a\n1;2\n3;4,500\n", r"'4,500'.*\n.*decimal = \",\" below \[file\]"),
        ("time;a\n1;2.5\n3;4,5\n", r"'4,5'.*\n.*decimal = \","),
        ("time,a\n1,2\n3,\u0663\n", "line 3, column 'a': '\u0663'"),
    ],
)
def test_damage_is_told_with_its_place(tmp_path, content, message):
    path = save(tmp_path, content)
    with pytest.raises(DataError, match=message):
        parse_table(find_layout(path), range(2))


def test_room_of_a_table_that_begins_with_short_lines_is_hardly_too_large(tmp_path, monkeypatch):
    monkeypatch.setattr("recon.records.tables.BLOCK_BYTES", 1 << 12)
    text = "time,a\n" + 2000 * "0,0\n" + 8000 * "0.12345678901,0.12345678901\n"
    values = parse_table(find_layout(save(tmp_path, text)), range(2))
    assert values.shape == (2, 10_000)
    assert values.base.shape[1] < 11_000


def test_point_beside_decimal_comma_is_refused(tmp_path):
    layout = find_layout(save(tmp_path, "time;a\n1;2,5\n2;1.234\n"), decimal=",")
    with pytest.raises(DataError, match=r"line 3, column 'a': '1\.234'"):
        parse_table(layout, range(2))


def test_quoted_line_ends_keep_the_place_of_a_bad_cell(tmp_path):
    text = 'time,note,a\n0,"up\nthen down",2\n1,,OVERLOAD\n'
    with pytest.raises(DataError, match=r"line 4, column 'a': 'OVERLOAD'"):
        parse_table(find_layout(save(tmp_path, text)), [0, 2])


def test_rows_of_words_tell_short_lines_and_nul(tmp_path):
    layout = find_layout(save(tmp_path, "a,b\n1,2\n3\n"))
    with pytest.raises(DataError, match=r"line 3: 1 fields"):
        read_rows(layout)


def test_separator_must_differ_from_decimal_mark(tmp_path):
    path = save(tmp_path, "a,b\n1,2\n")
    with pytest.raises(DataError, match="2 fields with separator ',' and decimal mark ','"):
        find_layout(path, decimal=",")


def test_clock_stamps_become_seconds_and_a_bad_one_is_told(tmp_path):
    text = "clock,a\n10:41:07.318,1\n10:41,2\n"
    layout = find_layout(save(tmp_path, text))
    np.testing.assert_allclose(
        parse_table(layout, [0, 1], stamps=0)[0],
        [38467.318, 38460.0],
        rtol=0,
        atol=1e-9,  # stamps are kept in whole nanoseconds
    )
    layout = find_layout(save(tmp_path, text + "noon,3\n"))
    with pytest.raises(DataError, match=r"line 4, column 'clock': 'noon'.*'10:41:07.318'"):
        parse_table(layout, [0, 1], stamps=0)


def test_damaged_packing_is_told(tmp_path):
    packed = gzip.compress(np.random.default_rng(1).bytes(2000).hex().encode())
    path = save(tmp_path, packed[:500], "cut.csv.gz")
    with pytest.raises(DataError, match=r"cut.csv.gz: reading failed"):
        find_layout(path)


def test_only_local_regular_files(tmp_path):
    with pytest.raises(DataError, match=r"https://example.org/a.csv: a network address"):
        existing_file("https://example.org/a.csv", "log")
    with pytest.raises(DataError, match=r"gone.csv: no such file where a log"):
        existing_file(tmp_path / "gone.csv", "log")
    with pytest.raises(DataError, match="an empty name where a log"):
        existing_file("", "log")
    with pytest.raises(DataError, match=r"x{300}: an impossible name"):
        existing_file("x" * 300, "log")
    with pytest.raises(DataError, match=f"{tmp_path.name}: a folder where a log"):
        existing_file(tmp_path, "log")


def test_units_of_others_are_a_row_of_units_and_a_single_letter_may_be_a_set_up(tmp_path):
    for word, unit in (("\u00b0C", "\u00b0C"), ("C", "")):
        layout = find_layout(save(tmp_path, f"file,set_up\nrun,{word}\nrun,stiff\n"))
        assert layout.units[1] == unit


def test_checksum_is_sha256(tmp_path):
    # FIPS 180-4, the example of the message "abc"
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert checksum(save(tmp_path, "abc")) == expected


def test_replace_whole_leaves_old_or_new(tmp_path):
    target = save(tmp_path, "old", "out.csv.gz")
    with suppress(RuntimeError), replace_whole(target, overwrite=True) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert target.read_text() == "old"
    with replace_whole(target, overwrite=True) as temporary:
        assert temporary.name.endswith("out.csv.gz")
        temporary.write_text("new")
    assert target.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv.gz"]


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("there.csv", "there.csv: this file already exists"),
        ("nowhere/out.csv", "no folder .*nowhere"),
        (".", "is a folder"),
        ("x" * 300, "x{300}: writing failed: .*long"),
    ],
)
def test_replace_whole_refuses(tmp_path, name, message):
    save(tmp_path, "old", "there.csv")
    with pytest.raises(OutputError, match=message), replace_whole(tmp_path / name):
        pytest.fail("the body must not run")


def test_rows_of_words_skip_repeated_headers_and_read_single_returns(tmp_path):
    text = "corner,notes\nFL,up,\ncorner,notes\nFR,ok,\n"
    assert read_rows(find_layout(save(tmp_path, text)))[0] == [2, 4]
    rows = read_rows(find_layout(save(tmp_path, text.replace("\n", "\r"))))
    assert rows == ([2, 4], [["FL", "up", ""], ["FR", "ok", ""]])


def test_lines_keep_their_numbers_below_a_repeated_header(tmp_path):
    text = "time,a\ns,mV/V\n0,1\ntime,a\ns,mV/V\n1,--\n"
    with pytest.raises(DataError, match=r"line 6, column 'a': '--'"):
        parse_table(find_layout(save(tmp_path, text)), range(2))
