"""How a text table is written: encoding, separator, header, units row, first line of data.

Encoding is UTF-8 (with or without mark), UTF-16 by its mark, else Windows-1252.  A name that
ends `.gz` is unpacked.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import IO, Any

from recon.base.errors import DataError
from recon.base.quantities import UNITS, our_spelling

MOST_COLUMNS = 2000  # far more than loggers have; the search for names takes its time
HEAD_BYTES = 1 << 20  # enough to see header, units row and the first data lines
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d+)?", re.ASCII)
THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
DECIMAL_LINES = 200  # lines that show the decimal mark
_UNIT_SPELLINGS = {spelling for table in UNITS.values() for spelling in table} - {"1"}


@dataclass(frozen=True, slots=True)
class Layout:
    """How one table is written: found by `find_layout`, used by every reader.

    `header` holds the cells of the header as they stand, `names` the same without
    `[unit]`, `units` the unit of brackets or units row ("" where none).  Lines count from 1.
    `above` are the lines of header and units row as bytes, `returns` is true where lines end with
    a carriage return alone.  `frame` is the whole table where the file is no text; its rows count
    from 1.
    """

    path: Path
    encoding: str
    separator: str
    decimal: str
    header: tuple[str, ...]
    names: tuple[str, ...]
    units: tuple[str, ...]
    first_line: int  # line of the first data row
    first_row: tuple[str, ...]
    above: tuple[bytes, ...] = ()
    returns: bool = False
    frame: Any = None

    def position(self, column: str) -> int | None:
        """Position of the column whose name, with or without brackets, is `column`."""
        for cells in (self.header, self.names):
            if column in cells:
                return cells.index(column)
        return None

    @property
    def named(self) -> tuple[str, ...]:
        """Names of the columns that have one."""
        return tuple(name for name in self.names if name)

    def first_cell(self, position: int) -> str:
        """Cell of the first data row, "" where that row is too short."""
        return self.first_row[position] if position < len(self.first_row) else ""

    def where(self, line: int, position: int | None = None) -> str:
        """Place for a message: file, line and column."""
        column = "" if position is None else f", column '{self.header[position]}'"
        if self.frame is not None:
            row = f", row {line}" if line >= self.first_line else ""
            return f"{self.path}{row}{column}"
        return _place(self.path, line) + column


def _place(path: Path, line: int) -> str:
    return f"{path}, line {line}"


def split_unit(cell: str) -> tuple[str, str]:
    """Split a header cell `name [unit]` into name and unit ("" where no brackets stand)."""
    # Plain searches, not an expression: a cell of a hundred thousand brackets takes no time.
    cell = cell.strip()
    opened = cell.find("[", cell.rfind("]", 0, -1) + 1) if cell.endswith("]") else -1
    return (cell, "") if opened < 0 else (cell[:opened].rstrip(), cell[opened + 1 : -1].strip())


def find_layout(
    path: Path,
    *,
    separator: str | None = None,
    decimal: str | None = None,
    skip_lines: int = 0,
    units_row: bool | None = None,
) -> Layout:
    """Find header, units row, separator and encoding of the table in an existing file.

    The separator is found, where not given, by trying comma, semicolon and tab on the first lines.
    So is the decimal mark, and whether the line below the header holds units: such a line has no
    number and at least one unit that is known.

    Raises DataError: the file is no text, has no data rows, no separator splits the header like the
    data, two columns have one name, or decimal mark and separator are the same.
    """
    encoding, returns, lines = _lines(path, skip_lines)
    separator = separator or _find_separator(path, lines)
    decimal = decimal or _find_decimal(lines[1:DECIMAL_LINES], separator)
    table = [(n, split_cells(line, separator)) for n, line in lines[:3]]
    place_of_header = _place(path, table[0][0])
    with_units = is_units_row(table[1][1]) if units_row is None else units_row
    data = table[2 if with_units else 1 :]
    cells = _as_wide_as(table[0][1], data[0][1]) if data else table[0][1]
    header = _header(place_of_header, cells, separator, decimal)
    if not data:
        raise DataError(
            str(path),
            f"no data row below the header of line {table[0][0]}",
            "at least one line of data",
            "Export the table again; the recording may have been empty.",
        )
    below = table[1][1] if with_units else []
    names, units = names_and_units(header, below)
    return Layout(
        path=path,
        encoding=encoding,
        separator=separator,
        decimal=decimal,
        header=tuple(header),
        names=names,
        units=units,
        first_line=data[0][0],
        first_row=tuple(data[0][1]),
        above=tuple(
            line.encode("cp1252" if encoding == "cp1252" else "utf-8", errors="replace")
            for _, line in lines[: 2 if with_units else 1]
        ),
        returns=returns,
    )


@contextmanager
def opened_bytes(path: Path) -> Iterator[IO[bytes]]:
    """Open for bytes, unpacked; say which file it is when the packing is damaged."""
    try:
        opened: Any = gzip.open if path.name.endswith(".gz") else open
        with opened(path, "rb") as stream:
            yield stream
    except (OSError, EOFError, zlib.error) as error:
        raise DataError(
            str(path),
            f"reading failed: {error}",
            "a whole file" + (" packed by gzip" if path.name.endswith(".gz") else ""),
            "Copy the file again from the logger; it may be cut off or not packed at all.",
        ) from error


def _lines(path: Path, skip_lines: int) -> tuple[str, bool, list[tuple[int, str]]]:
    """Encoding, whether lines end with a carriage return alone, and lines with text by number."""
    encoding, text = _head(path)
    returns = "\n" not in text and "\r" in text
    text = text.replace("\r", "\n") if returns else text
    lines = [(n, line.rstrip("\r")) for n, line in enumerate(text.split("\n"), 1)]
    lines = [(n, line) for n, line in lines[skip_lines:] if line.strip()]
    if not text.strip():
        raise DataError(
            str(path),
            "an empty file",
            "a header line and at least one line of data",
            "Export or copy the table again.",
        )
    if not lines[1:]:
        raise DataError(
            str(path),
            f"{len(lines)} line{'s' * (len(lines) != 1)} with text"
            + f" after the first {skip_lines}" * (skip_lines > 0),
            "a header line and at least one line of data",
            "Fill in rows or export the table again, or correct skip_lines in a column map.",
        )
    return encoding, returns, lines


def _head(path: Path) -> tuple[str, str]:
    with opened_bytes(path) as stream:
        head = stream.read(HEAD_BYTES)
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16", codecs.getincrementaldecoder("utf-16")(errors="replace").decode(head)
    refuse_nul(path, head, 0)
    try:
        return "utf-8-sig", codecs.getincrementaldecoder("utf-8-sig")().decode(head)
    except UnicodeDecodeError:
        # Windows-1252 leaves a few bytes undefined; they can only stand in words.
        return "cp1252", head.decode("cp1252", errors="replace")


def refuse_nul(path: Path, block: bytes, lines_before: int) -> None:
    """Refuse bytes that no text has.

    Raises DataError: there is a NUL byte in `block`, which follows `lines_before` lines of the
    file.
    """
    place = block.find(b"\0")
    if place >= 0:
        line = lines_before + block.count(b"\n", 0, place) + 1
        raise DataError(
            _place(path, line),
            "a NUL byte, which no text has",
            "a text table (CSV)",
            "Export the data as text; if it is text, the file was damaged: copy it again.",
        )


def split_cells(line: str, separator: str) -> list[str]:
    """Cut one line into cells; one that has no cells the reader can hold comes back whole."""
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True))
    except csv.Error:
        return [line]


def _find_separator(path: Path, lines: list[tuple[int, str]]) -> str:
    """Take the separator that cuts most lines into as many fields as the header."""

    def score(separator: str) -> tuple[int, int]:
        header, *rows = (split_cells(line, separator) for _, line in lines[:6])
        alike = sum(len(_as_wide_as(header, row)) == len(row) for row in rows)
        return (len(header) > 1) * alike, len(header)

    best = max((",", ";", "\t"), key=score)
    if score(best)[0]:
        return best
    line, header = lines[0]
    raise DataError(
        _place(path, line),
        f"a first line '{header[:60]}' with another number of columns than the lines below it, "
        "whether divided at commas, semicolons or tabs",
        "a header with as many columns as the data",
        "If lines stand before the header, give their number as skip_lines in the column map; if "
        "this is no table, check the order of the files.",
    )


def _find_decimal(lines: list[tuple[int, str]], separator: str) -> str:
    """A comma where numbers have one, none has a point, and not all of them may be thousands."""
    if separator == ",":
        return "."
    cells = [cell.strip() for _, line in lines for cell in split_cells(line, separator)]
    commas = [cell for cell in cells if COMMA_NUMBER.fullmatch(cell)]
    if any("." in cell and NUMBER.fullmatch(cell) for cell in cells):
        return "."
    return "." if all(THOUSANDS.fullmatch(cell) for cell in commas) else ","


def _as_wide_as(header: list[str], row: list[str]) -> list[str]:
    """The header's cells, one more or less where only one of the two ends with a separator."""
    if len(row) == len(header) + 1 and not row[-1].strip():
        return [*header, ""]
    if len(header) == len(row) + 1 and not header[-1].strip():
        return header[:-1]
    return header


