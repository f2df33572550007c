"""Runs of each set-up as bands of spread: from the lowest to the highest run, with the median."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.evaluation.runs.course import UNITS, common_places

DIGITS = 5  # significant; bands are drawn, not calculated with


@dataclass(frozen=True, slots=True)
class Bands:
    """Bands of two set-ups over one axis, each (limit, place): lowest, median and highest run."""

    name: str
    axis: str
    unit: str
    places: Floats
    limits: tuple[Floats, Floats]

    def as_data(self, set_ups: tuple[str, str]) -> dict[str, Any]:
        """Everything that the page draws and says of them."""
        return {
            "name": self.name,
            "axis": f"{self.axis} [{self.unit}]",
            "unit": self.unit,
            "places": _rounded(self.places),
            "bands": [[_rounded(row) for row in limits] for limits in self.limits],
            "finding": self._finding(set_ups),
        }

    def _finding(self, set_ups: tuple[str, str]) -> str:
        """Share of the axis on which every run of one set-up exceeds every run of the other."""
        first, second = self.limits
        known = np.isfinite(first[0] + second[0])
        if not known.any():
            return "The runs of both set-ups are nowhere known together."
        above, below = ((a[0] > b[2])[known] for a, b in ((second, first), (first, second)))
        words = [
            f"every run with '{name}' is higher on {_percent(share)}"
            for name, share in ((set_ups[1], above), (set_ups[0], below))
            if share.any()
        ]
        if (overlap := ~(above | below)).any():
            words.append(f"the bands overlap on {_percent(overlap)}")
        text = ", ".join(words)
        return f"{text[0].upper()}{text[1:]} of the axis."


def _percent(share: NDArray[np.bool_]) -> str:
    return f"{100 * share.mean():.0f} %"


def _rounded(values: Floats) -> list[float | None]:
    return [float(f"{v:.{DIGITS}g}") if np.isfinite(v) else None for v in values.tolist()]


def spread_of(comparison: xr.Dataset) -> list[dict[str, Any]]:
    """Bands along every section that all runs have, and over the share of samples."""
    first, second = (str(name) for name in comparison["set_up"].to_numpy())
    return [one.as_data((first, second)) for one in (*_along(comparison), *_levels(comparison))]


def _along(comparison: xr.Dataset) -> list[Bands]:
    """Bands along sections, by distance or time since their start."""
    if "course" not in comparison:
        return []
    along = str(comparison.attrs["course_along"])
    axis, unit = f"{along} from the start of the section", UNITS[along]
    course, length = (comparison[name].to_numpy() for name in ("course", "course_length"))
    out = []
    for k, name in enumerate(comparison["section"].to_numpy()):
        places, values = common_places(course[:, k], length[:, k])
        if np.isfinite(values).all(axis=0).any():
            out.append(Bands(str(name), axis, unit, places, _limits(comparison, values)))
    return out


def _levels(comparison: xr.Dataset) -> list[Bands]:
    """Bands of the levels that a share of the samples stays below."""
    if "profile" not in comparison or not np.isfinite(comparison["profile"].to_numpy()).all():
        return []
    share = 100 * comparison["share"].to_numpy()
    limits = _limits(comparison, comparison["profile"].to_numpy())
    return [Bands("all samples, sorted", "share of the samples below", "%", share, limits)]


def _limits(comparison: xr.Dataset, values: Floats) -> tuple[Floats, Floats]:
    """Lowest, median and highest (limit, place) run of each set-up; NaN where one is not known."""
    of = comparison["run_set_up"].to_numpy()
    rows = [values[of == name] for name in comparison["set_up"].to_numpy()]
    first, second = (
        np.array([own.min(axis=0), np.median(own, axis=0), own.max(axis=0)]) for own in rows
    )
    return first, second
