"""Pull sheets with other columns, or with some of their rows."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np

from recon.records.sheets import PARTS, PullSheet


def rewritten(sheet: PullSheet, **columns: Any) -> PullSheet:
    """The sheet with other values in `columns`, which are named as in the file."""
    for part, names in PARTS.items():
        own = {names[name]: columns.pop(name) for name in names.keys() & columns.keys()}
        columns[part] = replace(getattr(sheet, part), **own)
    return replace(sheet, **columns)


def rows_of(sheet: Any, chosen: np.ndarray) -> Any:
    """The chosen rows of a sheet, its devices included."""
    changed = {}
    for field in fields(sheet):
        value = getattr(sheet, field.name)
        if isinstance(value, np.ndarray):
            changed[field.name] = value[chosen]
        elif is_dataclass(value):
            changed[field.name] = rows_of(value, chosen)
    return replace(sheet, **changed)
