"""Filter and health of channels: what happens to a log before calibration is applied."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfilt

from recon.base.errors import DataError, DataWarning
from recon.base.status import BIT
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import BANDWIDTH_SHARE, condition
from recon.conditioning.filters import Band, low_pass, stretches_near, zero_phase_gain
from tests.days import day
from tests.raw_logs import RATE, THREE, ZERO, log_of, noisy, timed
from tests.small_car import small_car

# --- filter ----------------------------------------------------------------------------------


@pytest.mark.parametrize("bandwidth", [2.0, 8.0, 25.0, 60.0])
def test_half_power_at_the_stated_bandwidth_and_no_delay(bandwidth: float) -> None:
    time = np.arange(6000) / RATE
    both = np.exp(2j * np.pi * bandwidth * time)
    seen = low_pass(np.column_stack([both.real, both.imag]), bandwidth, RATE)
    middle = slice(1500, 4500)  # ends ring for a few periods
    ratio = np.mean((seen[middle, 0] + 1j * seen[middle, 1]) / both[middle])
    assert abs(ratio) == pytest.approx(np.sqrt(0.5), abs=1e-4)  # after both passes; ringing 1e-5
    assert np.angle(ratio) == pytest.approx(0.0, abs=1e-4)  # rad
    slow = np.sin(2 * np.pi * 0.1 * bandwidth * time)
    passed = low_pass(slow[:, None], bandwidth, RATE)[:, 0]
    # A tenth of the bandwidth: (1 + 0.41 * 0.1^8)^-1, gone below rounding of the design.
    assert_allclose(passed[middle], slow[middle], rtol=0, atol=1e-4)


def test_gaps_stay_gaps_and_do_not_spread() -> None:
    time = np.arange(2000) / RATE
    wave = np.sin(2 * np.pi * 0.5 * time)
    values = np.column_stack([wave, wave])
    values[700:712, 0] = np.nan
    values[0, 0] = np.nan
    seen = low_pass(values, 8.0, RATE)
    gap = np.zeros(2000, dtype=bool)
    gap[[0, *range(700, 712)]] = True
    assert np.array_equal(np.isnan(seen[:, 0]), gap)
    assert np.all(np.isfinite(seen[:, 1]))
    # A straight line bridges 65 ms of a 2 s sine to (pi * 0.065)^2 / 8 = 0.5 %.
    inner = ~gap & (time > 0.1)  # a gap at the very start has only one neighbour
    assert_allclose(seen[inner, 0], seen[inner, 1], rtol=0, atol=0.005)
    # Twin: what a filter does that knows no gaps.
    from scipy.signal import butter, sosfiltfilt

    spread = sosfiltfilt(butter(4, 8.0, fs=RATE, output="sos"), values[:, 0])
    assert np.isnan(spread).sum() > 100


def test_the_filter_does_not_run_across_gaps_in_time() -> None:
    """A step of the signal while nothing was recorded stays a step."""
    values = np.concatenate([np.full((500, 4), 1.0), np.full((500, 4), 5.0)])
    log = log_of(values + noisy(1000))
    elapsed = log["elapsed_time"].to_numpy().copy()
    elapsed[500:] += 2.0
    with pytest.warns(DataWarning, match=r"no straight line bridges 1 gap of 2 s"):
        out = condition(timed(log, elapsed), small_car(), ZERO, bandwidth=8.0)
    seen = out["indication"].sel(elapsed_time=elapsed).to_numpy()
    # 5 standard deviations of what passes an 8 Hz filter, beside the tares' own place.
    assert_allclose(seen[499] - seen[300], 0.0, atol=5e-3)
    assert_allclose(seen[500] - seen[700], 0.0, atol=5e-3)
    through = condition(log, small_car(), ZERO, bandwidth=8.0)["indication"].to_numpy()
    assert np.all(np.abs(through[499] - through[300]) > 0.5)  # twin: no gap, one filter


@pytest.mark.parametrize("bandwidth", [8.0, 90.0])
def test_a_few_samples_need_only_what_is_near_them(bandwidth: float) -> None:
    """Also at the ends of stretches, and beside a gap; 5 kN as of a force."""
    band = Band(bandwidth, RATE, [slice(0, 9000), slice(9000, 9040), slice(9040, 20000)])
    values = 5e3 * np.random.default_rng(1).standard_normal((20000, 2))
    values[12000:12500, 0] = np.nan
    whole = low_pass(values, bandwidth, RATE, band.parts)
    at = np.array([0, 4000, 8990, 9020, 9041, 11999, 12500, 16000, 19999])
    near = stretches_near(at, band)
    found = low_pass(values, bandwidth, RATE, near)[at]
    assert_allclose(found, whole[at], rtol=0, atol=1e-8)
    assert sum(part.stop - part.start for part in near) < 0.3 * len(values)  # twin: they are few
    assert stretches_near(at, replace(band, bandwidth=RATE)) == band.parts  # nothing is filtered


def test_a_stretch_too_short_to_filter_is_flagged() -> None:
    log = log_of(noisy(1000))
    elapsed = log["elapsed_time"].to_numpy().copy()
    elapsed[600:] += 1.0
    elapsed[620:] += 1.0
    with pytest.warns(DataWarning, match="no straight line bridges 2 gaps of 1 s"):
        out = condition(timed(log, elapsed), small_car(), ZERO, bandwidth=8.0)
    flagged = (out["gauge_status"].to_numpy()[:, 0] & BIT["missing_input"]) > 0
    # The short stretch, and the two samples that mark each gap.
    assert np.flatnonzero(flagged).tolist() == list(range(600, 624))


def test_a_log_of_nothing_but_gaps_is_refused() -> None:
    log = log_of(noisy(60))
    elapsed = log["elapsed_time"].to_numpy() + (np.arange(60) >= 31)
    with (
        pytest.warns(DataWarning, match="1 gap"),
        pytest.raises(DataError, match=r"drive\.csv: 31 samples in the longest stretch"),
    ):
        condition(timed(log, elapsed), small_car(), ZERO)


def test_travel_beyond_its_range_does_not_reach_its_neighbours() -> None:
    travel = np.full((1000, 2), 0.01)
    travel[500, 0] = 0.9
    log = log_of(noisy(1000), travel=(("elapsed_time", "corner"), travel))
    out = condition(log, small_car(), ZERO, bandwidth=8.0)["travel"].to_numpy()
    assert out[500, 0] == 0.9  # stays to be flagged as beyond the pose
    assert_allclose(np.delete(out[:, 0], 500), 0.01, rtol=1e-9)


@pytest.mark.parametrize("bandwidth", [2.0, 20.0, 50.0, 90.0])
def test_noise_that_passes_is_as_much_as_stated(bandwidth: float) -> None:
    white = np.random.default_rng(1).standard_normal((100_000, 1))
    seen = low_pass(white, bandwidth, RATE)
    # 2 * 2 Hz * 500 s = 2000 independent values at least: 1 / sqrt(4000) = 1.6 %, three times.
    assert np.std(seen) == pytest.approx(zero_phase_gain(bandwidth, RATE), rel=0.05)


@pytest.mark.parametrize("bandwidth", [100.0, 1e9])
def test_a_bandwidth_beyond_half_the_rate_leaves_all_as_it_is(bandwidth: float) -> None:
    values = noisy()
    assert np.array_equal(low_pass(values, bandwidth, RATE), values)
    assert zero_phase_gain(bandwidth, RATE) == 1.0


def test_every_channel_is_filtered_alike() -> None:
    """Inputs of one equation must keep step: gauges, travel, hub acceleration, attitude."""
    n = 3000
    wave = 0.05 * np.sin(2 * np.pi * 20.0 * np.arange(n) / RATE)  # m, within the travel's range
    corners = np.column_stack([wave, wave])
    log = log_of(
        np.tile(wave[:, None], 4),
        travel=(("elapsed_time", "corner"), corners),
        hub_acceleration=(THREE, np.tile(wave[:, None, None], (1, 2, 3))),
        roll=(("elapsed_time",), wave),
        brake_pressure=(("elapsed_time", "corner"), corners),
        wheel_speed=(("elapsed_time", "corner"), corners),
    )  # fmt: skip
    out = condition(log, small_car(), ZERO, bandwidth=20.0)
    expected = out["indication"].to_numpy()[:, 0]
    assert np.std(expected[500:-500]) == pytest.approx(0.025, rel=1e-3)  # half: sqrt(1/2) twice
    for name in ("travel", "hub_acceleration", "roll", "brake_pressure"):
        columns = out[name].to_numpy().reshape(n, -1)
        assert_allclose(columns, np.tile(expected[:, None], columns.shape[1]), rtol=0, atol=1e-12)
    # A wheel that stands still must stay exactly still: its speed is left alone.
    assert np.array_equal(out["wheel_speed"], log["wheel_speed"])
    assert out.attrs["bandwidth"] == 20.0
    assert out.attrs["rate"] == pytest.approx(RATE)


def test_bandwidth_unless_stated_and_noise_of_the_channels() -> None:
    raw = noisy(20_000)
    shaking = 500 * noisy(20_000, 1)[:, :1, None] * np.ones((1, 2, 3))
    log = log_of(raw, hub_acceleration=(THREE, shaking))
    out = condition(log, small_car(), ZERO)
    assert out.attrs["bandwidth"] == pytest.approx(BANDWIDTH_SHARE * RATE)
    # No scatter was written with the tares: found from the log, 20 000 samples by their median
    # to 1 %, three times.
    assert_allclose(out["noise"], np.std(out["indication"], axis=0), rtol=0.03)
    assert_allclose(out["noise_hub_acceleration"], 0.5 * out.attrs["noise_gain"], rtol=0.03)
    written = condition(log, small_car(), replace(ZERO, sd=np.full(8, 0.002)))
    assert_allclose(written["noise"], 0.002 * out.attrs["noise_gain"], rtol=1e-12)


@pytest.mark.parametrize(
    ("times", "gauges", "told"),
    [(1.0, 2, False), (1.3, 2, False), (1.8, 2, True), (1.8, 1, False), (4.0, 1, True)],
)
def test_noise_of_the_tares_stands_unless_the_drive_has_more(
    times: float, gauges: int, told: bool
) -> None:
    """An engine adds noise to some gauges of an assembly; a wheel at 20 Hz shakes all of them."""
    louder = np.arange(4) < gauges
    raw = noisy(20_000) * np.where(louder, times, 1.0)
    quiet = np.where(np.arange(20_000) < 6000, 0.02, 1.0)
    shaking = np.sin(2 * np.pi * 20.0 / RATE * np.arange(20_000)) * quiet
    tares = replace(ZERO, sd=np.full(8, 1e-3))
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        out = condition(log_of(raw + shaking[:, None]), small_car(), tares)
    seen = out["noise"] / (1e-3 * out.attrs["noise_gain"])
    # A quarter of 20 000 samples by their median: to 3 %.
    assert_allclose(seen[louder], times if told else 1.0, rtol=0.06)
    assert_allclose(seen[~louder], 1.0, rtol=1e-12)
    notes = [str(note.message) for note in caught if "noise in the drive" in str(note.message)]
    assert len(notes) == told
    assert all(f"in {gauges} of 4 gauges, most in G" in note for note in notes)


def interpolated(white: np.ndarray) -> np.ndarray:
    """Every fifth sample, and straight lines between."""
    at = np.arange(len(white))
    return np.stack([np.interp(at, at[::5], column[::5]) for column in white.T], axis=1)


def means_of_five(white: np.ndarray) -> np.ndarray:
    return np.sqrt(5.0) * uniform_filter1d(white, 5, axis=0)


def low_passed(white: np.ndarray) -> np.ndarray:
    """By a logger, at a tenth of its rate."""
    passed = sosfilt(butter(4, 0.2, output="sos"), white, axis=0)
    return passed / np.std(passed) * np.std(white)


@pytest.mark.parametrize("logger", [interpolated, means_of_five, low_passed])
@pytest.mark.parametrize("stated", [1.0, 3.0])
def test_noise_that_a_logger_filtered_is_at_the_frequencies_of_the_forces(
    logger: Callable[[np.ndarray], np.ndarray], stated: float
) -> None:
    """Tares that state more than there is do not make it look filtered more."""
    made, bandwidth = logger(noisy(60_000)), 4.0
    swaying = 0.02 * np.sin(2 * np.pi * 0.5 / RATE * np.arange(60_000))[:, None]
    hub = 500 * (made + swaying)[:, :1, None] * np.ones((1, 2, 3))
    log = log_of(made + swaying, hub_acceleration=(THREE, hub))
    tares = replace(ZERO, sd=np.full(8, stated * 1e-3))
    out = condition(log, small_car(), tares, bandwidth=bandwidth)
    left = np.std(low_pass(made, bandwidth, RATE), axis=0)
    # A band of 4 Hz of 100: 2400 independent numbers, and whole samples of five at best.
    assert_allclose(out["noise"] / left, stated, rtol=0.15)
    assert_allclose(out["noise_hub_acceleration"] / (500 * left[0]), 1.0, rtol=0.15)


def test_noise_in_a_log_too_short_for_it_is_that_of_the_tares() -> None:
    out = condition(log_of(3 * noisy(60)), small_car(), replace(ZERO, sd=np.full(8, 1e-3)))
    assert_allclose(out["noise"], 1e-3 * out.attrs["noise_gain"], rtol=1e-12)


def test_slow_signals_are_no_noise() -> None:
    wave = np.sin(2 * np.pi * 1.0 * np.arange(4000) / RATE)[:, None]
    out = condition(log_of(noisy(4000) + wave), small_car(), ZERO, bandwidth=1e9)
    # Sixth differences of a 1 Hz sine at 200 Hz: (2 pi / 200)^6 = 1e-9 of it, at its top.
    assert_allclose(out["noise"], 1e-3, rtol=0.1)  # 4000 samples by their median to 2 %


def test_the_shaking_of_a_wheel_is_no_noise_of_its_accelerometer() -> None:
    """Shaking 60 times as large as the noise, at a tenth of the sampling rate."""
    noise = 500 * noisy(20_000, 1)[:, :1, None] * np.ones((1, 2, 3))  # 0.5 m/s2
    shaking = 30.0 * np.sin(2 * np.pi * 0.1 * np.arange(20_000))[:, None, None]
    out = condition(log_of(noisy(20_000), hub_acceleration=(THREE, noise + shaking)),
                    small_car(), ZERO)  # fmt: skip
    # (2 - 2 cos 36 deg)^3 = 0.056 of it, 1.7 m/s2, over sqrt(924): 0.055 beside 0.5.
    assert_allclose(out["noise_hub_acceleration"], 0.5 * out.attrs["noise_gain"], rtol=0.04)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_short_a_log_is_refused(n: int) -> None:
    with pytest.raises(DataError, match=rf"drive\.csv: {n} samples; need at least 3"):
        condition(log_of(noisy(n)), small_car(), ZERO)


# --- health ----------------------------------------------------------------------------------


def flags(values: np.ndarray, flag: str, car: Vehicle | None = None) -> np.ndarray:
    """Which samples of FL carry the flag; FR (the last two gauges) must stay clean."""
    out = condition(log_of(values), car or small_car(), ZERO)["gauge_status"].to_numpy()
    assert not np.any(out[:, 2:])
    return ((out[:, :2] & BIT[flag]) > 0).any(axis=1)


def test_a_stuck_channel_is_flat_while_it_is_stuck() -> None:
    values = noisy()
    values[800:1000, 0] = values[800, 0]  # 1 s; half a second counts
    found = flags(values, "channel_flat")
    assert found[800:1000].all()
    assert found.sum() == 200
    assert not flags(np.where(np.arange(2000)[:, None] < 0, values, noisy()), "channel_flat").any()


@pytest.mark.parametrize("share", [0.3, 0.48, 0.52, 0.9])
def test_a_channel_that_dies_is_flat_from_there_on_however_early(share: float) -> None:
    values = noisy()
    first = len(values) - int(share * len(values))
    values[first:, 0] = values[first, 0]
    found = flags(values, "channel_flat")
    assert np.flatnonzero(found).tolist() == list(range(first, len(values)))


def test_a_dead_channel_is_flat_from_end_to_end() -> None:
    values = noisy()
    values[:, 1] = 0.25
    assert flags(values, "channel_flat").all()


@pytest.mark.parametrize("step", [1e-3, 4e-3, 2e-2])
def test_coarse_digits_are_no_stuck_channel(step: float) -> None:
    """A drive in steps of up to 20 times the noise: runs of equal numbers are its resolution."""
    time = np.arange(6000) / RATE
    wave = np.sin(2 * np.pi * 0.3 * time)[:, None] * 0.15
    values = step * np.round((noisy(6000) + wave) / step)
    out = condition(log_of(values), small_car(), ZERO)
    assert not np.any(out["gauge_status"])


def test_the_virtual_day_has_no_false_alarm() -> None:
    assert not np.any(day().conditioned["gauge_status"])


def with_range(full_scale: float) -> Vehicle:
    car = small_car()
    left = car.corners["FL"]
    gauges = tuple(replace(g, full_scale=full_scale) for g in left.gauges)
    return replace(car, corners={**car.corners, "FL": replace(left, gauges=gauges)})


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_clipped_at_the_stated_range(sign: float) -> None:
    values = noisy()
    values[300:303, 0] = sign * 3.0
    found = flags(values, "channel_clipped", with_range(3.0))
    assert np.flatnonzero(found).tolist() == [300, 301, 302]
    # A channel with a stated range is trusted below it, whatever runs it shows.
    values[300:310, 0] = sign * 2.9
    assert not flags(values, "channel_clipped", with_range(3.0)).any()


@pytest.mark.parametrize("limit", [None, 3.0])
def test_clipped_below_a_stated_range_or_without_one_shows_as_a_crowd_at_the_extreme(
    limit: float | None,
) -> None:
    values = np.clip(noisy(), -1.0, 0.0018)  # the upper end cuts 3.6 % off
    whole = np.column_stack([values[:, :1], noisy()[:, 1:]])
    car = () if limit is None else (with_range(limit),)
    found = flags(whole, "channel_clipped", *car)
    at_end = values[:, 0] == values[:, 0].max()
    assert np.count_nonzero(at_end) > 40
    assert np.array_equal(np.flatnonzero(found), np.flatnonzero(at_end))


def test_a_coarse_channel_that_reaches_its_crests_smoothly_is_not_clipped() -> None:
    time = np.arange(len(noisy())) / RATE
    wave = np.round(np.sin(2 * np.pi * time), 1)  # twenty steps, long stays on the outermost
    assert np.count_nonzero(wave == wave.max()) > 20
    whole = np.column_stack([wave, noisy()[:, 1:]])
    assert not flags(whole, "channel_clipped").any()


def test_gaps_are_missing_input() -> None:
    values = noisy()
    values[40:45, 1] = np.nan
    with pytest.warns(DataWarning, match=r"no straight line bridges 1 gap of 0\.03 s"):
        found = flags(values, "missing_input")
    assert np.flatnonzero(found).tolist() == [40, 41, 42, 43, 44]


def test_a_log_without_any_gauge_of_the_vehicle_is_refused() -> None:
    log = log_of(noisy()).assign_coords(gauge=["A", "B", "C", "D"])
    with pytest.raises(DataError, match=r"drive\.csv: no gauge of .*; need at least one of G1, G2"):
        condition(log, small_car(), ZERO)


def test_corners_and_gauges_that_the_vehicle_lacks_are_left_out() -> None:
    car = day().car
    front = replace(car, corners={c: car.corners[c] for c in ("FL", "FR")})
    log = condition(day().log, front, day().tares)
    assert list(log["corner"].to_numpy()) == ["FL", "FR"]
    assert {str(name)[:2] for name in log["gauge"].to_numpy()} == {"FL", "FR"}
    own = day().conditioned.sel(gauge=log["gauge"])
    assert np.array_equal(log["indication"], own["indication"])
