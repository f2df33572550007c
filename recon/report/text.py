"""Lines of text that fit a terminal."""

from __future__ import annotations

import textwrap

WIDEST = 100  # characters


def wrapped(sentence: str) -> list[str]:
    """An indented sentence, broken into lines of at most `WIDEST` characters."""
    return textwrap.wrap(sentence, WIDEST, initial_indent="  ", subsequent_indent="    ")
