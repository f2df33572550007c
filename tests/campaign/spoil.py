"""Ways to spoil a text or a netCDF file, each driven by a random generator alone.

The generator is `random.Random(seed)` in the whole campaign, and one that hypothesis draws and
shrinks in the tests: the same ways serve both.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable
from random import Random

NUMBER = re.compile(r"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?")
WORD = re.compile(r"[A-Za-z_][\w/]*")
DIGITS = "9" * 4301  # one more than Python turns into an integer
EXTREMES = (
    *("0", "-0.0", "1", "-1", "1e-3", "-1e-3", "1e6", "-1e6", "1e12", "1e30", "1e150", "-1e150"),
    *("1e300", "-1e300", "1e308", "-1e308", "1e-300", "5e-324", "1e309", "1e99999"),
    *("nan", "NaN", "-nan", "inf", "-inf", "+inf", "Infinity", "", " ", "-", ".", "1.2.3"),
    *(DIGITS, f"-{DIGITS}", f"0.{DIGITS}", f"1e{DIGITS}", "1" + "0" * 400, "1_000", "0x7f"),
    *("9223372036854775807", "9223372036854775808", "-9223372036854775809"),
    *("true", "false", '""', "[]", "{}", "[1, 2]", "1979-05-27", "07:32:00", "12:00:00.5", "99:99"),
    *("\u0663", "\u00bd", "1,5", "1 000", "1\u00a0000", "'", '"', '"""', "#", "=", "\\", "\x00"),
)
WORDS = (
    *("FL", "FR", "RL", "RR", "front", "rear", "chassis", "upright", "axle", "axle.beam", "nan"),
    *("tare", "rising", "falling", "fit", "verify", "brake", "free", "half-shaft", "pads"),
    *("hanging", "before", "after", "link", "spring", "ball", "pivot", "slider", "torsion"),
    *("axial", "shear", "bending", "mV/V", "microstrain", "V", "counts", "N", "kN", "mm", "deg"),
    *("", " ", "x" * 5000, "\u00e4\u20ac", "\U0001f600", "a.b", "a:b", "a/b", "..", "%s", "{0}"),
)
DEPTHS = (10, 100, 101, 1000, 5000, 100_000)

Way = Callable[[str, Random], str]


def _lines(text: str) -> list[str]:
    return text.split("\n")


def _at(random: Random, items: list[str]) -> int:
    return random.randrange(len(items)) if items else 0


def line_removed(text: str, random: Random) -> str:
    """Some lines in a row are gone."""
    lines = _lines(text)
    place = _at(random, lines)
    del lines[place : place + random.choice((1, 1, 1, 2, 5, 20))]
    return "\n".join(lines)


def line_repeated(text: str, random: Random) -> str:
    """One line stands many times."""
    lines = _lines(text)
    place = _at(random, lines)
    lines[place:place] = [lines[place]] * random.choice((1, 1, 1, 2, 50))
    return "\n".join(lines)


def block_repeated(text: str, random: Random) -> str:
    """A piece of text stands twice or often."""
    lines = _lines(text)
    first, last = sorted((_at(random, lines), _at(random, lines)))
    return "\n".join([*lines, *lines[first : last + 1] * random.choice((1, 1, 2, 10))])


def lines_exchanged(text: str, random: Random) -> str:
    """Two lines change places."""
    lines = _lines(text)
    a, b = _at(random, lines), _at(random, lines)
    lines[a], lines[b] = lines[b], lines[a]
    return "\n".join(lines)


def lines_joined(text: str, random: Random) -> str:
    """The end of a line is gone."""
    lines = _lines(text)
    place = _at(random, lines)
    lines[place : place + 2] = ["".join(lines[place : place + 2])]
    return "\n".join(lines)


def number_replaced(text: str, random: Random) -> str:
    """One number is an extreme."""
    return _replaced(text, random, NUMBER, lambda _: random.choice(EXTREMES))


