"""How a result was made: command, settings, inputs by checksum, assumptions, and what was noted."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recon.base.labelled import Variable, stamped
from recon.base.late import xr

INPUT, NOTE, ASSUMPTION = ("input",), ("note",), ("assumption",)
# Every variable of a record, by its name in the file; a list that is empty is left out.
RECORD: dict[str, Variable] = {
    "input_role": Variable(INPUT, "option that named the file", kind="word"),
    "input_file": Variable(INPUT, "name of the file as it was given", kind="word"),
    "input_checksum": Variable(INPUT, "SHA-256 of the file's bytes", kind="word"),
    "note": Variable(NOTE, "warning given while the result was made", kind="word"),
    "assumption": Variable(ASSUMPTION, "value that no file stated", kind="word"),
}


@dataclass(frozen=True, slots=True)
class Input:
    """A file that a result was made from: the option that named it, its name and its SHA-256.

    The role of a file behind another result names both: 'log of forces'.
    """

    role: str
    file: str
    checksum: str


@dataclass(frozen=True, slots=True)
class Record:
    """How a command made a result; `settings` holds all of its options but the files."""

    command: str
    settings: dict[str, Any]
    inputs: tuple[Input, ...]
    notes: tuple[str, ...]
    assumptions: tuple[str, ...]


def inputs_within(file: Path, role: str) -> tuple[Input, ...]:
    """Files that a result was itself made from, by its record: 'log of forces'."""
    names = ("input_role", "input_file", "input_checksum")
    return tuple(
        Input(f"{own} of {role}", str(name), str(sums))
        for own, name, sums in zip(*_columns(file, names), strict=True)
    )


def assumptions_within(file: Path) -> list[str]:
    """Values that no file stated when a result was made: what is made from it rests on them too."""
    (sentences,) = _columns(file, ("assumption",))
    return list(map(str, sentences))


def _columns(file: Path, names: Sequence[str]) -> list[list[Any]]:
    """Lists of the record of a result; empty where it has none."""
    import netCDF4

    try:
        with netCDF4.Dataset(file) as opened:
            return [opened.variables[name][:].tolist() for name in names]
    except (OSError, KeyError):  # no result, or one without a record
        return [[] for _ in names]


def recorded_inputs(result: xr.Dataset) -> tuple[Input, ...]:
    """Files that a result was made from, by its record; none where it has no record."""
    if "input_role" not in result.variables:
        return ()
    columns = (result[f"input_{of}"].to_numpy().tolist() for of in ("role", "file", "checksum"))
    return tuple(Input(*map(str, row)) for row in zip(*columns, strict=True))


def with_record(dataset: xr.Dataset, record: Record) -> xr.Dataset:
    """The result with its record: command and settings as attributes, lists as variables."""
    lists = {
        "input_role": [i.role for i in record.inputs],
        "input_file": [i.file for i in record.inputs],
        "input_checksum": [i.checksum for i in record.inputs],
        "note": list(record.notes),
        "assumption": list(record.assumptions),
    }
    kept = {name: values for name, values in lists.items() if values}
    return dataset.assign(stamped(RECORD, kept)).assign_attrs(
        command=record.command, settings=json.dumps(record.settings, default=str)
    )
