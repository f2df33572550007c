"""Tables that are no text: the same names, units, maps and messages as in text tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from recon.base.errors import DataError
from recon.records.frames import PANDAS
from recon.records.logs import read_log
from recon.records.tares import read_tares
from tests.small_car import small_car

COLUMNS = {
    "elapsed_time [s]": [0.0, 0.01, 0.02],
    "G1 [mV/V]": [0.1, np.nan, 0.3],
    "travel_FL [mm]": [1.0, 2.0, 3.0],
}


def stand_in(
    monkeypatch: pytest.MonkeyPatch, folder: Path, frame: pd.DataFrame, ending: str = ".parquet"
) -> Path:
    """A file whose engine gives this frame; what the engine does is not ours to test."""
    path = folder / f"log{ending}"
    path.write_bytes(b"whatever the engine reads")
    monkeypatch.setattr(pd, PANDAS[ending][0], lambda *_, **__: frame)
    return path


@pytest.mark.filterwarnings("ignore:.*without a number")
@pytest.mark.parametrize(
    "frame",
    [
        pd.DataFrame(COLUMNS),
        pd.DataFrame(COLUMNS).set_index("elapsed_time [s]"),
        pd.DataFrame({"elapsed_time": ["s", 0, 0.01, 0.02], "G1": ["mV/V", 0.1, None, 0.3],
                      "travel_FL": ["mm", 1, 2, 3]}),
        pd.DataFrame({**COLUMNS, "elapsed_time [s]": pd.to_datetime(
            ["2031-05-12 10:41:07", "2031-05-12 10:41:07.01", "2031-05-12 10:41:07.02"],
            format="ISO8601")}),
        pd.DataFrame({**COLUMNS, "elapsed_time [s]": pd.to_timedelta([7.0, 7.01, 7.02], unit="s")}),
    ],
)  # fmt: skip
def test_a_frame_is_read_like_the_text_of_its_columns(monkeypatch, tmp_path, frame) -> None:
    read = read_log(stand_in(monkeypatch, tmp_path, frame), small_car())
    np.testing.assert_allclose(read["elapsed_time"], [0, 0.01, 0.02], atol=1e-9)
    np.testing.assert_array_equal(read["indication"].sel(gauge="G1"), [0.1, np.nan, 0.3])
    np.testing.assert_allclose(read["travel"].sel(corner="FL"), [0.001, 0.002, 0.003])
    assert len(read.attrs["checksum"]) == 64


def test_parquet_is_read_where_its_engine_is_there(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    pd.DataFrame(COLUMNS).fillna(0.2).to_parquet(tmp_path / "log.parquet")
    read = read_log(tmp_path / "log.parquet", small_car())
    assert read["indication"].sel(gauge="G1").to_numpy().tolist() == [0.1, 0.2, 0.3]


def test_a_column_map_names_columns_and_units(tmp_path: Path) -> None:
    pd.DataFrame({"t": [0, 10, 20], "ch1": [1.0, 2.0, 3.0]}).to_json(tmp_path / "log.json")
    (tmp_path / "map.toml").write_text(
        'format = 1\nkind = "log"\n[columns]\nelapsed_time = { column = "t", unit = "ms" }\n'
        'G1 = { column = "ch1", unit = "uV/V" }\n'
    )
    read = read_log(tmp_path / "log.json", small_car(), column_map=tmp_path / "map.toml")
    np.testing.assert_allclose(read["elapsed_time"], [0, 0.01, 0.02])
    np.testing.assert_allclose(read["indication"].sel(gauge="G1"), [0.001, 0.002, 0.003])


def test_a_log_saved_as_netcdf_comes_back(tmp_path: Path) -> None:
    columns = {"elapsed_time [s]": ("0", "0.01", "0.02"), "G1 [mV/V]": ("1", "2", "3")}
    columns |= {f"acceleration_{c} [g]": ("1", "0", "-1") for c in "xyz"}
    columns |= {"travel_FL [mm]": ("1", "2", "3"), "brake_pressure_front [bar]": ("9", "8", "7")}
    rows = "\n".join(map(",".join, zip(*columns.values(), strict=True)))
    (tmp_path / "log.csv").write_text(",".join(columns) + "\n" + rows + "\n")
    one = read_log(tmp_path / "log.csv", small_car())
    one.drop_attrs(deep=False).to_netcdf(tmp_path / "log.nc")
    two = read_log(tmp_path / "log.nc", small_car())
    xr.testing.assert_equal(one.drop_attrs(), two.drop_attrs())


def test_tares_in_another_kind_of_file(tmp_path: Path) -> None:
    rows = [("before", "G1", 0.1), ("after", "G1", 0.2)]
    frame = pd.DataFrame(rows, columns=["when", "gauge", "indication [mV/V]"])
    frame.to_json(tmp_path / "tares.json")
    tares = read_tares(tmp_path / "tares.json", small_car())
    assert tares.indication.tolist() == [0.1, 0.2]
    assert tares.line.tolist() == [1, 2]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"G1 [mV/V]": [0.1, "OVERLOAD", 0.3]}, r"row 2, column 'G1 .*: 'OVERLOAD'"),
        ({"G1 [mV/V]": [0.1, np.inf, 0.3]}, r"row 2, column 'G1 .*: 'inf'"),
        ({"elapsed_time [s]": [0.0, 0.02, 0.01]}, r"row 3, .*: 0.01 s after 0.02 s"),
        ({"elapsed_time [s]": [0.0, 10.0, 20.0]}, r", column .*10 s apart.*\n.*is in ms"),
        ({"elapsed_time [s]": ["10:41:07", "noon", "10:41:08"]}, r"row 2, .*: 'noon'"),
        ({"travel_FL [mm]": [1.0, 2.0, 1e9]}, r"row 3, column 'travel_FL .*1e\+06"),
        ({"travel_FL": [1.0, 2.0, 1e9]}, r"two columns named 'travel_FL'"),
        ({"speed": [1.0, 2.0, 3.0]}, r"column 'speed': no unit for a quantity of kind speed"),
    ],
)
def test_faults_are_named_with_row_and_column(monkeypatch, tmp_path, changed, message) -> None:
    frame = pd.DataFrame({**COLUMNS, **changed}).fillna({"G1 [mV/V]": 0.2})
    with pytest.raises(DataError, match=rf"log.parquet.*{message}"):
        read_log(stand_in(monkeypatch, tmp_path, frame), small_car())


def test_an_empty_table_is_refused(monkeypatch, tmp_path) -> None:
    empty = pd.DataFrame(COLUMNS).iloc[:0]
    with pytest.raises(DataError, match=r"log.parquet: no row of data"):
        read_log(stand_in(monkeypatch, tmp_path, empty), small_car())


@pytest.mark.parametrize(("ending", "package"), [(".parquet", "pyarrow"), (".xlsx", "openpyxl")])
def test_a_missing_package_is_named(monkeypatch, tmp_path, ending, package) -> None:
    path = stand_in(monkeypatch, tmp_path, pd.DataFrame(), ending)

    def missing(*_: object, **__: object) -> None:
        message = "no engine"
        raise ImportError(message)

    monkeypatch.setattr(pd, PANDAS[ending][0], missing)
    with pytest.raises(DataError, match=rf"log{ending}: .* missing; need the package {package}"):
        read_log(path, small_car())


@pytest.mark.parametrize("ending", [".json", ".nc"])
def test_a_damaged_file_is_refused(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"log{ending}"
    path.write_text("{ no table")
    with pytest.raises(DataError, match=rf"log{ending}: reading failed: .*need a whole file"):
        read_log(path, small_car())
