"""`page`: a drive, or a comparison of runs, as one HTML file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from recon.base.errors import DataError
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.public import public
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.evaluation.sections.find_sections import find_sections, sections_of
from recon.pages.axles import axles_of, known_sums
from recon.pages.brief import brief
from recon.pages.calibration import calibration_of
from recon.pages.comparison_page import comparison_page, is_comparison
from recon.pages.demonstrated_envelope import envelopes
from recon.pages.html_document import Page, Parts, document
from recon.pages.interval_causes import causes_over_time
from recon.pages.plain_names import which_drive
from recon.pages.series import Series, series_of
from recon.pages.shown_answers import Shown, shown_answers
from recon.pages.story import facts, lift_list, provenance, section_list, sentences
from recon.records.forces import require_sound_forces

DRIVE = Parts(
    "drive.html",
    (
        *("decode", "force", "state", "draw", "words", "strips", "axles", "reading"),
        *("plane", "car", "why", "origin", "calibration", "story", "keys", "start"),
    ),
    ("page.css", "drive.css"),
)
FORMAT = 1


@public
def page(
    result: xr.Dataset,
    *,
    sections: xr.Dataset | None = None,
    vehicle: Vehicle | None = None,
    calibration: Calibration | None = None,
    answers: Sequence[Shown] | None = None,
) -> Page:
    """A drive, or a comparison of runs, as one HTML page.

    Parameters
    ----------
    result : Dataset
        Forces as `reconstruct` returns them, or a comparison as `compare_runs` returns it; also
        read from `forces.nc` or `comparison.nc`.
    sections : Dataset, optional
        Sections of the drive; they are found if omitted.
    vehicle : Vehicle, optional
        The car, for the answers that need it.
    calibration : Calibration, optional
        The calibration that the forces were made with: the page then shows its map, its pulls and
        its verification.  Verdict, age and limits are in `forces`.
    answers : list of Shown, optional
        Answers that were calculated before; they are calculated if omitted.

    Returns
    -------
    Page
        Nothing in it is loaded from elsewhere, and its policy forbids it.  Forces are rounded to
        steps that err by less than their noise, and the page states them.

    Raises
    ------
    DataError
        `result` is no result of the reconstruction, or nothing of it is known; `calibration` is
        another one than that of the forces; or sections, a vehicle, a calibration or answers were
        given for a comparison, which has none.
    """
    if is_comparison(result):
        if any(given is not None for given in (sections, vehicle, calibration, answers)):
            place = f"page of '{result.attrs['title']}'"
            raise DataError(
                place,
                "sections, a vehicle, a calibration or answers beside a comparison",
                "a comparison alone: they belong to a drive",
                "Leave them out, or give the forces of a drive.",
            )
        return comparison_page(result)
    return drive_page(
        result, sections=sections, vehicle=vehicle, calibration=calibration, answers=answers
    )


def drive_page(
    forces: xr.Dataset,
    *,
    sections: xr.Dataset | None = None,
    vehicle: Vehicle | None = None,
    calibration: Calibration | None = None,
    answers: Sequence[Shown] | None = None,
) -> Page:
    """A drive as one HTML page: forces with intervals, sections, answers, causes, provenance.

    Parameters and errors are those of `page`.
    """
    require_sound_forces(forces)
    why = causes_over_time(forces)
    calibrated = calibration_of(forces, calibration)
    found = find_sections(forces) if sections is None else sections
    sections_of(found)  # refuses what is none
    given = {"sections": found, "vehicle": vehicle}
    shared = {name: value for name, value in given.items() if value is not None}
    shown = list(shown_answers(forces, shared) if answers is None else answers)
    every = [*series_of(forces), *known_sums(forces)]
    limits = facts(forces, why)
    data = {
        "format": FORMAT,
        "title": str(forces.attrs["vehicle"]),
        "drive": which_drive(forces),
        "corners": corner_names(forces),
        "bandwidth": float(forces.attrs["bandwidth_Hz"]),
        "sentences": sentences(forces, why),
        "sections": section_list(found, forces),
        "lifts": lift_list(found),
        "answers": [one.as_data() for one in shown],
        "brief": brief(forces, found, shown, limits),
        "axles": axles_of(forces),
        "facts": limits,
        "calibration": calibrated,
        "provenance": provenance(forces),
        "envelopes": envelopes(shown),
        "why": why,
        "series": [_head(n, series) for n, series in enumerate(every)],
    }
    texts = (series.packed.text for series in every)
    drive = data["drive"] or "a drive"
    return document(f"{data['title']}, {drive}: tyre forces", DRIVE, data, texts)


def _head(place: int, series: Series) -> dict[str, Any]:
    own = {"name": series.name, "kind": series.kind, "unit": series.unit, "at": place}
    return own | series.packed.head
