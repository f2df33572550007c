"""`recon compare` on files: eight short runs whose forces differ by a known share."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.doubt import Doubt
from recon.base.errors import DataError
from recon.evaluation.runs.metrics import BY_NAME
from recon.records.doubt_variables import with_doubts
from recon.records.results import read_result, write_result
from tests.commands.session import Run
from tests.days import day

LETTERS = "ABBAABBA"
EFFECT = 0.03
HORIZONTAL = ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle")


def scaled(forces: xr.Dataset, factor: float, number: int) -> xr.Dataset:
    """The same drive with horizontal forces that are larger by a factor, as another run."""
    out = forces.copy()
    for name in HORIZONTAL:
        values = forces[name].to_numpy().copy()
        values[..., :2] *= factor
        out[name] = forces[name].copy(data=values)
    return out.assign_attrs(log_checksum=f"{number:064d}")


def rows_of(letters: str = LETTERS, changed: str = "nothing gauged") -> list[str]:
    header = "file,set_up,order,block,changed"
    return [header] + [
        f"run_{i + 1},{'soft' if letter == 'B' else 'stiff'} bar,{i + 1},{i // 4 + 1},{changed}"
        for i, letter in enumerate(letters)
    ]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight results beside each other, and a list of them."""
    root, rng = tmp_path_factory.mktemp("runs"), np.random.default_rng(17)
    # A third of the slalom is enough, and quicker.
    forces = day().forces.isel(elapsed_time=slice(0, 3000))
    for i, letter in enumerate(LETTERS):
        (root / f"run_{i + 1}").mkdir()
        factor = 1 + EFFECT * (letter == "B") + rng.normal(0, 0.005)
        write_result(scaled(forces, factor, i), root / f"run_{i + 1}" / "forces.nc")
    (root / "runs.csv").write_text("\n".join(rows_of()) + "\n", encoding="utf-8")
    return root


def listed(folder: Path, name: str, *rows: str) -> Path:
    path = folder / name
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.mark.pictures
def test_a_comparison_from_files(folder: Path, run: Run, tmp_path: Path) -> None:
    out, page = tmp_path / "out", tmp_path / "runs.html"
    words = ("compare", folder / "runs.csv", "--metric", "front_lateral_force", "--margin", "2%")
    ended = run(*words, "--out", out, "--page", page)
    assert ended.code == 0, ended.err
    lines = ended.out.splitlines()
    assert lines[0].startswith("'soft bar' is better than 'stiff bar': front lateral force +")
    assert lines[0].endswith("(95 %) (4 + 4 runs)")
    assert all(len(line) < 140 for line in lines)
    assert "Traceback" not in ended.err
    answer = read_result(out / "comparison.nc")
    effect = float(answer["effect"][0]) / float(answer["mean"][0, 0])
    half = float(answer["effect_upper"][0] - answer["effect"][0]) / float(answer["mean"][0, 0])
    assert abs(effect - EFFECT) < half < 0.02
    assert answer["metric"].to_numpy()[0] == "front_lateral_force"
    assert answer.attrs["command"] == "compare"
    assert "runs" in answer["input_role"].to_numpy()
    assert "launch_impulse: no launch in the run" in answer.attrs["not_given"]
    assert (out / "comparison.png").stat().st_size > 30_000
    assert "is better than" in page.read_text(encoding="utf-8")
    assert str(page.name) in ended.out
    again = run(*words, "--out", out)
    assert again.code == 4
    assert f"{out / 'comparison.nc'}: this file already exists" in again.err
    again = run(*words, "--out", tmp_path / "other", "--page", page)
    assert again.code == 4
    assert f"{page}: this file already exists" in again.err
    same = run("page", out, "--out", tmp_path / "same.html")
    assert same.code == 0, same.err
    assert (tmp_path / "same.html").read_bytes() == page.read_bytes()


def test_the_python_call_gives_the_same(folder: Path) -> None:
    runs = recon.read_run_list(folder / "runs.csv")
    results = (recon.read_result(file) for file in runs.file)
    answer = recon.compare_runs(runs, results, metric="cornering_force")
    assert answer.attrs["verdict"] == "better"
    for name, variable in answer.data_vars.items():
        assert variable.attrs["long_name"], name
    assert answer["samples"].to_numpy().min() > 20
    assert answer["profile"].dims == ("run", "share")
    assert answer["course"].dims == ("run", "section", "place")
    assert answer.attrs["course_along"] == "distance"
    assert list(answer["section"].to_numpy()) == ["slalom 1"]
    assert len(set(answer["run_log"].to_numpy())) == len(LETTERS)
    assert len(set(answer["run_calibration"].to_numpy())) == 1