def _header(where: str, row: list[str], separator: str, decimal: str) -> list[str]:
    cells = [cell.strip() for cell in row]
    if decimal == separator or not cells[1:]:
        raise DataError(
            where,
            f"{len(cells)} fields with separator '{separator}' and decimal mark '{decimal}'",
            "at least two columns, and a separator that is not the decimal mark",
            "Correct separator, decimal or skip_lines in the column map.",
        )
    refuse_header(where, cells, separator)
    return cells


def refuse_header(where: str, cells: list[str], separator: str) -> None:
    """Refuse a header with far too many columns, or with one name twice.

    Raises DataError: it is such a header; `where` says where it stands.
    """
    if len(cells) > MOST_COLUMNS:
        raise DataError(
            where,
            f"{len(cells)} columns with separator '{separator}'",
            f"at most {MOST_COLUMNS} columns",
            "Export the channels that are needed, or correct the separator in the column map.",
        )
    names = [split_unit(cell)[0] for cell in cells]
    if all(NUMBER.fullmatch(name) for name in names if name):
        raise DataError(
            where,
            f"nothing but numbers ({', '.join(names)[:40]}) where the names of the columns stand",
            "a header line with names and units above the data",
            "Write the header line, or export the table again with it.",
        )
    for position, name in enumerate(names):
        if name and name in names[:position]:
            raise DataError(
                where,
                f"two columns named '{name}' ({names.index(name) + 1} and {position + 1})",
                "one name for each column",
                "Rename or remove one of them; which one is meant cannot be guessed.",
            )


def names_and_units(header: list[str], below: list[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Split names from units; brackets win over the cell of the units row."""
    names, brackets = zip(*map(split_unit, header), strict=True)
    cells = zip_longest(brackets, below[: len(header)], fillvalue="")
    return names, tuple(bracket or cell.strip() for bracket, cell in cells)


def is_units_row(cells: list[str]) -> bool:
    """Whether the cells below a header are units: no number, and a unit that is known."""
    words = [cell.strip() for cell in cells if cell.strip() and cell.strip() != "1"]
    numbers = any(NUMBER.fullmatch(word.replace(",", ".")) for word in words)
    return not numbers and any(_is_unit(word) for word in words)


def _is_unit(word: str) -> bool:
    """Whether a cell is a unit; a single letter only as we spell it, as it may name a set-up."""
    ours = our_spelling(word)
    return ours in _UNIT_SPELLINGS and (len(word) > 1 or word == ours)