def number_scaled(text: str, random: Random) -> str:
    """One number is some powers of ten away, or of the other sign."""

    def scaled(old: str) -> str:
        power = random.choice((-300, -12, -6, -3, -1, 1, 2, 3, 6, 12, 100, 300))
        return f"{random.choice('-+')}{old.lstrip('+-').split('e')[0]}e{power}"

    return _replaced(text, random, NUMBER, scaled)


def numbers_moved(text: str, random: Random) -> str:
    """Some numbers are others that may well be meant: nearer nought, larger, turned, another's."""
    others = [m[0] for m in NUMBER.finditer(text)]

    def moved(old: str) -> str:
        digits = old.lstrip("+-")
        return random.choice(
            ("0", digits, f"-{digits}", f"{digits}e-1", f"{digits}e1", random.choice(others))
        )

    for _ in range(random.choice((1, 2, 5))):
        text = _replaced(text, random, NUMBER, moved)
    return text


def line_of_numbers_replaced(text: str, random: Random) -> str:
    """Every number of a line is the same extreme."""
    lines = _lines(text)
    place, extreme = _at(random, lines), random.choice(EXTREMES)
    lines[place] = NUMBER.sub(lambda _: extreme, lines[place])
    return "\n".join(lines)


def word_replaced(text: str, random: Random) -> str:
    """One word is another one of the text, or a strange one."""
    others = [m[0] for m in WORD.finditer(text)]
    choices = WORDS if not others or random.random() < 0.5 else others
    return _replaced(text, random, WORD, lambda _: random.choice(choices))


def word_renamed(text: str, random: Random) -> str:
    """One word is another one throughout."""
    found = sorted({m[0] for m in WORD.finditer(text)})
    if not found:
        return text
    old, new = random.choice(found), random.choice([*found, *WORDS])
    return re.sub(rf"\b{re.escape(old)}\b", lambda _: new, text)


def _replaced(text: str, random: Random, what: re.Pattern[str], new: Callable[[str], str]) -> str:
    found = list(what.finditer(text))
    if not found:
        return text
    match = random.choice(found)
    return text[: match.start()] + new(match[0]) + text[match.end() :]


def nested(text: str, random: Random) -> str:
    """Brackets, braces or dots go deep, at the place of a value or on a line of their own."""
    depth = random.choice(DEPTHS)
    deep = random.choice(
        (
            "[" * depth + "]" * depth,
            "[" * depth,
            "{a=" * depth + "1" + "}" * depth,
            "{a=" * depth,
            "[{a=" * depth + "1" + "}]" * depth,
            "a." * depth + "a",
            "(" * depth,
        )
    )
    if random.random() < 0.5:
        return _replaced(text, random, NUMBER, lambda _: deep)
    lines = _lines(text)
    line = random.choice(
        (f"x = {deep}", f"{deep} = 1", f"[{'a.' * depth}a]", f"[[{'a.' * depth}a]]")
    )
    lines.insert(_at(random, lines), line)
    return "\n".join(lines)


def characters_changed(text: str, random: Random) -> str:
    """A few characters are others."""
    out = list(text)
    for _ in range(random.choice((1, 1, 2, 10)) if out else 0):
        mark = random.choice(",;\t|\"'#=[]{}.\r\n\\ \x00\u2028\ufeff0aZ-")
        place = random.randrange(len(out))
        out[place : place + random.choice((0, 1))] = [mark]
    return "".join(out)


def cut_off(text: str, random: Random) -> str:
    """The end, or the beginning, is gone."""
    place = random.randrange(len(text) + 1)
    return text[:place] if random.random() < 0.7 else text[place:]


def separators_changed(text: str, random: Random) -> str:
    """Every separator or decimal mark is another mark."""
    old, new = random.choice((",", ",", ".", "\t", ";", " ")), random.choice(";\t, |.:")
    return text.replace(old, new)


def endings_changed(text: str, random: Random) -> str:
    """Lines end in another way."""
    return text.replace("\n", random.choice(("\r\n", "\r", "\n\n", "\n\r", "\u2028")))


