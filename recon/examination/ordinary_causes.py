"""Causes in ordinary channels: inverted, exchanged, another unit, without gravity, late.

A cause is tried where a comparison that uses its channel fails.  Every mend is a change of columns
of the thinned log; derivatives change along.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names, with_values
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY, UNITS
from recon.base.words import enumerated
from recon.examination.channel_gains import gains_agree
from recon.examination.comparison import Comparison
from recon.examination.inferred_turning import turned_again
from recon.examination.loads import load_comparisons
from recon.examination.ordinary import comparisons
from recon.examination.spoilt_corners import spoilt_by
from recon.examination.term import Candidate, Term, blinded, evidence, likelihoods
from recon.examination.thinning import columns_of
from recon.examination.view import View
from recon.examination.wheels import wheels_agree
from recon.examination.whole_car import sums_agree
from recon.records.corrections import correction_line

KIND = {
    "roll": "angle",
    "pitch": "angle",
    "steer": "angle",
    "steering_wheel_angle": "angle",
    "rack": "length",
    "yaw_rate": "angular_rate",
    "speed": "speed",
    "travel": "length",
    "wheel_speed": "angular_rate",
    "brake_pressure": "pressure",
    "acceleration": "acceleration",
    "hub_acceleration": "acceleration",
}
ONE_SIGN = ("speed",)
OF_LOADS = ("travel", "brake_pressure")  # what the comparisons of loads depend on
MOST = 8  # causes that are tried in every comparison
HOPELESS = 12.0  # nats behind the best cause; such a one is not tried
SINGLE = -1.0  # one wheel's or line's column in another unit than its neighbours': nats

Change = Callable[[xr.Dataset], xr.Dataset]
_Gain = tuple[float, Candidate, View]  # evidence for a cause [nats], and the drive without it


def ordinary_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Causes in the ordinary channels of comparisons that fail, the likely ones only."""
    before = {one.name: one for one in all_comparisons(view)}
    failing = [one for one in before.values() if one.term.contradicts]
    suspects = {channel for one in failing for channel in one.channels}
    for term in gains_agree(view):
        if term.contradicts:
            of_all = (f"{term.place}_{corner}" for corner in view.prepared.car.corners)
            suspects |= {term.place, *(of_all if term.place == "travel" else ())}
            # The channel may be right, and wrong what it is compared with.
            beside = (one.channels for one in before.values() if term.place in one.shares)
            suspects |= {channel for channels in beside for channel in channels}
    if suspects:
        tried = [(one.weight, one, one.mended(view)) for one in _causes(view, suspects)]
    else:
        # Gauges or sums fail: any channel that enters the forces there may be the reason.
        suspects = {"steer", "rack", "steering_wheel_angle", "brake_pressure"}
        suspects |= {f"travel_{corner}" for corner in doubted}
        suspects |= {f"acceleration_{axis}" for axis in COMPONENTS}
        # Sums of forces do not tell all causes apart: what they leave, by its own comparisons too.
        by_forces = _hopeful(list(_by_forces(view, _causes(view, suspects))))
        tried = [(gain + one.weight, one, new) for gain, one, new in by_forces]
    gains = [(gain + _gain(one, new, before), one, new) for gain, one, new in tried]
    gains.sort(key=lambda one: -one[0])
    yield from [candidate.kept(view, new) for _, candidate, new in _hopeful(gains)[:MOST]]


def _by_forces(view: View, causes: Iterable[Candidate]) -> Iterator[_Gain]:
    """Causes by the evidence of sums of forces alone; hopeless ones may be left out."""
    before, best = likelihoods(_of_forces(view)), -np.inf
    for one in causes:
        mended = one.mended(view)
        if blinded(view, mended):
            continue
        gain = evidence(before, _of_forces(mended), least=best - HOPELESS)
        best = max(best, gain)
        yield gain, one, mended


