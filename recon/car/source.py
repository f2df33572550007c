"""The vehicle file as text: reading it, and the lines of its keys for the place of a fault."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recon.base.errors import VehicleError

Loc = tuple[str | int, ...]  # key path; entries of arrays of tables count from nought


def content_of(path: str) -> bytes:
    """Return the bytes of an existing local file.

    Raises
    ------
    VehicleError
        An address of the network, a folder, or nothing is there.
    """
    if re.match(r"[A-Za-z][\w+.-]+:/", path):
        raise VehicleError(
            path,
            "an address of the network",
            "the name of a vehicle file on this computer",
            "Fetch the file by hand, look at it and give its local name.",
        )
    if not Path(path).is_file():
        raise VehicleError(
            path,
            "a folder or device" if Path(path).exists() else "no such file",
            "the name of an existing vehicle file",
            f"Check the spelling; names are looked up from {Path.cwd()}.",
        )
    return Path(path).read_bytes()


def text_of(path: str, content: bytes) -> str:
    """Return the text of a file in UTF-8.

    Raises
    ------
    VehicleError
        A byte that is not UTF-8; the message names its line.
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        where = f"{path}, line {line}"
        raise VehicleError(
            where,
            f"the byte 0x{content[error.start]:02x}, which is not UTF-8",
            "a text file in UTF-8",
            "Save the file as UTF-8 in your editor.",
        ) from None


def parsed(path: str, text: str) -> dict[str, Any]:
    """Return the content of a TOML text.

    Raises
    ------
    VehicleError
        The text is not TOML (with line and column), or of a newer format than 1.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, place = str(error).partition(" (at ")
        where = f"{path}, {place.rstrip(')')}"
        raise VehicleError(
            where,
            f"not TOML: {what[:1].lower()}{what[1:]}",
            "lines of the form key = value, texts in double quotes, lists in brackets",
            "Compare the line with the example in vehicles/README.md.",
        ) from None
    written = data.get("format")
    if isinstance(written, int) and written > 1:
        raise VehicleError(
            path,
            f"format = {written}",
            "format = 1, the newest that this version reads",
            "Use a newer version of this program, or write the file in format 1.",
        )
    return data


_HEADER = re.compile(r"^\s*(\[\[?)([\w\s.\"'-]+)\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([\w\s.\"'-]+?)\s*=")


def key_lines(text: str) -> dict[Loc, int]:
    """Line of each table header and key, to tell the place of a fault; TOML is read by tomllib."""
    lines: dict[Loc, int] = {}
    counts: Counter[Loc] = Counter()
    table: Loc = ()
    for number, line in enumerate(text.split("\n"), 1):
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
