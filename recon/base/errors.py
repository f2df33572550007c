"""Errors and warnings, one class per person who can mend the trouble.

Every message has four parts: where it happened, what was found, what is needed,
what to do.  The command line prints the message and exits with `exit_code`.
"""

from __future__ import annotations


class ReconError(Exception):
    """Base of every deliberate error.

    Parameters
    ----------
    where : str
        File, line, channel, corner or time at which the trouble was met.
    found : str
        What was found there, with its unit.
    needed : str
        What is needed instead; the legal choices, nearest first.
    do : str
        One action that cures it.
    """

    exit_code = 1

    def __init__(self, where: str, found: str, needed: str, do: str) -> None:
        self.where, self.found, self.needed, self.do = where, found, needed, do
        super().__init__(f"{where}: {found}; need {needed}.\n    {do}")


class VehicleError(ReconError):
    """The vehicle file is at fault."""

    exit_code = 2


class DataError(ReconError):
    """A pull sheet, log, tare table, map or calibration file is at fault."""

    exit_code = 2


class RankError(ReconError):
    """The data cannot answer the question; the message names the missing direction."""

    exit_code = 3


class OutputError(ReconError):
    """A result cannot be written."""

    exit_code = 4


class SolveError(ReconError):
    """A solver failed on sound input: our fault."""

    exit_code = 1


class ReconWarning(UserWarning):
    """Base of every deliberate warning."""


class VehicleWarning(ReconWarning):
    """The vehicle file is unusual but usable."""


class DataWarning(ReconWarning):
    """A record is unusual but usable."""


class PriorWarning(ReconWarning):
    """A result rests on a prior where the data do not decide."""


class ExtrapolationWarning(ReconWarning):
    """Forces or poses beyond what the pulls covered."""


class SafetyWarning(ReconWarning):
    """A load comes near a stated limit of strap or link."""


def nearest(word: str, choices: list[str] | tuple[str, ...]) -> str:
    """Return the legal choices as text, the one nearest to `word` first."""
    import difflib

    close = difflib.get_close_matches(word, list(choices), n=1, cutoff=0.5)
    rest = [c for c in choices if c not in close]
    if close:
        return f"'{close[0]}' (did you mean that?)" + (
            f" or one of {', '.join(rest)}" if rest else ""
        )
    return "one of " + ", ".join(rest)
