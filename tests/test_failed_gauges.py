"""Gauges that fail during a drive: left out from where they fail, and nothing else changes."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.analysis.budget import budget
from recon.base.doubt import Doubt
from recon.base.errors import DataError, DataWarning, DoubtWarning
from recon.base.status import BIT
from recon.calibration.calibrated import Verdict
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from recon.records.doubt_variables import doubts_in
from recon.report.drive.doubt_list import doubt_lines
from recon.report.drive.gauges_over_drive import plot_health
from tests.days import day, unwarned
from tests.slow_repeats import some_quick

Spoil = Callable[[np.ndarray], None]
GAUGES = tuple(map(str, day().log["gauge"].to_numpy()))
START = len(day().log["elapsed_time"]) // 2
EDGE = 60  # samples over which the filter joins what comes before and after


def conditioned(spoil: Spoil) -> xr.Dataset:
    log = day().log.copy(deep=True)
    spoil(log["indication"].to_numpy())
    return condition(log, day().car, day().tares)


def driven(spoil: Spoil) -> tuple[xr.Dataset, tuple[Doubt, ...]]:
    log = conditioned(spoil)
    with unwarned(), pytest.warns(DoubtWarning):
        forces = reconstruct(log, day().calibration, day().car)
    return forces, doubts_in(forces)


def frozen(gauge: int) -> Spoil:
    def spoil(raw: np.ndarray) -> None:
        raw[START:, gauge] = raw[START, gauge]

    return spoil


@pytest.mark.parametrize("gauge", some_quick(range(0, len(GAUGES), 4), 16))
def test_a_gauge_that_dies_is_left_out_from_there(gauge: int) -> None:
    forces, (doubt,) = driven(frozen(gauge))
    corner = GAUGES[gauge][:2]
    assert (doubt.cause, doubt.channels, doubt.corners) == ("dead", (GAUGES[gauge],), (corner,))
    assert doubt.start == pytest.approx(float(day().log["elapsed_time"][START]), abs=0.1)
    sound = day().forces
    before = slice(0, START - EDGE)
    np.testing.assert_allclose(forces["tyre_force"][before], sound["tyre_force"][before], atol=0.01)
    own = forces.sel(corner=corner).isel(elapsed_time=slice(START + EDGE, None))
    assert np.all((own["status"] & BIT["gauge_left_out"]) > 0)
    assert not np.any((forces["status"] & BIT["doubted"]) > 0)
    truth = day().truth.sel(corner=corner).isel(elapsed_time=slice(START + EDGE, None))
    error = (own["tyre_force_intermediate"] - truth["tyre_force_intermediate"]).to_numpy()
    u = own["u_tyre_force_intermediate"].to_numpy()
    known = np.isfinite(u)
    assert known.any()
    assert np.mean(np.abs(error[known]) < 1.96 * u[known]) > 0.75  # one day, shared errors
    usual = sound.sel(corner=corner).isel(elapsed_time=slice(START + EDGE, None))
    assert np.nanmean(u) > 1.1 * np.nanmean(usual["u_tyre_force_intermediate"])


@pytest.mark.parametrize("first", [0, START])
def test_gauges_that_show_everything_still_do_when_one_of_them_dies(first: int) -> None:
    """Accelerations that no sensor shows are those by the gauges that are left."""
    channels = [name for name in day().log.data_vars if name != "indication"]
    log = day().log.drop_vars(channels).copy(deep=True)
    without = log.isel(gauge=np.arange(len(GAUGES)) != 4)
    log["indication"].values[first:, 4] = np.nan
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        forces, expected = (
            reconstruct(condition(one, day().car, day().tares), day().calibration, day().car)
            for one in (log, without)
        )
    assert [(d.cause, d.channels) for d in doubts_in(forces)] == [("dead", (GAUGES[4],))]
    there = slice(first + 4 * EDGE, None)
    for name in ("tyre_force", "u_tyre_force"):
        left, given = (one[name].to_numpy()[there] for one in (forces, expected))
        assert np.isfinite(left).all()
        np.testing.assert_allclose(left, given, atol=20.0)


def test_signed_errors_and_budget_follow_the_wider_intervals() -> None:
    forces, _ = driven(frozen(2))
    at = np.arange(START + EDGE, START + EDGE + 400, 40)
    effect = signed_errors(forces, at)[:, :, 0]
    random = forces["u_tyre_force_random"].to_numpy()[at, 0]
    stated = forces["u_tyre_force_intermediate"].to_numpy()[at, 0]
    whole = np.sqrt(np.sum(effect**2, axis=0) + random**2)
    assert np.all(whole > 0.95 * stated)
    found = budget(forces, corner="FL", time=float(forces["elapsed_time"][at[0]]))
    square = float((found["contribution"].sel(component="y") ** 2).sum())
    assert square == pytest.approx(float(forces["u_tyre_force"][at[0], 0, 1]) ** 2, rel=0.1)


def test_a_gauge_that_comes_back_and_one_without_numbers_are_intermittent() -> None:
    def spoil(raw: np.ndarray) -> None:
        raw[300:500, 3] = raw[300, 3]
        raw[800:1000, 3] = raw[800, 3]
        raw[START : START + 200, 7] = np.nan

    with pytest.warns(DataWarning, match="no straight line bridges"):
        _, doubts = driven(spoil)
    assert [d.cause for d in doubts] == ["intermittent"] * 2
    assert f"{GAUGES[3]}: one constant 2 times between 1.50 and 5.0" in doubts[0].found
    assert f"{GAUGES[7]}: no number from" in doubts[1].found


def test_a_corner_that_loses_every_gauge_is_not_known_there() -> None:
    def spoil(raw: np.ndarray) -> None:
        raw[START:, :6] = raw[START, :6]

    forces, (doubt,) = driven(spoil)
    assert doubt.cause == "dead"
    assert "Every gauge of FL: one constant" in doubt.found
    assert "The forces are not known there" in doubt.found
    assert np.isnan(forces["tyre_force"][START + 1 :, 0]).all()


@pytest.mark.parametrize("joined", [False, True])
def test_a_second_logger_that_starts_late_is_no_fault_of_its_gauges(joined: bool) -> None:
    log = day().log.copy(deep=True)
    log["indication"].to_numpy()[:300, :6] = np.nan
    if joined:
        log.attrs["clocks"] = ["front.csv started 1.5 s late"]
    late = condition(log, day().car, day().tares)
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", DoubtWarning)
        forces = reconstruct(late, day().calibration, day().car)
    assert [doubt.cause for doubt in doubts_in(forces)] == ([] if joined else ["intermittent"])
    assert np.isnan(forces["tyre_force"][:299, 0]).all()


def test_blocks_of_a_drive_with_a_dead_gauge_equal_the_whole() -> None:
    log = conditioned(frozen(4))
    prepared = prepare(day().calibration, day().car, log)
    with unwarned():
        whole = prepared.solve(log)["tyre_force"]
        blocks = xr.concat(
            [block["tyre_force"] for block in prepared.blocks(log, 777)], "elapsed_time"
        )
    np.testing.assert_allclose(blocks, whole, atol=0.02)


def test_noise_alone_is_named_though_it_is_no_constant() -> None:
    def spoil(raw: np.ndarray) -> None:
        raw[:, 3] = 1e-4 * np.random.default_rng(0).normal(size=len(raw))

    forces, (doubt,) = driven(spoil)
    assert (doubt.cause, doubt.channels) == ("noise alone", (GAUGES[3],))
    assert np.all((forces["status"].sel(corner="FL") & BIT["doubted"]) > 0)
    assert doubt_lines([doubt])[0].startswith("DOUBTED: FL.")


def test_a_left_out_gauge_does_not_make_forces_doubted_in_words() -> None:
    _, doubts = driven(frozen(0))
    first, *rest = doubt_lines(doubts)
    assert first == "LEFT OUT: gauges that failed during the drive."
    assert GAUGES[0] in " ".join(rest)


# --- gauges that the log lacks ---------------------------------------------------------------


def test_a_corner_that_lacks_a_gauge_is_solved_without_it() -> None:
    keep = [g for g in day().conditioned["gauge"].to_numpy() if g != "RR_toe_link"]
    message = r"gauge RR_toe_link is calibrated but not in the log. Corner RR is solved without"
    with unwarned(), pytest.warns(DataWarning, match=message):
        found = reconstruct(day().conditioned.sel(gauge=keep), day().calibration, day().car)
    assert found["corner"].to_numpy().tolist() == ["FL", "FR", "RL", "RR"]
    same = ["FL", "FR", "RL"]
    np.testing.assert_array_equal(
        found["tyre_force"].sel(corner=same), day().forces["tyre_force"].sel(corner=same)
    )
    u, usual = (f["u_tyre_force"].sel(corner="RR", component="y") for f in (found, day().forces))
    assert float(u.mean()) > 1.5 * float(usual.mean())
    truth = day().truth["tyre_force_intermediate"].sel(corner="RR")
    z = (found["tyre_force_intermediate"].sel(corner="RR") - truth) / found[
        "u_tyre_force_intermediate"
    ].sel(corner="RR")
    assert np.all(np.sqrt((z**2).mean("elapsed_time")) < 2.5)


def test_what_was_not_to_be_used_is_not_without_a_gauge_either() -> None:
    bad = Verdict("unusable", "RR is not to be used.", ())
    corners = day().calibration.corners
    unusable = replace(
        day().calibration, corners={**corners, "RR": replace(corners["RR"], verdict=bad)}
    )
    keep = [g for g in day().conditioned["gauge"].to_numpy() if g != "RR_toe_link"]
    with (
        pytest.warns(DataWarning, match="Corner RR is solved without"),
        pytest.raises(DataError, match="RR is not to be used"),
    ):
        reconstruct(day().conditioned.sel(gauge=keep), unusable, day().car)


# --- the picture -----------------------------------------------------------------------------


def test_the_picture_of_the_gauges_shows_contradiction_and_outage() -> None:
    def spoil(raw: np.ndarray) -> None:
        raw[:, [0, 1]] = raw[:, [1, 0]]
        raw[START:, 7] = raw[START, 7]

    forces, _ = driven(spoil)
    against = np.abs(forces["contradiction"])
    assert float(against.sel(gauge=GAUGES[0]).median()) > 6
    assert float(against.sel(gauge=GAUGES[-1]).median()) < 2
    figure = plot_health(forces)
    largest = f"Gauges against each other: at most {float(against.max()):.1f} u, {GAUGES[0][:2]}"
    assert any(text.get_text().startswith(largest) for text in figure.texts)
    (panel,) = figure.axes
    assert [label.get_text() for label in panel.get_yticklabels()] == list(GAUGES)
    bars = [c for c in panel.collections if c.get_hatch()]
    assert len(bars) == 1
    ((x0, y0), (x1, y1)) = bars[0].get_paths()[0].get_extents().get_points()
    assert (y0, y1) == (6.5, 7.5)
    assert x0 == pytest.approx(float(day().log["elapsed_time"][START]), abs=0.05)
    assert x1 == pytest.approx(float(day().log["elapsed_time"][-1]), abs=0.05)
