"""Times of day and dated times (ISO 8601) as a column of a table.

A column of stamps holds one of two forms throughout: clock times `HH:MM[:SS[.sss]]`, or dated
times `YYYY-MM-DD HH:MM[:SS[.sss]]`, with `T` or a space between them and, if wanted, a zone (`Z`,
`+02:00`).
"""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.late import pd
from recon.records.layout import Layout

CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d([.,]\d+)?)?", re.ASCII)
DATED = re.compile(
    r"\d{4}-\d\d-\d\d[T ]([01]\d|2[0-3]):[0-5]\d(:[0-5]\d([.,]\d+)?)?\s?(Z|[+-]\d\d(:?\d\d)?)?",
    re.ASCII,
)
HALF_DAY = 43200.0  # s
FORMS = (
    "a stamp HH:MM, HH:MM:SS or HH:MM:SS.sss, or with its date (ISO 8601) YYYY-MM-DD HH:MM:SS.sss"
)


def stamp(layout: Layout, text: str, line: int, position: int) -> str:
    """Return `text` if it is a stamp of the form with which the column begins.

    Raises DataError: it is none, or the column begins with another form.
    """
    first = layout.first_cell(position).strip()
    dated = DATED.fullmatch(first)
    if (DATED if dated else CLOCK).fullmatch(text) and (not dated or _is_day(text[:10])):
        return text
    raise DataError(
        layout.where(line, position),
        f"'{text}' where the column begins with the time '{first}'",
        FORMS,
        "Export the time in one of these forms; a column holds one form or plain numbers.",
    )


def _is_day(text: str) -> bool:
    """Whether the calendar has this day, YYYY-MM-DD."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def dated_day(first: str) -> str:
    """Day of a dated stamp, YYYY-MM-DD; empty for a time of day."""
    first = first.strip()
    return first[:10] if DATED.fullmatch(first) else ""


def seconds_of(stamps: Any, first: str) -> Floats:
    """Seconds (row,) [s] of a pandas series of stamps, NaN where a cell is none.

    Seconds of the day for clock times.  Dated times count from midnight of the day of `first`,
    the first stamp of the column (UTC if it has a zone).
    """
    first = first.strip().replace(",", ".")
    whole = stamps.str.strip().str.replace(",", ".", regex=False)
    if not DATED.fullmatch(first):
        whole = whole.where(whole.str.count(":") > 1, whole + ":00")
        spans = pd.to_timedelta(whole, errors="coerce")
        return np.asarray(spans.dt.total_seconds(), dtype=np.float64)
    dated = pd.to_datetime(whole, format="ISO8601", utc=True, errors="coerce")
    day = pd.to_datetime(pd.Series([first]), format="ISO8601", utc=True, errors="coerce")
    seconds = (dated - day.dt.normalize().iloc[0]).dt.total_seconds()
    return np.asarray(seconds, dtype=np.float64)


def past_midnight(seconds: Floats, first: str) -> Floats:
    """Times (row,) [s] with a day added wherever a clock falls back by more than half a day.

    Dated times, of which `first` is one, never fall back.
    """
    if DATED.fullmatch(first.strip()):
        return seconds
    days = np.concatenate([[0], np.cumsum(np.diff(seconds) < -HALF_DAY)])
    return seconds + 2 * HALF_DAY * days
