"""Verdicts on two set-ups: trials with a known effect, confounded runs, calibrations."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from scipy.stats import binom

from recon.analysis.comparison import compared
from recon.base.errors import DataError
from tests.run_days import BLOCKED, measured, run_list
from tests.slow_repeats import some_quick

TRIALS = 500
NEVER = 100  # trials of what must not happen once: it would in most of them
METRIC = ("front_lateral_force",)
NEW_ARMS = ["nothing gauged" if letter == "A" else "gauged link" for letter in BLOCKED]
WARMING = 60 + 0.5 * np.arange(12)  # degC, a day on which tyres warm from run to run


def values_of(letters: str, effect: float, rng: np.random.Generator) -> np.ndarray:
    """The metric of runs that scatter by 1 %; B is better by `effect`."""
    second = np.array([letter == "B" for letter in letters])
    return 5000 * (1 + effect * second + rng.normal(0, 0.01, len(letters)))


def trials(effect: float, *, warming: bool = False, margin: str | None = None) -> Counter[str]:
    rng, out = np.random.default_rng(20), Counter[str]()
    for _ in range(TRIALS):
        values, columns = values_of(BLOCKED, effect, rng), {}
        if warming:
            temperature = WARMING + rng.normal(0, 1, 12)
            values *= 1 + 0.001 * (temperature - 60)
            columns = {"tyre_temperature": temperature}
        answer = compared(run_list(**columns), measured(values), METRIC, margin=margin)
        out[str(answer.attrs["verdict"])] += 1
    return out


@pytest.mark.parametrize("warming", some_quick([False, True], True))
def test_a_true_two_percent_is_resolved_with_six_runs_a_side(warming: bool) -> None:
    found = trials(0.02, warming=warming)
    assert found["better"] >= 0.80 * TRIALS, found
    assert not found["worse"]


@pytest.mark.parametrize("warming", some_quick([False, True], True))
def test_no_effect_is_rarely_claimed(warming: bool) -> None:
    found = trials(0.0, warming=warming)
    false = found["better"] + found["worse"]
    assert false <= 0.06 * TRIALS, found
    # A test that is false in 5 % would give 35 or fewer of 500 in 97.5 % of all such runs.
    assert binom.ppf(0.975, TRIALS, 0.05) == 35


@pytest.mark.slow(3)
def test_equivalence_is_rarely_wrong() -> None:
    found = trials(0.02, margin="2%")  # just not equivalent
    assert found["equivalent"] <= 0.05 * TRIALS, found
    assert trials(0.0, margin="2%")["equivalent"] >= 0.75 * TRIALS


def test_the_trials_would_see_set_ups_that_are_mixed_up() -> None:
    """The twin of the trials: with set-ups exchanged at random, no effect is resolved."""
    rng, claimed = np.random.default_rng(4), 0
    for _ in range(100):
        values = values_of(BLOCKED, 0.02, rng)
        mixed = run_list("".join(rng.permutation(list(BLOCKED))))
        answer = compared(mixed, measured(values), METRIC)
        claimed += answer.attrs["verdict"] == "better"
    assert claimed < 30


def test_new_arms_without_a_calibration_are_never_comparable() -> None:
    rng = np.random.default_rng(1)
    for _ in range(NEVER):
        values = values_of(BLOCKED, rng.choice([0.0, 0.02, 0.1]), rng)
        answer = compared(run_list(changed=NEW_ARMS), measured(values), METRIC)
        assert answer.attrs["verdict"] == "not comparable"
        assert np.isnan(float(answer["effect"][0]))
    assert "calibration of before" in str(answer["reason"].to_numpy()[0])


@pytest.mark.parametrize(
    ("letters", "blocks"), [("AAAAAABBBBBB", 1), ("ABABABABABAB", 6), ("ABABABABABAB", 1)]
)
def test_hotter_tyres_in_b_are_never_claimed(letters: str, blocks: int) -> None:
    rng = np.random.default_rng(2)
    hotter = np.where(np.array(list(letters)) == "B", 69.0, 60.0)
    for _ in range(NEVER):
        temperature = hotter + rng.normal(0, 2, 12)
        values = values_of(letters, 0.0, rng) * (1 + 0.002 * (temperature - 60))
        runs = run_list(letters, blocks=blocks, tyre_temperature=temperature)
        answer = compared(runs, measured(values), METRIC, margin="5%")
        assert answer.attrs["verdict"] == "not comparable"
    assert "K hotter with 'B'" in answer.attrs["confounded"]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"driver": ["Kim" if x == "A" else "Lee" for x in BLOCKED]}, "another driver.*Kim.*Lee"),
        ({"tyre_set": ["one" if x == "A" else "two" for x in BLOCKED]}, "another tyre set.*one"),
        ({"block": list(BLOCKED)}, "a block holds one set-up only"),
    ],
)
def test_whatever_goes_with_the_set_up_is_confounded(columns: dict, words: str) -> None:
    rng = np.random.default_rng(3)
    answer = compared(run_list(**columns), measured(values_of(BLOCKED, 0.1, rng)), METRIC)
    assert answer.attrs["verdict"] == "not comparable"
    (found,) = xr.DataArray(answer["reason"]).str.contains(words).to_numpy()
    assert found, answer["reason"].to_numpy()


def test_a_always_first_is_confounded_also_without_temperatures() -> None:
    rng = np.random.default_rng(3)
    runs = run_list("AAAAAABBBBBB", blocks=1)
    answer = compared(runs, measured(values_of("AAAAAABBBBBB", 0.1, rng)), METRIC)
    assert answer.attrs["verdict"] == "not comparable"
    assert "'B' was driven after 'A'" in answer.attrs["confounded"]


def test_other_tyres_or_drivers_may_be_the_set_up() -> None:
    rng = np.random.default_rng(5)
    for column, changed in (("tyre_set", "tyres"), ("driver", "driver")):
        columns = {column: list(BLOCKED), "changed": [changed] * 12}
        answer = compared(run_list(**columns), measured(values_of(BLOCKED, 0.05, rng)), METRIC)
        assert answer.attrs["verdict"] == "better"


def test_words_that_speak_of_arms_ask_for_the_change() -> None:
    values = values_of(BLOCKED, 0.05, np.random.default_rng(6))
    notes = ["" if x == "A" else "first run on the new arms" for x in BLOCKED]
    answer = compared(run_list(notes=notes), measured(values), METRIC)
    assert answer.attrs["verdict"] == "not comparable"
    assert "'arms' stands in the run list" in str(answer["reason"].to_numpy()[0])
    stated = run_list(notes=notes, changed=["nothing gauged"] * 12)
    assert compared(stated, measured(values), METRIC).attrs["verdict"] == "better"
    harmless = run_list(notes=["warm, armco on the left"] * 12)
    assert compared(harmless, measured(values), METRIC).attrs["verdict"] == "better"


@pytest.mark.parametrize(("tied", "word"), [(True, "bar"), (True, "wing"), (False, "bar")])
def test_a_bar_that_ties_two_wheels_is_part_of_the_calibration(tied: bool, word: str) -> None:
    rng = np.random.default_rng(6)
    runs = measured(values_of(BLOCKED, 0.05, rng))
    runs = [replace(run, sources=replace(run.sources, tied=tied)) for run in runs]
    notes = ["" if x == "A" else f"soft {word}" for x in BLOCKED]
    listed = run_list(notes=notes, changed=["nothing gauged"] * 12)
    words = compared(listed, runs, METRIC).attrs["calibration"]
    said = f"'{word}' stands in the run list: where the bar ties two wheels"
    assert (said in words) is (tied and word == "bar")


CALIBRATED = (0.02, 0.02, 0.0, 0.0)  # 2 % each by two causes of the calibration


@pytest.mark.parametrize(
    "own",
    [pytest.param(False, marks=pytest.mark.slow(6), id="one calibration"),
     pytest.param(True, id="one for each set-up")],
)  # fmt: skip
def test_intervals_hold_the_true_effect_in_95_percent(own: bool) -> None:
    rng, inside = np.random.default_rng(21), 0
    runs = run_list(changed=NEW_ARMS) if own else run_list()
    second = np.array([letter == "B" for letter in BLOCKED]).astype(int)
    for _ in range(TRIALS):
        # The gain of each calibration is wrong by two errors of one standard uncertainty.
        gain = 1 + rng.standard_normal((2, 2)) @ CALIBRATED[:2]
        values = values_of(BLOCKED, 0.02, rng) * (gain[second] if own else gain[0])
        calibration = list(BLOCKED) if own else None
        one = compared(runs, measured(values, effect=CALIBRATED, calibration=calibration), METRIC)
        low, high = float(one["effect_lower"][0]), float(one["effect_upper"][0])
        inside += low <= 0.02 * 5000 <= high
    # 95 % within two standard deviations of such a count
    assert 0.93 * TRIALS <= inside <= 0.97 * TRIALS, inside / TRIALS


def test_a_common_calibration_cancels_and_two_enter_in_full() -> None:
    values = values_of(BLOCKED, 0.05, np.random.default_rng(7))
    same = compared(run_list(), measured(values, effect=CALIBRATED), METRIC)
    # Left of 2.8 % is 2.8 % of the effect, which is 5 %.
    share = float(same["u_effect_calibration"][0]) / float(same["mean"][0, 0])
    assert share == pytest.approx(0.0283 * 0.05, rel=0.15)  # the effect itself scatters
    assert "their common error cancels" in same.attrs["calibration"]
    own = measured(values, effect=CALIBRATED, calibration=list(BLOCKED))
    both = compared(run_list(changed=NEW_ARMS), own, METRIC)
    share = float(both["u_effect_calibration"][0]) / float(both["mean"].mean())
    assert share == pytest.approx(np.sqrt(2) * 0.0283, rel=0.01)  # two of them
    assert "both set-ups enter in full" in both.attrs["calibration"]
    assert both.attrs["verdict"] == "not resolved"
    assert np.isnan(float(both["more_runs"][0]))


def test_another_ride_height_brings_both_calibrations_in_full() -> None:
    values = values_of(BLOCKED, 0.05, np.random.default_rng(7))
    runs = run_list(changed=["ride height"] * 12)
    answer = compared(runs, measured(values, effect=CALIBRATED), METRIC)
    share = float(answer["u_effect_calibration"][0]) / float(answer["mean"].mean())
    assert share == pytest.approx(np.sqrt(2) * 0.0283, rel=0.01)
    assert "a ride height changed" in answer.attrs["calibration"]


@pytest.mark.parametrize(("lower", "said"), [(0.012, "12 mm lower"), (-0.008, "8 mm higher")])
def test_travels_show_another_ride_height_that_the_run_list_denies(lower: float, said: str) -> None:
    values = values_of(BLOCKED, 0.05, np.random.default_rng(7))
    runs = run_list(changed=["nothing gauged"] * 12)
    rides = [lower * (of == "B") + 0.0005 * (i % 3) for i, of in enumerate(BLOCKED)]
    answer = compared(runs, measured(values, effect=CALIBRATED, rides=rides), METRIC)
    share = float(answer["u_effect_calibration"][0]) / float(answer["mean"].mean())
    assert share == pytest.approx(np.sqrt(2) * 0.0283, rel=0.01)
    assert f"'B' rides {said}" in answer.attrs["calibration"]
    same = [0.2 * ride for ride in rides]  # twin: fuel, wind
    answer = compared(runs, measured(values, effect=CALIBRATED, rides=same), METRIC)
    assert "their common error cancels" in answer.attrs["calibration"]


def test_zeros_enter_if_the_runs_of_a_set_up_share_their_tares() -> None:
    values = values_of(BLOCKED, 0.05, np.random.default_rng(7))
    zeros = (0.0, 0.0, 0.01, 0.0)
    own, one, two = (
        float(
            compared(run_list(), measured(values, effect=zeros, tares=tares), METRIC)[
                "u_effect_session"
            ][0]
        )
        for tares in (None, ["day"] * 12, list(BLOCKED))
    )
    assert own == 0.0  # new in every run: part of the scatter
    assert one < 0.1 * two
    assert two == pytest.approx(np.sqrt(2) * 0.01 * values.mean(), rel=0.01)


def test_verdicts_follow_the_direction_of_the_metric() -> None:
    rng = np.random.default_rng(8)
    values = np.column_stack([values_of(BLOCKED, e, rng) for e in (-0.05, 0.05, 0.0)])
    metrics = ("cornering_force", "front_transfer_share", "rear_lateral_force")
    answer = compared(run_list(), measured(values), metrics)
    assert answer["verdict"].to_numpy().tolist() == ["worse", "different", "not resolved"]
    p = answer["p_value"].to_numpy()
    counting = answer["p_value_of_family"].to_numpy()
    assert counting[0] == p[0]  # declared beforehand
    assert counting[1] == pytest.approx(2 * p[1])  # one of two that were not


def test_runs_that_are_all_the_same_are_no_fault_of_the_program() -> None:
    second = np.array([letter == "B" for letter in BLOCKED])
    same = compared(run_list(), measured(np.full(12, 5000.0)), METRIC, margin="1%")
    assert same.attrs["verdict"] == "equivalent"
    apart = compared(run_list(), measured(5000.0 + second), METRIC)
    assert apart.attrs["verdict"] == "better"
    assert float(apart["effect"][0]) == pytest.approx(1.0)


def test_few_runs_in_many_blocks_are_refused() -> None:
    runs = run_list("ABBA", blocks=2, tyre_temperature=[60.0, 61.0, 60.5, 62.0])
    needed = r"runs\.csv: 4 runs in 2 blocks with tyre temperature: nothing is left"
    with pytest.raises(DataError, match=needed):
        compared(runs, measured(np.array([1.0, 2.0, 2.1, 1.2])), METRIC)


def test_mixed_calibrations_within_a_set_up_are_refused() -> None:
    values = values_of(BLOCKED, 0.0, np.random.default_rng(9))
    mixed = ["one"] * 11 + ["two"]
    needed = r"line 13 \(run12.*another calibration than runs\.csv, line 2.*set-up 'A'"
    with pytest.raises(DataError, match=needed):
        compared(run_list(), measured(values, calibration=mixed), METRIC)


def test_one_log_twice_is_refused() -> None:
    runs = measured(values_of(BLOCKED, 0.0, np.random.default_rng(9)))
    with pytest.raises(DataError, match=r"line 5 \(run4.*the same log as runs\.csv, line 2"):
        compared(run_list(), [*runs[:3], runs[0], *runs[4:]], METRIC)


@pytest.mark.parametrize("margin", ["2 percent", "-1%", "0", "nan", -3.0])
def test_a_margin_that_is_no_size_is_refused(margin: str | float) -> None:
    values = values_of(BLOCKED, 0.0, np.random.default_rng(9))
    with pytest.raises(DataError, match=rf"margin '{margin}'; need a number above 0"):
        compared(run_list(), measured(values), METRIC, margin=margin)


def test_a_metric_that_may_be_zero_has_no_percentage() -> None:
    values = np.random.default_rng(9).normal(0.0, 0.01, 12)
    with pytest.raises(DataError, match="a margin of 2% for use_difference, which may be zero"):
        compared(run_list(), measured(values), ("use_difference",), margin="2%")
    answer = compared(run_list(), measured(values), ("use_difference",), margin=0.05)
    assert answer.attrs["verdict"] == "equivalent"
    assert np.isnan(float(answer["repeatability"][0]))
