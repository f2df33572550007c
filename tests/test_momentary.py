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


def conditioned(gauge: str, fault: Fault, lasts: float) -> xr.Dataset:
    """The log with a fault of one gauge for some seconds."""
    log, car, _, tares = raw()
    log = log.copy(deep=True)
    time = log["elapsed_time"].to_numpy()
    column = log["indication"].sel(gauge=gauge)
    at = np.flatnonzero((time >= SINCE) & (time < SINCE + lasts))
    column.values[at] = fault(column.values[at])
    with unwarned():
        return recon.condition(log, car, tares)


def reconstructed(gauge: str, fault: Fault, lasts: float) -> xr.Dataset:
    with unwarned():
        return recon.reconstruct(conditioned(gauge, fault, lasts), raw()[2], raw()[1])


def jump(column: np.ndarray) -> np.ndarray:
    return column + 0.2


def open_input(column: np.ndarray) -> np.ndarray:
    return np.random.default_rng(2).normal(0.0, 2e-5, len(column))


def turned(column: np.ndarray) -> np.ndarray:
    return -column


def require_span(doubt: Doubt, lasts: float, start: float = 0.1) -> None:
    assert doubt.start == pytest.approx(SINCE, abs=start)
    assert doubt.end == pytest.approx(SINCE + lasts, abs=1.5 * EVERY)


@pytest.mark.parametrize(
    ("gauge", "fault", "lasts", "cause"),
    [
        ("FL_upper_front", jump, 1.0, "jumping"),
        ("RR_coil_over", jump, 1.5, "jumping"),
        ("RR_coil_over", open_input, 4.0, "noise alone"),
    ],
)
def test_a_fault_of_seconds_is_named_and_marked_while_it_lasts(
    gauge: str, fault: Fault, lasts: float, cause: str
) -> None:
    forces = reconstructed(gauge, fault, lasts)
    (doubt,) = doubts_in(forces)
    assert (doubt.cause, doubt.channels) == (cause, (gauge,))
    require_span(doubt, lasts)
    marked = (forces["status"].sel(corner=gauge[:2]).to_numpy() & BIT["doubted"]) > 0
    time = forces["elapsed_time"].to_numpy()
    assert marked[(time > SINCE + 0.1) & (time < SINCE + lasts)].all()
    assert not marked[(time < SINCE - 0.1) | (time > SINCE + lasts + 1.5 * EVERY)].any()


def test_a_cause_that_does_not_come_and_go_is_not_named() -> None:
    """A gain does not change for two seconds; something is loose all the same."""
    forces = reconstructed("FR_lower_front", turned, 1.5)
    (doubt,) = doubts_in(forces)
    assert (doubt.cause, doubt.channels) == (NO_CAUSE, ())
    require_span(doubt, 1.5, start=EVERY)
    assert f"It lasts from about {doubt.start:.1f} to {doubt.end:.1f} s." in doubt.do


def test_a_fault_that_stays_is_one_of_the_whole_drive() -> None:
    forces = reconstructed("FL_upper_front", jump, np.inf)
    time = forces["elapsed_time"].to_numpy()
    doubts = [doubt for doubt in doubts_in(forces) if doubt.corners == ("FL",)]
    assert [doubt.end for doubt in doubts] == [time[-1]] * len(doubts) != []


def test_what_no_comparison_sees_is_doubted_where_it_is_plain() -> None:
    """A judge without comparisons names nothing."""
    log, (_, car, calibration, _) = conditioned("FL_upper_front", jump, 1.0), raw()
    with unwarned():
        view = view_of(recon.prepare(calibration, car, log), log)
    (doubt,) = momentary_doubts(view, Judge(tests=(), proposals=()))
    assert (doubt.cause, doubt.corners) == (NO_CAUSE, ("FL",))
    (times,) = re.findall(r"differ for a moment by ([\d.]+) times", doubt.found)
    assert 2.0 < float(times) < 20.0
    short = log.isel(elapsed_time=slice(0, len(log["elapsed_time"]) // 2))
    assert momentary_doubts(view_of(view.prepared, short), Judge(tests=(), proposals=())) == ()
