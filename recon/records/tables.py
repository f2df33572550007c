"""Text tables as people and loggers write them: layout, rows of words, blocks of numbers.

Encoding is UTF-8 (with or without mark), UTF-16 by its mark, else Windows-1252.  A name that
ends `.gz` is unpacked.  Every trouble is told with file, line, column and what stands there.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import IO, Any, NamedTuple

import numpy as np

from recon.base.errors import DataError
from recon.base.quantities import UNITS
from recon.records.sheets import Floats

BLOCK_BYTES = 1 << 22  # measured: half the time of 1 << 25, the work stays in the cache
HEAD_BYTES = 1 << 20  # enough to see header, units row and the first data lines
MISSING = ("", "nan", "NaN")  # cells that mean "no number here"
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
BRACKETS = re.compile(r"(.*?)\s*\[([^\]]*)\]")
STAMP = re.compile(r"\d{1,2}:\d\d(:\d\d([.,]\d+)?)?")
HALF_DAY = 43200.0  # s
_UNIT_SPELLINGS = {spelling for table in UNITS.values() for spelling in table} - {"1"}


@dataclass(frozen=True, slots=True)
class Layout:
    """How one table is written: found by `find_layout`, used by every reader.

    `header` holds the cells of the header as they stand, `names` the same without
    `[unit]`, `units` the unit of brackets or units row ("" where none).  Lines count from 1.
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

    def where(self, line: int, position: int | None = None) -> str:
        """Place for a message: file, line and column."""
        column = "" if position is None else f", column '{self.header[position]}'"
        return _place(self.path, line) + column


class Wanted(NamedTuple):
    """Columns to parse, and which of them holds clock stamps."""

    positions: tuple[int, ...]
    stamps: int | None


def _place(path: Path, line: int) -> str:
    return f"{path}, line {line}"


def split_unit(cell: str) -> tuple[str, str]:
    """Split a header cell `name [unit]` into name and unit ("" where no brackets stand)."""
    match = BRACKETS.fullmatch(cell.strip())
    return (match[1], match[2].strip()) if match else (cell.strip(), "")


# --- layout -------------------------------------------------------------------------------


def find_layout(
    path: Path,
    *,
    separator: str | None = None,
    decimal: str = ".",
    skip_lines: int = 0,
    units_row: bool | None = None,
) -> Layout:
    """Find header, units row, separator and encoding of the table in `path`.

    Parameters
    ----------
    path : Path
        An existing file.
    separator : str, optional
        Found by trying comma, semicolon and tab on the first lines where not given.
    decimal : str
        Decimal mark, "." or ",".
    skip_lines : int
        Lines before the header.
    units_row : bool, optional
        Whether the line below the header holds units; found where not given: such a line has
        no number and at least one unit that is known.

    Raises
    ------
    DataError
        The file is no text, has no data rows, no separator splits the header like the data,
        two columns have one name, or decimal mark and separator are the same.
    """
    encoding, text = _head(path)
    lines = [(n, line.rstrip("\r")) for n, line in enumerate(text.split("\n"), 1)]
    lines = [(n, line) for n, line in lines[skip_lines:] if line.strip()]
    if not lines[1:]:
        raise DataError(
            str(path),
            f"{len(lines)} lines that are not empty after the first {skip_lines}",
            "a header line and at least one line of data",
            "Export the table again, or mend skip_lines in the column map.",
        )
    separator = separator or _find_separator(path, lines)
    table = [(n, _cells(line, separator)) for n, line in lines[:3]]
    header = _header(path, table[0], separator, decimal)
    with_units = _is_units_row(table[1][1]) if units_row is None else units_row
    data = table[2 if with_units else 1 :]
    if not data:
        raise DataError(
            str(path),
            f"no data row below the header of line {table[0][0]}",
            "at least one line of data",
            "Export the table again; the recording may have been empty.",
        )
    pairs = [split_unit(cell) for cell in header]
    below = table[1][1] if with_units else []
    below = below + [""] * (len(header) - len(below))
    return Layout(
        path=path,
        encoding=encoding,
        separator=separator,
        decimal=decimal,
        header=tuple(header),
        names=tuple(name for name, _ in pairs),
        units=tuple(unit or cell.strip() for (_, unit), cell in zip(pairs, below, strict=False)),
        first_line=data[0][0],
        first_row=tuple(data[0][1]),
    )


@contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
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


def _head(path: Path) -> tuple[str, str]:
    with _opened(path) as stream:
        head = stream.read(HEAD_BYTES)
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    else:
        _refuse_nul(path, head, 0)
        encoding = "utf-8-sig"
    try:
        return encoding, codecs.getincrementaldecoder(encoding)().decode(head)
    except UnicodeDecodeError:
        # Windows-1252 leaves a few bytes undefined; they can only stand in words.
        return "cp1252", head.decode("cp1252", errors="replace")


def _refuse_nul(path: Path, block: bytes, lines_before: int) -> None:
    place = block.find(b"\0")
    if place >= 0:
        line = lines_before + block.count(b"\n", 0, place) + 1
        raise DataError(
            _place(path, line),
            "a NUL byte, which no text has",
            "a text table (CSV)",
            "Export the data as text; if it is text, the file was damaged: copy it again.",
        )


def _cells(line: str, separator: str) -> list[str]:
    return next(csv.reader([line], delimiter=separator, skipinitialspace=True))


def _find_separator(path: Path, lines: list[tuple[int, str]]) -> str:
    """Take the separator that cuts most lines into as many fields as the header."""

    def score(separator: str) -> tuple[int, int]:
        counts = [len(_cells(line, separator)) for _, line in lines[:6]]
        return (counts[0] > 1) * sum(n == counts[0] for n in counts[1:]), counts[0]

    best = max((",", ";", "\t"), key=score)
    if score(best)[0]:
        return best
    line, header = lines[0]
    raise DataError(
        _place(path, line),
        f"a header '{header[:60]}' that no comma, semicolon or tab cuts like the data below",
        "a header with as many fields as the data",
        "If lines stand before the header, give their number as skip_lines in the column map.",
    )


def _header(path: Path, row: tuple[int, list[str]], separator: str, decimal: str) -> list[str]:
    line, cells = row[0], [cell.strip() for cell in row[1]]
    if decimal == separator or not cells[1:]:
        raise DataError(
            _place(path, line),
            f"{len(cells)} fields with separator '{separator}' and decimal mark '{decimal}'",
            "at least two columns, and a separator that is not the decimal mark",
            "Mend separator, decimal or skip_lines in the column map.",
        )
    names = [split_unit(cell)[0] for cell in cells]
    for position, name in enumerate(names):
        if name and name in names[:position]:
            raise DataError(
                _place(path, line),
                f"two columns named '{name}' ({names.index(name) + 1} and {position + 1})",
                "one name for each column",
                "Rename or remove one of them; which one is meant cannot be guessed.",
            )
    return cells


def _is_units_row(cells: list[str]) -> bool:
    words = [cell.strip() for cell in cells if cell.strip() and cell.strip() != "1"]
    numbers = any(NUMBER.fullmatch(word.replace(",", ".")) for word in words)
    return not numbers and any(word in _UNIT_SPELLINGS for word in words)


# --- rows of words (pull sheets, tares) ----------------------------------------------------


def read_rows(layout: Layout) -> tuple[list[int], list[list[str]]]:
    """Read the data rows as words: line numbers and cells, empty lines left out.

    Raises
    ------
    DataError
        A line has more or fewer fields than the header.
    """
    with _opened(layout.path) as stream:
        content = stream.read()
    if layout.encoding != "utf-16":
        _refuse_nul(layout.path, content, 0)
    text = content.decode(layout.encoding, errors="replace")
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=layout.separator, skipinitialspace=True
    )
    lines, rows, line = [], [], 1
    for cells in reader:
        if line >= layout.first_line and cells:
            _check_count(layout, line, len(cells))
            lines.append(line)
            rows.append([cell.strip() for cell in cells])
        line = reader.line_num + 1
    return lines, rows


