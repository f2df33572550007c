"""Tables that are no text: Parquet, Feather, ORC, spreadsheets, JSON and netCDF, read by libraries.

Their columns have the names, units and maps of text tables.  Units stand in brackets behind the
name, in a row below the header, in the column map or, in netCDF, in the attribute `units`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.late import pd, xr
from recon.records.layout import Layout, is_units_row, names_and_units, refuse_header
from recon.records.time_stamps import seconds_of

# Ending to the function of pandas that reads it, and the package that it needs beside pandas.
PANDAS: dict[str, tuple[str, str]] = {
    ".parquet": ("read_parquet", "pyarrow"),
    ".feather": ("read_feather", "pyarrow"),
    ".orc": ("read_orc", "pyarrow"),
    ".xlsx": ("read_excel", "openpyxl"),
    ".ods": ("read_excel", "odfpy"),
    ".json": ("read_json", "pandas"),
}
NETCDF = (".nc", ".nc4")
AXLES = {"F": "front", "R": "rear"}
UNREADABLE = (OSError, ValueError, KeyError, TypeError, RuntimeError, EOFError)


def is_frame(path: Path) -> bool:
    """Whether the name ends like that of a table which is no text."""
    return path.suffix.lower() in (*PANDAS, *NETCDF)


def frame_layout(path: Path, *, skip_lines: int = 0, units_row: bool | None = None) -> Layout:
    """Read a table that is no text, with the whole table as `frame`, whose rows count from 1.

    A spreadsheet may have rows before the header, `skip_lines`; whether the row below the header
    holds units is found where `units_row` does not say it.

    Raises DataError: the file cannot be read, the package that reads it is missing, it has no row,
    or two columns have one name.
    """
    frame, attributes = _read(path, skip_lines)
    header = [str(name).strip() for name in frame.columns]
    refuse_header(str(path), header, "no text")
    first = [_text(value) for value in frame.iloc[0]] if len(frame) else []
    if first and (is_units_row(first) if units_row is None else units_row):
        below, frame = first, frame.iloc[1:].infer_objects()
    else:
        below = attributes
    if not len(frame):
        raise DataError(
            str(path),
            "no row of data",
            "at least one row",
            "Export the table again; the recording may have been empty.",
        )
    names, units = names_and_units(header, below)
    return Layout(
        path=path,
        encoding="no text",
        separator=",",
        decimal=".",
        header=tuple(header),
        names=names,
        units=units,
        first_line=1,
        first_row=tuple(_text(value) for value in frame.iloc[0]),
        frame=frame,
    )


def _read(path: Path, skip_lines: int) -> tuple[pd.DataFrame, list[str]]:
    """The table and the unit of each column that its attributes state, "" where none."""
    needs = PANDAS.get(path.suffix.lower(), ("", "netCDF4"))[1]
    try:
        if path.suffix.lower() in NETCDF:
            return _netcdf(path)
        reader = PANDAS[path.suffix.lower()][0]
        options = {"header": skip_lines} if reader == "read_excel" else {}
        frame = getattr(pd, reader)(path, **options)
    except ImportError as error:
        raise DataError(
            str(path),
            f"a table of kind {path.suffix}, for which a package is missing",
            f"the package {needs}",
            f"Run: pip install {needs}. Or export the table as CSV.",
        ) from error
    except UNREADABLE as error:
        raise DataError(
            str(path),
            f"reading failed: {str(error).strip().splitlines()[0] if str(error) else error!r}",
            f"a whole file of kind {path.suffix}",
            "Export or copy the file again, or export the table as CSV.",
        ) from error
    if frame.index.name:  # a time that somebody made the index
        frame = frame.reset_index()
    return frame, [""] * frame.shape[1]


def _netcdf(path: Path) -> tuple[pd.DataFrame, list[str]]:
    """Variables along one dimension as columns; those with corners and components by name."""
    columns: dict[str, Any] = {}
    units: list[str] = []
    with xr.open_dataset(path, engine="netcdf4", decode_times=False) as data:
        along = max(data.sizes, key=lambda dim: data.sizes[dim], default="")
        for name, variable in data.variables.items():
            if variable.dims[:1] == (along,):
                flat = _columns(data, str(name))
                units += [str(variable.attrs.get("units", ""))] * len(flat.keys() - columns.keys())
                columns |= flat
    return pd.DataFrame(columns), units


def _columns(data: xr.Dataset, name: str) -> dict[str, Any]:
    """Columns of one variable: itself, or one for each label of its further dimensions.

    Labels without any number are left out: a corner that was not logged.
    """
    variable = data[name]
    ends: list[tuple[str, ...]] = [()]
    for dim in variable.dims[1:]:
        labels = [str(label) for label in data[dim].to_numpy()]
        ends = [(*end, label) for end in ends for label in labels]
    values = variable.to_numpy().reshape(variable.shape[0], -1)
    return {
        _name(name, end): column
        for end, column in zip(ends, values.T, strict=True)
        if not end or column.dtype.kind != "f" or not np.isnan(column).all()
    }


def _name(name: str, end: tuple[str, ...]) -> str:
    """Our name of a column of a labelled variable."""
    if name == "indication":
        return "_".join(end)
    if name == "brake_pressure" and end:
        return f"{name}_{AXLES.get(end[0][:1], end[0])}"
    return "_".join((name, *end))


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)


def frame_rows(layout: Layout) -> tuple[list[int], list[list[str]]]:
    """Row numbers and cells of a table as words, rows without any cell left out."""
    rows = [[_text(value).strip() for value in row] for row in layout.frame.itertuples(index=False)]
    filled = [(line, row) for line, row in enumerate(rows, layout.first_line) if any(row)]
    return [line for line, _ in filled], [row for _, row in filled]


def frame_values(layout: Layout, positions: list[int], stamps: int | None) -> Floats:
    """Columns (position, row) in the table's own units, stamps in [s], as `parse_table`.

    Raises DataError: a cell is no number, no time or infinite.
    """
    out = np.empty((len(positions), len(layout.frame)))
    for place, position in enumerate(positions):
        column = layout.frame.iloc[:, position]
        values = _times(column, layout, position) if position == stamps else _numbers(column)
        wrong = np.isinf(values) | (np.isnan(values) & ((position == stamps) | column.notna()))
        if wrong.any():
            row = int(np.argmax(wrong))
            raise DataError(
                layout.where(layout.first_line + row, position),
                f"'{_text(column.iloc[row])}'",
                "a time" if position == stamps else "a finite number, or an empty cell",
                "Correct the cell or empty it.",
            )
        out[place] = values
    return out


def _numbers(column: Any) -> Floats:
    return np.asarray(pd.to_numeric(column, errors="coerce"), dtype=np.float64)


def _times(column: Any, layout: Layout, position: int) -> Floats:
    """Seconds (row,) [s] of a column of dates, durations or stamps."""
    if column.dtype.kind == "m":
        return np.asarray(column.dt.total_seconds(), dtype=np.float64)
    return seconds_of(column.astype(str), layout.first_cell(position))
