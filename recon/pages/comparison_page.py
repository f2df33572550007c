"""A comparison of two set-ups as one HTML page: verdict, runs, effects, spread, origin."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import PurePath
from typing import Any

import numpy as np

from recon.base.labelled import require, sentences_of
from recon.base.late import xr
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.runs.metrics import BY_NAME
from recon.evaluation.runs.variables import COMPARISON, SOURCES
from recon.pages.html_document import Page, Parts, document, known_number
from recon.pages.run_sources import boxes, sources_by_run
from recon.pages.spread import spread_of
from recon.report.common.text import with_interval
from recon.report.comparison.comparison_summary import (
    amount,
    chance_words,
    count_words,
    effect_words,
    finding,
    more_words,
    named,
    next_words,
    obstacles,
    repeat_words,
    resolvable_words,
    unit_after,
    width_words,
)

PARTS = Parts(
    body="comparison.html",
    scripts=("draw", "words", "shapes", "runs", "effects", "spread", "compared"),
    styles=("page.css", "comparison.css"),
)
LEAST_CHANCE = 0.01  # %; less than that nobody has to tell apart
# Variables that every comparison has; courses, levels and slopes over temperature may be missing.
NEEDED = (
    *("metric", "metric_unit", "metric_words", "set_up", "run", "mean", "value", "u_value"),
    *("effect", "effect_lower", "effect_upper", "u_effect", "u_effect_runs", "u_effect_session"),
    *("u_effect_calibration", "p_value", "p_value_of_family", "p_value_exchange"),
    *("smallest_p_value_exchange", "p_value_equivalence", "margin", "resolvable", "more_runs"),
    *("scatter", "repeatability", "verdict", "reason", "run_tyre_temperature"),
    *(f"run_{name}" for name in ("file", "set_up", "block", "driver", "tyre_set", "notes")),
    *(f"run_{name}" for name in SOURCES),
)
AGAIN = "Run `recon compare` again, or `recon.compare_runs` in Python."
CLAIMED = ("better", "worse", "different", "equivalent")


def is_comparison(result: xr.Dataset) -> bool:
    """Whether a dataset was returned by `compare_runs`."""
    return "declared_metric" in result.attrs


def comparison_page(answer: xr.Dataset) -> Page:
    """A comparison, as `compare_runs` returns it, as one HTML page.

    Raises DataError: it lacks variables that the page shows, as files of older versions do.
    """
    require(answer, COMPARISON, NEEDED, AGAIN)
    first, second = (str(name) for name in answer["set_up"].to_numpy())
    title = f"{second} against {first}"
    data = {
        "title": title,
        "sentences": _sentences(answer),
        "set_ups": [first, second],
        "claimed": bool(np.isfinite(answer["effect"][0])),
        "metrics": [_metric(answer, k) for k in range(answer.sizes["metric"])],
        "runs": list(_runs(answer)),
        "spread": spread_of(answer),
        "sample": _sample(answer),
        "not_claimed": _not_claimed(answer),
        "facts": _facts(answer),
        "provenance": boxes(answer),
    }
    return document(f"{title}: {named(answer, 0)}", PARTS, data)


def _sentences(answer: xr.Dataset) -> list[str]:
    """Finding; how sure it is; assumptions; what to do next."""
    sentences = [finding(answer) + count_words(answer)]
    if _is_known(answer, 0):
        sentences.append(f"{_capital(width_words(answer))}. {_capital(resolvable_words(answer))}")
    else:
        sentences.append(_capital(". ".join(why for why, _ in obstacles(answer))))
    assumed = [*_words(answer, "assumed"), *_words(answer, "model")]
    sentences.append(f"Assumed and taken into account: {'; '.join(assumed)}")
    sentences.append(f"Next: {next_words(answer)}")
    return [_printed(sentence.rstrip(".") + ".") for sentence in sentences]


def _sample(answer: xr.Dataset) -> dict[str, str]:
    """Name and unit of the quantity that bands show."""
    name, unit = (str(answer.attrs[key]) for key in ("sample_name", "sample_unit"))
    return {"name": name.replace("_", " "), "unit": "" if unit == "1" else unit}


def _is_known(answer: xr.Dataset, k: int) -> bool:
    return bool(np.isfinite(answer["effect"].to_numpy()[k]))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _printed(text: str) -> str:
    """Text with the signs of print: plus or minus, minus, and no break before a percent sign."""
    return re.sub(r"(?<!\S)-(?=\d)", "−", text.replace("+-", "±\u00a0").replace(" %", "\u00a0%"))


def _words(answer: xr.Dataset, key: str) -> list[str]:
    """Sentences of an attribute; a file that one begins with loses its folder."""
    return [re.sub(r"^\S*[/\\](?=[^/\\:]+: )", "", part) for part in sentences_of(answer, key)]


def _metric(answer: xr.Dataset, k: int) -> dict[str, Any]:
    """One metric: words for its row, and numbers for its bar in percent or its own unit."""
    relative = BY_NAME[str(answer["metric"].to_numpy()[k])].relative
    unit = unit_after(answer, k).strip()
    means = answer["mean"].to_numpy()[:, k]
    known, effect = _is_known(answer, k), effect_words(answer, k).removesuffix(" (95 %)")
    words = {
        "name": named(answer, k),
        "words": str(answer["metric_words"].to_numpy()[k]),
        "verdict": str(answer["verdict"].to_numpy()[k]),
        "means": [_printed(f"{f'{mean:#.4g}'.rstrip('.')} {unit}".strip()) for mean in means],
        "effect": _printed(effect if known else "not claimed"),
        "resolvable": _size(answer, k, "resolvable"),
        "scatter": _size(answer, k, "scatter"),
        "margin_words": _size(answer, k, "margin"),
        "chance": [_chance(answer, name, k) for name in ("p_value", "p_value_of_family")],
    }
    numbers = ("effect", "effect_lower", "effect_upper", "resolvable", "margin")
    return words | {
        "unit": unit,
        "relative": relative,
        "first": float(means[0]),
        **{f"at_{name}": known_number(answer[name].to_numpy()[k]) for name in numbers},
    }


def _size(answer: xr.Dataset, k: int, name: str) -> str:
    value = float(answer[name].to_numpy()[k])
    return _printed(amount(answer, k, value, sign=False)) if np.isfinite(value) else ""


def _chance(answer: xr.Dataset, name: str, k: int) -> str:
    percent = 100 * float(answer[name].to_numpy()[k])
    if not np.isfinite(percent):
        return ""
    words = (
        f"{float(f'{percent:.2g}'):g} %" if percent >= LEAST_CHANCE else f"below {LEAST_CHANCE} %"
    )
    return _printed(words)


def _runs(answer: xr.Dataset) -> Iterator[dict[str, Any]]:
    words = ("set_up", "block", "driver", "tyre_set", "notes")
    columns = {name: answer[f"run_{name}"].to_numpy() for name in words}
    values = answer["value"].to_numpy()[:, 0]
    temperature, sources = answer["run_tyre_temperature"].to_numpy(), sources_by_run(answer)
    for i, number in enumerate(answer["run"].to_numpy()):
        path = PurePath(str(answer["run_file"].to_numpy()[i]))
        yield {
            "number": f"{float(number):g}",
            "file": "/".join(path.parts[-2:]),
            "path": str(path),
            **{name: str(column[i]) for name, column in columns.items()},
            "temperature": known_number(temperature[i]),
            "value": float(values[i]),
            "words": _printed(with_interval(answer, "value", (i, 0)) + unit_after(answer, 0)),
            "sources": sources[i],
        }


def _not_claimed(answer: xr.Dataset) -> list[str]:
    """Everything that is not claimed, with its reason."""
    verdicts, reasons = (answer[name].to_numpy() for name in ("verdict", "reason"))
    out = []
    unknown: dict[str, list[str]] = {}  # names of metrics without an effect, by verdict and reason
    for k, verdict in enumerate(verdicts):
        if not _is_known(answer, k):
            unknown.setdefault(f"{verdict}, {reasons[k]}", []).append(named(answer, k))
        elif verdict not in CLAIMED:
            size, more = effect_words(answer, k), more_words(answer, k)
            out.append(f"{_capital(named(answer, k))} {size}: {verdict}, {reasons[k]}; {more}.")
    out += [f"{_capital(', '.join(names))}: {why}." for why, names in unknown.items()]
    if not np.isfinite(answer["margin"].to_numpy()).any():
        out.append("No margin was stated, so that nothing can be found equivalent.")
    missing: dict[str, list[str]] = {}
    for name, _, why in (text.partition(": ") for text in not_given(answer)):
        missing.setdefault(why, []).append(name.replace("_", " "))
    out += [f"{_capital(', '.join(names))}: not given, {why}." for why, names in missing.items()]
    return [_printed(sentence) for sentence in out]


def _facts(answer: xr.Dataset) -> dict[str, list[str]]:
    """Ground that the verdict stands on, as sentences by heading."""
    known = _is_known(answer, 0)
    repeats = np.isfinite(answer["repeatability"].to_numpy()).any()
    lists = {
        "The metric that decides": [
            f"{_capital(named(answer, 0))}, declared beforehand: {answer.attrs['gate']}.",
            "A run is one sample, however long its log is.",
        ],
        "Chance": [_capital(chance_words(answer)) + "."] if known else [],
        "Calibration": [_capital(str(answer.attrs["calibration"])) + "."],
        "How well runs repeat": [_capital(repeat_words(answer)) + "."] if repeats else [],
        "Design": [_capital(one) + "." for one in _words(answer, "model")],
        "Assumed": [_capital(one) + "." for one in _words(answer, "assumed")],
    }
    return {
        name: [_printed(one) for one in sentences] for name, sentences in lists.items() if sentences
    }
