"""Clocks of two loggers: offset and drift with honest uncertainties, in words and picture."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataError
from recon.conditioning.clocks import U_DELAY, Clock, align, in_words
from recon.conditioning.joining import Joined
from recon.report.drive.clocks import clock_lines, plot_clocks
from tests.raw_logs import log_of, swerve

THREE = ("elapsed_time", "component")


def logged(time: np.ndarray, name: str, values: np.ndarray, gauges: bool) -> xr.Dataset:
    """A log of one channel with its own times [s]; `values` (sample,) are its y component."""
    made = log_of(np.zeros((len(time), 4))).assign_coords(
        elapsed_time=("elapsed_time", time, {"units": "s"}),
        component=("component", ["x", "y", "z"]),
    )
    three = np.full((len(time), 3), np.nan)
    three[:, 1] = values
    made[name] = (THREE, three) if name == "acceleration" else (("elapsed_time",), values)
    made = made.assign_attrs(path="gauges.csv" if gauges else "vehicle.csv")
    return made if gauges else made.isel(gauge=[])


def two(
    seed: int, *, seconds: float = 60.0, offset: float = 0.8, ppm: float = 40.0, rate: float = 100.0
) -> tuple[xr.Dataset, xr.Dataset]:
    """Logs of one drive by a gauge logger at 200 Hz and by another whose clock is off."""
    rng = np.random.default_rng(1000 + seed)
    first = np.arange(0, seconds, 0.005)
    at = offset + np.arange(0, seconds - offset, 1 / rate)
    own = (at - offset) * (1 + 1e-6 * ppm)
    noise = [0.06 * rng.standard_normal(len(t)) for t in (first, at)]
    a = logged(first, "acceleration", swerve(first, seed) + noise[0], gauges=True)
    return a, logged(own, "acceleration", 1.02 * swerve(at, seed) + noise[1], gauges=False)


def wrong(clock: Clock, offset: float, ppm: float) -> tuple[float, float]:
    """Errors of the offset in the middle [s] and of the drift."""
    true = clock.middle / (1 + 1e-6 * ppm) + offset
    return clock.middle + clock.offset - true, clock.drift - (1 / (1 + 1e-6 * ppm) - 1)


@pytest.mark.parametrize(
    ("offset", "ppm", "rate"), [(0.82, 40.0, 100.0), (5.0, -40.0, 20.0), (0.0, 90.0, 333.0)]
)
def test_two_clocks_are_aligned_within_two_milliseconds(offset, ppm, rate) -> None:
    clock = align(*two(1, offset=offset, ppm=ppm, rate=rate))
    ends = np.array([0.0, 60.0 - offset])
    true = ends / (1 + 1e-6 * ppm) + offset
    np.testing.assert_allclose(clock.on_first(ends), true, rtol=0, atol=2e-3)  # s, as promised
    assert clock.start == pytest.approx(offset, abs=2e-3)
    assert clock.u_drift < 20e-6


def test_stated_uncertainties_are_those_of_repeated_drives() -> None:
    errors, stated = [], []
    for seed in range(40):
        clock = align(*two(seed, seconds=30.0))
        errors.append(wrong(clock, 0.8, 40.0))
        stated.append((clock.u_offset, clock.u_drift))
    ratio = np.sqrt(np.mean((np.array(errors) / np.array(stated)) ** 2, axis=0))
    # 40 drives give a root mean square to 11 %; half the blocks of 2 s are few for a sandwich.
    assert np.all((ratio > 0.6) & (ratio < 1.4))


def test_a_long_drive_gives_the_drift_to_a_millionth_and_finds_a_bad_clock() -> None:
    clock = align(*two(3, seconds=600.0, ppm=300.0, rate=50.0))
    offset, drift = wrong(clock, 0.8, 300.0)
    assert abs(offset) < 3 * clock.u_offset
    assert abs(drift) < 3 * clock.u_drift < 3e-6


def test_a_gap_in_one_log_does_not_move_the_clock() -> None:
    a, b = two(5)
    a = a.isel(elapsed_time=np.r_[0:3000, 3400 : a.sizes["elapsed_time"]])
    offset, _ = wrong(align(a, b), 0.8, 40.0)
    assert abs(offset) < 1e-3  # s


def test_a_stand_in_aligns_with_the_lag_it_may_have() -> None:
    a, b = two(7)
    hubs = np.full((a.sizes["elapsed_time"], 2, 3), np.nan)
    hubs[:] = a["acceleration"].to_numpy()[:, None, :]
    a = a.drop_vars("acceleration")
    a["hub_acceleration"] = (("elapsed_time", "corner", "component"), hubs)
    clock = align(a, b)
    assert abs(wrong(clock, 0.8, 40.0)[0]) < 2e-3
    assert clock.delay > 5 * U_DELAY
    assert clock.agreements[0].names == ("mean of hub_acceleration_y", "acceleration_y")


@pytest.mark.parametrize("ahead", [True, False])
def test_one_axle_alone_turns_in_before_the_body(ahead: bool) -> None:
    """A hub in front moves sideways 60 ms before the accelerometer, but ahead at the same time."""
    a, b = two(7)
    time = a["elapsed_time"].to_numpy()
    hubs = np.full((len(time), 2, 3), np.nan)
    hubs[:, 0, 1] = swerve(time + 0.06, 7)
    if ahead:
        hubs[:, 0, 0] = swerve(time, 8)
        b["acceleration"][:, 0] = swerve(0.8 + b["elapsed_time"].to_numpy() / (1 + 40e-6), 8)
    a = a.drop_vars("acceleration").assign_coords(corner=["FL", "RL"])
    a["hub_acceleration"] = (("elapsed_time", "corner", "component"), hubs)
    clock = align(a, b)
    axis = "x" if ahead else "y"
    names = (f"mean of hub_acceleration_{axis}", f"acceleration_{axis}")
    assert [agreement.names for agreement in clock.agreements] == [names]
    assert abs(wrong(clock, 0.8, 40.0)[0]) < 2 * clock.delay < (0.03 if ahead else 0.2)


def test_signals_that_lag_more_and_more_are_no_clock_that_drifts() -> None:
    """Sideways acceleration leads yaw in slow corners, which may all lie at one end of a drive."""
    a, b = two(7)
    at = 0.8 + b["elapsed_time"].to_numpy()
    turning = swerve(at - 0.002 * at, 7)  # late by 120 ms at the end, a clock of 2000 ppm
    b = b.drop_vars("acceleration")
    b["yaw_rate"] = (("elapsed_time",), turning / 15.0)
    b["speed"] = (("elapsed_time",), np.full(len(at), 15.0))
    clock = align(a, b)
    assert clock.agreements[0].names == ("acceleration_y", "speed times yaw_rate")
    assert abs(wrong(clock, 0.8, 40.0)[0]) < 2 * np.hypot(clock.u_offset, clock.delay) < 0.2
    assert abs(clock.drift) < 2 * clock.u_drift < 120e-6


def test_gauges_and_an_acceleration_are_enough() -> None:
    a, b = two(9)
    rng = np.random.default_rng(2)
    lean = swerve(a["elapsed_time"].to_numpy() - 0.15, 9)  # something else that some gauges see
    load = np.stack([a["acceleration"].to_numpy()[:, 1], lean], axis=1)
    noise = rng.standard_normal((len(load), 4))
    a["indication"] = a["indication"].dims, load @ rng.standard_normal((2, 4)) + noise
    clock = align(a.drop_vars("acceleration"), b)
    assert abs(wrong(clock, 0.8, 40.0)[0]) < 0.01  # s, the lag that it may have
    assert clock.delay > 0.01
    assert clock.agreements[0].names == ("the gauges", "acceleration_y")
    assert np.isnan(clock.agreements[0].gain)
    # A gauge that dies, and one that jumps away and stands still, change nothing.
    dead = xr.concat([a, a.isel(gauge=[0, 1])], "gauge", data_vars="minimal")
    dead["indication"][len(load) // 3 :, 4] = float(dead["indication"][len(load) // 3, 4])
    dead["indication"][len(load) // 2 :, 5] = 30.0
    again = align(dead.drop_vars("acceleration"), b)
    assert again.offset == pytest.approx(clock.offset, abs=1e-9)


def loaded(seed: int, seconds: float, rate: float) -> tuple[xr.Dataset, xr.Dataset]:
    """Twelve gauges that see two motions, one of them the acceleration of a slow logger."""
    a, b = two(seed, seconds=seconds, rate=rate)
    rng, time = np.random.default_rng(seed), a["elapsed_time"].to_numpy()
    load = np.stack([a["acceleration"].to_numpy()[:, 1], swerve(time, seed + 500)], axis=1)
    seen = load @ rng.standard_normal((2, 12)) + 0.1 * rng.standard_normal((len(time), 12))
    a = xr.concat([a.drop_vars("acceleration")] * 3, "gauge", data_vars="minimal")
    return a.assign(indication=(a["indication"].dims, seen)), b


@pytest.mark.parametrize("seed", range(3))
def test_a_run_of_half_a_minute_is_enough_for_a_logger_of_ten_samples_a_second(seed: int) -> None:
    """Samples are counted by the motion that they show: those of a quick logger repeat it."""
    clock = align(*loaded(seed, 30.0, 10.0))
    assert abs(wrong(clock, 0.8, 40.0)[0]) < 2 * np.hypot(clock.u_offset, clock.delay) < 0.05


def test_too_few_samples_are_counted() -> None:
    found = r"too few samples to compare: 29 of the gauges and acceleration_y; need more than 128"
    with pytest.raises(DataError, match=found):
        align(*loaded(1, 30.8, 1.0))


def test_a_common_channel_that_hardly_moves_gives_way_to_the_gauges() -> None:
    """A straight launch: both logs hold nothing but noise of the lateral acceleration."""
    a, b = two(9)
    rng = np.random.default_rng(4)
    a["indication"] = (
        a["indication"].dims,
        a["acceleration"].to_numpy()[:, 1:2] * [0.3, -1.0, 0.5, 0.2]
        + 0.1 * rng.standard_normal((a.sizes["elapsed_time"], 4)),
    )
    b["acceleration"][:, 0] = b["acceleration"][:, 1]
    for log in (a, b):
        log["acceleration"][:, 1] = 0.06 * rng.standard_normal(log.sizes["elapsed_time"])
    clock = align(a, b)
    assert clock.agreements[0].names == ("the gauges", "acceleration_x")
    assert abs(wrong(clock, 0.8, 40.0)[0]) < 0.01  # s, the lag that it may have


def test_words_and_picture_state_offset_drift_and_channel() -> None:
    a, b = two(1)
    clock = align(a, b)
    (line,) = clock_lines(Joined(a, (in_words(clock, "folder/gauges.csv"),), (clock,)))
    assert line.startswith("vehicle.csv started 0.800 s late by the clock of gauges.csv, and its")
    assert "ppm fast; aligned within +-2.8 ms (95 %) by acceleration_y." in line
    figure = plot_clocks([clock])
    before, after, lag = figure.axes
    titles = {text.get_text() for text in figure.texts}
    assert "vehicle.csv started 0.800 s late, aligned within \u00b1 2.8 ms (95 %)" in titles
    assert f"this clock is {clock.pace} is".replace("+-", "\u00b1 ") in lag.get_title(loc="left")
    assert clock.pace in line  # the same sign in words and picture
    assert (lag.get_xlabel(), lag.get_ylabel()) == ("elapsed time [s]", "lag [ms]")
    seen, expected = (curve.get_ydata() for curve in after.lines)
    known = np.isfinite(expected)
    assert np.std((seen - expected)[known]) < 0.1 * np.std(seen[known])
    apart = before.lines[0].get_ydata() - before.lines[1].get_ydata()
    assert np.nanstd(apart) > 0.5 * np.std(seen)
    assert len(lag.lines[-1].get_xdata()) == 12
    with pytest.raises(DataError, match="no second log"):
        plot_clocks([])


def test_logs_without_a_common_channel_are_refused() -> None:
    a, b = two(1)
    b = b.drop_vars("acceleration").assign(roll=(("elapsed_time",), b["elapsed_time"].to_numpy()))
    with pytest.raises(DataError, match=r"vehicle.csv beside gauges.csv: no channel that moves"):
        align(a, b)


def test_logs_of_different_drives_are_refused() -> None:
    a, _ = two(1)
    _, b = two(2)
    with pytest.raises(DataError, match=r"do not agree at any offset \(acceleration_y; \d+ % of"):
        align(a, b)


def test_a_motion_that_repeats_itself_exactly_is_refused() -> None:
    time = np.arange(0, 60, 0.005)
    wave = 5 * np.sin(2 * np.pi * 0.5 * time)
    a = logged(time, "acceleration", wave, gauges=True)
    b = logged(time[::2], "acceleration", wave[::2], gauges=False)
    with pytest.raises(DataError, match=r"two offsets .* fit equally well, .*\d s and .*\d s"):
        align(a, b)


def test_a_common_channel_that_agrees_only_roughly_is_refused() -> None:
    a, b = two(1)
    rng = np.random.default_rng(0)
    b["acceleration"] = (
        b["acceleration"] + 6.0 * np.repeat(rng.standard_normal(1184), 5)[:5920, None]
    )
    with pytest.raises(DataError, match=r"channels that do not agree .*% of the variance at best"):
        align(a, b)