TEXT_WAYS: tuple[Way, ...] = (
    line_removed, line_repeated, block_repeated, lines_exchanged, lines_joined,
    number_replaced, number_replaced, number_replaced, number_scaled, numbers_moved,
    line_of_numbers_replaced,
    word_replaced, word_replaced, word_renamed, nested, characters_changed, cut_off,
    separators_changed, endings_changed,
)  # fmt: skip


# --- tables of cells --------------------------------------------------------------------------


def _cells(text: str) -> list[list[str]]:
    return [line.split(",") for line in _lines(text)]


def _text(cells: list[list[str]]) -> str:
    return "\n".join(",".join(row) for row in cells)


def cell_replaced(text: str, random: Random) -> str:
    """A few cells hold an extreme or a strange word."""
    cells = _cells(text)
    for _ in range(random.choice((1, 1, 1, 3))):
        row = cells[_at(random, list(map(str, cells)))]
        row[_at(random, row)] = random.choice((*EXTREMES, *WORDS))
    return _text(cells)


def column_replaced(text: str, random: Random) -> str:
    """Every cell of a column is one extreme or word, below the header."""
    cells = _cells(text)
    place, value = _at(random, cells[0]), random.choice((*EXTREMES, *WORDS))
    for row in cells[1:]:
        if place < len(row):
            row[place] = value
    return _text(cells)


def column_removed(text: str, random: Random) -> str:
    """A column is gone."""
    cells = _cells(text)
    place = _at(random, cells[0])
    return _text([row[:place] + row[place + 1 :] for row in cells])


def columns_exchanged(text: str, random: Random) -> str:
    """Two columns change places, with or without their header."""
    cells = _cells(text)
    a, b = _at(random, cells[0]), _at(random, cells[0])
    for row in cells[random.choice((0, 1)) :]:
        if max(a, b) < len(row):
            row[a], row[b] = row[b], row[a]
    return _text(cells)


def column_repeated(text: str, random: Random) -> str:
    """A column stands twice, or a thousand times."""
    cells = _cells(text)
    place, times = _at(random, cells[0]), random.choice((1, 1, 1000))
    return _text([row + row[place : place + 1] * times for row in cells])


def rows_shuffled(text: str, random: Random) -> str:
    """Rows stand in another order."""
    first, *rest = _lines(text)
    random.shuffle(rest)
    return "\n".join([first, *rest])


TABLE_WAYS: tuple[Way, ...] = (
    *TEXT_WAYS, cell_replaced, cell_replaced, cell_replaced, column_replaced, column_replaced,
    column_replaced, column_removed, columns_exchanged, columns_exchanged, column_repeated,
    rows_shuffled,
)  # fmt: skip


# --- bytes -------------------------------------------------------------------------------------


def bytes_of(text: str, random: Random) -> bytes:
    """Bytes of the text: usually UTF-8, else another encoding, noise, or a foreign packing."""
    whole = text.encode("utf-8", "surrogatepass")
    match random.choice(
        ("plain",) * 12 + ("utf-8-sig", "utf-16", "utf-32", "cp1252", "noise", "gz")
    ):
        case "plain":
            return whole
        case "gz":
            return gzip.compress(whole, 1)
        case "noise":
            return noised(whole, random)
        case encoding:
            return text.encode(encoding, "replace")


def noised(whole: bytes, random: Random) -> bytes:
    """Some bytes are others; or the end is gone."""
    out = bytearray(whole)
    for _ in range(random.choice((1, 5, 50)) if out else 0):
        out[random.randrange(len(out))] = random.randrange(256)
    return bytes(out[: random.randrange(len(out) + 1)] if random.random() < 0.2 else out)


GENTLE_WAYS: tuple[Way, ...] = (numbers_moved, numbers_moved, number_scaled, line_removed)


def spoiled(text: str, ways: tuple[Way, ...], random: Random) -> bytes:
    """The text after one to three of the `ways`, as bytes.

    One in three goes through gentle ways alone, so that it gets past the reader now and then.
    """
    if random.random() < 1 / 3:
        ways = GENTLE_WAYS
    for _ in range(random.choice((1, 1, 1, 2, 3))):
        text = random.choice(ways)(text, random)
    return bytes_of(text, random)