def _check_count(layout: Layout, line: int, fields: int) -> None:
    if fields != len(layout.header):
        raise DataError(
            layout.where(line),
            f"{fields} fields",
            f"{len(layout.header)} fields as in the header",
            "Mend or remove the line; a last line cut off in mid-record may simply go.",
        )


def number(layout: Layout, text: str, line: int, position: int) -> float:
    """Read one cell as a number, NaN where it is empty.

    Raises
    ------
    DataError
        The cell holds other text, or a number without end.
    """
    if text in MISSING:
        return float("nan")
    plain = text if layout.decimal == "." else text.replace(".", "?").replace(",", ".")
    if NUMBER.fullmatch(plain) and np.isfinite(float(plain)):
        return float(plain)
    hint = ""
    if layout.decimal == "." and NUMBER.fullmatch(text.replace(",", ".")):
        hint = ' If the file has decimal commas, write decimal = "," in the column map.'
    raise DataError(
        layout.where(line, position),
        f"'{text}'",
        "a finite number, or an empty cell where there is none",
        f"Mend the cell or empty it.{hint}",
    )


# --- blocks of numbers (logs) ---------------------------------------------------------------


def parse_table(layout: Layout, positions: Sequence[int], stamps: int | None = None) -> Floats:
    """Parse columns of numbers, fast: the mere parsing that `read_log` rests on.

    Parameters
    ----------
    layout : Layout
        Of `find_layout`.
    positions : sequence of int
        Columns wanted, in the order wanted.
    stamps : int, optional
        One of `positions` whose cells are clock stamps HH:MM:SS.sss [s of the day].

    Returns
    -------
    ndarray, shape (len(positions), row)
        NaN where a cell is empty, `nan` or `NaN`.  Each column is contiguous.

    Raises
    ------
    DataError
        Wrong number of fields, NUL byte, text or infinity where a number should stand.
    """
    wanted = Wanted(tuple(positions), stamps)
    pieces, line = [], layout.first_line
    for block in _blocks(layout):
        _refuse_nul(layout.path, block, line - 1)
        _check_fields(layout, block, line)
        if not block.isspace():
            pieces.append(_parse_block(layout, block, line, wanted))
        line += block.count(b"\n")
    return np.concatenate(pieces, axis=1)


def line_of_row(layout: Layout, row: int) -> int:
    """Line of the file that holds data row `row`; reads the file again, for messages only."""
    lines = (text for block in _blocks(layout) for text in block.split(b"\n")[:-1])
    numbered = enumerate(lines, layout.first_line)
    filled = (line for line, text in numbered if text.strip(b"\r"))
    return next(islice(filled, row, None))


def _blocks(layout: Layout) -> Iterator[bytes]:
    """Whole data lines, some megabytes at a time; UTF-16 comes out as UTF-8."""
    with _opened(layout.path) as raw:
        recoded = codecs.EncodedFile(raw, "utf-8", "utf-16")
        stream: Any = recoded if layout.encoding == "utf-16" else raw
        for _ in range(layout.first_line - 1):
            stream.readline()
        rest = b""
        while piece := stream.read(BLOCK_BYTES):
            piece = rest + piece
            cut = piece.rfind(b"\n") + 1
            if cut:
                yield piece[:cut]
            rest = piece[cut:]
        if rest:
            yield rest + b"\n"


