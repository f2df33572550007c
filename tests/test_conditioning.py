"""Filter, health of channels and zeros: what happens to a log before any map is applied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DataWarning
from recon.base.status import BIT
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import BANDWIDTH_SHARE, condition
from recon.conditioning.filters import low_pass, zero_phase_gain
from recon.conditioning.zero import BY_TEMPERATURE, BY_TIME, LONE_TARE
from recon.records.sheets import Tares
from tests.days import day
from tests.small_car import small_car

RATE = 200.0
NAMES = ("G1", "G2", "G3", "G4")
THREE = ("elapsed_time", "corner", "component")


def log_of(values: np.ndarray, rate: float = RATE, **more: tuple) -> xr.Dataset:
    """A log of the small car's gauges, (sample, gauge)."""
    elapsed = np.arange(len(values)) / rate
    coords = {"elapsed_time": elapsed, "gauge": list(NAMES), "corner": ["FL", "FR"]}
    data = {"indication": (("elapsed_time", "gauge"), values), **more}
    return xr.Dataset(data, coords=coords, attrs={"path": "drive.csv"})


def tares_of(before: np.ndarray | None, after: np.ndarray | None, **changed: object) -> Tares:
    """Hanging tares of the four gauges, at 20 and 30 degC."""
    rows = [
        (when, name, value, warm)
        for when, values, warm in (("before", before, 20.0), ("after", after, 30.0))
        if values is not None
        for name, value in zip(NAMES, values, strict=True)
    ]
    when, gauge, value, warm = zip(*rows, strict=True)
    n = len(rows)
    table = Tares(
        path="zeros.csv", checksum="", line=np.arange(2, n + 2), when=np.array(when),
        gauge=np.array(gauge), state=np.full(n, "hanging"), indication=np.array(value),
        sd=np.full(n, np.nan), temperature=np.array(warm), pad_load=np.full(n, np.nan),
        time=np.full(n, np.nan),
    )  # fmt: skip
    return replace(table, **changed)


ZERO = tares_of(np.zeros(4), np.zeros(4))


def noisy(n: int = 2000, seed: int = 0) -> np.ndarray:
    return 1e-3 * np.random.default_rng(seed).standard_normal((n, 4))


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
    out = condition(log.assign_coords(elapsed_time=elapsed), small_car(), ZERO, bandwidth=8.0)
    seen = out["indication"].to_numpy()
    # 5 standard deviations of what passes an 8 Hz filter, beside the tares' own place.
    assert_allclose(seen[499] - seen[300], 0.0, atol=5e-3)
    assert_allclose(seen[500] - seen[700], 0.0, atol=5e-3)
    through = condition(log, small_car(), ZERO, bandwidth=8.0)["indication"].to_numpy()
    assert np.all(np.abs(through[499] - through[300]) > 0.5)  # twin: no gap, one filter


def test_a_stretch_too_short_to_filter_is_flagged() -> None:
    log = log_of(noisy(1000))
    elapsed = log["elapsed_time"].to_numpy().copy()
    elapsed[600:] += 1.0
    elapsed[620:] += 1.0
    out = condition(log.assign_coords(elapsed_time=elapsed), small_car(), ZERO, bandwidth=8.0)
    flagged = (out["channel_status"].to_numpy()[:, 0] & BIT["missing_input"]) > 0
    assert np.flatnonzero(flagged).tolist() == list(range(600, 620))


def test_a_log_of_nothing_but_gaps_is_refused() -> None:
    log = log_of(noisy(60))
    elapsed = log["elapsed_time"].to_numpy() + (np.arange(60) >= 31)
    with pytest.raises(DataError, match=r"drive\.csv: 31 samples in the longest stretch"):
        condition(log.assign_coords(elapsed_time=elapsed), small_car(), ZERO)


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


def test_slow_signals_are_no_noise() -> None:
    wave = np.sin(2 * np.pi * 1.0 * np.arange(4000) / RATE)[:, None]
    out = condition(log_of(noisy(4000) + wave), small_car(), ZERO, bandwidth=1e9)
    # Second differences of a 1 Hz sine at 200 Hz: (2 pi / 200)^2 = 1e-3 of it, at its top.
    assert_allclose(out["noise"], 1e-3, rtol=0.15)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_short_a_log_is_refused(n: int) -> None:
    with pytest.raises(DataError, match=rf"drive\.csv: {n} samples; need at least 3"):
        condition(log_of(noisy(n)), small_car(), ZERO)


# --- health ----------------------------------------------------------------------------------


