"""Corrections of columns that a column map states: sign, unit, offset, delay, exchange.

A doubt about a drive prints such a line; whoever believes it adds the line to the map.  Nothing is
corrected otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.quantities import INDICATION_UNITS, UNITS, our_spelling
from recon.base.words import enumerated

SECTION = "[corrections]"
LONGEST_DELAY = 1e3  # ms
POINTS = 4  # neighbours through which a delayed channel is interpolated, a cubic
LONGEST_STEP = 1.5  # of its usual step; across longer ones nothing is interpolated


@dataclass(frozen=True, slots=True)
class Correction:
    """Correction of one column: values times `factor` plus `add` in `unit`, `late` [s] earlier.

    `exchanged_with` names the column that holds this one's values, and the other way round; it
    comes first.
    """

    factor: float = 1.0
    add: float = 0.0
    unit: str = ""
    late: float = 0.0
    exchanged_with: str = ""

    def __str__(self) -> str:
        """The correction in words."""
        parts = []
        if self.exchanged_with:
            parts.append(f"exchanged with {self.exchanged_with}")
        if self.factor != 1.0:
            parts.append(f"times {self.factor:g}")
        if self.add:
            parts.append(f"{self.add:+g} {self.unit}")
        if self.late:
            parts.append(f"taken {1e3 * self.late:g} ms earlier")
        return ", ".join(parts)

    def added(self, dimension: str) -> float:
        """`add` in the SI unit of a dimension, or in the unit of a gauge [mV/V]."""
        return self.add * UNITS[dimension][self.unit].factor if self.unit else 0.0


def corrections_of(
    where: str,
    stated: Mapping[str, Mapping[str, float | str]],
    known: Mapping[str, str],
    *,
    delays: bool,
) -> dict[str, Correction]:
    """Corrections by column, from a map's lines ``"a, b" = { factor = -1 }``.

    `known` holds the columns that may be corrected, with the kind of quantity or unit of each;
    `delays` says whether columns have a time that can be late; `where` is the map, for messages.

    Raises DataError: a name, number or unit makes no sense, or a column is in two lines.
    """
    out: dict[str, Correction] = {}
    for names, keys in stated.items():
        for name in (name.strip() for name in names.split(",")):
            if name not in known or name in out:
                place = f"{where}, corrections"
                raise DataError(
                    place,
                    f"'{name}' twice" if name in out else f"'{name}', which cannot be corrected",
                    nearest(name, tuple(n for n in known if n not in out)),
                    "Write each of our names of columns with numbers at most once.",
                )
            out[name] = _correction(f"{where}, corrections.{name}", keys, known, name, delays)
    return _both_ways(where, out)


def _correction(
    where: str, keys: Mapping[str, float | str], known: Mapping[str, str], name: str, delays: bool
) -> Correction:
    factor, late = float(keys.get("factor", 1.0)), float(keys.get("late_ms", 0.0))
    other = str(keys.get("exchanged_with", ""))
    if factor == 0.0:
        raise DataError(where, "factor = 0", "a factor other than 0", "Leave the column out.")
    if late and not (delays and abs(late) <= LONGEST_DELAY):
        needed = f"a delay up to {LONGEST_DELAY:g} ms, in a map for log only"
        raise DataError(where, f"late_ms = {late:g}", needed, "Correct the number or remove it.")
    if other and (other not in known or other == name):
        needed = nearest(other, tuple(n for n in known if n != name))
        raise DataError(where, f"exchanged_with = '{other}'", needed, "Name our other column.")
    add, unit = _with_unit(where, str(keys.get("add", "")), known[name])
    return Correction(factor, add, unit, 1e-3 * late, other)


def _with_unit(where: str, text: str, dimension: str) -> tuple[float, str]:
    if not text:
        return 0.0, ""
    number, _, spelling = text.strip().partition(" ")
    unit = our_spelling(spelling.strip())
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    units = [u for kind in INDICATION_UNITS for u in UNITS[kind]]
    units = list(UNITS.get(dimension, units))
    if not np.isfinite(value) or unit not in units:
        needed = f'a number and a unit, one of {", ".join(units)}, as in "0.01 {units[0]}"'
        raise DataError(where, f"add = '{text}'", needed, "Correct the line in the map.")
    return value, unit


def _both_ways(where: str, corrections: dict[str, Correction]) -> dict[str, Correction]:
    """Exchanges stated once hold for both columns."""
    out, taken = dict(corrections), dict[str, str]()
    for name, one in corrections.items():
        other = one.exchanged_with
        if not other:
            continue
        back = out.get(other, Correction())
        if back.exchanged_with not in ("", name) or taken.get(name, other) != other:
            place = f"{where}, corrections.{name}"
            raise DataError(
                place,
                f"{other} exchanged with {name} and with {back.exchanged_with or taken[name]}",
                "each column exchanged with one other",
                "Remove one of the lines.",
            )
        taken |= {name: other, other: name}
        out[other] = Correction(back.factor, back.add, back.unit, back.late, name)
    return out


def on_time(time: Floats, values: Floats, late: float) -> Floats:
    """A channel that is late as it would be on time.

    `values` (sample,) [any unit] at `time` (sample,) [s], NaN where there are none; what the
    channel shows happened `late` [s] ago.  Values of a cubic through four neighbours; NaN where
    there was no value, at the end, and beside gaps.  Source: Lagrange interpolation.
    """
    there = np.flatnonzero(np.isfinite(values))
    out = np.full(len(values), np.nan)
    if len(there) < POINTS:
        return out
    t, v = time[there], values[there]
    target = t + late
    first = np.clip(np.searchsorted(t, target) - POINTS // 2, 0, len(t) - POINTS)
    near = first[:, None] + np.arange(POINTS)
    at = t[near]
    filled = np.zeros(len(t))
    for k in range(POINTS):
        weight = np.ones(len(t))
        for j in range(POINTS):
            if j != k:
                weight *= (target - at[:, j]) / (at[:, k] - at[:, j])
        filled += weight * v[near[:, k]]
    longest = LONGEST_STEP * float(np.median(np.diff(t)))
    whole = (np.diff(at, axis=1) <= longest).all(axis=1)
    inside = (target >= t[0] - 1e-9) & (target <= t[-1] + 1e-9)
    out[there] = np.where(whole & inside, filled, np.nan)
    return out


def correction_line(names: Iterable[str], **keys: float | str) -> str:
    """The line of a map that states a correction, to be added below `SECTION`."""
    every = list(names)
    name = every[0] if len(every) == 1 else f'"{", ".join(every)}"'
    return f"{name} = {{ {', '.join(_stated(keys))} }}"


def _stated(keys: Mapping[str, float | str]) -> Iterator[str]:
    for key, value in keys.items():
        yield f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value:.7g}"


def lines_to_add(maps: Sequence[str], lines: Sequence[str]) -> str:
    """Lines of corrections, below the words that say into which column maps they go."""
    where = enumerated(f"the column map of the {name}" for name in maps)
    return "\n".join((f"Lines for {where}:", SECTION, *lines))
