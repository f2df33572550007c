"""Our columns found in a table: position, unit and translation, and the cells as arrays in SI."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, nearest, warn
from recon.base.quantities import INDICATION_UNITS, LARGEST, UNITS, Unit, our_spelling, unit_of
from recon.base.words import enumerated
from recon.car.vehicle import Gauge, Vehicle
from recon.records.column_maps import QUANTITIES, ColumnMap, Kind, read_map
from recon.records.corrections import Correction
from recon.records.files import existing_file
from recon.records.frames import frame_layout, is_frame
from recon.records.layout import Layout, find_layout
from recon.records.required_columns import REQUIRED, WHAT, refuse_other_kind

TOO_LARGE = "Correct the number or its unit, or empty the cell if it marks a missing value."
SLIP = 0.85  # likeness of two names from which one is a slip of the other
ALIKE = 0.5  # likeness from which a name is worth offering
NO_UNIT = ("", "-", "flag")  # what a units row says of a plain ratio


@dataclass(frozen=True, slots=True)
class Bound:
    """One of our columns: its position (None: a constant) and its conversion to SI.

    `unit` is None for words, clock stamps, and indications whose unit depends on the row.
    """

    position: int | None
    unit: Unit | None
    spelling: str = ""
    constant: str | float = ""
    stamps: bool = False
    late: float = 0.0  # s, that a correction takes off

    @property
    def largest(self) -> float:
        """Largest size in SI that a cell may have."""
        return LARGEST["time" if self.stamps else self.unit.dimension if self.unit else "gauge"]

    def si(self, values: Floats) -> Floats:
        """Values of the table (row,) in its unit, converted to SI."""
        if self.unit is None:
            return values
        return values * self.unit.factor + self.unit.offset


@dataclass(frozen=True, slots=True)
class BoundTable:
    """A table whose columns have been found."""

    layout: Layout
    bound: dict[str, Bound]
    values: Mapping[str, Mapping[str, str]]  # ours -> their word -> our word
    corrections: Mapping[str, Correction]
    same_clock: bool = False

    def require(self, *names: str) -> None:
        """Refuse the table if none of `names` is there.

        Raises DataError: none of them is a column or a constant.
        """
        if not any(name in self.bound for name in names):
            raise DataError(
                str(self.layout.path),
                f"no column {' or '.join(names)}",
                f"that column; the table has {nearest(names[0], self.layout.named)}",
                "Add the column or name it so, with its unit in square brackets, or write "
                f"{names[0]} = theirs in a column map.",
            )


def open_table(
    path: str | Path, kind: Kind, car: Vehicle | None, column_map: str | Path | None
) -> BoundTable:
    """Find layout and columns of a table, through a column map where one is given.

    Raises DataError: file or map cannot be read, a mapped or required column is missing, a unit is
    missing or wrong.
    """
    file = existing_file(path, WHAT[kind])
    chosen = ColumnMap() if column_map is None or car is None else read_map(column_map, kind, car)
    layout = _layout(file, chosen)
    of_rows = kind == "tares" or car is None  # gauges stand in rows, or there are none
    gauges = {} if of_rows or car is None else {gauge.name: gauge for _, gauge in car.gauges}
    names, radii = (*QUANTITIES[kind], *gauges), _radii(kind, car)
    bound = {}
    for name in names:
        dimension = QUANTITIES[kind].get(name, "gauge")
        wanted = _Wanted(name, dimension, gauges.get(name), radii.get(name))
        found = _bind(layout, chosen, wanted)
        if found is not None:
            bound[name] = found
    if kind != "tares":  # whose rows are corrected, not their columns
        bound = _corrected(layout, chosen, bound)
    _warn_of_treads(file, {name: bound[name] for name in radii if name in bound})
    _refuse_twice(layout, {name: bound[name] for name in gauges if name in bound})
    table = BoundTable(layout, bound, chosen.values, chosen.corrections, chosen.same_clock)
    refuse_other_kind(layout, bound, kind)
    for choices in REQUIRED[kind]:
        table.require(*choices)
    used = {b.position for b in bound.values()}
    not_used = [n for p, n in enumerate(layout.names) if n and p not in used]
    missing = [name for name in names if name not in bound]
    _warn_of_slips(file, not_used, missing)
    # Whoever writes a table by hand means every column; loggers and maps leave some out.
    if kind != "log" and column_map is None:
        _warn_of_strangers(file, not_used, missing)
    return table


def _layout(file: Path, chosen: ColumnMap) -> Layout:
    if is_frame(file):
        form = chosen.file
        return frame_layout(file, skip_lines=form.skip_lines, units_row=form.units_row)
    return find_layout(file, **chosen.file.model_dump())


@dataclass(frozen=True, slots=True)
class _Wanted:
    """One of our columns, with what its unit rests on.

    `gauge` is the one whose indications it holds, `radius` [m] that of the wheel whose speed.
    """

    name: str
    dimension: str
    gauge: Gauge | None
    radius: float | None


def _radii(kind: Kind, car: Vehicle | None) -> dict[str, float]:
    """Loaded radius [m] by the name of the column that may hold the speed of a tread."""
    if kind != "log" or car is None:
        return {}
    return {f"wheel_speed_{n}": corner.wheel.loaded_radius for n, corner in car.corners.items()}


def _bind(layout: Layout, chosen: ColumnMap, wanted: _Wanted) -> Bound | None:
    name = wanted.name
    if name in chosen.constants:
        spelling, value = chosen.constants[name]
        unit = _unit(f"{chosen.path}, constant '{name}'", wanted, spelling)
        return Bound(None, unit, our_spelling(spelling), value)
    source = chosen.columns.get(name)
    position = layout.position(source.column if source else name)
    if position is None:
        if source is None:
            return None
        raise DataError(
            str(layout.path),
            f"no column '{source.column}', which {chosen.path} wants as {name}",
            f"that column; the table has {nearest(source.column, layout.named)}",
            "Correct the name in the column map, or skip_lines if this is not the header.",
        )
    if wanted.dimension == "time" and ":" in layout.first_cell(position):
        return Bound(position, None, stamps=True)
    spelling = (source.unit if source else "") or layout.units[position]
    place = layout.where(layout.first_line - 1, position)
    return Bound(position, _unit(place, wanted, spelling), our_spelling(spelling))


def _corrected(layout: Layout, chosen: ColumnMap, bound: Mapping[str, Bound]) -> dict[str, Bound]:
    """Columns with the corrections of the map, each of which is a note to the user."""
    out = dict(bound)
    for name, correction in chosen.corrections.items():
        source = correction.exchanged_with or name
        found, own = bound.get(source), bound.get(name)
        if found is None or own is None or found.unit is None:
            where = f"{chosen.path}, corrections.{name}"
            raise DataError(
                where,
                f"no column {source if found is None else name} in {layout.path}",
                f"a column of the table, such as {nearest(name, tuple(bound))}",
                "Correct the name, or move the line to the map of the file that has the column.",
            )
        unit = found.unit
        offset = unit.offset * correction.factor + correction.added(unit.dimension)
        unit = replace(unit, factor=unit.factor * correction.factor, offset=offset)
        out[name] = replace(found, unit=unit, late=correction.late)
        warn(f"{layout.path}: {name} {correction}", DataWarning)
    return out


def _unit(where: str, wanted: _Wanted, spelling: str) -> Unit | None:
    """Find the unit that `spelling` means for this quantity; None where no unit is wanted yet."""
    dimension, gauge = wanted.dimension, wanted.gauge
    if dimension == "word":
        return None
    if dimension == "ratio" and spelling in NO_UNIT:
        return UNITS["ratio"]["1"]
    kind = gauge.unit if gauge else dimension
    if not spelling:
        choices = UNITS.get(kind) or [u for k in INDICATION_UNITS for u in UNITS[k]]
        raise DataError(
            where,
            f"no unit for a quantity of kind {kind}",
            f"one of {', '.join(choices)}",
            "Write the unit in the header's brackets, a units row or the column map.",
        )
    if gauge:
        return gauge_unit(where, spelling, gauge)
    return None if dimension == "gauge" else _unit_of_kind(where, wanted, spelling)


def _unit_of_kind(where: str, wanted: _Wanted, spelling: str) -> Unit:
    """Find the unit; that of a wheel's speed may be one of its tread, as most cars send it."""
    if wanted.radius is None:
        return unit_of(spelling, wanted.dimension, where)
    if (ours := our_spelling(spelling)) in UNITS["speed"]:
        return Unit(wanted.dimension, UNITS["speed"][ours].factor / wanted.radius)
    return unit_of(spelling, wanted.dimension, where, tuple(UNITS["speed"]))