def flags(values: np.ndarray, flag: str, car: Vehicle | None = None) -> np.ndarray:
    """Which samples of FL carry the flag; FR (the last two gauges) must stay clean."""
    out = condition(log_of(values), car or small_car(), ZERO)["channel_status"].to_numpy()
    assert not np.any(out[:, 1])
    return (out[:, 0] & BIT[flag]) > 0


def test_a_stuck_channel_is_flat_while_it_is_stuck() -> None:
    values = noisy()
    values[800:1000, 0] = values[800, 0]  # 1 s; half a second counts
    found = flags(values, "channel_flat")
    assert found[800:1000].all()
    assert found.sum() == 200
    assert not flags(np.where(np.arange(2000)[:, None] < 0, values, noisy()), "channel_flat").any()


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
    assert not np.any(out["channel_status"])


def test_the_virtual_day_has_no_false_alarm() -> None:
    assert not np.any(day().conditioned["channel_status"])


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


def test_clipped_without_a_stated_range_shows_as_runs_at_the_extreme() -> None:
    values = np.clip(noisy(), -1.0, 0.0018)  # the upper end cuts 3.6 % off
    values[500:520, 0] = values[:, 0].max()
    found = flags(np.column_stack([values[:, :2], noisy()[:, 2:]]), "channel_clipped")
    assert found[500:520].all()
    lonely = np.flatnonzero(values[:, 0] == values[:, 0].max())
    lonely = lonely[(lonely < 495) | (lonely > 525)]
    assert len(lonely) > 10
    assert not found[lonely].all()  # single samples at the end are no clipping


def test_gaps_are_missing_input() -> None:
    values = noisy()
    values[40:45, 1] = np.nan
    found = flags(values, "missing_input")
    assert np.flatnonzero(found).tolist() == [40, 41, 42, 43, 44]


# --- zeros -----------------------------------------------------------------------------------


def test_zero_moves_evenly_in_time_where_no_temperature_was_logged() -> None:
    start, end = np.array([0.1, -0.2, 0.3, 0.0]), np.array([0.2, -0.1, 0.35, 0.4])
    n = 1000
    share = np.linspace(0, 1, n)[:, None]
    out = condition(
        log_of(start + share * (end - start)), small_car(), tares_of(start, end), bandwidth=1e9
    )
    assert_allclose(out["indication"], 0.0, atol=1e-12)  # rounding
    change = np.array([0.1, 0.1, 0.05, 0.4])
    pooled = [np.sqrt(np.mean(change[:2] ** 2))] * 2 + [np.sqrt(np.mean(change[2:] ** 2))] * 2
    assert_allclose(out["u_zero"], BY_TIME * np.array(pooled), rtol=1e-12)


def test_zero_follows_the_gauges_temperature() -> None:
    """Warmed by the first quarter of the drive, then steady: time alone would be wrong."""
    n = 4000
    x = np.linspace(0, 1, n)
    share = 1 - (1 - x) ** 3  # a cubic, as the smoothing of the sensor's noise allows
    start, end = np.zeros(4), np.array([0.1, 0.2, 0.3, 0.4])
    temperature = 20 + 10 * share + 0.15 * np.random.default_rng(2).standard_normal(n)
    log = log_of(
        start + share[:, None] * (end - start),
        gauge_temperature=(("elapsed_time", "corner"), np.column_stack([temperature] * 2)),
    )
    out = condition(log, small_car(), tares_of(start, end), bandwidth=1e9)
    # 0.15 K of noise over 4000 samples and four terms: 0.15 / 10 * sqrt(16 / 4000) = 0.1 %.
    assert_allclose(out["indication"], 0.0, atol=0.003 * 0.4)
    pooled = np.sqrt([np.mean(end[:2] ** 2)] * 2 + [np.mean(end[2:] ** 2)] * 2)
    assert_allclose(out["u_zero"], BY_TEMPERATURE * pooled, rtol=1e-12)
    # Twin: without the temperature a quarter of the change is left at the worst time.
    blind = condition(log.drop_vars("gauge_temperature"), small_car(), tares_of(start, end),
                      bandwidth=1e9)  # fmt: skip
    assert np.max(np.abs(blind["indication"])) > 0.1


