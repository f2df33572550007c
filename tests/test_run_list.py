"""Run lists: what is read, and what is refused with line and remedy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recon.base.errors import DataError, DataWarning
from recon.records.run_list import read_run_list

HEADER = "file,set_up,order,block,driver,tyre_set,tyre_temperature [degF],changed,notes"
ROWS = (
    "a1,hard,1,1,Kim,set 1,140,nothing gauged,",
    "b1,soft,2,1,Kim,set 1,142,nothing gauged,",
    "b2.nc,soft,3,1,Kim,set 1,143,nothing gauged,wind",
    "a2,hard,4,1,Kim,set 1,144,nothing gauged,",
)


def written(folder: Path, *rows: str, header: str = HEADER) -> Path:
    """A run list with the results that ROWS name beside it."""
    for name in ("a1", "a2", "b1"):
        (folder / name).mkdir(exist_ok=True)
        (folder / name / "forces.nc").touch()
    (folder / "b2.nc").touch()
    path = folder / "runs.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def test_runs_are_read_in_the_order_of_driving(tmp_path: Path) -> None:
    runs = read_run_list(written(tmp_path, *reversed(ROWS)))
    assert runs.set_ups == ("hard", "soft")  # that of the first row is the one to compare with
    assert runs.set_up.tolist() == ["hard", "soft", "soft", "hard"]
    assert [f.relative_to(tmp_path).as_posix() for f in runs.file] == [
        "a1/forces.nc", "b1/forces.nc", "b2.nc", "a2/forces.nc",
    ]  # fmt: skip
    assert runs.tyre_temperature[0] == pytest.approx(60.0)
    assert runs.line.tolist() == [5, 4, 3, 2]
    assert runs.where(1) == f"{tmp_path / 'runs.csv'}, line 4 ({tmp_path / 'b1' / 'forces.nc'})"
    assert runs.changed_by == "nothing gauged"
    assert runs.assumed == ()


def test_what_a_short_list_leaves_out_is_assumed_in_words(tmp_path: Path) -> None:
    rows = [",".join(row.split(",")[:2]) for row in ROWS]
    runs = read_run_list(written(tmp_path, *rows, header="file,set_up"))
    assert runs.order.tolist() == [1, 2, 3, 4]
    assert np.isnan(runs.tyre_temperature).all()
    assert runs.changed_by == "not stated"
    assert [text.split(": ")[1].split(" not")[0] for text in runs.assumed] == [
        "order", "block", "driver", "tyre_set", "tyre_temperature", "changed",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("row", "found", "needed"),
    [
        (2, ("b1", "nowhere"), "line 3.*no file 'nowhere'.*recon reconstruct"),
        (2, ("b1", "b" * 5000), "line 3.*no file 'bbb"),
        (2, ("b1", "a1"), "line 3.*'a1' once more, after line 2.*every run once"),
        (2, ("soft", ""), "line 3: no set_up; need the name"),
        (2, ("soft", "hard"), "line 4: 1 run of set-up 'soft'; need at least 2 runs"),
        (2, ("soft", "softer"), "line 5: 3 set-ups in all, 'hard', 'softer', 'soft'"),
        (3, ("3", "2"), "line 4: order 2 once more.*1, 2, 3"),
        (3, ("3", ""), "line 4: no order, which other rows have"),
        (3, ("Kim", ""), "line 4: no driver, which other rows have"),
        (3, ("143", ""), "line 4: no tyre_temperature, which other rows have"),
        (3, ("143", "hot"), "line 4.*'hot'; need a finite number"),
        (2, ("nothing gauged", "arms"), "line 3: changed 'arms'; need .*one of gauged link, mount"),
        (3, ("nothing gauged", "tyres"), "line 4: changed 'tyres' for set-up 'soft', which has "
         "'nothing gauged' in line 3"),
    ],
)  # fmt: skip
def test_faults_are_refused_with_their_line(
    tmp_path: Path, row: int, found: tuple[str, str], needed: str
) -> None:
    rows = list(ROWS)
    rows[row - 1] = rows[row - 1].replace(*found, 1)
    with pytest.raises(DataError, match=rf"runs\.csv(?s:.*){needed}"):
        read_run_list(written(tmp_path, *rows))


def test_one_set_up_only_is_refused(tmp_path: Path) -> None:
    rows = [row.replace("soft", "hard") for row in ROWS]
    with pytest.raises(DataError, match=r"1 set-up in all, 'hard'; need two set-ups"):
        read_run_list(written(tmp_path, *rows))


def test_a_list_without_rows_or_columns_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"runs\.csv"):
        read_run_list(written(tmp_path))
    rows = [row.partition(",")[2] for row in ROWS]
    with pytest.raises(DataError, match="no column file"):
        read_run_list(written(tmp_path, *rows, header=HEADER.partition(",")[2]))


def test_another_table_is_named(tmp_path: Path) -> None:
    path = tmp_path / "tares.csv"
    path.write_text("when,gauge,indication [mV/V]\nbefore,FL_upper,0.1\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"a tare table where a run list is wanted(?s:.*)compare"):
        read_run_list(path)


def test_a_mistyped_column_is_named(tmp_path: Path) -> None:
    with pytest.warns(DataWarning, match="'drivers' is not used; was 'driver' meant"):
        read_run_list(written(tmp_path, *ROWS, header=HEADER.replace("driver", "drivers")))


def test_a_folder_stands_for_its_forces_else_for_its_only_result(tmp_path: Path) -> None:
    path = written(tmp_path, *ROWS)
    (tmp_path / "a1" / "slalom.nc").touch()
    (tmp_path / "b1" / "forces.nc").rename(tmp_path / "b1" / "lap.nc")
    files = {file.relative_to(tmp_path).as_posix() for file in read_run_list(path).file}
    assert {"a1/forces.nc", "b1/lap.nc"} <= files
    (tmp_path / "b1" / "slalom.nc").touch()
    with pytest.raises(DataError, match=r"no forces\.nc in the folder 'b1'"):
        read_run_list(path)
