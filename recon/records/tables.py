"""The cells of text tables: rows of words for sheets, fast blocks of numbers for logs.

Every message names file, line and column, and quotes the cell.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import Any, NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.late import pd
from recon.base.threads import THREADS
from recon.records.frames import frame_rows, frame_values
from recon.records.layout import NUMBER, Layout, opened_bytes, refuse_nul, split_cells
from recon.records.scratch import room
from recon.records.time_stamps import seconds_of, stamp

BLOCK_BYTES = 1 << 23  # measured: a tenth less time than 1 << 22, as fast as larger ones
LOOKS = 16  # at pieces of a file, from which the length of its lines is known
SPARE = 1.03  # of the rows that a table is expected to have
PACKED = 4.0  # bytes of text in one packed byte, usual for logs
MISSING = ("", "nan", "NaN")  # cells that mean "no number here"
LONGEST_LINE = 1 << 16  # bytes; of longer ones only the time to read them changes
NEWLINE = b"\n"
STRAY_RETURN = re.compile(rb"\r(?!\n)")


class Wanted(NamedTuple):
    """Columns to parse, and which of them holds stamps."""

    positions: tuple[int, ...]
    stamps: int | None


# --- rows of words (pull sheets, tares) ----------------------------------------------------


def read_rows(layout: Layout) -> tuple[list[int], list[list[str]]]:
    """Read the data rows as words: line numbers and cells, empty lines and rows left out.

    Raises DataError: a line has more or fewer fields than the header.
    """
    if layout.frame is not None:
        return frame_rows(layout)
    with opened_bytes(layout.path) as stream:
        content = stream.read()
    if layout.encoding != "utf-16":
        refuse_nul(layout.path, content, 0)
    text = content.decode(layout.encoding, errors="replace")
    if layout.returns:
        text = text.replace("\r", "\n")
    data = text.split("\n", layout.first_line - 1)[-1]
    above = [split_cells(line.decode(errors="replace"), layout.separator) for line in layout.above]
    lines, rows = [], []
    for line, cells in _records(layout, data, layout.first_line):
        if cells in above:
            continue  # the header once more
        _check_count(layout, line, len(cells))
        lines.append(line)
        rows.append([cell.strip() for cell in cells])
    return lines, rows


def _records(layout: Layout, text: str, first_line: int) -> Iterator[tuple[int, list[str]]]:
    """Cells of every line that has any, with the line on which they begin."""
    stream = io.StringIO(text, newline="")
    reader = csv.reader(stream, delimiter=layout.separator, skipinitialspace=True)
    line = first_line
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield line, cells
            line = first_line + reader.line_num
    except csv.Error as error:
        raise DataError(
            layout.where(line),
            f"a quotation mark that is never closed ({error})",
            "quotation marks in pairs",
            "Close or remove the quotation mark that opens there.",
        ) from error


def _check_count(layout: Layout, line: int, fields: int) -> None:
    if fields != len(layout.header):
        raise DataError(
            layout.where(line),
            f"{fields} fields",
            f"{len(layout.header)} fields as in the header",
            "Correct or remove the line; a last line cut off in mid-record may simply go.",
        )


def number(layout: Layout, text: str, line: int, position: int) -> float:
    """Read one cell as a number, NaN where it is empty.

    Raises DataError: the cell holds other text, or an infinite number.
    """
    if text in MISSING:
        return float("nan")
    plain = text if layout.decimal == "." else text.replace(".", "?").replace(",", ".")
    if NUMBER.fullmatch(plain) and np.isfinite(float(plain)):
        return float(plain)
    hint = ""
    if layout.decimal == "." and NUMBER.fullmatch(text.replace(",", ".")):
        hint = ' If the file has decimal commas, write decimal = "," below [file] in a column map.'
    raise DataError(
        layout.where(line, position),
        f"'{text}'",
        "a finite number, or an empty cell where there is none",
        f"Correct the cell or empty it.{hint}",
    )


# --- blocks of numbers (logs) ---------------------------------------------------------------


def parse_table(layout: Layout, positions: Sequence[int], stamps: int | None = None) -> Floats:
    """Parse columns of numbers, fast: the mere parsing that `read_log` rests on.

    `positions` are the columns wanted, in that order, of a table with the `layout` that
    `find_layout` found; the cells of one of them may be `stamps`, see `seconds_of`.

    Returns (position, row) in the table's own units; stamps in [s].  NaN where a cell is empty,
    `nan` or `NaN`.  Each column is contiguous.

    Raises DataError: wrong number of fields, NUL byte, text or infinity where a number should
    stand.
    """
    if layout.frame is not None:
        return frame_values(layout, list(positions), stamps)
    out, rows = np.empty((len(positions), 0)), 0
    for block in parsed_blocks(layout, Wanted(tuple(positions), stamps)):
        more = rows + len(block[0])
        if more > out.shape[1]:
            longer = room((len(positions), max(more, _expected_rows(layout, rows, block))))
            longer[:, :rows] = out[:, :rows]
            out = longer
        for values, own in zip(out, block, strict=True):
            values[rows:more] = own
        rows = more
    return out[:, :rows]


def _expected_rows(layout: Layout, rows: int, block: list[Floats]) -> int:
    """Rows of a whole table, rather too many, before it is read or from those read so far.

    Lines of a car that stands are shorter than those of one that drives, so all of a file is
    looked at; of a packed one its first block.
    """
    if rows:
        return 2 * rows
    size = layout.path.stat().st_size
    if layout.path.suffix == ".gz":
        return int(SPARE * PACKED * size / BLOCK_BYTES * len(block[0]))
    text, look = b"", min(LONGEST_LINE, size // LOOKS + 1)
    with layout.path.open("rb") as stream:
        for place in range(LOOKS):
            stream.seek(place * size // LOOKS)
            text += stream.read(look)
    lines = _count(text, b"\r" if layout.returns else NEWLINE)
    return int(SPARE * size * lines / len(text))


def parsed_blocks(layout: Layout, wanted: Wanted) -> Iterator[list[Floats]]:
    """Yield the columns (row,) of `parse_table` [m, s ...] block by block.

    Blocks are parsed side by side and come in their order.

    Raises DataError: as `parse_table`.
    """
    waiting: deque[Future[list[Floats]]] = deque()
    with ThreadPoolExecutor(THREADS) as pool:  # the parser holds no lock while it reads numbers
        for line, block in _numbered(layout):
            waiting.append(pool.submit(_parse_block, layout, block, line, wanted))
            if len(waiting) > THREADS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _numbered(layout: Layout) -> Iterator[tuple[int, bytes]]:
    """Blocks of text that are not empty, each with the number of its first line."""
    line = layout.first_line
    for block in _blocks(layout):
        if not block.isspace():
            yield line, block
        line += _count(block, NEWLINE)  # a third of the time of `bytes.count`


def _count(block: bytes, byte: bytes | str) -> int:
    return int(np.count_nonzero(np.frombuffer(block, np.uint8) == ord(byte)))


def line_of_row(layout: Layout, row: int) -> int:
    """Line of the file that holds data row `row`; reads the file again, for messages only."""
    if layout.frame is not None:
        return layout.first_line + row
    lines = (text for block in _blocks(layout) for text in block.split(b"\n")[:-1])
    numbered = enumerate(lines, layout.first_line)
    filled = (line for line, text in numbered if text.strip(b"\r"))
    return next(islice(filled, row, None))


def _blocks(layout: Layout) -> Iterator[bytes]:
    """Whole data lines, some megabytes at a time; UTF-16 comes out as UTF-8."""
    with opened_bytes(layout.path) as raw:
        recoded = codecs.EncodedFile(raw, "utf-8", "utf-16", errors="replace")
        stream: Any = recoded if layout.encoding == "utf-16" else raw
        rest, above = b"", layout.first_line - 1
        while piece := stream.read(BLOCK_BYTES):
            piece += stream.readline(LONGEST_LINE)  # then neither `rest` nor a cut copies it again
            piece = rest + (piece.replace(b"\r", b"\n") if layout.returns else piece)
            while above and (end := piece.find(b"\n") + 1):
                piece, above = piece[end:], above - 1
            cut = 0 if above else piece.rfind(b"\n") + 1
            if cut:
                yield _without_headers(layout, piece[:cut])
            rest = piece[cut:]
        if rest:
            yield _without_headers(layout, rest + b"\n")


def _without_headers(layout: Layout, block: bytes) -> bytes:
    """Empty the lines that repeat the header or the units row, so that lines keep their numbers."""
    for above in layout.above:
        if above in block:
            lines = block.split(b"\n")
            block = b"\n".join(b"" if line.rstrip(b"\r") == above else line for line in lines)
    return block


def _check_fields(layout: Layout, block: bytes, first_line: int) -> None:
    """Refuse the first line of a block that has more or fewer fields than the header."""
    stray = STRAY_RETURN.search(block)
    if stray:
        *above, before = block[: stray.start()].decode("utf-8", "replace").split("\n")
        raise DataError(
            layout.where(first_line + len(above)),
            f"a carriage return after '{before[-20:]}'",
            "lines that end with a line feed",
            "Export the table again; the line may be two that were joined.",
        )
    if b'"' in block:
        for line, cells in _records(layout, block.decode("utf-8", "replace"), first_line):
            _check_count(layout, line, len(cells))
        return
    buffer = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(buffer == ord("\n"))
    marks = np.flatnonzero(buffer == ord(layout.separator))
    fields = np.diff(np.searchsorted(marks, ends), prepend=0) + 1
    for index in np.flatnonzero(fields != len(layout.header)):
        start = ends[index - 1] + 1 if index else 0
        if block[start : ends[index]].strip(b"\r"):
            _check_count(layout, first_line + int(index), int(fields[index]))


def _parse_block(layout: Layout, block: bytes, first_line: int, wanted: Wanted) -> list[Floats]:
    """Columns (row,) of one block; faults are looked for only where there can be one."""
    refuse_nul(layout.path, block, first_line - 1)
    try:
        frame = _frame(layout, block, wanted)
    except ValueError as error:
        _check_fields(layout, block, first_line)
        raise _blame(layout, block, first_line, wanted, str(error)) from error
    if not _has_even_lines(layout, block, frame):
        _check_fields(layout, block, first_line)
    if wanted.stamps is not None:
        stamps = frame[wanted.stamps]
        frame[wanted.stamps] = seconds_of(stamps, layout.first_cell(wanted.stamps))
    columns = [frame[position].to_numpy(np.float64) for position in wanted.positions]
    for position, values in zip(wanted.positions, columns, strict=True):
        # One sum costs little and is finite only where every number is.
        if np.isfinite(values.sum()):
            continue
        if np.isinf(values).any() or position == wanted.stamps:
            raise _blame(layout, block, first_line, wanted, "an infinite number")
    return columns


def _has_even_lines(layout: Layout, block: bytes, frame: Any) -> bool:
    """Whether it is certain, from what the parser gave, that no line is too short or too long.

    The parser fills short lines with NaN and cuts long ones.  With the last column whole there is
    no short line, and with the right number of separators then no long one.
    """
    last = len(layout.header) - 1
    unusual = b'"' in block or b" " in block or (b"\r" in block and STRAY_RETURN.search(block))
    if unusual or last not in frame or frame[last].isna().any():
        return False
    return _count(block, layout.separator) == len(frame) * last


def _frame(layout: Layout, block: bytes, wanted: Wanted) -> Any:
    return pd.read_csv(
        io.BytesIO(block),
        engine="c",
        sep=layout.separator,
        decimal=layout.decimal,
        header=None,
        names=list(range(len(layout.header))),
        usecols=sorted(set(wanted.positions)),
        dtype={p: str if p == wanted.stamps else np.float64 for p in wanted.positions},
        index_col=False,
        skipinitialspace=b" " in block,  # takes a third longer
        keep_default_na=False,
        na_values=list(MISSING),
        encoding_errors="replace",
        low_memory=True,  # pieces that fit the cache: a fifth less time
    )


def _blame(layout: Layout, block: bytes, first_line: int, wanted: Wanted, reason: str) -> DataError:
    """Find the first cell that is no number, the slow way."""
    for line, cells in _records(layout, block.decode("utf-8", "replace"), first_line):
        for position in wanted.positions:
            cell = cells[position].strip()
            try:
                if position == wanted.stamps:
                    stamp(layout, cell, line, position)
                else:
                    number(layout, cell, line, position)
            except DataError as error:
                return error
    return DataError(
        f"{layout.path}, lines {first_line} to {first_line + block.count(NEWLINE) - 1}",
        f"the parser stopped: {reason}",
        "numbers in every cell, and quotation marks in pairs",
        "Look for unusual characters there and export the table again.",
    )