def _hopeful(gains: list[_Gain]) -> list[_Gain]:
    """The causes that are not hopelessly behind the best one."""
    best = max((gain for gain, *_ in gains), default=0.0)
    return [one for one in gains if one[0] > best - HOPELESS]


def all_comparisons(view: View) -> Iterator[Comparison]:
    """Comparisons that tell ordinary channels apart, with or without a force in them."""
    yield from comparisons(view)
    yield from load_comparisons(view)


def _gain(candidate: Candidate, mended: View, before: dict[str, Comparison]) -> float:
    """Evidence [nats] for a candidate in the comparisons that its channels have a part in."""
    gain = 0.0
    of_wheels = any(channel.startswith(OF_LOADS) for channel in candidate.channels)
    for new in all_comparisons(mended) if of_wheels else comparisons(mended):
        old = before.get(new.name)
        if old is not None and _shared(new, candidate) and np.isfinite(new.term.size):
            gain += new.term.log_likelihood - old.term.log_likelihood
    return gain


def _of_forces(view: View) -> Iterator[Term]:
    """Sums of forces, and forces of axles and wheels, against motion."""
    yield from sums_agree(view)
    yield from wheels_agree(view)


def _shared(comparison: Comparison, candidate: Candidate) -> bool:
    return any(a.startswith(b) for a in candidate.channels for b in comparison.channels)


def _causes(view: View, suspects: set[str]) -> Iterator[Candidate]:
    for name in KIND:
        if view.channel(name) is None:  # what was inferred has no sign and no unit
            continue
        if name == "brake_pressure":
            if name in suspects:
                yield from _of_brakes(view)
        elif "corner" in view.log[name].dims:
            yield from _of_wheels(view, name, suspects)
        elif name == "acceleration":
            if suspects & {f"acceleration_{axis}" for axis in COMPONENTS}:
                yield from _of_accelerometer(view, name, None)
        elif name in suspects:
            times, sign = partial(times_factor, name), name not in ONE_SIGN
            yield from _signs_and_units(view, name, (name,), times, sign=sign)
    if {"roll", "pitch"} <= suspects & set(view.log):
        yield candidate_of(
            view,
            "exchanged",
            ("roll", "pitch"),
            _exchange_names,
            "Exchange their columns.",
            lines=(correction_line(["roll"], exchanged_with="pitch"),),
        )


def candidate_of(
    view: View,
    cause: str,
    channels: tuple[str, ...],
    change: Change,
    do: str,
    weight: float = 0.0,
    *,
    lines: tuple[str, ...] = (),
) -> Candidate:
    """A cause that `change` of the log undoes, with the wheels whose forces it spoils."""
    return Candidate(
        cause,
        spoilt_by(view, channels),
        channels,
        partial(_mended, change=change),
        do,
        weight,
        lines=lines,
    )


def _mended(view: View, *, change: Change) -> View:
    return view.with_log(turned_again(change(view.log), view.log, view.prepared.car))


def _exchange_names(log: xr.Dataset) -> xr.Dataset:
    a, b = columns_of(log, "roll"), columns_of(log, "pitch")
    pairs = zip(a + b, b + a, strict=True)
    return with_values(log, {to: log.variables[of].to_numpy() for to, of in pairs})


def _changed(log: xr.Dataset, *, name: str, change: Callable[[Floats], Floats]) -> xr.Dataset:
    """The log with a channel and its derivatives changed alike."""
    return with_values(log, {n: change(log.variables[n].to_numpy()) for n in columns_of(log, name)})


def times_factor(name: str, factor: Floats | float) -> Change:
    """A channel and its derivatives times a factor (...,) [1] of its shape but for time."""
    return partial(_changed, name=name, change=lambda values: values * factor)


def times_some(name: str, at: NDArray[np.bool_], factor: float) -> Change:
    """A channel and its derivatives of some corners `at` (corner,) times a factor [1]."""
    return times_factor(name, np.where(at, factor, 1.0))


