"""Weighed wheels against the forces: the load cell of the pulls, units, exchanged scales."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from recon.base.doubt import Doubt
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR, STANDARD_GRAVITY
from recon.examination.examine import flagged
from recon.examination.mass_causes import POUND
from recon.reconstruction.weighing import Weighing, with_weighings
from recon.records.doubt_variables import doubts_in

LIMIT = 3.0  # standard uncertainties of a difference: one sound weighing in 370 is farther off
# Pads written in one unit and labelled in another, by pad load over true load; other faults of a
# cell or scale are smaller than `ANOTHER_UNIT`.
UNITS = {
    1 / POUND: "lb labelled kg",
    POUND: "kg labelled lb",
    STANDARD_GRAVITY: "N labelled kg",
    1 / STANDARD_GRAVITY: "kg labelled N",
}
ANOTHER_UNIT = 0.04  # of the ratio


def weighed(forces: xr.Dataset, weighings: tuple[Weighing, ...]) -> xr.Dataset:
    """Forces (elapsed_time, corner, component) [N] with weighings, and doubts where they disagree.

    No number is changed.
    """
    ends = forces["elapsed_time"].to_numpy()[[0, -1]]
    against = weighing_doubts(weighings, *ends.tolist())
    out = flagged(forces, [*doubts_in(forces), *against]) if against else forces
    return with_weighings(out, weighings)


def weighing_doubts(weighings: Sequence[Weighing], start: float, end: float) -> list[Doubt]:
    """Doubts about wheels whose gauges and scales disagree, for a drive from `start` to `end` [s].

    All in one ratio are a load cell or scale, or another unit, which enters no force: pads are no
    zeros where hanging tares are.
    """

    def doubt(corners: tuple[str, ...], cause: str, found: str, do: str) -> Doubt:
        return Doubt(corners, cause, (), 1.0, start, end, found, do)

    off = [w for w in weighings if abs(w.measured - w.pad) > LIMIT * w.u]
    if not off:
        return []
    measured, pad, u = np.array([(w.measured, w.pad, w.u) for w in weighings]).T
    ratio = float(np.sum(measured * pad / u**2) / np.sum((pad / u) ** 2))
    alike = len(off) > 1 and bool(np.all(np.abs(measured - ratio * pad) < LIMIT * u))
    unit = [name for factor, name in UNITS.items() if abs(ratio * factor - 1) < ANOTHER_UNIT]
    if alike and unit:
        found = f"Scales show {1 / ratio:.3g} times what the gauges do, as they would in {unit[0]}."
        return [doubt((), "other unit", found, "Correct the unit of pad_load in the tares.")]
    if alike:
        found = (
            f"Under all {len(pad)} weighed wheels the gauges show {100 * (ratio - 1):+.1f} % "
            "against the scales."
        )
        do = (
            "Load cell and scale of the pulls, or these scales, are off by as much: hang a known "
            "mass on each, correct the loads of the sheet, and calibrate again."
        )
        return [doubt(tuple(dict.fromkeys(w.corner for w in weighings)), "weighing", found, do)]
    do = (
        "Look which wheel stood on which scale, whether its other tare was taken hanging, and for "
        "what has changed at its gauges since the pulls."
    )
    return [
        doubt(
            (w.corner,),
            "weighing",
            f"{w.when.capitalize()} the drive {w.corner} carries {w.measured:.0f} N by its gauges "
            f"and {w.pad:.0f} N by its scale; +-{COVERAGE_FACTOR * w.u:.0f} N are usual (95 %).",
            do,
        )
        for w in off
    ]
