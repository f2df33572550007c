"""Sections of a drive as an answer of their own."""

from __future__ import annotations

from recon.base.late import xr
from recon.base.public import public
from recon.evaluation.sections.find_sections import find_sections, sections_of


@public
def sections(forces: xr.Dataset, *, sections: xr.Dataset | None = None) -> xr.Dataset:
    """Launches, shifts, stops, corners, slaloms and straights of a drive, and wheel lifts.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset
        Sections that were found before or given by hand; they are returned as they are.

    Returns
    -------
    Dataset
        See `find_sections`.

    Raises
    ------
    DataError
        No result of `reconstruct`, or nothing of it is known.
    """
    found = find_sections(forces) if sections is None else sections
    sections_of(found)
    return found
