"""Forces and answers as CSV: the same numbers again, whatever part or rate is asked for."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.errors import DataError, OutputError
from recon.base.status import BIT
from recon.conditioning.lower_rate import lower_rate
from recon.records.layout import find_layout
from recon.records.results import read_result
from recon.records.tables import parse_table
from tests.commands.session import OneCorner, Run
from tests.days import day

RATE = 500.0


def column(path: Path, name: str) -> np.ndarray:
    """A column of numbers, read by the reader of logs; `name` with its unit in brackets."""
    with path.open(encoding="utf-8", newline="") as stream:
        header = next(csv.reader(stream))
    return parse_table(find_layout(path), [header.index(name)])[0]


def words(path: Path, name: str) -> list[str]:
    with path.open(encoding="utf-8", newline="") as stream:
        return [row[name] for row in csv.DictReader(stream)]


def forces_of(force: np.ndarray, **more: object) -> xr.Dataset:
    """Forces (sample, 3) of one corner, u 50 N of which 30 N are noise, full band."""
    shape = ("elapsed_time", "corner", "component")
    u, random = np.full(force.shape, 50.0), np.full(force.shape, 30.0)
    status = np.zeros(force.shape[:1], dtype=np.uint16)
    status[7] = BIT["beyond_pulls"]
    flags = {"flag_masks": np.array([1, 16]), "flag_meanings": "bound_active beyond_pulls"}
    values = {
        "tyre_force": force,
        "u_tyre_force": u,
        "u_tyre_force_random": random,
        "tyre_force_lower": force - 2 * u,
        "tyre_force_upper": force + 2 * u,
    }
    data = {name: (shape, v[:, None], {"units": "N"}) for name, v in values.items()}
    return xr.Dataset(
        {**data, "status": (shape[:2], status[:, None], flags)},
        coords={
            "elapsed_time": np.arange(len(force)) / RATE,
            "corner": ["FL"],
            "component": ["x", "y", "z"],
        },
        attrs={"title": "Tyre forces of a test", "bandwidth_Hz": 250.0, **more},
    )


def sine(frequency: float, n: int = 2000) -> np.ndarray:
    wave = 1000.0 * np.sin(2 * np.pi * frequency * np.arange(n) / RATE)
    return np.stack([wave, wave, wave], axis=1)


def test_every_number_is_read_back_as_it_was(tmp_path: Path) -> None:
    forces = day().forces
    file = recon.export(forces, out=tmp_path / "forces.csv")
    for corner in forces["corner"].to_numpy():
        for axis in "xyz":
            for name in ("tyre_force", "u_tyre_force", "tyre_force_lower", "tyre_force_upper"):
                expected = forces[name].sel(corner=corner, component=axis).to_numpy()
                found = column(file, f"{name}_{corner}_{axis} [N]")
                np.testing.assert_array_equal(found.astype(np.float32), expected)
    speed = column(file, "speed [m/s]")
    np.testing.assert_allclose(speed, forces["speed"].to_numpy(), rtol=1e-8)  # nine digits
    status = [word for c in forces["corner"].to_numpy() for word in words(file, f"status_{c}")]
    flagged = forces["status"].to_numpy().T.ravel() & BIT["beyond_pulls"] > 0
    assert [("beyond_pulls" in word) for word in status] == flagged.tolist()
    assert {
        w for w, f in zip(status, forces["status"].to_numpy().T.ravel(), strict=True) if not f
    } == {"none"}


def test_value_u_and_limits_of_one_force_stand_side_by_side(tmp_path: Path) -> None:
    file = recon.export(forces_of(sine(5)), out=tmp_path / "forces.csv.gz")
    header = find_layout(file).header
    first = header.index("tyre_force_FL_y [N]")
    assert list(header[first : first + 4]) == [
        f"{name}_FL_y [N]"
        for name in ("tyre_force", "u_tyre_force", "tyre_force_lower", "tyre_force_upper")
    ]


def test_a_window_and_a_corner_are_cut_out(run: Run, one_corner: OneCorner, tmp_path: Path) -> None:
    out = tmp_path / "part.csv"
    ended = run(
        *("export", one_corner.forces, "--corner", "FL", "--from", 1, "--to", 2, "--out", out)
    )
    assert ended.code == 0, ended.err
    time = column(out, "elapsed_time [s]")
    forces = read_result(one_corner.forces)
    inside = forces.sel(elapsed_time=slice(1.0, 2.0))
    np.testing.assert_allclose(time, inside["elapsed_time"], rtol=1e-9)  # nine digits are written
    again = run("export", one_corner.forces, "--out", out)
    assert again.code == 4
    assert f"{out}: this file already exists" in again.err
    assert run("export", one_corner.forces, "--out", out, "--overwrite").code == 0
    folder = run("export", one_corner.forces, "--out", f"{out.parent}/")
    assert f"{out.parent}: a folder; need a name that ends '.csv' or" in folder.err
    nameless = run("export", one_corner.forces, "--out", "x" * 300)
    assert "a name without an ending; need a name that ends '.csv' or" in nameless.err
    assert len(column(out, "elapsed_time [s]")) == forces.sizes["elapsed_time"]


def test_a_lower_rate_keeps_what_it_can_show_and_nothing_else() -> None:
    """At 50 samples per second, 203 Hz would appear as 3 Hz."""
    slow, fast = sine(5.0), sine(203.0)
    thinned = lower_rate(forces_of(slow + fast), 50.0)
    assert thinned.sizes["elapsed_time"] == 200
    inner = slice(20, -20)  # away from the ends, where the filter sees one side only
    off = thinned["tyre_force"].to_numpy()[inner, 0] - slow[::10][inner]
    assert np.abs(off).max() < 1.0  # 5 Hz passes the filter of 17.5 Hz but for 1e-4
    assert np.abs(fast[::10]).max() > 900.0  # twin: thinned without a filter, 203 Hz stays


def test_a_lower_rate_takes_noise_off_the_interval_and_joins_flags() -> None:
    thinned = lower_rate(forces_of(sine(5.0)), 50.0)
    u = thinned["u_tyre_force"].to_numpy()[:, 0, 2]
    random = thinned["u_tyre_force_random"].to_numpy()[:, 0, 2]
    rng = np.random.default_rng(3)
    noise = lower_rate(forces_of(rng.normal(0, 30.0, (20000, 3))), 50.0)["tyre_force"].to_numpy()
    assert random[0] == pytest.approx(noise.std(), rel=0.03)  # 6000 numbers, hardly correlated
    assert u[0] == pytest.approx(np.hypot(40.0, random[0]), rel=1e-6)  # 40 N that stay, noise
    upper = thinned["tyre_force_upper"] - thinned["tyre_force"]
    np.testing.assert_allclose(upper.to_numpy()[:, 0, 2], 2 * u, rtol=1e-6)
    status = thinned["status"].to_numpy()[:, 0]
    assert status[1] == BIT["beyond_pulls"]  # sample 7 belongs to the kept sample 10
    assert not status[[0, 2, 3]].any()


def test_gaps_stay_gaps_at_a_lower_rate() -> None:
    forces = forces_of(sine(5.0))
    forces["tyre_force"].values[500:600] = np.nan
    time = forces["elapsed_time"].to_numpy().copy()
    time[1000:] += 3.0
    thinned = lower_rate(forces.assign_coords(elapsed_time=time), 50.0)
    force = thinned["tyre_force"].to_numpy()[:, 0, 0]
    assert np.isnan(force[50:60]).all()
    assert np.isfinite(force[:50]).all()
    assert np.isfinite(force[60:]).all()
    assert np.isin(thinned["elapsed_time"], time).all()


def test_an_answer_becomes_a_table_of_its_values(
    run: Run, one_corner: OneCorner, tmp_path: Path
) -> None:
    assert run("friction", one_corner.forces, "--out", tmp_path).code == 0
    answer, out = tmp_path / "friction.nc", tmp_path / "friction.csv"
    assert run("export", answer, "--out", out).code == 0
    found = read_result(answer)
    assert set(words(out, "corner")) == {"FL"}
    name = "highest_demonstrated_use"
    (row,) = [k for k, quantity in enumerate(words(out, "quantity")) if quantity == name]
    names = {"value": name, "u": f"u_{name}", "lower": f"{name}_lower", "upper": f"{name}_upper"}
    for header, of in names.items():
        assert float(words(out, header)[row]) == pytest.approx(float(found[of][0]), rel=1e-8)
    samples = tmp_path / "samples.csv"
    assert run("export", answer, "--rate", 50, "--out", samples).code == 0
    assert len(column(samples, "friction_use_FL [1]")) == -(-found.sizes["elapsed_time"] // 4)


def test_corners_of_an_answer_are_also_those_of_its_links(tmp_path: Path) -> None:
    names = ["FL tie_rod", "FR tie_rod", "front drop_link"]
    values = xr.Dataset(
        {"load": ("link", [1.0, 2.0, 3.0], {"units": "N"}), "count": ("corner", [4.0, 5.0])},
        coords={"link": names, "corner": ["FL", "FR"]},
    )
    table = recon.export(values, corner="FR", out=tmp_path / "fr.csv")
    assert words(table, "quantity") == ["load", "count"]
    assert words(table, "link") == ["FR tie_rod", ""]
    assert words(table, "corner") == ["", "FR"]
    assert words(table, "unit") == ["N", ""]
    assert words(table, "value") == ["2", "5"]
    several = recon.export(values, corner=["FR"], out=tmp_path / "of_a_list.csv")
    assert several.read_text() == table.read_text()


def test_values_of_several_shapes_are_one_table_with_a_row_for_each(tmp_path: Path) -> None:
    unit = {"units": "N"}
    values = xr.Dataset(
        {
            "force": (("launch", "corner"), [[1.0, 2.0]], unit),
            "u_force": (("launch", "corner"), [[0.1, np.nan]], unit),
            "first": ("launch", np.array([1]), {"flag_values": [0, 1], "flag_meanings": "no yes"}),
            "evidence": ("corner", np.array(["slid", ""])),
        },
        coords={"launch": ["launch 1"], "corner": ["RL", "RR"]},
    )
    table = recon.export(values, out=tmp_path / "all.csv")
    with table.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    assert rows == [
        ["quantity", "launch", "corner", "unit", "value", "u", "lower", "upper", "words"],
        ["force", "launch 1", "RL", "N", "1", "0.1", "", "", ""],
        ["force", "launch 1", "RR", "N", "2", "", "", "", ""],
        ["first", "launch 1", "", "", "", "", "", "", "yes"],
        ["evidence", "", "RL", "", "", "", "", "", "slid"],
        ["evidence", "", "RR", "", "", "", "", "", ""],
    ]


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"corner": "FL,LF"}, r"no corner 'LF'; need 'FL' \(did you mean that\?\)"),
        ({"start": 40.0}, r"no sample from 40 to 3\.998 s; need a part of 0 to 3\.998 s"),
        ({"start": 2.0, "end": 1.0}, r"no sample from 2 to 1 s"),
        ({"start": np.nan}, r"no sample from nan to 3\.998 s"),
        ({"rate": 300.0}, r"rate = 300 Hz asked for of samples at 500 Hz.*\n *Ask for 500 or 250"),
        ({"rate": 1000.0}, r"rate = 1000 Hz asked for of samples at 500 Hz"),
        ({"rate": -5.0}, r"rate = -5 Hz asked for; need a positive number"),
        ({"rate": np.nan}, r"rate = nan Hz asked for"),
    ],
)
def test_a_part_that_is_not_there_is_refused(
    asked: dict[str, float | str], found: str, tmp_path: Path
) -> None:
    with pytest.raises(DataError, match=f"(?s)Tyre forces of a test: {found}"):
        recon.export(forces_of(sine(5)), out=tmp_path / "out.csv", **asked)
    assert not list(tmp_path.iterdir())


def test_a_table_of_another_kind_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"out\.xlsx: a name that ends '\.xlsx'.*\n.*out\.csv"):
        recon.export(forces_of(sine(5)), out=tmp_path / "out.xlsx")
    with pytest.raises(OutputError, match=r"a folder; need .* '\.csv' or .*\n.*/result\.csv"):
        recon.export(forces_of(sine(5)), out=tmp_path)
    with pytest.raises(OutputError, match=r"out: a name without an ending; .*\n.*Name out\.csv"):
        recon.export(forces_of(sine(5)), out=tmp_path / "out")
    values = xr.Dataset({"a": ("cone", [1.0])}, attrs={"title": "Peaks"})
    with pytest.raises(DataError, match=r"Peaks: no values sample by sample"):
        recon.export(values, rate=5.0, out=tmp_path / "out.csv")
    with pytest.raises(DataError, match=r"Peaks: no corner 'FL'; need values by corner"):
        recon.export(values, corner="FL", out=tmp_path / "out.csv")
    series = xr.Dataset({"a": ("elapsed_time", [1.0])}, attrs={"title": "Series"})
    with pytest.raises(DataError, match=r"Series: no values beside its samples"):
        recon.export(series, out=tmp_path / "out.csv")