def units_of(name: str) -> dict[float, str]:
    """Factors that undo a wrong unit of a channel, each with the pair of units that it means."""
    units = UNITS[KIND[name]]
    out: dict[float, str] = {}
    for a, one in units.items():
        for b, two in units.items():
            factor = float(f"{one.factor / two.factor:.6g}")
            if abs(np.log(factor)) > 0.1:
                out.setdefault(factor, f"in {a}, not in {b}")
    return out


def _turned(channel: str) -> str:
    return f"Turn the sign of {channel}: it is logged the other way round."


def _signs_and_units(
    view: View,
    name: str,
    channels: tuple[str, ...],
    times: Callable[[float], Change],
    weight: float = 0.0,
    *,
    columns: tuple[str, ...] = (),
    sign: bool = True,
) -> Iterator[Candidate]:
    """Channels inverted together, or in another unit; `times` multiplies them.

    `columns` are those of the log, where they have other names.
    """
    named, columns = enumerated(channels), columns or channels
    if sign:
        lines = (correction_line(columns, factor=-1.0),)
        yield candidate_of(view, "inverted", channels, times(-1.0), _turned(named), lines=lines)
    for factor, words in units_of(name).items():
        yield candidate_of(
            view,
            "other unit",
            channels,
            times(factor),
            f"State the unit of {named} in the column map: the numbers seem to be {words} "
            "or in the same ratio.",
            weight,
            lines=(correction_line(columns, factor=factor),),
        )


def _exchanged(
    view: View, name: str, swaps: Sequence[tuple[str, str]], pairs: Mapping[str, str]
) -> Candidate:
    """Columns exchanged in `swaps`: the corners of a channel, each with its partner in `pairs`."""
    corners = corner_names(view.log)
    order = [corners.index(pairs.get(corner, corner)) for corner in corners]
    return candidate_of(
        view,
        "exchanged",
        tuple(column for swap in swaps for column in swap),
        partial(_changed, name=name, change=lambda values: np.take(values, order, axis=1)),
        f"Exchange the columns of {', and those of '.join(' and '.join(swap) for swap in swaps)}.",
        lines=tuple(correction_line([one], exchanged_with=other) for one, other in swaps),
    )


def _of_brakes(view: View) -> Iterator[Candidate]:
    """Brake lines: one sensor for each axle, so front and rear are exchanged together."""
    name, columns = "brake_pressure", ("brake_pressure_front", "brake_pressure_rear")
    pairs = _ends_exchanged(corner_names(view.log))
    if pairs:
        yield _exchanged(view, name, [columns], pairs)
    times = partial(times_factor, name)
    yield from _signs_and_units(view, name, (name,), times, columns=columns, sign=False)
    for end, column in zip("FR", columns, strict=True):
        at = np.array([corner[0] == end for corner in corner_names(view.log)])
        if at.any() and not at.all():
            of_line = partial(times_some, name, at)
            yield from _signs_and_units(view, name, (column,), of_line, SINGLE, sign=False)


def _of_wheels(view: View, name: str, suspects: set[str]) -> Iterator[Candidate]:
    columns = {c: f"{name}_{c}" for c in corner_names(view.log)}
    hit = [c for c, column in columns.items() if any(s.startswith(column) for s in suspects)]
    if not hit:
        return
    if name == "hub_acceleration":
        for corner in (*hit, None):
            yield from _of_accelerometer(view, name, corner)
    else:
        for chosen in [*([c] for c in hit), *([list(columns)] if len(hit) > 1 else [])]:
            yield from _of_some(view, name, chosen)
    for a, b in combinations(columns, 2):
        if a in hit or b in hit:
            yield _exchanged(view, name, [(columns[a], columns[b])], {a: b, b: a})
    for pairs in (_sides_exchanged(list(columns)), _ends_exchanged(list(columns))):
        if len(pairs) > 2:
            swaps = [(columns[a], columns[b]) for a, b in pairs.items() if a < b]
            yield _exchanged(view, name, swaps, pairs)


