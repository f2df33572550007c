"""Comparison of two set-ups in words: the finding, what it rests on, and what limits it."""

from __future__ import annotations

import numpy as np

from recon.base.labelled import sentences_of
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.runs.metrics import BY_NAME
from recon.report.common.text import wrapped

LEAST_CHANCE = 1e-4  # that is given a size; common practice, no source
MOSTLY = 0.5  # of the variance of the effect: then this part decides how wide the interval is


def finding(answer: xr.Dataset) -> str:
    """The comparison in one sentence; also the title of its picture."""
    first, second = (str(name) for name in answer["set_up"].to_numpy())
    name, verdict = named(answer, 0), str(answer.attrs["verdict"])
    if verdict == "not comparable":
        return f"'{second}' and '{first}' are not comparable by these runs ({name})"
    size = effect_words(answer, 0)
    if verdict == "equivalent":
        margin = amount(answer, 0, float(answer["margin"][0]), sign=False)
        return f"'{second}' is equivalent to '{first}' within {margin} in {name}: {size}"
    if verdict == "not resolved":
        return f"'{second}' against '{first}': {name} {size}, not resolved; {more_words(answer, 0)}"
    if verdict == "different":
        return f"'{second}' is different from '{first}' in {name}: {size}"
    return f"'{second}' is {verdict} than '{first}': {name} {size}"


def comparison_summary(answer: xr.Dataset) -> list[str]:
    """Lines of text: the finding first, then what a sceptic asks."""
    lines = [finding(answer) + count_words(answer)]
    if str(answer.attrs["verdict"]) == "not comparable":
        lines += wrapped(f"why: {answer['reason'].to_numpy()[0]}")
        lines += wrapped(f"means: {means_words(answer)}")
    else:
        lines += wrapped(
            f"{answer.attrs['gate']}: {means_words(answer)}; {resolvable_words(answer)}"
        )
        lines += wrapped(chance_words(answer))
        lines += wrapped(width_words(answer))
        lines += wrapped(_beside(answer)) if answer.sizes["metric"] > 1 else []
    lines += wrapped(words) if (words := temperature_words(answer)) else []
    lines += wrapped(repeat_words(answer)) if np.isfinite(answer["repeatability"]).any() else []
    lines += wrapped(f"runs: {listed(answer, 'model')}")
    if answer.attrs["assumed"]:
        lines += wrapped(f"assumed: {listed(answer, 'assumed')}")
    if missing := not_given(answer):
        lines += wrapped(f"not given: {'; '.join(missing)}")
    return lines


def amount(answer: xr.Dataset, k: int, value: float, *, sign: bool = True) -> str:
    """A difference of metric `k` in percent of the first set-up, or in the unit of the metric."""
    plus = "+" if sign else ""
    name = str(answer["metric"].to_numpy()[k])
    if BY_NAME[name].relative:
        share = 100 * value / abs(float(answer["mean"][0, k]))
        return f"{share:{plus}z.1f} %"
    return f"{value:{plus}z.3f}{unit_after(answer, k)}"


def effect_words(answer: xr.Dataset, k: int) -> str:
    """Effect of metric `k` with its 95 % interval."""
    effect = float(answer["effect"][k])
    half = float(answer["effect_upper"][k]) - effect
    return f"{amount(answer, k, effect)} +-{amount(answer, k, half, sign=False)} (95 %)"


def named(answer: xr.Dataset, k: int) -> str:
    """Name of metric `k` in words."""
    return str(answer["metric"].to_numpy()[k]).replace("_", " ")


def unit_after(answer: xr.Dataset, k: int) -> str:
    """Unit of metric `k` with the space before it; "" for ratios."""
    unit = str(answer["metric_unit"].to_numpy()[k])
    return "" if unit == "1" else f" {unit}"


def count_words(answer: xr.Dataset) -> str:
    """Number of runs of each set-up, in brackets."""
    names, of = answer["set_up"].to_numpy(), answer["run_set_up"].to_numpy()
    return f" ({' + '.join(str(int(np.sum(of == name))) for name in names)} runs)"


def more_words(answer: xr.Dataset, k: int) -> str:
    """Number of further runs that would resolve the effect on metric `k`, or why none would."""
    more = float(answer["more_runs"][k])
    if np.isfinite(more):
        count = max(int(more), 1)
        return f"about {count} more run{'s' if count > 1 else ''} of each would resolve it"
    if _shares(answer, k)["calibration"] > MOSTLY:
        return "more runs would not help"
    return "no number of runs that anybody drives would resolve it"


def obstacles(answer: xr.Dataset) -> list[tuple[str, str]]:
    """Everything that stands in the way of a comparison, each with its cure."""
    reasons = str(answer["reason"].to_numpy()[0]).split(". Also: ")
    return [(why, cure) for why, _, cure in (reason.rpartition("; ") for reason in reasons)]


def next_words(answer: xr.Dataset) -> str:
    """The most useful next step of somebody who wants to know more."""
    verdict = str(answer.attrs["verdict"])
    if verdict == "not comparable":
        return "; ".join(dict.fromkeys(cure for _, cure in obstacles(answer)))
    if verdict == "not resolved":
        return _to_resolve(answer)
    name, more = named(answer, 0), answer["more_runs"].to_numpy()
    verdicts = answer["verdict"].to_numpy()
    beside = [k for k in np.argsort(more) if verdicts[k] == "not resolved" and np.isfinite(more[k])]
    if not beside:
        return f"{name} needs no more runs"
    other = f"{named(answer, beside[0])}: {more_words(answer, beside[0])}"
    return f"{name} needs no more runs; {other}"


