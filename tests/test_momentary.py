"""Faults that come and go within a drive: found, named, and marked only while they last."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.doubt import NO_CAUSE, Doubt
from recon.base.status import BIT
from recon.examination.judge import Judge
from recon.examination.momentary import EVERY, momentary_doubts
from recon.examination.view import view_of
from recon.records.doubt_variables import doubts_in
from tests.days import unwarned

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")

DEMO = Path(__file__).parents[1] / "demo_data"
SINCE = 33.3  # s
Fault = Callable[[np.ndarray], np.ndarray]


@cache
def raw() -> tuple[xr.Dataset, recon.Vehicle, recon.Calibration, recon.Tares]:
    """The demo's minute, as it was logged."""
    car = recon.read_vehicle(recon.shipped("vehicles", "club_racer.toml"))
    with unwarned():
        calibration = recon.calibrate(recon.read_pulls(DEMO / "pulls.csv", car), car)
        tares = recon.read_tares(DEMO / "tares.csv", car)
        return recon.read_log(DEMO / "day.csv.gz", car), car, calibration, tares


def conditioned(
    gauge: str, fault: Fault, lasts: float, logged: xr.Dataset | None = None
) -> xr.Dataset:
    """The log, or what was `logged` instead, with a fault of one gauge for some seconds."""
    own, car, _, tares = raw()
    log = (own if logged is None else logged).copy(deep=True)
    time = log["elapsed_time"].to_numpy()
    column = log["indication"].sel(gauge=gauge)
    at = np.flatnonzero((time >= SINCE) & (time < SINCE + lasts))
    column.values[at] = fault(column.values[at])
    with unwarned():
        return recon.condition(log, car, tares)


def reconstructed(
    gauge: str, fault: Fault, lasts: float, logged: xr.Dataset | None = None
) -> xr.Dataset:
    with unwarned():
        log = conditioned(gauge, fault, lasts, logged)
        return recon.reconstruct(log, raw()[2], raw()[1])


def jump(column: np.ndarray) -> np.ndarray:
    return column + 0.2


def open_input(column: np.ndarray) -> np.ndarray:
    return np.random.default_rng(2).normal(0.0, 2e-5, len(column))


def turned(column: np.ndarray) -> np.ndarray:
    return -column


def half(column: np.ndarray) -> np.ndarray:
    return 0.5 * column


def frozen(column: np.ndarray) -> np.ndarray:
    return np.full_like(column, column[0]) + open_input(column)


def fading(column: np.ndarray) -> np.ndarray:
    """A fault without a step."""
    return column * (1.0 - 1.5 * np.hanning(len(column)))


def swelling(column: np.ndarray) -> np.ndarray:
    return column + 0.4 * np.hanning(len(column))


def require_span(doubt: Doubt, lasts: float, within: float) -> None:
    assert doubt.start == pytest.approx(SINCE, abs=within)
    assert doubt.end == pytest.approx(SINCE + lasts, abs=within)


@pytest.mark.parametrize(
    ("gauge", "fault", "lasts", "cause"),
    [
        ("FL_upper_front", jump, 1.0, "jumping"),
        ("FL_upper_front", jump, 0.2, "jumping"),
        ("RR_coil_over", jump, 1.5, "jumping"),
        ("RR_coil_over", open_input, 4.0, "noise alone"),
        ("FR_lower_front", turned, 1.5, "jumping"),
        ("RL_upper_aft", half, 1.0, "jumping"),
        ("RL_lower_fore", frozen, 2.0, "noise alone"),
    ],
)
def test_a_fault_of_a_moment_is_named_and_marked_while_it_lasts(
    gauge: str, fault: Fault, lasts: float, cause: str
) -> None:
    forces = reconstructed(gauge, fault, lasts)
    (doubt,) = doubts_in(forces)
    assert (doubt.cause, doubt.channels) == (cause, (gauge,))
    require_span(doubt, lasts, 0.1)
    assert re.search(
        rf"{gauge} steps (once|\d+ times) and no other gauge does, by up to \d\d", doubt.found
    )
    assert f"lasts from {doubt.start:.2f} to {doubt.end:.2f} s" in doubt.do
    marked = (forces["status"].sel(corner=gauge[:2]).to_numpy() & BIT["doubted"]) > 0
    time = forces["elapsed_time"].to_numpy()
    assert marked[(time > SINCE + 0.1) & (time < SINCE + lasts - 0.1)].all()
    assert not marked[(time < SINCE - 0.1) | (time > SINCE + lasts + 0.1)].any()


def test_a_cause_that_does_not_come_and_go_is_not_named() -> None:
    """A gain does not change for two seconds; something is loose all the same."""
    forces = reconstructed("FR_lower_front", fading, 5.0)
    (doubt,) = doubts_in(forces)
    assert (doubt.cause, doubt.channels) == (NO_CAUSE, ())
    require_span(doubt, 5.0, within=2.0 * EVERY)
    assert f"It lasts from about {doubt.start:.1f} to {doubt.end:.1f} s." in doubt.do


def test_a_stuck_ordinary_channel_hides_no_fault_of_a_gauge() -> None:
    log = raw()[0].copy(deep=True)
    travel = log["travel"].sel(corner="RL")
    travel.values[log["elapsed_time"].to_numpy() > 20.0] = 0.01
    forces = reconstructed("FL_upper_front", jump, 1.0, log)
    stuck, jumping = doubts_in(forces)
    assert (stuck.cause, stuck.channels) == ("stuck", ("travel_RL",))
    assert (jumping.cause, jumping.channels) == ("jumping", ("FL_upper_front",))
    require_span(jumping, 1.0, 0.1)


def test_a_fault_that_stays_is_one_of_the_whole_drive() -> None:
    forces = reconstructed("FL_upper_front", jump, np.inf)
    time = forces["elapsed_time"].to_numpy()
    doubts = [doubt for doubt in doubts_in(forces) if doubt.corners == ("FL",)]
    assert [doubt.end for doubt in doubts] == [time[-1]] * len(doubts) != []


def test_what_no_comparison_sees_is_doubted_where_it_is_plain() -> None:
    """A judge without comparisons names nothing."""
    log, (_, car, calibration, _) = conditioned("FL_upper_front", swelling, 4.0), raw()
    with unwarned():
        view = view_of(recon.prepare(calibration, car, log), log)
    (doubt,) = momentary_doubts(view, Judge(tests=(), proposals=()))
    assert (doubt.cause, doubt.corners) == (NO_CAUSE, ("FL",))
    (times,) = re.findall(r"differ for a moment by ([\d.]+) times", doubt.found)
    assert 2.0 < float(times) < 20.0
    short = log.isel(elapsed_time=slice(0, len(log["elapsed_time"]) // 2))
    assert momentary_doubts(view_of(view.prepared, short), Judge(tests=(), proposals=())) == ()
