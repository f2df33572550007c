"""Causes of error as signed sensitivities, and what makes two of them the same error.

A cause is one unknown number, drawn once: a zero that is off, a hardpoint in another place.  Its
effect on the forces is linear in the features of the sample (see `features`): a loading
(component, feature) gives newtons per standard uncertainty of the cause.  Causes keep their sign,
so that sums, shares and differences of corners propagate rightly.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from recon.base.arrays import Floats


@dataclass(frozen=True, slots=True)
class Source:
    """Identity of a cause: equal sources are one and the same error, wherever they act.

    `of` is the corner, the assembly or the device that it belongs to, empty for the whole car;
    `number` counts causes of one name there.  `scope` is what the error keeps its value for: one
    `session`, everything that one `calibration` is used for, or the `car` as it is.  (Errors that
    are drawn anew at every sample are noise, and no causes.)
    """

    scope: str
    of: str
    what: str
    number: int = 0

    @property
    def name(self) -> str:
        """Name in results, such as 'FL hardpoints'."""
        return f"{self.of} {self.what}".strip()


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause with its part of the uncertainty, one of `records.forces.PARTS`.

    `loading` (mode, 3 w, feature) [N] in vehicle axes; `turned` (3 w, feature) comes on top in
    intermediate axes and `steered` in tyre axes, there with the forces of the intermediate axes
    as features.
    """

    source: Source
    part: str
    loading: Floats
    turned: Floats | None = None
    steered: Floats | None = None


def numbered(source: Source, part: str, loadings: Iterable[Floats]) -> list[Cause]:
    """Several causes of one name and different numbers, from loadings (mode, 3 w, feature) [N]."""
    return [Cause(replace(source, number=k), part, own) for k, own in enumerate(loadings)]


def joined(causes: Iterable[Cause]) -> list[Cause]:
    """Causes of one source in one place added up: one error acts by the sum of its effects."""
    out: dict[Source, Cause] = {}
    for cause in causes:
        known = out.get(cause.source)
        both = cause.loading if known is None else known.loading + cause.loading
        out[cause.source] = replace(cause, loading=both)
    return list(out.values())