def test_every_number_of_a_comparison_has_its_unit_in_a_table(folder: Path, tmp_path: Path) -> None:
    """Metrics have a unit each, and effects take theirs from it."""
    runs = recon.read_run_list(folder / "runs.csv")
    results = (recon.read_result(file) for file in runs.file)
    answer = recon.compare_runs(runs, results, metric="cornering_force")
    path = recon.export(answer, out=tmp_path / "comparison.csv")
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row for row in rows if row["value"] and not row["unit"]] == []
    of = {(row["quantity"], row["metric"]): row["unit"] for row in rows}
    units = dict(zip(answer["metric"].to_numpy(), answer["metric_unit"].to_numpy(), strict=True))
    assert {"1", "N"} <= set(units.values())
    for metric, unit in units.items():
        assert of["effect", metric] == unit
    assert (of["course_length", ""], of["profile", ""]) == ("m", "1")


def test_without_a_metric_all_of_them_are_listed(folder: Path, run: Run, tmp_path: Path) -> None:
    for words, found in (((), "no metric declared"), (("--metric", "grip"), "no metric 'grip'")):
        ended = run("compare", folder / "runs.csv", *words, "--out", tmp_path / "out")
        assert ended.code == 2
        assert f"runs.csv: {found}" in ended.err
        assert all(name in ended.err for name in BY_NAME)
    assert not (tmp_path / "out").exists()


def test_a_metric_that_a_run_lacks_is_refused(folder: Path, run: Run, tmp_path: Path) -> None:
    ended = run(
        "compare", folder / "runs.csv", "--metric", "launch_impulse", "--out", tmp_path / "out"
    )
    assert ended.code == 2
    assert "line 2" in ended.err
    assert "no launch_impulse in this run: no launch in the run" in ended.err
    assert "this one has cornering_force" in ended.err


def test_new_arms_are_said_to_be_not_comparable(folder: Path, run: Run, tmp_path: Path) -> None:
    path = listed(folder, "arms.csv", *rows_of("ABBA", changed="gauged link"))
    ended = run("compare", path, "--metric", "cornering_force", "--out", tmp_path / "out")
    assert ended.code == 3, ended.err  # written all the same, for the reasons and their cures
    assert (tmp_path / "out" / "comparison.nc").exists()
    first, why, *_ = ended.out.splitlines()
    assert "not comparable by these runs" in first
    assert "changed a gauged link" in why
    assert "%" not in first


def test_a_doubted_run_is_refused(folder: Path) -> None:
    runs = recon.read_run_list(folder / "runs.csv")
    doubt = Doubt(
        corners=("FL",), cause="inverted", channels=("FL_upper",), probability=0.9, start=0.0,
        end=5.0, found="Gauges disagree.", do="Turn the plug.",
    )  # fmt: skip
    forces = with_doubts(recon.read_result(runs.file[0]), (doubt,))
    found = r"line 2 .*forces of FL are doubted \(inverted\): Gauges disagree; need "
    do = r".*, or remove its row\. What would correct it: Turn the plug"
    with pytest.raises(DataError, match=f"(?s){found}{do}"):
        recon.compare_runs(runs, [forces], metric="cornering_force")


def test_the_same_log_under_two_names_is_refused(folder: Path) -> None:
    runs = recon.read_run_list(folder / "runs.csv")
    results = [recon.read_result(runs.file[0])] * len(runs.file)
    with pytest.raises(DataError, match="made from the same log as"):
        recon.compare_runs(runs, results, metric="cornering_force")


def test_forces_of_other_runs_than_those_of_the_list_are_refused(folder: Path) -> None:
    runs = recon.read_run_list(folder / "runs.csv")
    results = [recon.read_result(file) for file in runs.file]
    for given, found in (
        (results[::-1], rf"line 2 .*: forces read from .*{runs.file[-1].parent.name}"),
        (results[:3], rf"runs.csv: forces of 3, fewer than the {len(results)} runs"),
        ([*results, results[0]], rf"runs.csv: forces of more than the {len(results)} runs"),
    ):
        with pytest.raises(DataError, match=rf"{found}"):
            recon.compare_runs(runs, given, metric="cornering_force")


def test_forces_that_are_none_are_refused(folder: Path, run: Run, tmp_path: Path) -> None:
    (folder / "text.nc").write_text("no netCDF", encoding="utf-8")
    rows = rows_of()
    path = listed(folder, "text.csv", *[row.replace("run_3,", "text.nc,") for row in rows])
    ended = run("compare", path, "--metric", "cornering_force", "--out", tmp_path / "out")
    assert ended.code == 2
    assert "text.nc: no netCDF file" in ended.err


def test_of_two_declared_metrics_none_decides_in_silence(run: Run) -> None:
    ended = run("compare", "runs.csv", "--metric", "rear_lag", "--metric", "braking_force")
    assert ended.code == 2
    assert "option '--metric' stands there twice, with rear_lag and braking_force" in ended.err
