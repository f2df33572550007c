"""Causes in the tares: wrong state, exchanged, inverted, other unit, shifted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.base.words import enumerated
from recon.examination.tares import Shifts, change_of, shifts, since_pulls, standing_more
from recon.examination.term import FITTED, Candidate
from recon.examination.view import Part, View
from recon.reconstruction.estimator.tare_load import scrub_effects, standing
from recon.records.corrections import correction_line

THOUSAND = (1e3, 1e-3)  # mV/V and uV/V
LOAD_SHARE = 0.1  # of a standing wheel's static load
HUGE = 30.0  # times the range of the drive
PROPOSED = 20  # causes in tares that are tried on the whole drive
# Nats: one sign of a table gets lost less often than one tare shifts; common practice, no source.
LOST_SIGN = -1.5
DOUBTFUL = 3.0  # standard uncertainties between two tares from which one of them may be off
Zeros = dict[str, Floats]  # of assemblies by name, each (gauge,) in the gauges' units


@dataclass(frozen=True, slots=True)
class _Other:
    """Other zeros of some assemblies, and the cause that they would undo."""

    zeros: Zeros
    candidate: Candidate


def tare_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Causes in the tares of the doubted corners, and in the whole table.

    Some hundred are looked at by what speaks of the zeros alone; the best of them are proposed.
    """
    parts = [part for part in view.parts.values() if np.isfinite(part.zero).all()]
    empty = len(parts) > 1 and all(map(_is_empty, parts))
    if not empty:
        parts = [part for part in parts if set(part.corners) & set(doubted)]
    evidence = {part.name: shifts(view, part) for part in parts}
    # A table of zeros is one fault, also of corners whose zeros happen to be small.
    others = _of_table(parts, evidence) if empty else _others(parts, evidence)
    gains = [(_gain(view, evidence, other), other.candidate) for other in others]
    found = [(gain, candidate) for gain, candidate in gains if gain > 0]
    for _, candidate in sorted(found, key=lambda one: -one[0])[:PROPOSED]:
        yield candidate
    for part in parts:
        yield from _one_of_two(view, part)


def _is_empty(part: Part) -> bool:
    return bool(np.all(part.zero == 0.0))


def _gain(view: View, evidence: Mapping[str, Shifts], other: _Other) -> float:
    """Logarithm by which other zeros are more likely, with the weight of their cause."""
    gain = other.candidate.weight
    for name, zero in other.zeros.items():
        of, lower = evidence[name], view.parts[name].zero - zero
        gain += float(of.score @ lower - 0.5 * lower @ of.information @ lower)
    return gain


def _others(parts: list[Part], evidence: Mapping[str, Shifts]) -> Iterator[_Other]:
    for part in parts:
        yield from _of_state([part], evidence)
        yield from _within(part, evidence[part.name])
        yield from _shifted(part, evidence[part.name])
        yield from _of_table([part], evidence)
    for first, second in combinations(parts, 2):
        yield from _between(first, second)
    if len(parts) > 1:
        yield from _of_state(parts, evidence)
        yield from _of_table(parts, evidence)


def _candidate(
    cause: str,
    parts: list[Part],
    channels: tuple[str, ...],
    zeros: Zeros,
    do: str,
    weight: float = 0.0,
    lines: tuple[str, ...] = (),
    *,
    rough: bool = False,
) -> _Other:
    """Cause that is undone by other zeros; `lines` of the tares' column map correct it."""
    corners = tuple(corner for part in parts for corner in part.corners)
    mended, files = _with(zeros), ("tare table",)
    return _Other(
        zeros,
        Candidate(
            *(cause, corners, channels, mended, do, weight), lines=lines, files=files, rough=rough
        ),
    )


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


