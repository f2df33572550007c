"""Errors and warnings, one class per kind of fault and so per person who can correct it.

Every error message has four parts: where the fault is, what was found, what is needed, and what
to do.  The command line prints the message and exits with `exit_code`.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

SHORT_WORD = 3  # letters; what is shorter is a side or a unit


class ReconError(Exception):
    """Base class of all errors that this package raises on purpose.

    `where` is the file, line, channel, corner or time of the fault, `found` the value or state
    there, with its unit, `needed` what is needed instead, allowed choices with the nearest one
    first, and `do` one action that corrects the fault.
    """

    exit_code = 1

    def __init__(self, where: str, found: str, needed: str, do: str) -> None:
        where, found, needed = (shortened(part) for part in (where, found, needed))
        self.where, self.found, self.needed, self.do = where, found, needed, do
        super().__init__(f"{where}: {found}; need {needed}.\n    {do}")

    def __reduce__(self) -> tuple[type[ReconError], tuple[str, ...]]:
        return type(self), (self.where, self.found, self.needed, self.do)


class VehicleError(ReconError):
    """The vehicle file has a fault."""

    exit_code = 2


class DataError(ReconError):
    """A pull sheet, log, tare table, column map or calibration file has a fault."""

    exit_code = 2


class NoAnswerError(DataError):
    """The data are sound, but hold nothing that answers the question: no launch, no stop."""

    exit_code = 3


class RankError(ReconError):
    """The data do not determine an unknown; the message names the direction that is missing."""

    exit_code = 3


class OutputError(ReconError):
    """A result cannot be written."""

    exit_code = 4


class SolveError(ReconError):
    """A solver failed although the input is valid: a fault of this program."""

    exit_code = 1


class ReconWarning(UserWarning):
    """Base class of all warnings that this package issues on purpose."""


class VehicleWarning(ReconWarning):
    """The vehicle file is unusual but usable."""


class DataWarning(ReconWarning):
    """A record is unusual but usable."""


class PriorWarning(ReconWarning):
    """The data do not determine a result, and a prior is used instead."""


class ExtrapolationWarning(ReconWarning):
    """Forces or poses lie outside the range that the pulls covered."""


class DoubtWarning(ReconWarning):
    """The data of a drive contradict each other; the result is marked."""


class SafetyWarning(ReconWarning):
    """A load comes near the stated limit of a strap or link."""


def warn(text: str, kind: type[ReconWarning]) -> None:
    """Warn; the line that Python names is the one that called this package from outside."""
    frame, level = sys._getframe(1), 2
    while frame.f_back and str(frame.f_globals.get("__name__")).partition(".")[0] == "recon":
        frame, level = frame.f_back, level + 1
    warnings.warn(text, kind, stacklevel=level)


def current_folder() -> str:
    """Folder in which relative names are looked up, for messages."""
    try:
        return str(Path.cwd())
    except OSError:  # somebody removed it
        return "a folder that does not exist any more"


def shortened(text: str, most: int = 600) -> str:
    """The text, cut where it is longer than a person reads."""
    return text if len(text) <= most else f"{text[:most]}... ({len(text)} characters)"


def closest(word: str, choices: list[str] | tuple[str, ...]) -> str:
    """The one of the allowed `choices` that is nearest to `word`; empty where none is near."""
    import difflib

    # The same letters first, whatever their size and order: MM for mm, LF for FL.
    letters = sorted(word.casefold())
    close = [choice for choice in choices if sorted(choice.casefold()) == letters][:1]
    # Then what holds it whole: rate_N_per_mm for rate; what is spelt alike; what shares a word.
    whole = [c for c in choices if len(word) >= SHORT_WORD and f"_{word}_" in f"_{c}_"]
    close = close or sorted(whole, key=len)[:1]
    close = close or difflib.get_close_matches(word[:100], list(choices), n=1, cutoff=0.5)
    words = {part for part in word.split("_") if len(part) > SHORT_WORD}
    shared = [c for c in choices if words & set(c.split("_"))]
    return (close or sorted(shared, key=len) or [""])[0]


def nearest(word: str, choices: list[str] | tuple[str, ...], most: int = 40) -> str:
    """The allowed `choices` as text, at most `most`, the one nearest to `word` first.

    Of the others a dozen is enough where one is near.
    """
    close = closest(word, choices)
    rest = [c for c in choices if c != close]
    most = min(most, 12) if close else most
    if len(rest) > most:
        rest = [*rest[:most], f"{len(rest) - most} more"]
    if close:
        return f"'{close}' (did you mean that?)" + (f" or one of {', '.join(rest)}" if rest else "")
    return f"one of {', '.join(rest)}" if rest else "a listed name, but none is listed"
