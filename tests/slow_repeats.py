"""Repeats of a test that only the slow run needs: one says what breaks, all say where."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def some_quick(values: Iterable[Any], *quick: object) -> list[Any]:
    """Values of a parameter, marked as slow but for the `quick` ones."""
    return [
        value if value in quick else pytest.param(value, marks=pytest.mark.slow(3))
        for value in values
    ]