def _of_state(parts: list[Part], evidence: Mapping[str, Shifts]) -> Iterator[_Other]:
    """Wheels that stood while the tares say hanging, or the other way round."""
    names = _names(parts)
    if all(not part.solver.session.tare.on_pads for part in parts):
        yield _candidate(
            "standing tare",
            parts,
            _gauges(parts),
            {part.name: part.zero - _standing_more(part, evidence[part.name]) for part in parts},
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


def _standing_more(part: Part, of: Shifts) -> Floats:
    """Indications (gauge,) [mV/V] with the wheels standing, less those at their tare.

    Load and side forces of each wheel are the most likely ones, near the static load and none.
    """
    estimator = part.solver.estimator
    static, assembly, K = np.array(estimator.usual_load), estimator.assembly, estimator.K
    more = standing_more(part)
    by_load = [
        K @ (standing(assembly, static + change) - standing(assembly, static))
        for change in LOAD_SHARE * np.diag(static)
    ]
    effects = np.column_stack([*by_load, *scrub_effects(assembly, K).T])
    left = of.score - of.information @ more
    normal = effects.T @ of.information @ effects + np.eye(effects.shape[1])
    return np.asarray(more + effects @ np.linalg.solve(normal, effects.T @ left))


def _within(part: Part, of: Shifts) -> Iterator[_Other]:
    """Tares of single gauges: two exchanged, one inverted or in another unit."""
    for i, j in combinations(range(len(part.gauges)), 2):
        zero = part.zero.copy()
        zero[[i, j]] = zero[[j, i]]
        yield _exchanged([part], (part.gauges[i], part.gauges[j]), {part.name: zero})
    huge = _sizes(part) > HUGE
    for i, gauge in enumerate(part.gauges):
        zero = part.zero.copy()
        zero[i] *= -1.0
        do = f"Turn the sign of {gauge} in the tare table."
        lines = (correction_line([gauge], factor=-1.0),)
        weight = _weight_of_sign(2 * part.zero[i] / of.u[i])
        yield _candidate("inverted tare", [part], (gauge,), {part.name: zero}, do, weight, lines)
        for factor in THOUSAND:
            if factor < 1 and not huge[i]:
                continue  # one like the others is off by a number, not by its unit
            zero = part.zero.copy()
            zero[i] *= factor
            yield _unit([part], (gauge,), {part.name: zero}, factor, FITTED)


def _weight_of_sign(shift: float) -> float:
    """Weight of a lost sign, which shifts a tare by so many standard uncertainties of a shift.

    What a sign does a shifted tare does as well.  The sign is the better answer by the share of
    usual shifts that are not as near to it, which are most where the tare is large.
    """
    return min(FITTED + LOST_SIGN + float(np.log(max(abs(shift), 1.0))), 0.0)


def _exchanged(parts: list[Part], channels: tuple[str, ...], zeros: Zeros) -> _Other:
    what = f"{channels[0]} and {channels[1]}" if len(channels) == 2 else _names(parts)
    do = f"Compare the rows of {what} in the tare table: their tares seem exchanged."
    half = len(channels) // 2
    lines = tuple(
        correction_line([one], exchanged_with=other)
        for one, other in zip(channels[:half], channels[half:], strict=True)
    )
    weight = -1.0 if parts[1:] else 0.0
    return _candidate("exchanged tares", parts, channels, zeros, do, weight, lines)


def _unit(
    parts: list[Part], channels: tuple[str, ...], zeros: Zeros, factor: float, weight: float = -1.0
) -> _Other:
    what = channels[0] if len(channels) == 1 else _names(parts)
    wrong = f"{factor:g} times too small" if factor > 1 else f"{1 / factor:g} times too large"
    do = f"State the unit of the tares of {what}: their numbers are {wrong}."
    lines = (correction_line(channels, factor=factor),)
    # What is corrected in proportion, as for warming, went far astray with tares that large.
    return _candidate(
        *("tare in another unit", parts, channels, zeros, do, weight, lines), rough=factor < 1
    )


def _between(first: Part, second: Part) -> Iterator[_Other]:
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


def _of_table(parts: list[Part], evidence: Mapping[str, Shifts]) -> Iterator[_Other]:
    """All tares of some assemblies inverted, in another unit, or of another day."""
    names = _names(parts)
    for factor in THOUSAND:
        if factor < 1 and not any(map(_is_huge, parts)):
            yield _set_to_zero(parts)
            continue
        zeros = {part.name: factor * part.zero for part in parts}
        yield _unit(parts, _gauges(parts), zeros, factor)
    yield _candidate(
        "inverted tare",
        parts,
        _gauges(parts),
        {part.name: -part.zero for part in parts},
        f"Turn the sign of all tares of {names}.",
        -1.0,
        (correction_line(_gauges(parts), factor=-1.0),),
    )
    if all(np.isfinite(since_pulls(part).change).all() for part in parts):
        yield from _without_signs(parts)
        empty = all(map(_is_empty, parts))
        yield _candidate(
            "shifted tare",
            parts,
            _gauges(parts),
            {part.name: part.zero - evidence[part.name].together for part in parts},
            f"Tare {names} again: these tares are not of this car and day"
            + (" (all of them are zero)." if empty else "."),
            # Every zero is fitted, within what zeros do; tares of zero need no other excuse.
            0.0 if empty else sum(len(part.gauges) for part in parts) * FITTED / 2,
            rough=empty,
        )


def _is_huge(part: Part) -> bool:
    """Whether tares are far larger than all that the drive changes, as numbers in uV/V would be."""
    return float(np.median(_sizes(part))) > HUGE


def _sizes(part: Part) -> Floats:
    """Tares (gauge,) over what the drive changes of their indications [1]."""
    return np.asarray(np.abs(part.zero) / np.ptp(part.samples.indication, axis=1))


def _set_to_zero(parts: list[Part]) -> _Other:
    """Nothing is left of the tares: a logger took them off by itself, or what it read then."""
    return _candidate(
        "shifted tare",
        parts,
        _gauges(parts),
        {part.name: 0.0 * part.zero for part in parts},
        f"The logger seems to have set the channels of {_names(parts)} to zero after these tares "
        "were taken: switch that off, and record tares and drive again.",
        -1.0,
        rough=True,
    )


def _without_signs(parts: list[Part]) -> Iterator[_Other]:
    """All tares positive, though several of those of the pulls are not: minus signs were lost."""
    zeros, channels = {}, []
    for part in parts:
        at_pulls = part.zero - since_pulls(part).change
        lost = (part.zero > 0) & (at_pulls < 0)
        zeros[part.name] = np.where(lost, -part.zero, part.zero)
        channels += [gauge for gauge, turned in zip(part.gauges, lost, strict=True) if turned]
    if len(channels) > 1 and all(np.all(part.zero >= 0) for part in parts):
        yield _candidate(
            "inverted tare",
            parts,
            tuple(channels),
            zeros,
            f"Write the minus signs of {enumerated(channels)} in the tare table: none of its tares "
            "has one.",
            -1.0,
            (correction_line(channels, factor=-1.0),),
        )


def _shifted(part: Part, of: Shifts) -> Iterator[_Other]:
    slope = part.solver.estimator.calibration.main_slope
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


def _one_of_two(view: View, part: Part) -> Iterator[Candidate]:
    """One of the two tares of a gauge is off: they differ by more than a zero drifts."""
    change, u = change_of(view, part)
    for i, gauge in enumerate(part.gauges):
        if not abs(change[i]) > DOUBTFUL * u[i]:
            continue
        for when, off in (("before", -0.5 * change[i]), ("after", 0.5 * change[i])):
            zero = part.zero.copy()
            zero[i] -= off  # the mean zero holds half of what one of them is off
            yield Candidate(
                "shifted tare",
                part.corners,
                (gauge,),
                partial(_with_one_tare, name=part.name, gauge=gauge, zero=zero),
                f"Compare the two rows of {gauge} in the tare table: the one {when} the drive "
                f"seems off by {2 * off:+.4g} in its unit.",
                FITTED / 2,
            )


def _with_one_tare(view: View, *, name: str, gauge: str, zero: Floats) -> View:
    """The view with another zero of one gauge, which does not change over the drive."""
    log = view.log.copy()
    change = log["zero_change"].copy(deep=True)
    change.loc[{"gauge": gauge}] = 0.0
    log["zero_change"] = change
    return replace(view.with_part(view.parts[name].with_zero(zero)), log=log, kept={})
