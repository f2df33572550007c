"""Names in running text."""

from __future__ import annotations

from collections.abc import Iterable


def enumerated(names: Iterable[str]) -> str:
    """Names as people write them: A; A and B; A, B and C.  No names make no text."""
    *first, last = ("", *names)
    return f"{', '.join(first[1:])} and {last}" if first[1:] else last
