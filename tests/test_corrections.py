"""Lines that a doubt prints, added to a column map, give the forces of the sound drive."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from recon.base.doubt import Doubt
from recon.base.errors import DataError, DataWarning, DoubtWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.records.column_maps import read_map
from recon.records.corrections import Correction, on_time
from recon.records.doubt_variables import doubts_in
from recon.records.logs import read_log
from recon.records.sheets import Tares
from recon.records.table_writing import write_log, write_tares
from recon.records.tares import read_tares
from tests.days import day, unwarned
from tests.slow_repeats import some_quick
from tests.small_car import small_car

HEAD = 'format = 1\nkind = "log"\n'
GAUGES = tuple(map(str, day().log["gauge"].to_numpy()))
Slip = Callable[[xr.Dataset, Tares], Tares]  # a raw log, changed in place, and its tares


def turned(i: int, *, tares_too: bool) -> Slip:
    def slip(raw: xr.Dataset, tares: Tares) -> Tares:
        raw["indication"][:, i] *= -1.0
        sign = np.where((tares.gauge == GAUGES[i]) & tares_too, -1.0, 1.0)
        return replace(tares, indication=sign * tares.indication)

    return slip


def plugs(i: int, j: int) -> Slip:
    def slip(raw: xr.Dataset, tares: Tares) -> Tares:
        values = raw["indication"].to_numpy()
        values[:, [i, j]] = values[:, [j, i]]
        return tares

    return slip


def rows_exchanged(i: int, j: int) -> Slip:
    def slip(_: xr.Dataset, tares: Tares) -> Tares:
        first, second = (tares.gauge == GAUGES[k] for k in (i, j))
        names = np.where(first, GAUGES[j], np.where(second, GAUGES[i], tares.gauge))
        return replace(tares, gauge=names)

    return slip


def channel(name: str, factor: float = 1.0, add: float = 0.0, **at: str) -> Slip:
    def slip(raw: xr.Dataset, tares: Tares) -> Tares:
        raw[name].loc[at] = factor * raw[name].sel(at) + add
        return tares

    return slip


def late_rear(raw: xr.Dataset, tares: Tares) -> Tares:
    time, values = raw["elapsed_time"].to_numpy(), raw["indication"].to_numpy()
    for i, gauge in enumerate(GAUGES):
        if gauge.startswith("R"):
            values[:, i] = np.interp(time - 0.012, time, values[:, i])
    return tares


def solved(folder: Path, maps: dict[str, Path]) -> xr.Dataset:
    """Forces from the files in a folder."""
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", DoubtWarning)
        warnings.simplefilter("ignore", DataWarning)  # the corrections
        log = read_log(folder / "log.csv", day().car, column_map=maps.get("log"))
        zeros = read_tares(folder / "tares.csv", day().car, column_map=maps.get("tares"))
        return reconstruct(condition(log, day().car, zeros), day().calibration, day().car)


def save(folder: Path, slip: Slip) -> None:
    raw = day().log.copy(deep=True)
    tares = slip(raw, day().tares)
    write_log(folder / "log.csv", raw, day().car)
    write_tares(folder / "tares.csv", tares, day().car)


def maps_of(folder: Path, doubt: Doubt) -> dict[str, Path]:
    """Maps that hold nothing but the lines of a doubt."""
    _, where, *lines = doubt.do.split("\n")
    out = {}
    for kind, file in (("log", "log"), ("tares", "tare table")):
        if f"map of the {file}" in where:
            out[kind] = folder / f"{kind}_map.toml"
            out[kind].write_text("\n".join(["format = 1", f'kind = "{kind}"', *lines]))
    return out


SLIPS = {
    "inverted gauge": (turned(3, tares_too=False), "inverted", {"log"}),
    "inverted gauge and tares": (turned(3, tares_too=True), "inverted", {"log", "tares"}),
    "plugs": (plugs(0, 9), "exchanged", {"log"}),
    "tares": (rows_exchanged(0, 1), "exchanged tares", {"tares"}),
    "roll": (channel("roll", -1.0), "inverted", {"log"}),
    "steer in rad": (channel("steer", np.pi / 180), "other unit", {"log"}),
    "gravity": (
        channel("acceleration", add=-STANDARD_GRAVITY, component="z"),
        "without gravity",
        {"log"},
    ),
}


@pytest.mark.parametrize("name", some_quick(SLIPS, "inverted gauge and tares", "roll", "gravity"))
def test_the_line_of_a_doubt_gives_the_forces_of_the_sound_drive(name: str, tmp_path: Path) -> None:
    slip, cause, kinds = SLIPS[name]
    save(tmp_path, slip)
    (doubt,) = doubts_in(solved(tmp_path, {}))
    assert doubt.cause == cause
    maps = maps_of(tmp_path, doubt)
    assert set(maps) == kinds
    again = solved(tmp_path, maps)
    assert doubts_in(again) == ()
    # Files hold indications to 1e-5 mV/V, some 0.1 N; lines hold seven digits.
    np.testing.assert_allclose(again["tyre_force"], day().forces["tyre_force"], atol=1.5)


def test_the_line_for_a_late_logger_takes_most_of_its_error_away(tmp_path: Path) -> None:
    save(tmp_path, late_rear)
    before = solved(tmp_path, {})
    (doubt,) = doubts_in(before)
    after = solved(tmp_path, maps_of(tmp_path, doubt))
    assert doubts_in(after) == ()
    error = [
        float(np.sqrt(((f["tyre_force"] - day().forces["tyre_force"])[:, 2:] ** 2).mean()))
        for f in (before, after)
    ]
    # A delay of 12 ms is found within some 2 ms, and with it 1 - 2/12 of the error.
    assert error[1] < 0.35 * error[0]


def test_a_delayed_cubic_is_exact_and_keeps_gaps() -> None:
    time = np.delete(np.arange(60) * 0.01, slice(30, 34))
    values = 1 + 2 * time - 3 * time**2 + 40 * time**3
    there = on_time(time + 0.0, values, 0.013)
    late = time + 0.013
    exact = 1 + 2 * late - 3 * late**2 + 40 * late**3
    known = np.isfinite(there)
    # A cubic through four points is exact but for rounding.
    np.testing.assert_allclose(there[known], exact[known], rtol=1e-12)
    assert not known[27:30].any()
    assert not known[-1]
    assert known[:27].all()
    sparse = np.where(np.arange(len(time)) % 5 == 0, values, np.nan)
    slow = on_time(time, sparse, 0.013)
    assert np.isfinite(slow[:20:5]).all()
    assert np.isnan(slow[1:20:5]).all()


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("spead = { factor = 2 }", r"corrections: 'spead', which.*'speed'"),
        ('"speed, speed" = { factor = 2 }', "corrections: 'speed' twice"),
        ("elapsed_time = { factor = 2 }", "'elapsed_time', which cannot be corrected"),
        ("speed = { factor = 0 }", "corrections.speed: factor = 0"),
        ("speed = { factor = nan }", "corrections.speed.factor: nan"),
        ("speed = { late_ms = 2000 }", r"late_ms = 2000; need a delay up to 1000 ms"),
        ('speed = { add = "3" }', r"add = '3'; need a number and a unit, one of m/s"),
        ('speed = { add = "x m/s" }', "add = 'x m/s'"),
        ('roll = { exchanged_with = "roll" }', "corrections.roll: exchanged_with = 'roll'"),
        ('roll = { exchanged_with = "pich" }', "exchanged_with = 'pich'; need 'pitch'"),
        (
            'roll = { exchanged_with = "pitch" }\nsteer = { exchanged_with = "pitch" }',
            "pitch exchanged with",
        ),
        ("speed = { times = 2 }", "corrections.speed.times: 2"),
    ],
)
def test_slips_in_a_correction_are_refused(tmp_path: Path, line: str, message: str) -> None:
    path = tmp_path / "map.toml"
    path.write_text(f"{HEAD}[corrections]\n{line}\n")
    with pytest.raises(DataError, match=message):
        read_map(path, "log", small_car())


def test_tares_have_no_time_that_could_be_late(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text('format = 1\nkind = "tares"\n[corrections]\nG1 = { late_ms = 3 }\n')
    with pytest.raises(DataError, match=r"late_ms = 3; need a delay .* in a map for log only"):
        read_map(path, "tares", small_car())


def test_a_correction_of_a_column_that_is_not_there_is_refused(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("elapsed_time [s],G1 [mV/V]\n0,0.1\n0.1,0.2\n")
    path = tmp_path / "map.toml"
    path.write_text(f"{HEAD}[corrections]\nspeed = {{ factor = -1 }}\n")
    with pytest.raises(DataError, match=r"corrections.speed: no column speed in .*log.csv"):
        read_log(tmp_path / "log.csv", small_car(), column_map=path)


def test_corrections_are_done_in_units_and_noted(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(
        "elapsed_time [s],G1 [uV/V],roll [deg],pitch [deg],speed [km/h]\n"
        "0,100,1,2,36\n0.1,200,3,4,72\n"
    )
    path = tmp_path / "map.toml"
    lines = (
        'G1 = { factor = -1, add = "0.5 mV/V" }',
        'roll = { exchanged_with = "pitch", factor = -1 }',
        'speed = { add = "3.6 km/h" }',
    )
    path.write_text(HEAD + "[corrections]\n" + "\n".join(lines) + "\n")
    with pytest.warns(DataWarning) as notes:
        log = read_log(tmp_path / "log.csv", small_car(), column_map=path)
    np.testing.assert_allclose(log["indication"].to_numpy()[:, 0], [0.4, 0.3])
    np.testing.assert_allclose(log["speed"], [11.0, 21.0])
    np.testing.assert_allclose(np.rad2deg(log["roll"]), [-2, -4])
    np.testing.assert_allclose(np.rad2deg(log["pitch"]), [1, 3])
    said = " ".join(str(note.message) for note in notes)
    assert "G1 times -1, +0.5 mV/V" in said
    assert "roll exchanged with pitch, times -1" in said
    assert str(Correction(late=0.007)) == "taken 7 ms earlier"
