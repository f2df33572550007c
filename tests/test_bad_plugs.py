"""Gauges that fail now and then are named for what they do: jumping, open, clipped."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from recon.base.errors import DataError
from recon.examination.examine import JUDGE
from recon.examination.gauge_causes import gauge_causes
from recon.examination.jumping_or_silent_gauges import levels_seen, now_and_then
from recon.examination.view import Part, View, view_of
from tests.days import day
from tests.slow_repeats import some_quick
from tests.spoiled_days import GAUGES, examined, sound, spoiled_log

COUNT = len(day().log["elapsed_time"])
STRETCHES = (slice(COUNT // 5, COUNT // 3), slice(COUNT // 2, 2 * COUNT // 3))
START = float(day().log["elapsed_time"][STRETCHES[0].start])


@pytest.mark.parametrize("i", some_quick([0, 11], 0))
def test_a_gauge_that_jumps_between_two_levels_is_named_with_its_start(i: int) -> None:
    def spoil(raw: np.ndarray) -> None:
        step = 0.5 * np.ptp(raw[:, i])
        for part in STRETCHES:
            raw[part, i] += step

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("jumping", (GAUGES[i],))
    assert "2 times" in doubt.do
    assert doubt.start == pytest.approx(START, abs=0.2)  # short means last 0.125 s


def test_a_gauge_stays_at_its_level_where_no_other_gauge_checks_it() -> None:
    """While a brake holds the wheel, other gauges may have nothing to say of one on its link."""
    too_much = np.where(np.arange(100) < 40, 0.0, 1.0)
    too_much[70:80] = 0.0
    for information, flips in ((1.0, 3), (1e-3, 1)):
        weight = np.ones((100, 1, 1))
        weight[70:80] = information
        known = np.ones(100, dtype=bool)
        part = cast(Part, SimpleNamespace(known=known, expected=SimpleNamespace(weight=weight)))
        upper, step = levels_seen(part, 0, too_much)
        assert np.count_nonzero(np.diff(upper)) == flips
        assert step == pytest.approx(1.0)


def test_a_gauge_that_is_open_now_and_then_shows_noise_alone_and_is_doubted() -> None:
    rng = np.random.default_rng(4)

    def spoil(raw: np.ndarray) -> None:
        for part in STRETCHES:
            raw[part, 0] = rng.normal(0, 1e-4, part.stop - part.start)

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("noise alone", (GAUGES[0],))
    assert doubt.spoils  # it was not left out, as a gauge that shows a constant is
    assert doubt.start == pytest.approx(START, abs=0.2)


@pytest.mark.parametrize("share", [0.7, 0.95])
def test_a_gauge_that_is_clipped_below_its_stated_range_is_called_clipped(share: float) -> None:
    def spoil(raw: np.ndarray) -> None:
        low, high = np.quantile(raw[:, 3], [1 - share, share])
        raw[:, 3] = np.clip(raw[:, 3], low, high)

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("clipped", (GAUGES[3],))
    assert "the end of its range" in doubt.found


def scaled(factor: float) -> View:
    """The day with all raw indications times a factor, and tares as they are."""
    view = sound()
    for part in view.parts.values():
        raw = part.samples.indication + part.zero[:, None]
        view = view.with_part(part.with_indication(factor * raw - part.zero[:, None]))
    return view


def units_of_all(view: View) -> list[str]:
    """Lines that would mend a unit of all gauges."""
    found = gauge_causes(view, ("FL", "FR"))
    return [one.lines[0] for one in found if one.channels == GAUGES]


@pytest.mark.parametrize("factor", [1e3, 1e-3])
def test_a_log_whose_gauges_all_have_another_unit_is_named_with_its_factor(factor: float) -> None:
    view = scaled(factor)
    best = JUDGE.doubts(view, JUDGE.terms(view))[0]
    assert (best.cause, best.channels, best.corners) == ("other unit", GAUGES, view.corners)
    assert f"all their numbers are {factor:g} times too large" in best.do
    assert f"= {{ factor = {1 / factor:g} }}" in best.do


@pytest.mark.parametrize("factor", [0.2, 5.0])
def test_numbers_that_a_drive_can_have_are_not_made_small(factor: float) -> None:
    """A thousandth of all indications would contradict nothing at all."""
    assert units_of_all(scaled(factor)) == []


@pytest.mark.parametrize(("factor", "likely"), [(5.0, True), (300.0, False)])
def test_a_gain_that_would_silence_a_gauge_is_no_cause(factor: float, *, likely: bool) -> None:
    """Any gauge agrees with all others once hardly anything of it is left."""
    view, part = sound(), sound().parts["FL"]
    indication = part.samples.indication.copy()
    indication[0] *= factor
    found = gauge_causes(view.with_part(part.with_indication(indication)), ("FL",))
    words = [c.do for c in found if c.cause == "gain changed" and c.channels == (GAUGES[0],)]
    times = [float(one.partition("it shows about ")[2].partition(" times")[0]) for one in words]
    assert bool(times) == likely
    assert times == pytest.approx([factor] * len(times), rel=0.2)


def test_a_log_far_beyond_the_range_of_its_channels_is_refused() -> None:
    def spoil(raw: np.ndarray) -> None:
        raw *= 1e3

    told = rf"virtual log: {GAUGES[0]} usually at \d+.*, where its full_scale is \d.* other gauges"
    with pytest.raises(DataError, match=told):
        spoiled_log(spoil)


def test_to_stand_still_while_other_gauges_move_is_evidence_by_itself() -> None:
    """With another gain, or a zero that moved, a gauge still moves."""

    def spoil(raw: np.ndarray) -> None:
        cut = COUNT // 2
        raw[cut:, 0] = np.random.default_rng(4).normal(0, 1e-4, COUNT - cut)

    view = view_of(sound().prepared, spoiled_log(spoil))
    found = {one.cause: one for one in now_and_then(view, view.parts["FL"], 0)}
    candidate = found["noise alone"]
    assert candidate.weight > 20.0  # nats; two fitted numbers alone would cost eight
    assert "nothing but noise once." in candidate.do
    by_chance = [one.weight for one in now_and_then(sound(), sound().parts["FL"], 0)]
    assert all(weight < 0.0 for weight in by_chance)