def _sides_exchanged(corners: list[str]) -> dict[str, str]:
    """Each corner with that of the other side; none if one is missing."""
    return _all_there({c: c[0] + {"L": "R", "R": "L"}[c[1]] for c in corners})


def _ends_exchanged(corners: list[str]) -> dict[str, str]:
    """Each corner with that of the other axle; none if one is missing."""
    return _all_there({c: {"F": "R", "R": "F"}[c[0]] + c[1] for c in corners})


def _all_there(pairs: dict[str, str]) -> dict[str, str]:
    return pairs if set(pairs.values()) <= set(pairs) else {}


def _of_some(view: View, name: str, chosen: list[str]) -> Iterator[Candidate]:
    """The columns of some wheels inverted together, or in another unit."""
    at = np.isin(corner_names(view.log), chosen)
    shape = (-1,) + (1,) * (view.log[name].ndim - 2)

    def times(factor: float) -> Change:
        return times_factor(name, np.where(at, factor, 1.0).reshape(shape))

    channels = tuple(f"{name}_{c}" for c in chosen)
    weight = 0.0 if len(chosen) > 1 else SINGLE
    yield from _signs_and_units(view, name, channels, times, weight)


def _of_accelerometer(view: View, name: str, corner: str | None) -> Iterator[Candidate]:
    """Signs, axes, unit and gravity of the accelerometer of the body or of one or all hubs."""
    corners = corner_names(view.log) if name != "acceleration" else []
    chosen = np.ones(len(corners), dtype=bool) if corner is None else np.isin(corners, corner)
    places = [f"{name}_{c}" for c, used in zip(corners, chosen, strict=True) if used] or [name]
    at = (slice(None), chosen) if corners else slice(None)
    weight = 0.0 if corner is None else SINGLE

    def made(cause: str, axes: str, change: Change, do: str, **keys: float | str) -> Candidate:
        channels = tuple(f"{place}_{axis}" for place in places for axis in axes)
        do = do.format(enumerated(channels))
        pairs = tuple(
            correction_line([f"{place}_{axes[0]}"], exchanged_with=f"{place}_{axes[-1]}")
            for place in places
        )
        lines = (correction_line(channels, **keys),) if keys else pairs
        return candidate_of(view, cause, channels, change, do, weight, lines=lines)

    def only(factor: float, axes: tuple[int, ...]) -> Floats:
        on = np.isin(np.arange(3), axes)
        return np.where(chosen[:, None] & on if corners else on, factor, 1.0)

    def axes_exchanged(values: Floats, order: list[int]) -> Floats:
        out = values.copy()
        out[at] = np.take(values[at], order, axis=-1)
        return out

    for k, axis in enumerate(COMPONENTS):
        change = times_factor(name, only(-1.0, (k,)))
        yield made("inverted", axis, change, _turned("{}"), factor=-1.0)
    for axes, order in (("xy", [1, 0, 2]), ("xz", [2, 1, 0]), ("yz", [0, 2, 1])):
        change = partial(_changed, name=name, change=partial(axes_exchanged, order=order))
        yield made("exchanged", axes, change, "Exchange the columns of {}.")
    for factor, words in units_of(name).items():
        yield made(
            "other unit",
            "xyz",
            times_factor(name, only(factor, (0, 1, 2))),
            f"State the unit of {{}} in the column map: the numbers seem to be {words}.",
            factor=factor,
        )
    upward = next(iter(view.parts.values())).samples.turn[2]
    yield made(
        "without gravity",
        "z",
        partial(_with_gravity, name=name, at=at, upward=upward),
        "Log {} with gravity: at rest on the level it reads +9.81 m/s2.",
        add=f"{STANDARD_GRAVITY} m/s2",
    )


def _with_gravity(log: xr.Dataset, *, name: str, at: Any, upward: Floats) -> xr.Dataset:
    values = log[name].to_numpy().copy()
    more = STANDARD_GRAVITY * upward.T
    values[at] += more if values.ndim == more.ndim else more[:, None]
    return with_values(log, {name: values})