def test_less_than_a_kelvin_tells_nothing_so_time_does() -> None:
    start, end = np.zeros(4), np.full(4, 0.2)
    n = 1000
    share = np.linspace(0, 1, n)
    log = log_of(
        share[:, None] * end,
        gauge_temperature=(("elapsed_time", "corner"), np.tile(20 + 5 * share[:, None], 2)),
    )
    table = tares_of(start, end, temperature=np.repeat([20.0, 20.8], 4))
    out = condition(log, small_car(), table, bandwidth=1e9)
    assert_allclose(out["indication"], 0.0, atol=1e-12)  # rounding


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_lone_tare_warns_and_widens(when: str) -> None:
    zero = np.array([0.1, 0.2, 0.3, 0.4])
    table = tares_of(zero, None) if when == "before" else tares_of(None, zero)
    values = zero + noisy()
    values[1000:1200] += [0.5, -1.0, 2.0, 0.3]
    with pytest.warns(DataWarning) as said:
        out = condition(log_of(values), small_car(), table, bandwidth=1e9)
    texts = [str(w.message) for w in said]
    assert len(texts) == 2  # one per corner
    assert texts[0].startswith("zeros.csv: one tare only for G1")
    assert "0.3 % of the largest indication" in texts[0]
    assert_allclose(out["indication"], values - zero, rtol=0, atol=1e-15)
    # The largest excursion from the median, and the noise on top of it.
    assert_allclose(out["u_zero"], LONE_TARE * np.array([0.5, 1.0, 2.0, 0.3]), rtol=0.02)


def test_a_gauge_without_tare_is_named() -> None:
    with pytest.raises(DataError, match=r"zeros\.csv: no tare of gauge G4"):
        condition(log_of(noisy()), small_car(), without_gauges("G4"))


def without_gauges(*names: str) -> Tares:
    """Tares of all gauges but those named."""
    table = tares_of(np.zeros(4), np.zeros(4))
    keep = ~np.isin(table.gauge, names)
    kept = {
        f: value[keep]
        for f in table.__dataclass_fields__
        if isinstance(value := getattr(table, f), np.ndarray)
    }
    return replace(table, **kept)


def test_a_corner_without_any_tare_is_left_out_and_told() -> None:
    with pytest.warns(DataWarning, match=r"zeros\.csv: no tare of corner FR \(G3 and others\)"):
        out = condition(log_of(noisy()), small_car(), without_gauges("G3", "G4"))
    assert out["tared_corner"].to_numpy().tolist() == ["FL"]


def test_tares_of_other_gauges_alone_are_refused() -> None:
    other = replace(ZERO, gauge=np.array(["H1", "H2", "H3", "H4"] * 2))
    with (
        pytest.warns(DataWarning, match="no tare of corner F[LR]"),
        pytest.raises(DataError, match=r"no tare of any of the log's gauges \(G1 and others\)"),
    ):
        condition(log_of(noisy()), small_car(), other)


def test_tares_of_different_gauges_before_and_after_do_not_make_one() -> None:
    """G1 before, G2 after: each has a tare, but the corner has none; one of them is named."""
    gauge = np.array(["G1", "G1", "G3", "G4", "G2", "G2", "G3", "G4"])
    with pytest.raises(DataError, match=r"no tare of gauge G[12]"):
        condition(log_of(noisy()), small_car(), replace(ZERO, gauge=gauge))


def test_the_state_of_the_tare_goes_along() -> None:
    state = np.array(["pads", "pads", "hanging", "hanging"] * 2)
    pad = np.where(state == "pads", 1500.0, np.nan)
    out = condition(log_of(noisy()), small_car(), replace(ZERO, state=state, pad_load=pad))
    assert out["tare_state"].to_numpy().tolist() == ["pads", "hanging"]
    assert out["tare_pad_load"].to_numpy()[0] == 1500.0


def test_a_hanging_tare_is_taken_where_both_states_were_recorded() -> None:
    both = tares_of(np.zeros(4), np.full(4, 0.5))
    state = np.array(["pads"] * 4 + ["hanging"] * 4)
    table = replace(both, when=np.full(8, "before"), state=state)
    with pytest.warns(DataWarning, match="one tare only for G"):
        out = condition(log_of(0.5 + noisy()), small_car(), table)
    assert out["tare_state"].to_numpy().tolist() == ["hanging", "hanging"]
    assert np.max(np.abs(out["indication"])) < 0.01  # twin: 0.5 where the pads' row were taken


def test_one_corner_alone_is_conditioned() -> None:
    one = log_of(noisy()).isel(gauge=[2, 3])
    out = condition(one, small_car(), ZERO)
    assert out["tared_corner"].to_numpy().tolist() == ["FR"]
    assert out["indication"].shape == (2000, 2)