def _check_fields(layout: Layout, block: bytes, first_line: int) -> None:
    """Count the fields of every line; the parser itself passes short lines over."""
    if b'"' in block:
        text = io.StringIO(block.decode("utf-8", "replace"), newline="")
        reader = csv.reader(text, delimiter=layout.separator)
        for cells in reader:
            if cells:
                _check_count(layout, first_line + reader.line_num - 1, len(cells))
        return
    buffer = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(buffer == ord("\n"))
    marks = np.flatnonzero(buffer == ord(layout.separator))
    fields = np.diff(np.searchsorted(marks, ends), prepend=0) + 1
    for index in np.flatnonzero(fields != len(layout.header)):
        start = ends[index - 1] + 1 if index else 0
        if block[start : ends[index]].strip(b"\r"):
            _check_count(layout, first_line + int(index), int(fields[index]))


def _parse_block(layout: Layout, block: bytes, first_line: int, wanted: Wanted) -> Floats:
    import pandas as pd

    try:
        frame = pd.read_csv(
            io.BytesIO(block),
            engine="c",
            sep=layout.separator,
            decimal=layout.decimal,
            header=None,
            names=list(range(len(layout.header))),
            usecols=sorted(set(wanted.positions)),
            dtype={p: str if p == wanted.stamps else np.float64 for p in wanted.positions},
            index_col=False,
            skipinitialspace=True,
            keep_default_na=False,
            na_values=list(MISSING),
            encoding_errors="replace",
            low_memory=False,
        )
    except ValueError as error:
        raise _blame(layout, block, first_line, wanted, str(error)) from error
    values = np.empty((len(wanted.positions), len(frame)))
    for row, position in enumerate(wanted.positions):
        column = frame[position]
        values[row] = clock_seconds(column) if position == wanted.stamps else column
    # One sum for each column costs little and is finite only where every number is.
    suspect = ~np.isfinite(values.sum(axis=1))
    bad_stamp = [p == wanted.stamps for p in wanted.positions]
    if np.isinf(values[suspect]).any() or np.isnan(values[suspect & bad_stamp]).any():
        raise _blame(layout, block, first_line, wanted, "a number without end")
    return values


def _blame(layout: Layout, block: bytes, first_line: int, wanted: Wanted, reason: str) -> DataError:
    """Find the first cell that is no number, the slow way."""
    line = first_line
    for text in block.split(b"\n")[:-1]:
        cells = _cells(text.decode("utf-8", "replace").strip("\r"), layout.separator)
        for position in wanted.positions if cells else ():
            cell = cells[position].strip()
            try:
                if position == wanted.stamps:
                    stamp(layout, cell, line, position)
                else:
                    number(layout, cell, line, position)
            except DataError as error:
                return error
        line += 1
    return DataError(
        f"{layout.path}, lines {first_line} to {line - 1}",
        f"the parser stopped: {reason}",
        "numbers in every cell, and quotation marks in pairs",
        "Look for unusual characters there and export the table again.",
    )


# --- clock stamps ---------------------------------------------------------------------------


def stamp(layout: Layout, text: str, line: int, position: int) -> str:
    """Return `text` if it is a clock stamp HH:MM[:SS[.sss]].

    Raises
    ------
    DataError
        It is none.
    """
    if STAMP.fullmatch(text):
        return text
    raise DataError(
        layout.where(line, position),
        f"'{text}' where the column begins with the clock stamp '{layout.first_row[position]}'",
        "a stamp HH:MM, HH:MM:SS or HH:MM:SS.sss",
        "Mend the cell; one column holds either stamps or numbers.",
    )


def clock_seconds(stamps: Any) -> Floats:
    """Turn a pandas series of clock stamps into seconds of the day, NaN where there is none."""
    import pandas as pd

    whole = stamps.str.replace(",", ".", regex=False)
    whole = whole.where(whole.str.count(":") > 1, whole + ":00")
    spans = pd.to_timedelta(whole, errors="coerce")
    return np.asarray(spans.dt.total_seconds(), dtype=np.float64)


def past_midnight(seconds: Floats) -> Floats:
    """Add a day wherever the clock falls back by more than half a day."""
    days = np.concatenate([[0], np.cumsum(np.diff(seconds) < -HALF_DAY)])
    return seconds + 2 * HALF_DAY * days
