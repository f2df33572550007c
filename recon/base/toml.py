"""Parse a user's TOML text after checking its size, depth and number lengths.

The parser recurses once for every open bracket, and Python refuses integers of more than 4300
digits.  Without these checks both would end in errors that name no line.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

LARGEST = 1 << 20  # bytes; a vehicle file has about 20 000
DEEPEST = 20  # brackets open at once, or parts of a dotted key
LONGEST = 100  # characters of a number or of a bare key

# Quoted text and comments are skipped, because brackets and dots in them have no meaning.
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""'
    r"|'''.*?'''"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|(?P<open>[\[{])|(?P<close>[\]}])|(?P<line>\n)|(?P<dot>\.)|(?P<word>[\w+-]+)|(?P<end>[=,])",
    re.DOTALL,
)

# Slips of people who write TOML for the first time.
_SLIPS = {
    "typographic quotes": re.compile("[\u2018-\u201f]"),
    "a decimal comma": re.compile(r"^[^#\"'=]*=\s*[+-]?\d+,\d+\s*(#.*)?$"),
    "another word for true or false": re.compile(
        r"^[^#\"'=]*=\s*(yes|no|on|off|true|false)\s*(#.*)?$", re.IGNORECASE
    ),
    "a list without brackets": re.compile(r"^[^#\"'=]*=\s*[+-]?[\d.]+\s*,"),
}


class TomlFault(ValueError):
    """Text that is refused or is not TOML; `place` names the line, empty if not known."""

    def __init__(self, found: str, needed: str, place: str = "") -> None:
        self.found, self.needed, self.place = found, needed, place
        super().__init__(f"{found}; need {needed}")


def text_of(content: bytes) -> str:
    """Decode UTF-8 text, with or without a byte order mark.

    Raises TomlFault: there are more than `LARGEST` bytes, or a byte is not UTF-8.
    """
    if len(content) > LARGEST:
        found = f"more than {LARGEST} bytes"
        raise TomlFault(found, f"a text of at most {LARGEST} bytes")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = error.start + (3 if content.startswith(b"\xef\xbb\xbf") else 0)
        found = f"the byte 0x{content[place]:02x}, which is not UTF-8"
        if b"\0" in content[:4096] and not content.startswith((b"\xff\xfe", b"\xfe\xff")):
            found = "binary data, no text"
        line = content.count(b"\n", 0, place) + 1
        raise TomlFault(found, "a text file in UTF-8", f"line {line}") from None


def parsed(text: str) -> dict[str, Any]:
    """Parse a TOML text.

    Raises TomlFault: the text is nested too deeply, contains a number or key that is too long, or
    is not TOML.
    """
    _require_shallow(text)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, place = str(error).partition(" (at ")
        found = f"not TOML: {what[:1].lower()}{what[1:]}{_slip_in(text, place)}"
        needed = "lines of the form key = value, texts in double quotes, lists in brackets"
        raise TomlFault(found, needed, place.rstrip(")")) from None
    except (ValueError, OverflowError) as error:  # dates that do not exist, and the like
        found = f"not TOML: {str(error)[:LONGEST]}"
        raise TomlFault(found, "numbers, texts and lists") from None


def _slip_in(text: str, place: str) -> str:
    """A usual slip in the line of `place`, as a question; empty if there is none."""
    number = re.match(r"line (\d+)", place)
    line = text.splitlines()[int(number[1]) - 1] if number else ""
    return next((f" ({slip}?)" for slip, shape in _SLIPS.items() if shape.search(line)), "")


def _require_shallow(text: str) -> None:
    line, depth, dots = 1, 0, 0
    for token in _TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "open":
            depth += 1
        elif kind == "close":
            depth = max(depth - 1, 0)
        elif kind == "dot":
            dots += 1
        elif kind in ("line", "end"):
            dots = 0
        if max(depth, dots) > DEEPEST:
            found = f"{max(depth, dots)} nested brackets or dotted names"
            raise TomlFault(found, f"at most {DEEPEST}", f"line {line}")
        if kind == "word" and len(token[0]) > LONGEST:
            found = f"a number or key of {len(token[0])} characters ('{token[0][:20]}...')"
            raise TomlFault(found, f"at most {LONGEST} characters", f"line {line}")
        line += token[0].count("\n")
