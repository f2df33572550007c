"""The vehicle file as text: reading it, and the lines of its keys for the place of a fault."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recon.base import toml
from recon.base.errors import VehicleError, current_folder

OTHERWISE = "if this is no vehicle file, check the order of the files."

Loc = tuple[str | int, ...]  # key path; entries of arrays of tables count from nought


def content_of(path: str) -> bytes:
    """Return the bytes of an existing local file.

    Raises VehicleError: a network address, a folder, no such file, or one that may not be read.
    """
    if re.match(r"[A-Za-z][\w+.-]+:/", path):
        raise VehicleError(
            path,
            "a network address",
            "the name of a vehicle file on this computer",
            "Fetch the file by hand, look at it and give its local name.",
        )
    local, gone = Path(path), "no such file"
    try:
        found = "" if local.is_file() else "a folder or device" if local.exists() else gone
        if not found:
            with local.open("rb") as stream:
                return stream.read(toml.LARGEST + 1)
    except (OSError, ValueError) as error:  # names that no file can have, files without rights
        found = f"reading failed: {error}"
    raise VehicleError(
        path,
        found,
        "the name of an existing vehicle file",
        f"Check the spelling; names are looked up from {current_folder()}.",
    )


def text_of(path: str, content: bytes) -> str:
    """Return the text of a file in UTF-8.

    Raises VehicleError: the file is too large, or a byte is not UTF-8; the message names its line.
    """
    try:
        return toml.text_of(content)
    except toml.TomlFault as fault:
        raise _refused(path, fault, f"Save it as UTF-8 in your editor; {OTHERWISE}") from None


def parsed(path: str, text: str) -> dict[str, Any]:
    """Return the content of a TOML text.

    Raises VehicleError: the text is not TOML (with line and column), nested too deep, or of a
    format newer than 1.
    """
    try:
        data = toml.parsed(text)
    except toml.TomlFault as fault:
        do = f"Compare the line with the example in vehicles/README.md; {OTHERWISE}"
        raise _refused(path, fault, do) from None
    written = data.get("format")
    if isinstance(written, int) and written > 1:
        raise VehicleError(
            path,
            f"format = {written}",
            "format = 1, the newest that this version reads",
            "Use a newer version of this program, or write the file in format 1.",
        )
    return data


def _refused(path: str, fault: toml.TomlFault, do: str) -> VehicleError:
    where = f"{path}, {fault.place}" if fault.place else path
    return VehicleError(where, fault.found, fault.needed, do)


# Each a plain run of characters, so that no line takes long; lines are stripped before.
_HEADER = re.compile(r"(\[\[?)([\w\s.\"'-]+)\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"([\w\s.\"'-]+)=")


def key_lines(text: str) -> dict[Loc, int]:
    """Line of each table header and key, for the place of a fault; tomllib does the parsing."""
    lines: dict[Loc, int] = {}
    counts: Counter[Loc] = Counter()
    table: Loc = ()
    for number, line in enumerate(map(str.strip, text.split("\n")), 1):
        if header := _HEADER.match(line):
            table = ()
            for name in _names(header[2]):
                # Below an array of tables, a header belongs to its latest entry.
                table += (counts[table] - 1,) if counts[table] else ()
                table += (name,)
                lines.setdefault(table, number)
            if header[1] == "[[":
                counts[table] += 1
                table += (counts[table] - 1,)
                lines[table] = number
        elif key := _KEY.match(line):
            lines.setdefault(table + _names(key[1]), number)
    return lines


def _names(dotted: str) -> Loc:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


@dataclass(frozen=True, slots=True)
class Source:
    """The file's name and the lines of its keys."""

    path: str
    lines: dict[Loc, int]

    def at(self, loc: Loc, what: str) -> str:
        """Name of the place `loc`: file, line of the key or of the table around it, `what`."""
        line = self.line(loc)
        return f"{self.path}, line {line}: {what}" if line else f"{self.path}: {what}"

    def line(self, loc: Loc) -> int:
        """Line of the key `loc`, or of the nearest table around it; 0 if there is none."""
        return next(
            (self.lines[loc[:n]] for n in range(len(loc), 0, -1) if loc[:n] in self.lines), 0
        )
