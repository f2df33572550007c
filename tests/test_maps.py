"""Column maps: what they may say and how a slip in one is told."""

from pathlib import Path

import pytest

from recon.base.errors import DataError, DataWarning
from recon.records.column_maps import Form, Source, read_map
from recon.records.logs import read_log
from tests.small_car import small_car

HEAD = 'format = 1\nkind = "log"\n'
LOG = "t,ch1,ch2,v\n0,0.1,0.2,36\n0.1,0.3,0.4,72\n"


def save(folder: Path, text: str, name: str = "map.toml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_every_part_of_a_map_arrives(tmp_path):
    text = """
    format = 1
    kind = "pulls"
    [file]
    separator = ";"
    decimal = ","
    skip_lines = 4
    units_row = true
    [columns]
    strap_load = { column = "strap_kgf", unit = "kgf" }
    G1 = "ch_07"
    [values.phase]
    up = "rising"
    [constants]
    "u_mark [mm]" = 3
    purpose = "verify"
    """
    read = read_map(save(tmp_path, text), "pulls", small_car())
    assert read.file == Form(separator=";", decimal=",", skip_lines=4, units_row=True)
    assert read.columns == {
        "strap_load": Source(column="strap_kgf", unit="kgf"),
        "G1": Source(column="ch_07"),
    }
    assert read.values == {"phase": {"up": "rising"}}
    assert read.constants == {"u_mark": ("mm", 3.0), "purpose": ("", "verify")}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("format = 1\nkind = log", "map.toml, line 2, column 8: not TOML"),
        ('format = 2\nkind = "log"', "map.toml, format: 2; need 1"),
        ('format = 1\nkind = "logs"', "kind: 'logs'; need 'pulls', 'log', .* or 'runs'"),
        (HEAD + 'path = "../else.csv"', "map.toml, path: '../else.csv'; need a key that"),
        (HEAD + 'decimal = ","', r"decimal: ','; need a key .*\n.*below a line \[file\]"),
        (HEAD + "[file]\nskip_lines = -1", "file.skip_lines: -1; need .*0"),
        (HEAD + '[file]\nseparator = "|"', "file.separator: '|'"),
        (HEAD + "[columns]\nspeed = 3", "columns.speed.*: 3"),
        (HEAD + '[constants]\n"speed [m/s]" = nan', "constants.speed .*: nan; need .*finite"),
        ('format = 1\nkind = "tares"', "map.toml: a map for tares; need a map for log"),
        (HEAD + '[columns]\nspead = "v"', r"'spead', which.*'speed' \(did you"),
        (HEAD + '[columns]\nG9 = "ch9"', "map.toml: 'G9', which no column"),
        (HEAD + '[constants]\n"spede [m/s]" = 1', "'spede', which.*'speed'"),
        (HEAD + '[constants]\nspeed = "fast"', "constants: 'speed' = 'fast'; need"),
        (HEAD + '[columns]\nspeed = "v"\n[constants]\n"speed [m/s]" = 1', "also mapped"),
        (HEAD + '[values.phase]\nup = "rising"', "'phase', which no column"),
    ],
)
def test_slips_in_a_map_are_told(tmp_path, text, message):
    with pytest.raises(DataError, match=message):
        read_map(save(tmp_path, text), "log", small_car())


def test_word_of_a_map_must_be_one_of_ours(tmp_path):
    text = 'format = 1\nkind = "pulls"\n[values.phase]\nup = "risng"'
    with pytest.raises(DataError, match=r"values.phase: 'up' put into 'risng'; need 'rising'"):
        read_map(save(tmp_path, text), "pulls", small_car())


def columns(**ours: str) -> str:
    lines = {"elapsed_time": '{ column = "t", unit = "s" }', **ours}
    return HEAD + "[columns]\n" + "".join(f"{k} = {v}\n" for k, v in lines.items())


def channel(name: str, unit: str = "mV/V") -> str:
    return f'{{ column = "{name}", unit = "{unit}" }}'


def test_map_names_units_and_constants(tmp_path):
    text = (
        columns(G1=channel("ch2", "uV/V"), speed='{ column = "v", unit = "km/h" }')
        + '[constants]\n"travel_FL [mm]" = 5\n'
    )
    read = read_log(save(tmp_path, LOG, "log.csv"), small_car(), column_map=save(tmp_path, text))
    assert read["indication"].values.tolist() == [[0.2e-3], [0.4e-3]]
    assert read["speed"].values.tolist() == [10.0, 20.0]
    assert read["travel"].sel(corner="FL").values.tolist() == [0.005, 0.005]
    assert read.attrs["not_used"] == ["ch1"]


@pytest.mark.parametrize(
    ("ours", "message"),
    [
        ({"G1": channel("ch3")}, r"log.csv: no column 'ch3', which .*map.toml wants as G1.*'ch2'"),
        ({"G1": channel("ch1", "V")}, r"'ch1': indications of G1 in 'V'.*vehicle file says mV/V"),
        ({"G1": '"ch1"'}, r"column 'ch1': no unit for a quantity of kind mV/V; need .*uV/V"),
        ({"G1": channel("ch1"), "speed": '"v"'}, "column 'v': no unit .*speed.*km/h"),
        ({"G1": channel("ch1"), "speed": channel("v", "mk/h")}, "unit 'mk/h' .*'km/h'"),
        (
            {"G1": channel("ch1"), "G2": channel("ch1")},
            "line 1, column 'ch1': this column as G1 and as G2",
        ),
    ],
)
def test_columns_and_units_that_do_not_fit(tmp_path, ours, message):
    log, chosen = save(tmp_path, LOG, "log.csv"), save(tmp_path, columns(**ours))
    with pytest.raises(DataError, match=message):
        read_log(log, small_car(), column_map=chosen)


def test_constant_needs_a_unit(tmp_path):
    text = columns(G1=channel("ch1")) + "[constants]\nspeed = 3.0\n"
    with pytest.raises(DataError, match=r"map.toml, constant 'speed': no unit .*speed"):
        read_log(save(tmp_path, LOG, "log.csv"), small_car(), column_map=save(tmp_path, text))


def test_near_miss_of_a_name_warns(tmp_path):
    log = save(tmp_path, "elapsed_time [s],G1 [mV/V],travl_FL [mm]\n0,1,2\n0.1,1,2\n", "log.csv")
    with pytest.warns(DataWarning, match=r"log.csv: column 'travl_FL' .*'travel_FL' meant"):
        read_log(log, small_car())


CASE_MAPS = Path(__file__).parent / "outside" / "case_maps"


@pytest.mark.parametrize("name", ["pulls", "checks", "log", "tares"])
def test_case_maps_are_sound(name):
    kind = "pulls" if name == "checks" else name
    car = small_car(names=tuple(f"SG{i:02d}" for i in range(1, 25)))
    assert read_map(CASE_MAPS / f"{name}.toml", kind, car).columns
