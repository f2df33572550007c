"""Rows of pull sheets and tare tables: words and numbers of one column each, in SI."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.late import pd
from recon.base.quantities import COMPONENTS
from recon.car.vehicle import Vehicle
from recon.records.column_conversion import TOO_LARGE, BoundTable, open_table
from recon.records.column_maps import Kind
from recon.records.sheets import Words
from recon.records.tables import number, read_rows
from recon.records.time_stamps import past_midnight, seconds_of, stamp


@dataclass(frozen=True, slots=True)
class Rows:
    """The data rows of a bound table as words, with their line numbers."""

    table: BoundTable
    lines: list[int]
    cells: list[list[str]]

    def where(self, row: int, name: str = "") -> str:
        """Place for a message: file, line and column of ours."""
        bound = self.table.bound.get(name)
        return self.table.layout.where(self.lines[row], bound.position if bound else None)

    def refuse(
        self, wrong: NDArray[np.bool_], found: Callable[[int], str], needed: str, do: str
    ) -> None:
        """Refuse the table at the first row that is `wrong` (row,); `found` describes a row.

        Raises DataError: any row is wrong.
        """
        if wrong.any():
            row = int(np.argmax(wrong))
            raise DataError(self.where(row), found(row), needed, do)

    def words(
        self, name: str, default: str = "", legal: Sequence[str] = (), others: str = ""
    ) -> Words:
        """Words of one column, translated; empty cells take `default`.

        `others` names what a row may belong to that is not there, such as another corner.

        Raises DataError: a word is not among `legal` (where any are given).
        """
        translation = self.table.values.get(name, {})
        found = [translation.get(word, word) if word else default for word in self._texts(name)]
        for row, word in enumerate(found):
            if legal and word not in legal:
                do = f"Correct the cell, or translate it under [values.{name}] in a column map."
                if others:
                    do += f" Remove the rows of {others} that the vehicle file leaves out."
                if not word:
                    do = (
                        "Fill in the cell; merged cells of a spreadsheet fill their first row only."
                    )
                found_here = f"{name} '{word}'" if word else f"no {name}"
                raise DataError(self.where(row, name), found_here, nearest(word, tuple(legal)), do)
        return np.array(found, dtype=np.str_)

    def _texts(self, name: str) -> list[str]:
        bound = self.table.bound.get(name)
        if bound is None:
            return [""] * len(self.lines)
        if bound.position is None:
            return [str(bound.constant)] * len(self.lines)
        return [cells[bound.position] for cells in self.cells]

    def assumed(self, defaults: Mapping[str, float | str]) -> tuple[str, ...]:
        """A sentence for each default (in SI) that stands for empty cells or a missing column."""
        out = []
        for name, taken in defaults.items():
            empty = sum(not text for text in self._texts(name))
            if empty:
                words = taken if isinstance(taken, str) else f"{taken:g} in SI units"
                place = f"{self.table.layout.path}: {name} not stated in {empty} of "
                words = f"{len(self.lines)} rows, taken as {words} (common practice, no source)"
                out.append(place + words)
        return tuple(out)

    def numbers(
        self,
        name: str,
        default: float = float("nan"),
        *,
        least: float = -np.inf,
        most: float = np.inf,
    ) -> Floats:
        """Numbers of one column (row,) in the SI unit of its quantity [m, N, rad ...].

        Empty cells take `default`, also in SI.

        Raises DataError: a cell is no number, or lies outside `least` to `most` (SI) or what is
        possible.
        """
        bound = self.table.bound.get(name)
        if bound is None:
            return np.full(len(self.lines), default)
        if bound.position is None:
            values = np.full(len(self.lines), float(bound.constant))
        else:
            values = np.array(
                [
                    number(self.table.layout, cells[bound.position], line, bound.position)
                    for line, cells in zip(self.lines, self.cells, strict=True)
                ]
            )
        si = bound.si(values)
        self.refuse(
            np.asarray(si < least),
            lambda row: f"{name} = {values[row]:g} {bound.spelling}",
            f"a value not below {least:g}" + (" in SI units" if least else ""),
            "Correct the cell; loads have no sign here, and no reading is exact."
            if least
            else "Correct the cell; loads and uncertainties have no sign here.",
        )
        most = min(most, bound.largest)
        self.refuse(
            np.abs(si) > most,
            lambda row: f"{name} = {values[row]:g} {bound.spelling}",
            f"a size of at most {most:g} in SI units",
            TOO_LARGE,
        )
        return np.where(np.isnan(si), default, si)

    def clock(self, name: str) -> Floats:
        """Times of one column (row,) [s], from numbers or from clock stamps; NaN where empty."""
        bound = self.table.bound.get(name)
        if bound is None or not bound.stamps or bound.position is None:
            return self.numbers(name)
        layout, position = self.table.layout, bound.position
        stamps = [
            stamp(layout, cells[position], line, position)
            for line, cells in zip(self.lines, self.cells, strict=True)
        ]
        first = layout.first_cell(position)
        return past_midnight(seconds_of(pd.Series(stamps, dtype=str), first), first)

    def vector(self, name: str) -> Floats:
        """Three columns `name_x`, `_y`, `_z` as (row, 3) in SI [m, m/s2 ...].

        NaN where all three are empty.

        Raises DataError: a row has some of the three but not all.
        """
        vector = np.stack([self.numbers(f"{name}_{c}") for c in COMPONENTS], axis=1)
        missing = np.isnan(vector)
        self.refuse(
            np.asarray(missing.any(axis=1) & ~missing.all(axis=1)),
            lambda row: f"{name} without {name}_{COMPONENTS[int(np.argmax(missing[row]))]}",
            f"{name}_x, {name}_y and {name}_z together",
            "Fill in the missing coordinate or empty all three.",
        )
        return vector


def open_rows(
    path: str | Path, kind: Kind, car: Vehicle | None, column_map: str | Path | None
) -> Rows:
    """Open a table with `open_table` and read its rows."""
    table = open_table(path, kind, car, column_map)
    return Rows(table, *read_rows(table.layout))
