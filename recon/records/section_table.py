"""Tables of sections by hand: name, kind, and start and end in time or place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recon.records.sheets import GivenSection
from recon.records.table_rows import open_rows

KINDS = (
    *("part", "standstill", "launch", "shift", "straight braking"),
    *("left corner", "right corner", "slalom", "straight"),
)


def read_sections(path: str | Path) -> list[GivenSection]:
    """Read a table of sections.

    `path` is a CSV with the columns name, kind, and start and end [s], or start_place and
    end_place [m].

    Raises DataError: a column is missing, a kind is unknown, or a section does not end after it
    starts.
    """
    rows = open_rows(path, "sections", None, None)
    names, kinds = rows.words("name"), rows.words("kind", "part", legal=KINDS)
    time = np.column_stack([rows.numbers("start"), rows.numbers("end")])
    place = np.column_stack([rows.numbers("start_place"), rows.numbers("end_place")])
    by_place: NDArray[np.bool_] = np.asarray(np.isnan(time).any(axis=1))
    ends = np.where(by_place[:, None], place, time)
    rows.refuse(
        ~(ends[:, 1] > ends[:, 0]),
        lambda row: f"section '{names[row]}' from {ends[row, 0]:g} to {ends[row, 1]:g}",
        "an end after the start, in s or as a place in m",
        "Fill in start and end, or start_place and end_place.",
    )
    return [
        GivenSection(
            str(names[row]),
            str(kinds[row]),
            float(ends[row, 0]),
            float(ends[row, 1]),
            bool(by_place[row]),
            rows.where(row),
        )
        for row in range(len(names))
    ]
