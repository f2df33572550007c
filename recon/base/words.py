"""Names and numbers in running text."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np


def enumerated(names: Iterable[str]) -> str:
    """Names as people write them: A; A and B; A, B and C.  No names make no text."""
    *first, last = ("", *names)
    return f"{', '.join(first[1:])} and {last}" if first[1:] else last


def in_digits(value: float, digits: int = 3) -> str:
    """A number in so many significant digits and never with an exponent: 1990 for 1.99e+03."""
    return np.format_float_positional(
        value, precision=digits, unique=False, fractional=False, trim="-"
    )
