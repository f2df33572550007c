"""A comparison in words and as a picture: the finding first, no number where none is claimed."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from recon.analysis.comparison import compared
from recon.evaluation.runs.metrics import SHARES
from recon.report.common.sheet import save_figure
from recon.report.comparison.comparison_picture import plot_comparison
from recon.report.comparison.comparison_summary import comparison_summary, finding
from recon.report.export import export
from tests.run_days import BLOCKED, measured, run_list

METRICS = ("cornering_force", "rear_lateral_force", "use_difference", "front_transfer_share")
NEW_ARMS = ["nothing gauged" if letter == "A" else "gauged link" for letter in BLOCKED]


def answer(effect: float, *, margin: str | None = None, **columns: object) -> xr.Dataset:
    """A comparison of four metrics, with levels of the declared one."""
    rng = np.random.default_rng(31)
    calibration = columns.pop("calibration", None)
    second = np.array([letter == "B" for letter in BLOCKED])[:, None]
    gains = 1 + effect * second * np.array([1.0, 0.0, 0.0, 0.0])
    noise = rng.normal(0, [0.01, 0.02, 0.2, 0.005], (12, 4))
    values = np.array([1.2, 5000.0, 0.05, 0.52]) * (gains + noise)
    runs = run_list(**columns)  # type: ignore[arg-type]
    causes = (0.02, 0.02, 0.0, 0.0) if calibration else (0.0, 0.0, 0.0, 0.0)
    found = compared(
        runs, measured(values, effect=causes, calibration=calibration), METRICS, margin=margin
    )
    profile = values[:, :1] * (0.5 + 0.5 * SHARES)
    return found.assign(profile=(("run", "share"), profile), share=("share", SHARES))


@pytest.mark.parametrize(
    ("shown", "first"),
    [
        (answer(0.04), "'B' is better than 'A': cornering force +"),
        (answer(-0.04), "'B' is worse than 'A': cornering force -"),
        (answer(0.0, margin="3%"), "'B' is equivalent to 'A' within 3.0 % in cornering force: "),
        (answer(0.01), "'B' against 'A': cornering force +"),
        (answer(0.04, changed=NEW_ARMS), "'B' and 'A' are not comparable by these runs"),
    ],
    ids=["better", "worse", "equivalent", "not resolved", "not comparable"],
)
def test_the_first_line_is_the_finding(shown: xr.Dataset, first: str) -> None:
    lines = comparison_summary(shown)
    assert lines[0].startswith(first)
    assert lines[0].endswith(" (6 + 6 runs)")
    assert "nan" not in " ".join(lines)
    assert all(len(line) <= 100 for line in lines[1:])
    figure = plot_comparison(shown)
    assert figure.texts[0].get_text() == finding(shown).replace("+-", "± ")


def test_a_margin_is_said_in_percent_whatever_its_unit() -> None:
    """A forgotten percent sign makes 2 percent 2 units: here of a ratio of 1.2."""
    for margin, said in (("3%", "3.0 %"), ("0.018", "1.5 %")):
        words = " ".join(" ".join(comparison_summary(answer(0.0, margin=margin))).split())
        assert f"as large as the margin ({said}), so small an effect" in words


def test_what_is_not_resolved_says_how_many_more_runs() -> None:
    assert "more runs of each would resolve it" in comparison_summary(answer(0.01))[0]


def test_a_chance_that_has_no_size_is_given_none() -> None:
    sure, usual = (" ".join(" ".join(comparison_summary(answer(e))).split()) for e in (0.5, 0.04))
    assert "chance alone gives as much on less than 0.01 % of all such days" in sure
    assert "less than 0.01 %" not in usual


def test_an_effect_that_holm_takes_back_is_not_said_to_hold_zero() -> None:
    rng, found = np.random.default_rng(5), 0
    for _ in range(60):
        values = np.array([5000.0, 1.2, 1.0]) * (1 + rng.normal(0, 0.01, (12, 3)))
        shown = compared(run_list(), measured(values), METRICS[1:2] + METRICS[:1] + METRICS[3:])
        for k in (1, 2):
            alone = float(shown["p_value"][k]) <= 0.05
            if alone and shown["verdict"].to_numpy()[k] == "not resolved":
                found += 1
                assert "interval leaves out zero, but" in str(shown["reason"].to_numpy()[k])
                assert "(Holm)" in str(shown["reason"].to_numpy()[k])
            elif shown["verdict"].to_numpy()[k] == "not resolved":
                low, high = (float(shown[f"effect_{end}"][k]) for end in ("lower", "upper"))
                assert low < 0 < high
    assert found


def test_the_trap_of_the_new_arms_is_named() -> None:
    own = answer(0.02, changed=NEW_ARMS, calibration=list(BLOCKED))
    words = " ".join(" ".join(comparison_summary(own)).split())
    assert "a gauged link changed" in words
    assert "not resolved; more runs would not help" in words
    share = 100 * float(own["u_effect_calibration"][0] / own["u_effect"][0]) ** 2
    assert share > 90
    assert f"{share:.0f} % comes from calibration: more laps will not help" in words


def test_laps_help_where_few_runs_widen_the_interval_more_than_two_calibrations() -> None:
    """One degree of freedom makes an interval of 12.7 u, of which more runs leave 2 u."""
    arms = ["gauged link" if letter == "B" else "nothing gauged" for letter in "ABBA"]
    values = 1.2 * np.array([[1.0], [1.05], [1.08], [1.01]])
    few = measured(values, effect=(0.01, 0.01, 0.0, 0.0), calibration=list("ABBA"))
    found = compared(run_list("ABBA", blocks=1, changed=arms), few, METRICS[:1])
    assert found["u_effect_calibration"][0] ** 2 > 0.5 * found["u_effect"][0] ** 2
    assert found["more_runs"][0] > 0
    words = " ".join(" ".join(comparison_summary(found)).split())
    assert "% comes from calibration" in words
    assert "more laps will not help" not in words


def test_no_effect_is_printed_or_drawn_where_none_is_claimed() -> None:
    shown = answer(0.04, changed=NEW_ARMS)
    words = " ".join(comparison_summary(shown))
    assert "+-" not in words
    assert "calibration of before" in words
    (reason,) = [t.get_text() for panel in plot_comparison(shown).axes for t in panel.texts]
    assert reason.startswith("No effect is claimed: 'B' changed a gauged link")


def test_every_metric_repeats_by_a_number_of_its_own_the_best_first() -> None:
    shown = answer(0.0)
    words = " ".join(" ".join(comparison_summary(shown)).split())
    (part,) = [words.partition("repeats from run to run: ")[2].partition(": the first")[0]]
    named = [piece.rsplit(" to ", 1)[0] for piece in part.split(", ")]
    assert named == ["front transfer share", "cornering force", "rear lateral force"]
    assert "use difference" not in part  # it may be zero
    assert (
        ": the first shows the smallest changes; use difference to 0." in words
    )  # in its own unit


def test_hot_against_cold_tyres_is_a_change_per_kelvin() -> None:
    warm = [60, 62, 61, 66, 63, 61, 65, 64, 62, 63, 64, 62]
    shown = answer(0.0, tyre_temperature=warm)
    text = " ".join(" ".join(comparison_summary(shown)).split())
    assert "hot against cold tyres (60 to 66 degC): " in text
    assert " % per K" in text
    assert "hot against cold" not in " ".join(comparison_summary(answer(0.0)))


def test_the_picture_has_a_dot_for_each_run_and_the_band_that_is_not_resolved(tmp_path) -> None:
    shown = answer(0.04, margin="2%")
    figure = plot_comparison(shown)
    runs, levels, effects = figure.axes
    dots = [line for line in runs.lines if line.get_linestyle() == "None"]
    drawn = np.concatenate([line.get_ydata() for line in dots])
    assert sorted(drawn) == pytest.approx(sorted(shown["value"].to_numpy()[:, 0]))
    assert {line.get_marker() for line in dots} == {"o", "s"}  # distinct in a grey print
    assert len(levels.collections) == 4  # filling and edge of two bands
    bar = effects.patches[0]
    share = 100 / float(shown["mean"][0, 0])
    assert bar.get_width() == pytest.approx(2 * share * float(shown["resolvable"][0]))
    names = [label.get_text() for label in effects.get_yticklabels()]
    assert names == ["cornering force", "rear lateral force", "front transfer share"]
    assert save_figure(figure, tmp_path / "comparison.png").stat().st_size > 30_000


def test_a_metric_that_may_be_zero_is_drawn_in_its_unit() -> None:
    rng = np.random.default_rng(32)
    values = rng.normal(0.02, 0.01, 12)
    shown = compared(run_list(), measured(values), ("use_difference",))
    figure = plot_comparison(shown)
    assert len(figure.axes) == 2  # no levels
    assert figure.axes[-1].get_xlabel() == "'B' against 'A' [1]"
    assert "%" not in comparison_summary(shown)[0].replace("95 %", "")


def test_runs_too_few_for_any_scatter_say_nothing_of_how_metrics_repeat() -> None:
    runs = run_list(
        "ABBA", blocks=2, changed=NEW_ARMS[:4], tyre_temperature=[60.0, 61.0, 60.5, 62.0]
    )
    shown = compared(runs, measured(np.array([1.0, 1.1, 1.1, 1.0])), METRICS[:1])
    words = " ".join(comparison_summary(shown))
    assert np.isnan(float(shown["repeatability"][0]))
    assert "repeats" not in words
    assert "nan" not in words


def test_the_slope_over_temperature_has_the_unit_of_its_metric_per_kelvin(tmp_path: Path) -> None:
    by_kelvin = answer(0.04, tyre_temperature=60.0 + np.arange(12) % 5)
    path = export(by_kelvin[["temperature_slope", "effect"]], out=tmp_path / "slopes.csv")
    with path.open(encoding="utf-8", newline="") as stream:
        rows = {(row["quantity"], row["metric"]): row["unit"] for row in csv.DictReader(stream)}
    assert rows["temperature_slope", "rear_lateral_force"] == "N K-1"
    assert rows["temperature_slope", "cornering_force"] == "1 K-1"
    assert rows["effect", "rear_lateral_force"] == "N"
