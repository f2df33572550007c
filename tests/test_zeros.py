"""Zeros from tares: interpolation between two tares, single tares, missing tares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DataWarning
from recon.conditioning.condition import condition
from recon.conditioning.zero import BY_TEMPERATURE, BY_TIME, LONE_TARE, U_TEMPERATURE
from recon.records.sheets import Tares
from tests.raw_logs import ZERO, log_of, noisy, tares_of
from tests.small_car import small_car

ZERO4 = np.zeros(4)


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


def test_less_than_a_kelvin_is_too_little_so_time_is_used() -> None:
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
    (text,) = (str(w.message) for w in said)  # one for both corners
    assert text.startswith("zeros.csv: one tare only for G1, G2, G3, G4 (state 'hanging')")
    assert "1.0 % of the largest indication" in text
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


def test_a_corner_without_any_tare_is_left_out_with_a_warning() -> None:
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


def test_tares_of_different_gauges_before_and_after_are_each_used() -> None:
    """G1 before, G2 after: each has a tare of its own."""
    gauge = np.array(["G1", "G1", "G3", "G4", "G2", "G2", "G3", "G4"])
    table = replace(ZERO, gauge=gauge, indication=np.array([0.0, 1, 2, 3, 4, 5, 2, 3]))
    with pytest.warns(DataWarning, match=r"one tare only for G1, G2 \(state"):
        out = condition(log_of(noisy()), small_car(), table)
    assert_allclose(out["indication"].mean("elapsed_time")[:2], [-1.0, -4.0], atol=0.01)  # noise


def without_rows(table: Tares, *rows: int) -> Tares:
    kept = {
        f: np.delete(value, rows)
        for f in table.__dataclass_fields__
        if isinstance(value := getattr(table, f), np.ndarray)
    }
    return replace(table, **kept)


def test_one_missing_tare_costs_its_own_gauge_alone() -> None:
    """G2 has no tare before: the zero of G1 is interpolated all the same."""
    start, end = np.array([0.1, 0.2, 0.3, 0.4]), np.array([0.3, 0.5, 0.31, 0.41])
    table = without_rows(tares_of(start, end), 1)
    share = np.linspace(0, 1, 2000)[:, None]
    with pytest.warns(DataWarning) as said:
        out = condition(log_of(start + share * (end - start)), small_car(), table, bandwidth=1e9)
    (text,) = (str(w.message) for w in said)
    assert text.startswith("zeros.csv: one tare only for G2 (state 'hanging')")
    left = out["indication"].to_numpy()
    assert_allclose(left[:, [0, 2, 3]], 0.0, atol=1e-12)  # rounding
    assert_allclose(left[:, 1], 0.3 * (share[:, 0] - 1), atol=1e-12)
    # G1 drifted by 0.2; G2 may have drifted as much, and interpolation knows nothing of it.
    assert_allclose(out["u_zero"], [0.2 * BY_TIME, 0.2, 0.01 * BY_TIME, 0.01 * BY_TIME])


def more_rows(table: Tares, when: str, zero: np.ndarray, time: float) -> Tares:
    """The table with a further tare of all four gauges at `time`."""
    more = replace(
        tares_of(zero, None), when=np.full(4, when), time=np.full(4, time), line=np.arange(20, 24)
    )
    both = {
        f: np.concatenate([value, getattr(more, f)])
        for f in table.__dataclass_fields__
        if isinstance(value := getattr(table, f), np.ndarray)
    }
    return replace(table, **both)


def test_a_tare_during_the_drive_bends_the_zero() -> None:
    start, middle, end = np.zeros(4), np.full(4, 0.4), np.full(4, 0.1)
    elapsed = log_of(np.zeros((1000, 4)))["elapsed_time"].to_numpy()
    bent = np.interp(elapsed, elapsed[[0, 300, -1]], [0.0, 0.4, 0.1])
    table = more_rows(tares_of(start, end), "during", middle, elapsed[300])
    out = condition(log_of(np.tile(bent[:, None], 4)), small_car(), table, bandwidth=1e9)
    assert_allclose(out["indication"], 0.0, atol=1e-12)  # rounding
    assert_allclose(out["u_zero"], BY_TIME * 0.4)  # of the larger step
    beyond = more_rows(tares_of(start, end), "during", middle, 1e4)
    with pytest.raises(DataError, match=r"line 20: a tare of G1 during the drive at 10000 s"):
        condition(log_of(noisy()), small_car(), beyond)


def test_of_several_tares_before_the_last_one_counts() -> None:
    """Tared at nine and at ten, driven at eleven."""
    table = tares_of(np.full(4, 0.2), np.full(4, 0.2))
    table = more_rows(replace(table, time=np.repeat([-60.0, 900.0], 4)), "before", ZERO4, -3600.0)
    table = more_rows(table, "after", ZERO4, 7200.0)
    values = noisy()
    out = condition(log_of(0.2 + values), small_car(), table, bandwidth=1e9)
    assert_allclose(out["indication"], values, atol=1e-12)  # rounding


def test_after_little_warming_the_temperature_itself_is_unsure() -> None:
    """1.2 K are known to 0.3 K: time would be as good."""
    start, end = np.zeros(4), np.full(4, 0.2)
    warm = np.tile(20 + 1.2 * np.linspace(0, 1, 1000)[:, None], 2)
    log = log_of(np.zeros((1000, 4)), gauge_temperature=(("elapsed_time", "corner"), warm))
    table = tares_of(start, end, temperature=np.repeat([20.0, 21.2], 4))
    out = condition(log, small_car(), table, bandwidth=1e9)
    assert_allclose(out["u_zero"], 0.2 * U_TEMPERATURE / 1.2, rtol=1e-9)


@pytest.mark.parametrize("cooled", [0.0, 2.0, 9.0])
def test_gauges_that_were_hotter_than_at_both_tares_have_zeros_that_are_unsure(
    cooled: float,
) -> None:
    """Gauges 20 K warmer in the drive and `cooled` K warmer at the tare after it, 200 drives.

    Zeros move with temperature, by 5 N per kelvin (1 sd), and by 20 N over the drive besides.
    """
    rng, share = np.random.default_rng(8), np.linspace(0, 1, 400)
    warm = 20 + 80 * share * (1 - share) + cooled * share
    log = log_of(
        np.zeros((400, 4)),
        gauge_temperature=(("elapsed_time", "corner"), np.column_stack([warm] * 2)),
    )
    square, claimed = 0.0, 0.0
    for _ in range(200):
        heat, drift = 5.0 * rng.standard_normal(4), 20.0 * rng.standard_normal(4)
        zero = np.outer(warm - 20, heat) + np.outer(share, drift)
        table = tares_of(np.zeros(4), zero[-1], temperature=np.repeat([20.0, 20.0 + cooled], 4))
        swing = 3000.0 * rng.standard_normal((400, 4))
        drive = log.assign(indication=log["indication"] + zero + swing)
        out = condition(drive, small_car(), table, bandwidth=1e9)
        square += float(np.mean((out["indication"].to_numpy() - swing) ** 2))
        claimed += float(np.mean(out["u_zero"].to_numpy() ** 2))
    assert 0.7 < np.sqrt(square / claimed) < 1.1


@pytest.mark.parametrize("state", ["standing", "coasting"])
def test_a_zero_that_would_erase_side_forces_is_refused(state: str) -> None:
    match = rf"tares of G1 in state '{state}' only; need a tare with the wheel hanging(.|\n)*toe"
    with pytest.raises(DataError, match=match):
        condition(log_of(noisy()), small_car(), replace(ZERO, state=np.full(8, state)))


def test_gauges_of_one_corner_in_two_states_are_refused() -> None:
    state = np.array(["hanging", "pads", "hanging", "hanging"] * 2)
    match = r"tares of G2 in state 'pads', of other gauges of its corner in 'hanging'"
    with pytest.raises(DataError, match=match):
        condition(log_of(noisy()), small_car(), replace(ZERO, state=state))


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
