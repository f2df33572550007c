"""Large libraries that are imported where something of them is first used.

Commands that need none of them start at once, and modules name their types without importing them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any


class _Late:
    """A library that is imported with the first of its names that is asked for."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        return getattr(import_module(self._name), name)


if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
else:
    pd, xr = _Late("pandas"), _Late("xarray")

__all__ = ["pd", "xr"]
