"""Files of the demo and small tables made of them, for the tests of the command line."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
CAR = ROOT / "vehicles" / "club_racer.toml"
DEMO = ROOT / "demo_data"


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit code, standard output and standard error."""

    code: int
    out: str
    err: str


Run = Callable[..., Ended]


@dataclass(frozen=True)
class OneCorner:
    """Files of a session that pulled and drove with the front left corner gauged alone."""

    pulls: Path
    calibration: Path
    log: Path
    tares: Path
    forces: Path


def rows_of(path: Path) -> Iterator[list[str]]:
    """Rows of a table, header first."""
    opened = gzip.open if path.suffix == ".gz" else open
    with opened(path, "rt", encoding="utf-8", newline="") as stream:
        yield from csv.reader(stream)


def write_rows(path: Path, rows: list[list[str]]) -> Path:
    """Write rows as a plain table."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)
    return path


def no_traceback(text: str) -> bool:
    """Whether a message shows none of the program's inside."""
    return "Traceback" not in text
