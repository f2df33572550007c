"""Sections that somebody gave: by hand, by a marker or lap channel, or by place."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from recon.base.arrays import Floats, runs
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.evaluation.sections.car_motion import Course
from recon.evaluation.sections.detection import TURN_IN, Stretch
from recon.records.sheets import GivenSection

CHANNELS = ("lap", "marker")
BY_HAND = "given by hand"


def placed(given: Iterable[GivenSection], forces: xr.Dataset) -> list[Stretch]:
    """Stretches of the given sections, and of each lap or marker that the log has."""
    out = [_placed(section, forces) for section in given]
    return out or _by_channel(forces)


def _placed(section: GivenSection, forces: xr.Dataset) -> Stretch:
    along = _distance(forces, section) if section.by_place else forces["elapsed_time"].to_numpy()
    unit = "m" if section.by_place else "s"
    inside = (along >= section.start - 1e-9) & (along <= section.end + 1e-9)
    found = runs(inside)
    if not found:
        raise DataError(
            section.where,
            f"section '{section.name}' from {section.start:g} to {section.end:g} {unit}: no sample",
            f"a stretch within {np.nanmin(along):g} to {np.nanmax(along):g} {unit}",
            "Correct start and end of the section.",
        )
    first, last = found[0]
    return Stretch(section.kind, first, last, BY_HAND, name=section.name)


def refuse_other_side(
    given: Iterable[GivenSection], stretches: Iterable[Stretch], course: Course
) -> None:
    """Refuse a corner to one side in which the car turns to the other.

    `stretches` are those of the sections that are `given`, in their order.

    Raises DataError: the mean acceleration of a given corner points to its outside.
    """
    for section, stretch in zip(given, stretches, strict=False):  # of laps where none is given
        way, _, kind = section.kind.partition(" ")
        if kind != "corner":
            continue
        inwards = course.sideways[stretch.first : stretch.last] * (1 if way == "left" else -1)
        mean = float(np.mean(inwards[np.isfinite(inwards)])) if np.isfinite(inwards).any() else 0.0
        if mean < -TURN_IN * STANDARD_GRAVITY:
            other = "right" if way == "left" else "left"
            raise DataError(
                section.where,
                f"section '{section.name}' as a {section.kind}, where the tyres push the car to "
                f"the {other} by {-mean:.1f} m/s2",
                f"a corner to the {way}",
                f"Correct kind, start or end of the section: a {other} corner.",
            )


def _distance(forces: xr.Dataset, section: GivenSection) -> Floats:
    """Distance along the course (sample,) [m], logged or summed up from speed."""
    if "distance" in forces:
        return np.asarray(forces["distance"].to_numpy(), dtype=float)
    if "speed" in forces:
        speed = np.nan_to_num(forces["speed"].to_numpy().astype(float))
        step = np.diff(forces["elapsed_time"].to_numpy(), prepend=0.0)
        step[0] = 0.0
        return np.cumsum(speed * step)
    raise DataError(
        section.where,
        f"section '{section.name}' is given in m, but {place_of(forces)} has no distance and "
        "no speed",
        "a logged distance or speed",
        "Give the section's start and end in s.",
    )


def _by_channel(forces: xr.Dataset) -> list[Stretch]:
    """A part for each value of the lap channel, or of the marker; they restrict no search."""
    for name in CHANNELS:
        if name not in forces:
            continue
        values = forces[name].to_numpy().astype(float)
        known = np.unique(values[np.isfinite(values)])
        if not 1 < len(known) <= 200:
            continue
        return [
            Stretch("part", a, b, f"by the channel {name}", name=f"{name} {value:g}")
            for value in known
            for a, b in runs(values == value)[:1]
        ]
    return []
