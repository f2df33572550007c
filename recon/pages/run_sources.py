"""Origin of a comparison: files behind each run by checksum, and boxes from them to the result."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

import numpy as np

from recon.base.arrays import runs as stretches
from recon.base.late import xr
from recon.pages.story import SHORT
from recon.records.provenance import recorded_inputs

SINGLE = ("log", "tares")  # sources that are one file each
NUMBERED = {"calibration": "calibration", "vehicle": "car"}  # few, shared by runs; with words


def sources_by_run(comparison: xr.Dataset) -> list[dict[str, str]]:
    """Sources of each run by name: first digits of a checksum, or the number in its box."""
    columns = {name: _shortened(comparison, name) for name in SINGLE}
    for name in NUMBERED:
        sums = _shortened(comparison, name)
        known = list(dict.fromkeys(sums))
        columns[name] = [str(known.index(one) + 1) for one in sums]
    rows = zip(*columns.values(), strict=True)
    return [dict(zip(columns, row, strict=True)) for row in rows]


def boxes(comparison: xr.Dataset) -> list[dict[str, str]]:
    """Boxes from calibrations and cars to the comparison: what, file, checksum, date."""
    numbers = [f"{float(number):g}" for number in comparison["run"].to_numpy()]
    out = []
    for name, words in NUMBERED.items():
        sums = _shortened(comparison, name)
        for place, one in enumerate(dict.fromkeys(sums), 1):
            mine = np.array([own == one for own in sums])
            runs = ", ".join(_span(numbers[first:last]) for first, last in stretches(mine))
            out.append({"what": f"{words} {place}", "file": f"runs {runs}", "checksum": one})
    out.append({"what": "forces", "file": f"{len(numbers)} runs, see below", "checksum": ""})
    for file in recorded_inputs(comparison)[:1]:
        list_of = {"what": "run list", "file": PurePath(file.file).name}
        out.append(list_of | {"checksum": file.checksum[:SHORT]})
    made = {"what": "comparison", "file": str(comparison.attrs.get("program", "")), "checksum": ""}
    history = str(comparison.attrs.get("history", ""))
    return [*out, made | {"date": history[:16].replace("T", " ")}]


def _span(numbers: Sequence[str]) -> str:
    return numbers[0] if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"


def _shortened(comparison: xr.Dataset, name: str) -> list[str]:
    """First digits of the checksums of a source, run by run."""
    column = comparison[f"run_{name}"].to_numpy()
    return [" ".join(one[:SHORT] for one in str(sums).split()) for sums in column]
