"""Lines of text that fit a terminal, and numbers with their intervals."""

from __future__ import annotations

import textwrap

import numpy as np

from recon.base.labelled import sentences_of
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.answer_labels import not_given

WIDEST = 100  # characters


def wrapped(sentence: str) -> list[str]:
    """An indented sentence, broken into lines of at most `WIDEST` characters."""
    return textwrap.wrap(sentence, WIDEST, initial_indent="  ", subsequent_indent="    ")


def value_and_half(answer: xr.Dataset, name: str, scale: float = 1.0) -> tuple[float, float]:
    """A single number of an answer and half of its 95 % interval, both times `scale`."""
    return scale * float(answer[name]), scale * COVERAGE_FACTOR * float(answer[f"u_{name}"])


def with_interval(answer: xr.Dataset, name: str, place: tuple[int, ...], per: float = 1.0) -> str:
    """A value of an answer with its 95 % half-width, both over `per`; "not known" for NaN.

    `place` is a position along each dimension of the variable.  As many digits are shown as the
    half-width has one or two of.
    """
    value, u = float(answer[name].values[place]), float(answer[f"u_{name}"].values[place])
    if not np.isfinite(value):
        return "not known"
    half = COVERAGE_FACTOR * u / per
    if not half > 0:
        return f"{value / per:g}"
    size = int(np.floor(np.log10(half)))
    digits = min(max((half < 3 * 10.0**size) - size, 0), 4)
    return f"{value / per:.{digits}f} +-{half:.{digits}f}"


def whole_with_interval(
    answer: xr.Dataset, name: str, place: tuple[int, ...], u_name: str = ""
) -> str:
    """A value and its 95 % half-width without digits; "not known" for NaN.

    `place` is a position along each dimension of the variable; `u_name` that of its uncertainty.
    """
    value, u = (float(answer[n].values[place]) for n in (name, u_name or f"u_{name}"))
    return f"{value:.0f} +-{COVERAGE_FACTOR * u:.0f}" if np.isfinite(value) else "not known"


def footnotes(answer: xr.Dataset) -> list[str]:
    """Samples used, assumptions and what is not given, as lines of a summary."""
    gate, assumed = str(answer.attrs["gate"]), sentences_of(answer, "assumed")
    if "samples" in answer:
        gate += f"; {int(answer['samples'].sum())} samples"
    if "samples_used" in answer:
        gate += f"; {int(answer['samples_used'].sum())} samples passed"
        assumed = [". ".join(assumed)] if assumed else []
    sentences = [f"Samples used: {gate}", *(f"Assumed: {one}" for one in assumed)]
    sentences += [f"Not given: {one}" for one in not_given(answer)]
    return [line for sentence in sentences for line in wrapped(sentence)]
