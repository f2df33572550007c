"""Column maps: which foreign column is which of ours, and in which unit.

A map is a TOML file of names, units, words, constants and corrections.  It can hold no path and no
formula; whatever it does not know it refuses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from recon.base import toml
from recon.base.errors import DataError, nearest
from recon.base.quantities import COMPONENTS, CORNERS
from recon.car.vehicle import Vehicle
from recon.records.corrections import Correction, corrections_of
from recon.records.files import existing_file
from recon.records.layout import opened_bytes, split_unit

Kind = Literal["pulls", "log", "tares", "sections", "runs"]


def _each(names: tuple[str, ...], dimension: str, *ends: tuple[str, ...]) -> dict[str, str]:
    for part in ends:
        names = tuple(f"{name}_{end}" for name in names for end in part)
    return dict.fromkeys(names, dimension)


# Ours, with the kind of quantity; gauges come on top under their own names.
QUANTITIES: dict[str, dict[str, str]] = {
    "pulls": {
        **_each(("corner", "pull", "purpose", "wheel_held_by", "phase", "notes"), "word"),
        "clock": "time",
        **_each(("strap_load", "pad_load", "strap_limit"), "force"),
        **_each(("attach", "mark1", "mark2", "pad"), "length", COMPONENTS),
        **_each(("direction",), "ratio", COMPONENTS),
        "travel": "length",
        "partner_travel": "length",
        "steer": "angle",
        "temperature": "temperature",
        **_each(("u_load_step", "u_strap_gain", "u_pad_gain"), "ratio"),
        **_each(("u_attach", "u_mark", "u_pad_point"), "length"),
        **_each(("u_direction", "u_pad_tilt"), "angle"),
    },
    "tares": {
        **_each(("when", "gauge", "state"), "word"),
        **_each(("indication", "sd"), "gauge"),
        "temperature": "temperature",
        "pad_load": "force",
        "time": "time",
    },
    "log": {
        "elapsed_time": "time",
        **_each(("gauge_temperature",), "temperature", CORNERS),
        **_each(("hub_acceleration",), "acceleration", CORNERS, COMPONENTS),
        **_each(("travel",), "length", CORNERS),
        **_each(("wheel_speed",), "angular_rate", CORNERS),
        **_each(("brake_pressure",), "pressure", ("front", "rear")),
        **_each(("acceleration",), "acceleration", COMPONENTS),
        "rack": "length",
        **_each(("steer", "steering_wheel_angle", "roll", "pitch"), "angle"),
        "speed": "speed",
        "yaw_rate": "angular_rate",
        "engine_speed": "angular_rate",
        "distance": "distance",
        **_each(("throttle", "gear", "clutch", "lap", "marker"), "ratio"),
    },
    "runs": {
        **_each(("file", "set_up", "changed", "block", "driver", "tyre_set", "notes"), "word"),
        "order": "ratio",
        "tyre_temperature": "temperature",
    },
    "sections": {
        **_each(("name", "kind"), "word"),
        **_each(("start", "end"), "time"),
        **_each(("start_place", "end_place"), "distance"),
    },
}

# The legal words of every column of words that has some.
WORDS: dict[str, tuple[str, ...]] = {
    "purpose": ("fit", "verify"),
    "wheel_held_by": ("brake", "half-shaft", "free"),
    "phase": ("tare", "rising", "falling"),
    "when": ("before", "during", "after"),
    "state": ("hanging", "pads", "standing", "coasting"),
    "changed": ("gauged link", "mount", "ride height", "tyres", "driver", "nothing gauged"),
}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Form(_Strict):
    """How a table is written; `find_layout` finds what is None."""

    separator: Literal[",", ";", "\t"] | None = None
    decimal: Literal[".", ","] | None = None
    skip_lines: int = Field(default=0, ge=0)
    units_row: bool | None = None


class Source(_Strict):
    """Their column, and its unit where the map says it ("" where the table says it)."""

    column: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """The content of a map file; an empty map reads files with our own header."""

    path: str = ""
    file: Form = field(default_factory=Form)
    columns: Mapping[str, Source] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    constants: Mapping[str, tuple[str, str | float]] = field(default_factory=dict)  # unit, value
    corrections: Mapping[str, Correction] = field(default_factory=dict)
    same_clock: bool = False  # as the other files of the logger


def read_map(path: str | Path, kind: Kind, car: Vehicle) -> ColumnMap:
    """Read a column map for tables of `kind`.

    Raises DataError: no such file, no TOML, an unknown key, name, unit or word, another kind, or a
    column that is also a constant.
    """
    file = existing_file(path, "column map")
    try:
        with opened_bytes(file) as stream:
            raw = toml.parsed(toml.text_of(stream.read(toml.LARGEST + 1)))
    except toml.TomlFault as fault:
        where = _place(file, fault.place) if fault.place else str(file)
        do = "Correct that line; demo_data/README.md shows a column map."
        raise DataError(where, fault.found, fault.needed, do) from None
    checked = _validated(file, raw)
    if checked.kind != kind:
        raise DataError(
            str(file),
            f"a map for {checked.kind}",
            f"a map for {kind}",
            f'Give the map that belongs to this file, or correct its line kind = "{checked.kind}".',
        )
    if checked.same_clock and kind != "log":
        raise DataError(
            _place(file, "same_clock"),
            f"same_clock in a map for {kind}",
            "it in a map for a log, one of several files of a logger",
            "Delete that line.",
        )
    gauges = () if kind == "tares" else (gauge.name for _, gauge in car.gauges)
    known = QUANTITIES[kind] | dict.fromkeys(gauges, "gauge")
    columns = {
        _known(file, ours, tuple(known)): Source(column=theirs)
        if isinstance(theirs, str)
        else theirs
        for ours, theirs in checked.columns.items()
    }
    constants = _constants(file, checked.constants, QUANTITIES[kind], columns)
    for ours, words in checked.values.items():
        _known(file, ours, tuple(n for n, d in QUANTITIES[kind].items() if d == "word"))
        for theirs, word in words.items():
            if word not in WORDS.get(ours, (word,)):
                raise DataError(
                    _place(file, f"values.{ours}"),
                    f"'{theirs}' put into '{word}'",
                    nearest(word, WORDS[ours]),
                    "Write theirs = ours.",
                )
    return ColumnMap(
        path=str(file),
        file=checked.file,
        columns=columns,
        values=checked.values,
        constants=constants,
        corrections=corrections_of(
            str(file),
            {
                name: keys.model_dump(exclude_unset=True)
                for name, keys in checked.corrections.items()
            },
            _correctable(kind, car),
            delays=kind == "log",
        ),
        same_clock=checked.same_clock,
    )


def _place(file: Path, key: str) -> str:
    return f"{file}, {key}"


def _correctable(kind: Kind, car: Vehicle) -> dict[str, str]:
    """Columns of numbers with the kind of quantity, and gauges with their unit."""
    ours = {} if kind == "tares" else {n: d for n, d in QUANTITIES[kind].items() if d != "word"}
    ours.pop("elapsed_time", None)
    return ours | {gauge.name: gauge.unit for _, gauge in car.gauges}


def _known(file: Path, name: str, known: tuple[str, ...]) -> str:
    if name not in known:
        raise DataError(
            str(file),
            f"'{name}', which no column of ours is called",
            nearest(name, known),
            "Write ours = theirs: the name on the left is ours.",
        )
    return name


def _constants(
    file: Path,
    raw: Mapping[str, str | float],
    known: Mapping[str, str],
    columns: Mapping[str, Source],
) -> dict[str, tuple[str, str | float]]:
    constants = {}
    for key, value in raw.items():
        name, unit = split_unit(key)
        dimension = known[_known(file, name, tuple(known))]
        if name in columns or (dimension == "word") != isinstance(value, str):
            raise DataError(
                _place(file, "constants"),
                f"'{key}' = {value!r}" + (", also mapped as a column" if name in columns else ""),
                "words for columns of words, numbers with a unit for the others, each name once",
                "Correct the line in the map.",
            )
        constants[name] = (unit, value)
    return constants


Number = Annotated[float, Field(allow_inf_nan=False)]


class _CorrectionKeys(_Strict):
    factor: Number = 1.0
    add: str = ""
    late_ms: Number = 0.0
    exchanged_with: str = ""


class _MapKeys(_Strict):
    """The map as it is written in the file."""

    format: Literal[1]
    kind: Kind
    same_clock: bool = False
    file: Form = Form()
    columns: dict[str, str | Source] = Field(default_factory=dict)
    values: dict[str, dict[str, str]] = Field(default_factory=dict)
    constants: dict[str, str | Number] = Field(default_factory=dict)
    corrections: dict[str, _CorrectionKeys] = Field(default_factory=dict)


def _validated(file: Path, raw: dict[str, Any]) -> _MapKeys:
    try:
        return _MapKeys.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[-1]  # of a choice of types the last one is the richest
        wanted = first["msg"].removeprefix("Input should be ")
        needed, do = wanted[0].lower() + wanted[1:], ""
        if first["type"] == "extra_forbidden":
            needed = "a key that a column map has"
            if first["loc"][-1] in Form.model_fields:
                do = f"Write {first['loc'][-1]} below a line [file]. "
        raise DataError(
            _place(file, ".".join(str(part) for part in first["loc"])),
            f"{first['input']!r}",
            needed,
            f"{do}A map holds format, kind, same_clock, [file], [columns], [values], [constants] "
            "and [corrections].",
        ) from error
