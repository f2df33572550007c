"""Weighing on pads shows what no pull can: a load cell that is wrong everywhere alike."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from recon.base.doubt import Doubt
from recon.base.status import BIT
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.examination.weighed_wheels import weighed as weighed_forces
from recon.examination.weighed_wheels import weighing_doubts
from recon.reconstruction.weighing import Weighing, weigh_check
from recon.records.doubt_variables import doubts_in
from recon.records.sheets import Tares
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from tests.days import NOTHING, club_car, day, states, unwarned

PAD = 1700.0  # N, about a quarter of the car
CORNER = "FL"


@cache
def weighed(gain: float, full: bool = True) -> tuple[Calibration, Tares]:
    """A car whose cell reads wrong by `gain`; wheel hanging, then on a true pad."""
    car, rng = club_car(CORNER), np.random.default_rng(31)
    drawn = draw_car(car, rng, effects=None if full else NOTHING)
    drawn = replace(drawn, strap_gain=gain, pad_gain=gain)
    with unwarned():
        calibration = calibrate(virtual_pulls(drawn, None, rng), car)
    through = states(CORNER, np.tile([0.0, 0.0, PAD], (200, 1)))
    log, tares, _ = virtual_drive(drawn, through, rng)
    before = tares.when == "before"
    hanging = rows_of(tares, before)
    seen = log["indication"].to_numpy().mean(axis=0)
    n = len(hanging.line)
    on_pads = replace(
        hanging, state=np.full(n, "pads"), pad_load=np.full(n, PAD), indication=seen
    )  # fmt: skip
    both = {
        f: np.concatenate([value, getattr(on_pads, f)])
        for f in hanging.__dataclass_fields__
        if isinstance(value := getattr(hanging, f), np.ndarray)
    }
    return calibration, replace(hanging, **both)


def rows_of(tares: Tares, chosen: np.ndarray) -> Tares:
    changed = {
        f: value[chosen]
        for f in tares.__dataclass_fields__
        if isinstance(value := getattr(tares, f), np.ndarray)
    }
    return replace(tares, **changed)


def checked(gain: float, full: bool = True) -> Weighing:
    calibration, tares = weighed(gain, full)
    (found,) = weigh_check(tares, calibration, club_car(CORNER))
    return found


def test_a_true_cell_agrees_with_the_pad() -> None:
    found = checked(0.002)
    assert (found.corner, found.when, found.pad) == (CORNER, "before", PAD)
    assert found.agrees
    assert abs(found.measured - PAD) < 1.96 * found.u
    assert 5.0 < found.u < 25.0  # N; 0.5 % of the pad, 0.3 % of the cell, 1.5 kN of map at 0.5 %


@pytest.mark.parametrize("gain", [0.06, -0.06])
def test_a_wrong_cell_disagrees(gain: float) -> None:
    found = checked(gain)
    assert not found.agrees
    # The cell writes load / (1 + gain): maps are too large, forces too small by as much.
    assert found.measured / PAD == pytest.approx(1 / (1 + gain), abs=0.02)


@pytest.mark.parametrize("gain", [0.03, -0.03])
def test_three_percent_show_by_their_size(gain: float) -> None:
    """3 % of 1700 N are 51 N, four times the check's standard uncertainty."""
    found, true = checked(gain, full=False), checked(0.0, full=False)
    assert true.agrees
    assert not found.agrees
    # The common factor and nothing else, as the map is linear; the prior of slopes holds a little.
    assert found.measured / true.measured == pytest.approx(1 / (1 + gain), abs=0.004)


def test_nobody_weighed() -> None:
    calibration, tares = weighed(0.0, full=False)
    for state in ("hanging", "pads"):
        alone = rows_of(tares, tares.state == state)
        assert weigh_check(alone, calibration, club_car(CORNER)) == ()


def test_states_of_different_times_are_no_pair() -> None:
    """Hanging before and pads after: the zero has moved in between."""
    calibration, tares = weighed(0.0, full=False)
    when = np.where(tares.state == "pads", "after", "before")
    assert weigh_check(replace(tares, when=when), calibration, club_car(CORNER)) == ()


def test_one_gauge_that_was_not_written_down_leaves_the_corner_out() -> None:
    calibration, tares = weighed(0.0, full=False)
    keep = np.arange(len(tares.line)) != len(tares.line) - 1
    assert weigh_check(rows_of(tares, keep), calibration, club_car(CORNER)) == ()


def doubted(*loads: tuple[str, float, float]) -> list[Doubt]:
    """Doubts about corners with loads [N] by gauges and scale, each known to 16 N."""
    return weighing_doubts([Weighing(c, "before", m, p, 16.0) for c, m, p in loads], 0.0, 60.0)


def test_wheels_that_weigh_what_their_gauges_say_are_not_doubted() -> None:
    assert doubted(("FL", 1915.0, 1908.0), ("FR", 1790.0, 1836.0)) == []


def test_one_ratio_under_all_wheels_is_a_load_cell_and_doubts_all_of_them() -> None:
    wheels = ("FL", 2011.0, 1908.0), ("FR", 1924.0, 1836.0), ("RL", 2040.0, 1995.0)
    (found,) = doubted(*wheels)
    assert (found.cause, found.corners) == ("weighing", ("FL", "FR", "RL"))
    assert "all 3 weighed wheels the gauges show +4.1 % against the scales" in found.found
    forces = weighed_forces(
        day().forces, tuple(Weighing(c, "before", *own, 16.0) for c, *own in wheels)
    )
    flags = forces["status"].to_numpy() & BIT["doubted"]
    assert (flags > 0).all(axis=0).tolist() == [True, True, True, False]
    assert [of.found for of in doubts_in(forces)] == [found.found]
    assert forces["weighing_gauges"].to_numpy().tolist() == [2011.0, 1924.0, 2040.0]


def test_scales_in_another_unit_doubt_no_force() -> None:
    pads = [("FL", 1915.0, 1908.0 * 2.2046), ("FR", 1832.0, 1836.0 * 2.2046)]
    (found,) = doubted(*pads)
    assert (found.cause, found.corners) == ("other unit", ())
    assert "2.2 times what the gauges do, as they would in lb labelled kg" in found.found


def test_wheels_that_disagree_each_in_its_own_way_are_named_one_by_one() -> None:
    found = doubted(("FL", 1915.0, 2020.0), ("FR", 1832.0, 1836.0), ("RR", 2010.0, 1908.0))
    assert [of.corners for of in found] == [("FL",), ("RR",)]
    assert "FL carries 1915 N by its gauges and 2020 N by its scale; +-31 N" in found[0].found
