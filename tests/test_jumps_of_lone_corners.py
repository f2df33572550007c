"""Jumps of a gauge where hardly anything else is logged: its own record says that it jumped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.base.doubt import Doubt
from recon.conditioning.condition import condition
from recon.examination.jumping_or_silent_gauges import suddenness_of
from recon.examination.recorded_jumps import recorded_levels
from recon.examination.thinning import WINDOW_TIME
from tests.days import day, unwarned
from tests.slow_repeats import some_quick
from tests.spoiled_days import examination_of, sound

pytestmark = pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
STARTS, LASTS = (0.15, 0.35, 0.5, 0.8), 0.06  # of the drive
SPARSE = ["indication", "gauge_temperature", "pitch", "speed", "wheel_speed"]
# Corner, gauge, load by which it jumps [N]; these were called a gain, or a jump of another gauge.
JUMPS = [
    ("FL", "FL_upper_rear", 1500.0),
    ("FL", "FL_lower_rear", 1500.0),
    ("FR", "FR_upper_front", 2500.0),
    ("FR", "FR_tie_rod", 2500.0),
    # Other gauges hardly check the link that alone carries the load.
    ("FL", "FL_push_rod", 1500.0),
    ("RR", "RR_coil_over", -2500.0),
]


def doubts_of(corner: str, gauge: str, load: float, channels: list[str]) -> tuple[Doubt, ...]:
    """Doubts about one corner alone, of which one gauge jumps four times."""
    fitted = day().calibration.corners[corner]
    at = list(fitted.gauges).index(gauge)
    log = day().log[channels].copy(deep=True)
    shown, n = log["indication"].sel(gauge=gauge).to_numpy(), log.sizes["elapsed_time"]
    for start in STARTS:
        shown[int(start * n) : int((start + LASTS) * n)] += load * fitted.main_slope[at]
    with unwarned():
        log["indication"].loc[{"gauge": gauge}] = shown
        log = condition(log, day().car, day().tares)
    return examination_of(log, replace(day().calibration, corners={corner: fitted})).doubts


@pytest.mark.parametrize("jump", some_quick(JUMPS, JUMPS[1], JUMPS[-1]))
def test_a_jump_is_named_by_the_record_of_the_gauge_that_jumped(
    jump: tuple[str, str, float],
) -> None:
    corner, gauge, load = jump
    (doubt,) = doubts_of(corner, gauge, load, SPARSE)
    assert (doubt.cause, doubt.channels) == ("jumping", (gauge,))
    assert "4 times" in doubt.do


def test_the_record_of_a_sound_gauge_has_no_two_levels() -> None:
    view = sound()
    for part in view.parts.values():
        for gauge in part.gauges:
            assert recorded_levels(view, gauge)[1] == 0.0


def test_the_record_shows_how_much_of_each_short_mean_was_at_the_other_level() -> None:
    view, gauge, step = sound(), "FL_push_rod", 0.15
    time = view.whole["elapsed_time"].to_numpy()
    stretches = [(view.elapsed[n], view.elapsed[n] + 0.4) for n in (20, 60, 100)]
    upper = np.any([(time > a) & (time < b) for a, b in stretches], axis=0)
    whole = view.whole.copy(deep=True)
    whole["indication"].loc[{"gauge": gauge}] += step * upper
    share, found = recorded_levels(replace(view, whole=whole), gauge)
    assert found == pytest.approx(step, rel=0.2)  # with what the load changes meanwhile
    near = np.abs(time[:, None] - view.elapsed) <= 0.5 * WINDOW_TIME
    of_samples = upper @ near.astype(float) / near.sum(axis=0)
    # Either end may be a sample off.
    np.testing.assert_allclose(share, of_samples, atol=0.1)


def test_what_a_jump_leaves_in_the_means_that_it_divides_is_no_second_fault() -> None:
    every = [str(name) for name in day().log.data_vars]
    (doubt,) = doubts_of("FR", "FR_upper_front", 2500.0, every)
    assert (doubt.cause, doubt.channels) == ("jumping", ("FR_upper_front",))


def test_only_the_gauge_that_steps_is_sudden() -> None:
    view = sound()
    part, step = view.parts["FL"], 0.2
    upper = (np.arange(len(view.elapsed)) // 40) % 2 == 1
    indication = part.samples.indication.copy()
    indication[2, upper] += step
    jumped = part.with_indication(indication)
    evidence = [suddenness_of(view, jumped, i, upper, step) for i in range(len(part.gauges))]
    assert evidence[2] > 10.0
    assert all(evidence[i] < -10.0 for i in range(len(evidence)) if i != 2)


def test_a_cause_that_would_be_needed_twice_is_named_once() -> None:
    """Half of all numbers of a corner contradict less, and a quarter still less."""
    found = [(d.cause, d.channels) for d in doubts_of("FR", "FR_push_rod", 2500.0, SPARSE)]
    assert found
    assert len(found) == len(set(found))