def _to_resolve(answer: xr.Dataset) -> str:
    """Next step after a comparison that these runs did not resolve."""
    if np.isfinite(float(answer["more_runs"][0])):
        return f"{more_words(answer, 0)}, if the effect is as large as it seems"
    if _shares(answer, 0)["calibration"] > MOSTLY:
        return "pull the car again in both states, more carefully; more runs would not help"
    return "try a larger change of set-up, or state with --margin what difference would not matter"


def means_words(answer: xr.Dataset) -> str:
    """Mean of the declared metric of each set-up."""
    unit = unit_after(answer, 0)
    pairs = zip(answer["set_up"].to_numpy(), answer["mean"].to_numpy()[:, 0], strict=True)
    words = [(f"{value:#.4g}".rstrip("."), name) for name, value in pairs]
    return ", ".join(f"{value}{unit} with '{name}'" for value, name in words)


def resolvable_words(answer: xr.Dataset) -> str:
    """Smallest difference of the declared metric that such runs resolve."""
    least = amount(answer, 0, float(answer["resolvable"][0]), sign=False)
    return f"runs like these show a difference of {least} in 8 of 10 cases"


def chance_words(answer: xr.Dataset) -> str:
    """Probabilities of chance, by the scatter and by exchanging set-ups."""
    t, exchange, smallest = (
        float(answer[name][0])
        for name in ("p_value", "p_value_exchange", "smallest_p_value_exchange")
    )
    words = (
        f"chance alone gives as much on {_percent(t)} of all such days (t test of the "
        f"runs, {answer.attrs['degrees_of_freedom']} degrees of freedom, with the errors that they "
        f"share), and so do {_percent(exchange)} of the ways to exchange the set-ups within blocks "
        f"(never less than {_percent(smallest)} in blocks like these)"
    )
    alike = float(answer["p_value_equivalence"][0])
    if np.isnan(alike) or answer.attrs["verdict"] not in ("equivalent", "not resolved"):
        return words
    margin = amount(answer, 0, float(answer["margin"][0]), sign=False)
    return (
        f"{words}; if the difference were as large as the margin ({margin}), so small an effect "
        f"would show on {_percent(alike)} of such days"
    )


def _percent(share: float) -> str:
    """A chance in per cent; no distribution holds so far out that a smaller one has a size."""
    if share < LEAST_CHANCE:
        return f"less than {100 * LEAST_CHANCE:g} %"
    return f"{float(f'{100 * share:.2g}'):g} %"


def _shares(answer: xr.Dataset, k: int) -> dict[str, float]:
    total = float(answer["u_effect"][k]) ** 2 or 1.0
    parts = {"runs": "the scatter of runs", "calibration": "calibration", "session": "zeros"}
    return {words: float(answer[f"u_effect_{of}"][k]) ** 2 / total for of, words in parts.items()}


def width_words(answer: xr.Dataset) -> str:
    """Origins of the width of the interval, and whether more runs would help."""
    share = _shares(answer, 0)
    words = f"{answer.attrs['calibration']}; of your interval (its variance) " + ", ".join(
        f"{100 * part:.0f} % comes from {name}" for name, part in share.items() if part > 0.005
    )
    # By the interval and not by u: few runs widen it by more than their part of u.
    half = float(answer["effect_upper"][0] - answer["effect"][0])
    left = COVERAGE_FACTOR * float(answer["u_effect_calibration"][0])
    if left**2 > MOSTLY * half**2:
        return f"{words}: more laps will not help, better pulls of both states would"
    return words


def _beside(answer: xr.Dataset) -> str:
    """All other metrics, with verdicts that hold for all of them together."""
    verdicts = answer["verdict"].to_numpy()
    each = (
        f"{named(answer, k)} {effect_words(answer, k)} {verdicts[k]}"
        for k in range(1, answer.sizes["metric"])
    )
    return "beside it, not declared (Holm): " + "; ".join(each)


def temperature_words(answer: xr.Dataset) -> str:
    """Change of the declared metric per kelvin, "" where the runs do not show it."""
    names = ("temperature_slope", "temperature_slope_lower")
    if names[0] not in answer or not all(np.isfinite(answer[name][0]) for name in names):
        return ""
    slope, low = (float(answer[name][0]) for name in names)
    temperature = answer["run_tyre_temperature"].to_numpy()
    sure = "" if abs(slope) > slope - low else " (not resolved)"
    return (
        f"hot against cold tyres ({temperature.min():g} to {temperature.max():g} degC): "
        f"{named(answer, 0)} {amount(answer, 0, slope)} "
        f"+-{amount(answer, 0, slope - low, sign=False)} per K{sure}"
    )


def repeat_words(answer: xr.Dataset) -> str:
    """How well each metric repeats over the day, the best first."""
    spread, scatter = (answer[name].to_numpy() for name in ("repeatability", "scatter"))
    ranked = [k for k in np.argsort(spread) if np.isfinite(spread[k])]
    words = ", ".join(f"{named(answer, k)} to {100 * spread[k]:.2g} %" for k in ranked)
    own = [k for k in range(len(spread)) if not np.isfinite(spread[k]) and np.isfinite(scatter[k])]
    absolute = ", ".join(
        f"{named(answer, k)} to {scatter[k]:.2g}{unit_after(answer, k)}" for k in own
    )
    judge = ": the first shows the smallest changes" if ranked[1:] else ""
    return "; ".join(
        part for part in (f"repeats from run to run: {words}{judge}", absolute) if part
    )


def listed(answer: xr.Dataset, key: str) -> str:
    """Sentences of an attribute as one line."""
    return "; ".join(sentences_of(answer, key))
