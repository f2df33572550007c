"""Faults that the schema found, in the words of the file: key path, found, needed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, get_args

from recon.base.errors import closest, nearest, shortened
from recon.car.schema import FORMS, Table, VehicleTable
from recon.car.sizes import range_of
from recon.car.source import Loc

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

LONGEST = 60  # characters of a wrong value that a message repeats
Fault = tuple[Loc, str, str]  # key path, what was found, what is needed

_NEEDED = {
    "float_type": "a number",
    "string_type": "a text in quotes",
    "bool_type": "true or false",
    "finite_number": "a finite number",
    "tuple_type": "a list in brackets",
    "model_type": "a table",
    "string_too_short": "a text that is not empty",
    "string_too_long": "a shorter text",
}


def faults_of(error: ValidationError) -> list[Fault]:
    """Faults that the schema found, in the words of the file, each once."""
    errors = error.errors(include_url=False)
    meant = {
        (*e["loc"][:-1], closest(str(e["loc"][-1]), _keys(e["loc"][:-1])))
        for e in errors
        if e["type"] == "extra_forbidden"
    }
    # A key that is there under another name is no second fault.
    told = (e for e in errors if e["type"] != "missing" or e["loc"] not in meant)
    return list(dict.fromkeys(_worded(e) for e in told))


def _worded(error: ErrorDetails) -> Fault:
    given, context = error["input"], error.get("ctx", {})
    loc = tuple(part for part in error["loc"] if part not in FORMS)
    match error["type"]:
        case "together":
            loc += tuple(filter(None, [context["key"]]))
            found, needed = context["found"], context["needed"]
        case "extra_forbidden":
            found = f"unknown key {_short(loc[-1])}"
            needed = _key_needed(str(loc[-1]), _keys(error["loc"][:-1]))
        case "missing" if isinstance(loc[-1], int):
            loc = loc[:-1]
            found, needed = f"{len(given)} entries", "more entries, one for each axis or limit"
        case "missing":
            found, needed = "no such key", f"the key '{loc[-1]}', which has no default"
        case "too_long":
            found = f"{context['actual_length']} entries"
            needed = f"{context['max_length']} entries"
        case "literal_error":
            choices = tuple(re.findall(r"'([^']*)'", context["expected"]))
            found = _short(given)
            needed = nearest(str(given), choices) if choices else context["expected"]
        case kind:
            found = _short(given)
            needed = _NEEDED.get(kind, error["msg"].replace("Input should be", "a number"))
    return loc, found, needed


def _key_needed(written: str, keys: tuple[str, ...]) -> str:
    """The key that is meant, with the unit of its number where that is not the one written."""
    unit, _ = range_of(closest(written, keys)) or ("", None)
    needed = nearest(written, keys)
    if not unit or written.endswith(f"_{unit}"):
        return needed
    return needed.replace("mean that?", f"mean that, in {unit.replace('_per_', '/')}?")


def _short(given: Any) -> str:
    return shortened(repr(given), LONGEST)


def _keys(loc: Loc) -> tuple[str, ...]:
    """Legal keys of the table at `loc` (with the form of each corner, as pydantic reports it)."""
    table: type[Table] = VehicleTable
    for part in loc:
        if part in FORMS:
            table = FORMS[str(part)]
        elif isinstance(part, str):
            table = next(_tables(table.model_fields[part].annotation))
    return tuple(table.model_fields)


def _tables(annotation: Any) -> Iterator[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation
    for part in get_args(annotation):
        yield from _tables(part)
