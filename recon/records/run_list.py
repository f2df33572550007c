"""Run lists: which result is which run, on which set-up, and how it was driven."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.base.public import public
from recon.records.column_maps import WORDS
from recon.records.files import FORCES_NAME, checksum, only_result
from recon.records.sheets import Words
from recon.records.table_rows import Rows, open_rows

FEWEST = 2  # runs of each set-up: one run has no scatter
NOT_STATED = "not stated"
TEMPERATURE = "tyre_temperature"  # attribute of forces [degC], where the run list states it


@dataclass(frozen=True, slots=True)
class RunList:
    """Rows of one run list in the order of the runs; every array has length `run`.

    The first set-up is that of the first row of the file.
    """

    path: str
    checksum: str
    line: NDArray[np.int64]  # line of the file, for messages
    file: tuple[Path, ...]  # forces.nc of each run
    set_up: Words
    order: Floats  # 1, 2, 3 ...: when it was driven
    block: Words  # "" where not written
    driver: Words  # "" where not written
    tyre_set: Words  # "" where not written
    tyre_temperature: Floats  # degC before the run, NaN where not written
    changed: Words  # what the set-up changed, `NOT_STATED` where it does not say
    notes: Words
    set_ups: tuple[str, str]  # the first one is the one to compare with
    assumed: tuple[str, ...] = ()  # a sentence for each default that was used

    def __repr__(self) -> str:
        """The lines that a notebook shows: how many runs there are on each set-up."""
        count = [f"{int(np.sum(self.set_up == name))} on '{name}'" for name in self.set_ups]
        return f"RunList {self.path}: {', '.join(count)}"

    @property
    def changed_by(self) -> str:
        """The change of the second set-up against the first, as stated."""
        return str(self.changed[self.set_up == self.set_ups[1]][0])

    def where(self, run: int) -> str:
        """Place of a run for messages."""
        return f"{self.path}, line {self.line[run]} ({self.file[run]})"


@public
def read_run_list(path: str | Path) -> RunList:
    """Read a run list.

    Parameters
    ----------
    path : str or Path
        Table with one row for each run: CSV, plain or `.gz`.  Names of files are looked up from
        the folder of the table.

    Returns
    -------
    RunList
        Runs in the order in which they were driven; temperature [degC].

    Raises
    ------
    DataError
        A column, unit or word is missing or unknown, a file is missing, a run stands there twice,
        there are not two set-ups with two runs each, two runs have one place in the order, a
        column is filled in some rows only, or the rows of one set-up state different changes.
    """
    rows = open_rows(path, "runs", None, None)
    files = _files(rows, Path(path).parent)
    set_up = rows.words("set_up")
    _refuse_set_ups(rows, set_up)
    changed = _changed(rows, set_up)
    order = _order(rows)
    columns = {name: _filled(rows, name) for name in ("block", "driver", "tyre_set")}
    at = np.argsort(order)
    return RunList(
        path=str(path),
        checksum=checksum(path),
        line=np.array(rows.lines, dtype=np.int64)[at],
        file=tuple(files[row] for row in at),
        set_up=set_up[at],
        order=order[at],
        tyre_temperature=_temperature(rows)[at],
        changed=changed[at],
        notes=rows.words("notes")[at],
        set_ups=_first_two(set_up),
        assumed=_assumed(rows),
        **{name: words[at] for name, words in columns.items()},
    )


def read_same_set_up(path: str | Path, forces: xr.Dataset) -> list[xr.Dataset]:
    """Read the forces of all runs on the set-up of one of them, that one included.

    The run list may hold any number of set-ups here, with one run or more each; `forces` are one of
    its runs, as `read_result` returns it.  The attribute `tyre_temperature` [degC] of a result is
    that of the run, where it is stated.

    Raises DataError: as `read_run_list`, but for the number of set-ups; or the forces are no run of
    the list.
    """
    from recon.records.results import read_result

    rows = open_rows(path, "runs", None, None)
    files = _files(rows, Path(path).parent)
    set_up, temperature = rows.words("set_up"), _temperature(rows)
    _refuse_gaps(rows, "set_up", set_up == "")
    source = Path(str(forces.encoding.get("source"))).resolve()
    own = [row for row, file in enumerate(files) if file.resolve() == source]
    if not own:
        raise DataError(
            str(path),
            f"no row for {place_of(forces)}",
            "a list in which this drive is one of the runs: its set-up decides which others enter",
            "Add a row for it, or name the forces of a run that is in the list.",
        )
    out = []
    for row in np.flatnonzero(set_up == set_up[own[0]]).tolist():
        run = read_result(files[row])
        stated = {TEMPERATURE: float(temperature[row])} if np.isfinite(temperature[row]) else {}
        out.append(run.assign_attrs(stated))
        out[-1].encoding = run.encoding
    return out


def _files(rows: Rows, folder: Path) -> list[Path]:
    """The result of each run; a folder stands for the forces in it."""
    names = rows.words("file")
    files = [_result_of(folder / name) for name in names]
    rows.refuse(
        np.array([file is None for file in files], dtype=bool),
        lambda row: _not_there(folder, names[row]),
        f"a file that `recon reconstruct` wrote ({FORCES_NAME}), or the folder that holds it",
        f"Correct the cell; names are looked up from {folder.resolve()}.",
    )
    there = [file for file in files if file]
    first = {file.resolve(): row for row, file in reversed(list(enumerate(there)))}
    earlier = [first[file.resolve()] for file in there]
    rows.refuse(
        np.array([place != row for row, place in enumerate(earlier)], dtype=bool),
        lambda row: f"'{names[row]}' once more, after line {rows.lines[earlier[row]]}",
        "every run once: a repeated run makes the scatter look smaller than it is",
        "Remove the row, or name the result of the run that it describes.",
    )
    return there


def _not_there(folder: Path, name: str) -> str:
    with suppress(OSError, ValueError):  # a name that no file can have
        if name and (folder / name).is_dir():
            return f"no {FORCES_NAME} in the folder '{name}'"
    return f"no file '{name}'" if name else "no file"


def _result_of(file: Path) -> Path | None:
    """The file, or the result in it if it is a folder; None if there is no such file."""
    try:
        file = only_result(file)
        return file if file.is_file() else None
    except (OSError, ValueError):  # a name that no file can have
        return None


def _changed(rows: Rows, set_up: Words) -> Words:
    """The change that each set-up states, the same in all of its rows."""
    legal = (*WORDS["changed"], NOT_STATED)
    changed = rows.words("changed", NOT_STATED)
    rows.refuse(
        ~np.isin(changed, legal),
        lambda row: f"changed '{changed[row]}'",
        f"what the set-up changed: one of {', '.join(legal)}",
        "Write the first of these words that applies.",
    )
    _refuse_mixed(rows, set_up, changed)
    return changed


def _first_two(set_up: Words) -> tuple[str, str]:
    first, second = dict.fromkeys(set_up.tolist())
    return first, second


def _refuse_set_ups(rows: Rows, set_up: Words) -> None:
    rows.refuse(
        set_up == "",
        lambda _: "no set_up",
        "the name of the set-up in every row",
        "Fill in the cell.",
    )
    names = list(dict.fromkeys(set_up.tolist()))
    last = np.arange(len(set_up)) == len(set_up) - 1
    listed = ", ".join(f"'{name}'" for name in names)
    rows.refuse(
        last & (len(names) != 2),
        lambda _: f"{len(names)} set-up{'s' if len(names) > 1 else ''} in all, {listed}",
        "two set-ups",
        "List the runs of two set-ups; of more, compare two at a time with a list for each pair."
        if len(names) > 2
        else "Add the runs of the set-up to compare with, or correct the spelling.",
    )
    counts = {name: int(np.sum(set_up == name)) for name in names}
    rows.refuse(
        np.array([counts[name] < FEWEST for name in set_up.tolist()], dtype=bool),
        lambda row: f"{counts[str(set_up[row])]} run of set-up '{set_up[row]}'",
        f"at least {FEWEST} runs of each set-up: one run does not show how much runs scatter",
        "Drive more runs, best in blocks: A B B A.",
    )


def _refuse_mixed(rows: Rows, set_up: Words, changed: Words) -> None:
    first = {str(name): row for row, name in reversed(list(enumerate(set_up)))}
    stated = np.array([changed[first[str(name)]] for name in set_up])
    rows.refuse(
        changed != stated,
        lambda row: (
            f"changed '{changed[row]}' for set-up '{set_up[row]}', which has "
            f"'{stated[row]}' in line {rows.lines[first[str(set_up[row])]]}"
        ),
        "the same words in all rows of a set-up",
        "Write what the set-up changed in each of its rows, or split it into two set-ups.",
    )


def _order(rows: Rows) -> Floats:
    """Place of each run in the day; the rows as they stand where no order is written."""
    order = rows.numbers("order")
    if np.isnan(order).all():
        return np.arange(1.0, len(order) + 1)
    _refuse_gaps(rows, "order", np.isnan(order))
    again = np.array([value in order[:row] for row, value in enumerate(order)], dtype=bool)
    rows.refuse(
        again,
        lambda row: f"order {order[row]:g} once more",
        "a number of its own for each run: 1, 2, 3 ... as they were driven",
        "Correct the cell, or leave the column out if the rows stand in the order of driving.",
    )
    return order


def _temperature(rows: Rows) -> Floats:
    values = rows.numbers("tyre_temperature")
    if not np.isnan(values).all():
        _refuse_gaps(rows, "tyre_temperature", np.isnan(values))
    return values


def _filled(rows: Rows, name: str) -> Words:
    words = rows.words(name)
    if np.any(words != ""):
        _refuse_gaps(rows, name, words == "")
    return words


def _refuse_gaps(rows: Rows, name: str, empty: NDArray[np.bool_]) -> None:
    rows.refuse(
        empty,
        lambda _: f"no {name}, which other rows have",
        f"{name} in every row or in none",
        "Fill in the cell, or empty the column: a run without it cannot be compared with the rest.",
    )


def _assumed(rows: Rows) -> tuple[str, ...]:
    """Sentences for what the list does not state."""
    path = rows.table.layout.path
    taken = {
        "order": "runs are taken as driven in the order of the rows",
        "block": "all runs are taken as one block",
        "driver": "all runs are taken as driven by one driver",
        "tyre_set": "all runs are taken as driven on one set of tyres",
        "tyre_temperature": "a change of grip with temperature is not taken off",
        "changed": "no gauged link, mount or ride height is taken to have changed",
    }
    stated = {name for name in taken if name in rows.table.bound and any(rows.words(name))}
    return tuple(
        f"{path}: {name} not stated, {words}" for name, words in taken.items() if name not in stated
    )
