"""Refusals of other runs: the same log again, another car, or forces that are doubted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from recon.base.doubt import doubted_corners
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.records.doubt_variables import doubts_in


@dataclass(frozen=True, slots=True)
class Trait:
    """A property that two runs must share: `words` for it, and `of`, its value for a run."""

    words: str
    of: Callable[[xr.Dataset], str]


THE_CAR = Trait("the car", lambda one: f"'{one.attrs.get('vehicle', '')}'")
COUNTS_TWICE = "a run that counts twice makes the scatter look too small."


def same_log(where: str, earlier: str, needed: str, do: str) -> DataError:
    """The refusal of a run, named by `where`, from the log of an `earlier` one."""
    return DataError(where, f"made from the same log as {earlier}", needed, do)


def refuse_different(forces: xr.Dataset, other: xr.Dataset, do: str, *traits: Trait) -> None:
    """Refuse another run of another car, or with other `traits`; `do` says what helps.

    Raises DataError: the two differ.
    """
    for trait in (THE_CAR, *traits):
        own, its = trait.of(forces), trait.of(other)
        if own != its:
            needed = f"the same as in {place_of(forces)}: {own}"
            raise DataError(place_of(other), f"{trait.words}: {its}", needed, do)


def refuse_doubted(forces: xr.Dataset, where: str, run: str, or_else: str) -> None:
    """Refuse a run whose own data contradict its forces.

    Raises DataError: forces of a corner are doubted.
    """
    doubts = [doubt for doubt in doubts_in(forces) if doubted_corners((doubt,))]
    if doubts:
        first = doubts[0]
        found = f"forces of {first.place} are doubted ({first.cause}): {first.found.rstrip('.')}"
        do = f"Reconstruct the run again, or {or_else}. What would correct it: {first.do}"
        raise DataError(where, found, f"forces without doubts in every {run}", do)
