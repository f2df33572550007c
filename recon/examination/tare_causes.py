"""Causes in the tares: wrong state, exchanged, inverted, other unit, shifted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.examination.tares import shifts, since_pulls
from recon.examination.term import Candidate
from recon.examination.view import Part, View
from recon.reconstruction.tare import standing

FITTED = -4.0  # logarithm of the cost of a fitted number
THOUSAND = (1e3, 1e-3)  # mV/V and uV/V
Zeros = dict[str, Floats]  # of assemblies by name, each (gauge,) in the gauges' units


def tare_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Causes in the tares of the doubted corners, and in the whole table."""
    parts = [part for part in view.parts.values() if set(part.corners) & set(doubted)]
    parts = [part for part in parts if np.isfinite(part.zero).all()]
    for part in parts:
        yield from _of_state([part])
        yield from _within(part)
        yield from _shifted(view, part)
    for first, second in combinations(parts, 2):
        yield from _between(first, second)
    if len(parts) > 1:
        yield from _of_state(parts)
        yield from _of_table(view, parts)
    for part in parts:
        yield from _of_table(view, [part])


def _candidate(
    cause: str,
    parts: list[Part],
    channels: tuple[str, ...],
    zeros: Zeros,
    do: str,
    weight: float = 0.0,
) -> Candidate:
    """Cause that is undone by other zeros."""
    corners = tuple(corner for part in parts for corner in part.corners)
    return Candidate(cause, corners, channels, _with(zeros), do, weight)


def _with(zeros: Zeros) -> Callable[[View], View]:
    def mended(view: View) -> View:
        for name, zero in zeros.items():
            view = view.with_part(view.parts[name].with_zero(zero))
        return view

    return mended


def _names(parts: list[Part]) -> str:
    return ", ".join(part.name for part in parts)


def _gauges(parts: list[Part]) -> tuple[str, ...]:
    return tuple(gauge for part in parts for gauge in part.gauges)


def _of_state(parts: list[Part]) -> Iterator[Candidate]:
    """Wheels that stood while the tares say hanging, or the other way round."""
    names = _names(parts)
    if all(not part.solver.session.tare.on_pads for part in parts):
        yield _candidate(
            "standing tare",
            parts,
            _gauges(parts),
            {part.name: part.zero - _standing_more(part) for part in parts},
            f"Lift the wheels of {names} clear and tare again; or, if they stood on scales, write "
            "state 'pads' and pad_load in the tare table.",
        )
    if all(part.solver.session.tare.on_pads for part in parts):
        zeros = {}
        for part in parts:
            tare, K = part.solver.estimator.tare, part.solver.estimator.K
            zeros[part.name] = part.zero + tare.indication - K @ tare.hanging @ tare.weight
        yield _candidate(
            "hanging tare",
            parts,
            _gauges(parts),
            zeros,
            f"Write state 'hanging' for {names} in the tare table.",
        )


def _standing_more(part: Part) -> Floats:
    """Indications (gauge,) [mV/V] with the wheels standing, less those at their tare."""
    estimator = part.solver.estimator
    static = np.array(estimator.usual_load)
    return np.asarray(
        estimator.K @ standing(estimator.assembly, static) - estimator.tare.indication
    )


def _within(part: Part) -> Iterator[Candidate]:
    """Tares of single gauges: two exchanged, one inverted or in another unit."""
    for i, j in combinations(range(len(part.gauges)), 2):
        zero = part.zero.copy()
        zero[[i, j]] = zero[[j, i]]
        yield _exchanged([part], (part.gauges[i], part.gauges[j]), {part.name: zero})
    for i, gauge in enumerate(part.gauges):
        zero = part.zero.copy()
        zero[i] *= -1.0
        do = f"Turn the sign of {gauge} in the tare table."
        yield _candidate("inverted tare", [part], (gauge,), {part.name: zero}, do)
        for factor in THOUSAND:
            zero = part.zero.copy()
            zero[i] *= factor
            yield _unit([part], (gauge,), {part.name: zero}, factor, FITTED)


def _exchanged(parts: list[Part], channels: tuple[str, ...], zeros: Zeros) -> Candidate:
    what = f"{channels[0]} and {channels[1]}" if len(channels) == 2 else _names(parts)
    do = f"Compare the rows of {what} in the tare table: their tares seem exchanged."
    return _candidate("exchanged tares", parts, channels, zeros, do, -1.0 if parts[1:] else 0.0)


def _unit(
    parts: list[Part],
    channels: tuple[str, ...],
    zeros: Zeros,
    factor: float,
    weight: float = -1.0,
) -> Candidate:
    what = channels[0] if len(channels) == 1 else _names(parts)
    do = f"State the unit of the tares of {what}: their numbers are {1 / factor:g} times too large."
    if factor > 1:
        do = f"State the unit of the tares of {what}: their numbers are {factor:g} times too small."
    return _candidate("tare in another unit", parts, channels, zeros, do, weight)


def _between(first: Part, second: Part) -> Iterator[Candidate]:
    """Tares exchanged between two assemblies: two gauges, or all of them."""
    for i in range(len(first.gauges)):
        for j in range(len(second.gauges)):
            one, two = first.zero.copy(), second.zero.copy()
            one[i], two[j] = two[j], one[i]
            channels = (first.gauges[i], second.gauges[j])
            yield _exchanged([first, second], channels, {first.name: one, second.name: two})
    if len(first.gauges) == len(second.gauges):
        zeros = {first.name: second.zero, second.name: first.zero}
        yield _exchanged([first, second], _gauges([first, second]), zeros)


def _of_table(view: View, parts: list[Part]) -> Iterator[Candidate]:
    """All tares of some assemblies inverted, in another unit, or of another day."""
    names = _names(parts)
    for factor in THOUSAND:
        zeros = {part.name: factor * part.zero for part in parts}
        yield _unit(parts, _gauges(parts), zeros, factor)
    yield _candidate(
        "inverted tare",
        parts,
        _gauges(parts),
        {part.name: -part.zero for part in parts},
        f"Turn the sign of all tares of {names}.",
        -1.0,
    )
    if all(np.isfinite(since_pulls(part)[0]).all() for part in parts):
        empty = all(np.all(part.zero == 0.0) for part in parts)
        yield _candidate(
            "shifted tare",
            parts,
            _gauges(parts),
            {part.name: part.zero - shifts(view, part).together for part in parts},
            f"Tare {names} again: its tares are not of this car and day"
            + (" (all of them are zero)." if empty else "."),
            # Every zero is fitted, within what zeros do; tares of zero need no other excuse.
            0.0 if empty else sum(len(part.gauges) for part in parts) * FITTED / 2,
        )


def _shifted(view: View, part: Part) -> Iterator[Candidate]:
    of, slope = shifts(view, part), part.solver.estimator.calibration.main_slope
    for i, gauge in enumerate(part.gauges):
        zero = part.zero.copy()
        zero[i] -= of.alone[i]
        yield _candidate(
            "shifted tare",
            [part],
            (gauge,),
            {part.name: zero},
            f"Tare {gauge} again: its tare seems {of.alone[i]:+.4g} too high in its unit "
            f"({of.alone[i] / slope[i]:+.0f} N of its own load).",
            FITTED,
        )
