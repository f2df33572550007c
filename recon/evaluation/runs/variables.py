"""Description of every variable of a comparison of two set-ups."""

from __future__ import annotations

from recon.base.labelled import UNITS_IN, UNITS_PER, Variable

_METRIC, _RUN = ("metric",), ("run",)
OWN_UNIT = {"comment": "in the unit of the metric, see metric_unit", UNITS_IN: "metric_unit"}
PER_KELVIN = {"comment": "in the unit of the metric, see metric_unit, per kelvin", UNITS_PER: "K"}
UNIT_OF_SAMPLES = {
    "comment": "in the unit of single samples, see the attribute sample_unit",
    UNITS_IN: "sample_unit",
}
SOURCES = ("calibration", "vehicle", "tares", "log")  # of the forces of a run
_EFFECT = "effect of the second set-up against the first"


def _in_its_unit(words: str, dims: tuple[str, ...] = _METRIC) -> Variable:
    return Variable(dims, words, more=OWN_UNIT)


def _per_kelvin(words: str) -> Variable:
    return Variable(_METRIC, words, more=OWN_UNIT | PER_KELVIN)


def _share(words: str) -> Variable:
    return Variable(_METRIC, words, "1")


def _word(words: str, dims: tuple[str, ...] = _RUN) -> Variable:
    return Variable(dims, words, kind="word")


COMPARISON: dict[str, Variable] = {
    "metric": _word("metric; the first one was declared and decides", _METRIC),
    "metric_unit": _word("unit of the metric", _METRIC),
    "metric_words": _word("the metric in words", _METRIC),
    "set_up": _word("set-up", ("set_up",)),
    "run": Variable(_RUN, "order of the run in the day", "1"),
    "share": Variable(("share",), "share of the samples below the level", "1"),
    "effect": _in_its_unit(_EFFECT),
    "u_effect": _in_its_unit(f"standard uncertainty of the {_EFFECT}"),
    "effect_lower": _in_its_unit(f"lower 95 % limit of the {_EFFECT}"),
    "effect_upper": _in_its_unit(f"upper 95 % limit of the {_EFFECT}"),
    "u_effect_runs": _in_its_unit("standard uncertainty of the effect by the scatter of runs"),
    "u_effect_calibration": _in_its_unit(
        "standard uncertainty of the effect by calibration and geometry"
    ),
    "u_effect_session": _in_its_unit("standard uncertainty of the effect by zeros and sensors"),
    "p_value": _share("probability of such an effect if there were none (t test)"),
    "p_value_of_family": _share("the same, of several metrics together (Holm)"),
    "p_value_exchange": _share(
        "share of the exchanges of set-ups within blocks that give as large an effect"
    ),
    "smallest_p_value_exchange": _share("smallest such share that these blocks can give"),
    "p_value_equivalence": _share(
        "probability of so small an effect if the true one were at the margin"
    ),
    "margin": _in_its_unit("largest difference that does not matter, as stated"),
    "resolvable": _in_its_unit("smallest difference that such runs resolve in 80 % of all cases"),
    "more_runs": _share("further runs of each set-up that would resolve an effect of this size"),
    "temperature_slope": _per_kelvin("change of the metric per kelvin of tyre temperature"),
    "u_temperature_slope": _per_kelvin(
        "standard uncertainty of the change per kelvin, by the scatter of runs"
    ),
    "temperature_slope_lower": _per_kelvin("lower 95 % limit of the change per kelvin"),
    "temperature_slope_upper": _per_kelvin("upper 95 % limit of the change per kelvin"),
    "scatter": _in_its_unit("standard deviation of one run"),
    "repeatability": _share("standard deviation of one run over the mean"),
    "verdict": _word("verdict on the second set-up", _METRIC),
    "reason": _word("reason of the verdict", _METRIC),
    "mean": _in_its_unit("mean of the runs of a set-up", ("set_up", "metric")),
    "value": _in_its_unit("metric of each run", ("run", "metric")),
    "u_value": _in_its_unit(
        "standard uncertainty of the metric by errors that stay within a run", ("run", "metric")
    ),
    "samples": Variable(("run", "metric"), "samples that passed the gate", "1", kind="whole"),
    "profile": Variable(
        ("run", "share"), "levels of the declared metric in each run", more=UNIT_OF_SAMPLES
    ),
    "section": _word("section that all runs have", ("section",)),
    "place": Variable(("place",), "share of the way along the section", "1"),
    "course": Variable(
        ("run", "section", "place"),
        "declared metric along its sections in each run, not known outside of its gate",
        more=UNIT_OF_SAMPLES,
    ),
    "course_length": Variable(
        ("run", "section"),
        "way from the first to the last place",
        more={"comment": "in m or s, see the attribute course_unit", UNITS_IN: "course_unit"},
    ),
    "run_file": _word("forces of the run"),
    "run_set_up": _word("set-up of the run"),
    "run_block": _word("block of the run"),
    "run_driver": _word("driver of the run"),
    "run_tyre_set": _word("tyre set of the run"),
    "run_notes": _word("notes on the run"),
    "run_calibration": _word("SHA-256 of the files that the run's calibration was made from"),
    "run_vehicle": _word("SHA-256 of the run's vehicle file"),
    "run_tares": _word("SHA-256 of the run's tares"),
    "run_log": _word("SHA-256 of the run's log"),
    "run_tyre_temperature": Variable(_RUN, "temperature of the tyres before the run", "degC"),
}