def gauge_unit(where: str, spelling: str, gauge: Gauge) -> Unit:
    """Find the unit that `spelling` means for the indications of `gauge`.

    Raises DataError: it is of another kind than the unit in the vehicle file.
    """
    if (ours := our_spelling(spelling)) in UNITS[gauge.unit]:
        return UNITS[gauge.unit][ours]
    raise DataError(
        where,
        f"indications of {gauge.name} in '{spelling}'",
        f"{' or '.join(UNITS[gauge.unit])}, because the vehicle file says {gauge.unit}",
        "Correct the unit in the table, its column map or the vehicle file; "
        "one kind is not converted into another.",
    )


def _refuse_twice(layout: Layout, gauges: dict[str, Bound]) -> None:
    owner: dict[int | None, str] = {}
    for name, bound in gauges.items():
        if bound.position in owner:
            raise DataError(
                layout.where(layout.first_line - 1, bound.position),
                f"this column as {owner[bound.position]} and as {name}",
                "one column for each gauge",
                "Correct the column map; a gauge it does not name is looked up under its own name.",
            )
        owner[bound.position] = name


def _warn_of_treads(file: Path, wheels: dict[str, Bound]) -> None:
    names = [name for name, bound in wheels.items() if bound.spelling in UNITS["speed"]]
    if names:
        warn(
            f"{file}: {enumerated(names)} in {wheels[names[0]].spelling}: divided by "
            "loaded_radius_mm of the vehicle file. Slip then rests on the circumference that their "
            "sender took.",
            DataWarning,
        )


def _warn_of_slips(file: Path, not_used: list[str], missing: list[str]) -> None:
    for name in not_used:
        if close := _closest(name, missing, SLIP):
            warn(f"{file}: column '{name}' is not used; was '{close}' meant?", DataWarning)


def _warn_of_strangers(file: Path, not_used: list[str], missing: list[str]) -> None:
    strangers = [name for name in not_used if not _closest(name, missing, SLIP)]
    if strangers:
        listed = []
        for name in strangers:
            close = _closest(name, missing, ALIKE)
            listed.append(f"'{name}'" + (f" (closest known name: '{close}')" if close else ""))
        warn(
            f"{file}: ignored: column{'s' if strangers[1:] else ''} {', '.join(listed)}",
            DataWarning,
        )


def _closest(name: str, names: list[str], cutoff: float) -> str:
    """The one of `names` that is alike from `cutoff` on, whatever divides their words, or none."""
    plain = {_plain(one): one for one in names}
    found = get_close_matches(_plain(name), plain, n=1, cutoff=cutoff)
    return plain[found[0]] if found else ""


def _plain(name: str) -> str:
    return re.sub(r"[\W_]+", "_", name).lower()
