"""Causes in ordinary channels: inverted, exchanged, another unit, without gravity, late.

A cause is tried where a comparison that uses its channel fails.  Every mend is a change of columns
of the thinned log; slopes change along.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY, UNITS
from recon.examination.channel_gains import gains_agree
from recon.examination.comparison import Comparison
from recon.examination.inferred_turning import SLOPE, turned_again, yaw_channels
from recon.examination.loads import load_comparisons
from recon.examination.ordinary import comparisons
from recon.examination.term import Candidate, Term, evidence, likelihoods
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
MOVES_FORCES = ("roll", "pitch", "steer", "steering_wheel_angle", "rack", "travel",
                "hub_acceleration", "acceleration", "brake_pressure")  # fmt: skip
OF_LOADS = ("travel", "brake_pressure")  # what the comparisons of loads depend on
MOST = 8  # causes that are tried in every comparison
HOPELESS = 12.0  # nats behind the best cause; such a one is not tried
SINGLE = -1.0  # one wheel's column in another unit than its neighbours': nats

Change = Callable[[xr.Dataset], xr.Dataset]


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
    by_channels = bool(suspects)
    if not by_channels:
        # Gauges or sums fail: any channel that enters the forces there may be the reason.
        suspects = {"steer", "rack", "steering_wheel_angle", "brake_pressure"}
        suspects |= {f"travel_{corner}" for corner in doubted}
        suspects |= {f"acceleration_{axis}" for axis in COMPONENTS}
    forces = {} if by_channels else likelihoods(_of_forces(view))
    gains = [
        (_gain(view, one, before) if by_channels else _gain_of_forces(view, one, forces), one)
        for one in _causes(view, suspects)
    ]
    gains.sort(key=lambda one: -one[0])
    for gain, candidate in gains[:MOST]:
        if gain > gains[0][0] - HOPELESS:
            yield candidate


def all_comparisons(view: View) -> Iterator[Comparison]:
    """Comparisons that tell ordinary channels apart, with or without a force in them."""
    yield from comparisons(view)
    yield from load_comparisons(view)


def _gain(view: View, candidate: Candidate, before: dict[str, Comparison]) -> float:
    """Evidence [nats] for a candidate in the comparisons that its channels have a part in."""
    gain = candidate.weight
    mended = candidate.mended(view)
    of_wheels = any(channel.startswith(OF_LOADS) for channel in candidate.channels)
    for new in all_comparisons(mended) if of_wheels else comparisons(mended):
        old = before.get(new.name)
        if old is not None and _shared(new, candidate) and np.isfinite(new.term.size):
            gain += new.term.log_likelihood - old.term.log_likelihood
    return gain


def _gain_of_forces(
    view: View, candidate: Candidate, before: Mapping[tuple[str, str], float]
) -> float:
    """Evidence [nats] for a candidate in the comparisons of forces."""
    return candidate.weight + evidence(before, _of_forces(candidate.mended(view)))


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
            yield from _of_body(view, name)
    if {"roll", "pitch"} <= suspects & set(view.log):
        yield _candidate(
            view,
            "exchanged",
            ("roll", "pitch"),
            _exchange_names,
            "Exchange their columns.",
            lines=(correction_line(["roll"], exchanged_with="pitch"),),
        )


def _candidate(
    view: View,
    cause: str,
    channels: tuple[str, ...],
    change: Change,
    do: str,
    weight: float = 0.0,
    *,
    lines: tuple[str, ...],
) -> Candidate:
    """A cause that `change` of the log undoes, with the wheels whose forces it spoils."""
    moves = any(channel.startswith(MOVES_FORCES) for channel in channels)
    moves |= channels[0] in yaw_channels(view.log)
    named = {c for c in view.prepared.car.corners if any(f"_{c}" in name for name in channels)}
    if view.prepared.session.attitude.source == "travel" and "travel" in channels[0]:
        named = set()  # roll and pitch come from the travels of all wheels
    spoilt = tuple(c for c in view.corners if c in named or not named)
    return Candidate(
        cause,
        spoilt if moves else (),
        channels,
        partial(_mended, change=change),
        do,
        weight,
        lines=lines,
    )


def _mended(view: View, *, change: Change) -> View:
    return view.with_log(turned_again(change(view.log), view.log, view.prepared.car))


def _exchange_names(log: xr.Dataset) -> xr.Dataset:
    return log.assign(
        {
            name: (log[name].dims, log[other].to_numpy())
            for a, b in (("roll", "pitch"), ("pitch", "roll"))
            for name, other in ((a, b), (SLOPE + a, SLOPE + b))
        }
    )


def _times(log: xr.Dataset, *, name: str, factor: Floats | float) -> xr.Dataset:
    """A channel and its slope times a factor that has its shape but for time."""
    return log.assign(
        {n: (log[n].dims, log[n].to_numpy() * factor, log[n].attrs) for n in (name, SLOPE + name)}
    )


def _take(log: xr.Dataset, *, name: str, order: list[int], axis: int) -> xr.Dataset:
    """A channel with its corners (axis 1) or components (last axis) in another order."""
    return log.assign(
        {
            n: (log[n].dims, np.take(log[n].to_numpy(), order, axis=axis), log[n].attrs)
            for n in (name, SLOPE + name)
        }
    )


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


def _of_body(view: View, name: str) -> Iterator[Candidate]:
    times = partial(_times, name=name)
    if name not in ONE_SIGN:
        yield _candidate(
            view,
            "inverted",
            (name,),
            partial(times, factor=-1.0),
            _turned(name),
            lines=(correction_line([name], factor=-1.0),),
        )
    for factor, words in units_of(name).items():
        yield _candidate(
            view,
            "other unit",
            (name,),
            partial(times, factor=factor),
            f"State the unit of {name} in the column map: its numbers seem to be {words} "
            "or in the same ratio.",
            lines=(correction_line([name], factor=factor),),
        )


def _of_brakes(view: View) -> Iterator[Candidate]:
    """Brake lines: one sensor for each axle, so front and rear are exchanged together."""
    lines = ("brake_pressure_front", "brake_pressure_rear")
    name, corners = "brake_pressure", corner_names(view.log)
    partner = {"F": "R", "R": "F"}
    if all(partner[c[0]] + c[1] in corners for c in corners):
        order = [corners.index(partner[c[0]] + c[1]) for c in corners]
        yield _candidate(
            view,
            "exchanged",
            lines,
            partial(_take, name=name, order=order, axis=1),
            "Exchange the columns of brake_pressure_front and brake_pressure_rear.",
            lines=(correction_line([lines[0]], exchanged_with=lines[1]),),
        )
    for factor, words in units_of(name).items():
        yield _candidate(
            view,
            "other unit",
            (name,),
            partial(_times, name=name, factor=factor),
            f"State the unit of {name} in the column map: its numbers seem to be {words}.",
            lines=(correction_line(lines, factor=factor),),
        )


def _of_wheels(view: View, name: str, suspects: set[str]) -> Iterator[Candidate]:
    corners = corner_names(view.log)
    columns = {c: f"{name}_{c}" for c in corners}
    hit = [c for c, column in columns.items() if any(s.startswith(column) for s in suspects)]
    if not hit:
        return
    if name == "hub_acceleration":
        for corner in (*hit, None):
            yield from _of_accelerometer(view, name, corner)
    else:
        for chosen in [*([c] for c in hit), *([corners] if len(hit) > 1 else [])]:
            yield from _signs_and_units(view, name, chosen, corners)
    for a, b in combinations(corners, 2):
        if a in hit or b in hit:
            order = list(range(len(corners)))
            i, j = corners.index(a), corners.index(b)
            order[i], order[j] = j, i
            yield _candidate(
                view,
                "exchanged",
                (columns[a], columns[b]),
                partial(_take, name=name, order=order, axis=1),
                f"Exchange the columns of {columns[a]} and {columns[b]}.",
                lines=(correction_line([columns[a]], exchanged_with=columns[b]),),
            )


def _signs_and_units(
    view: View, name: str, chosen: list[str], corners: list[str]
) -> Iterator[Candidate]:
    at = np.isin(corners, chosen)
    channels = tuple(f"{name}_{c}" for c in chosen)
    shape = (-1,) + (1,) * (view.log[name].ndim - 2)
    weight = 0.0 if len(chosen) > 1 else SINGLE
    named = " and ".join(channels)
    yield _candidate(
        view,
        "inverted",
        channels,
        partial(_times, name=name, factor=np.where(at, -1.0, 1.0).reshape(shape)),
        _turned(named),
        lines=(correction_line(channels, factor=-1.0),),
    )
    for factor, words in units_of(name).items():
        yield _candidate(
            view,
            "other unit",
            channels,
            partial(_times, name=name, factor=np.where(at, factor, 1.0).reshape(shape)),
            f"State the unit of {named} in the column map: the numbers seem to be {words} "
            "or in the same ratio.",
            weight,
            lines=(correction_line(channels, factor=factor),),
        )


def _of_accelerometer(view: View, name: str, corner: str | None) -> Iterator[Candidate]:
    """Signs, axes, unit and gravity of the accelerometer of the body or of one or all hubs."""
    corners = corner_names(view.log) if name != "acceleration" else []
    chosen = np.ones(len(corners), dtype=bool) if corner is None else np.isin(corners, corner)
    places = [f"{name}_{c}" for c, used in zip(corners, chosen, strict=True) if used] or [name]
    weight = 0.0 if corner is None else SINGLE

    def made(cause: str, axes: str, change: Change, do: str, **keys: float | str) -> Candidate:
        channels = tuple(f"{place}_{axis}" for place in places for axis in axes)
        do = do.format(" and ".join(channels))
        pairs = tuple(
            correction_line([f"{place}_{axes[0]}"], exchanged_with=f"{place}_{axes[-1]}")
            for place in places
        )
        lines = (correction_line(channels, **keys),) if keys else pairs
        return _candidate(view, cause, channels, change, do, weight, lines=lines)

    def only(factor: float, axes: tuple[int, ...]) -> Floats:
        on = np.isin(np.arange(3), axes)
        at = chosen[:, None] & on if corners else on
        return np.where(at, factor, 1.0)

    for k, axis in enumerate(COMPONENTS):
        change = partial(_times, name=name, factor=only(-1.0, (k,)))
        yield made("inverted", axis, change, _turned("{}"), factor=-1.0)
    for i, j in combinations(range(3), 2):
        yield made(
            "exchanged",
            COMPONENTS[i] + COMPONENTS[j],
            partial(_exchange_axes, name=name, i=i, j=j, chosen=chosen),
            "Exchange the columns of {}.",
        )
    for factor, words in units_of(name).items():
        yield made(
            "other unit",
            "xyz",
            partial(_times, name=name, factor=only(factor, (0, 1, 2))),
            f"State the unit of {{}} in the column map: the numbers seem to be {words}.",
            factor=factor,
        )
    upward = next(iter(view.parts.values())).samples.turn[2]
    yield made(
        "without gravity",
        "z",
        partial(_with_gravity, name=name, chosen=chosen, upward=upward),
        "Log {} with gravity: at rest on the level it reads +9.81 m/s2.",
        add=f"{STANDARD_GRAVITY} m/s2",
    )


def _exchange_axes(log: xr.Dataset, *, name: str, i: int, j: int, chosen: np.ndarray) -> xr.Dataset:
    out = {}
    for n in (name, SLOPE + name):
        values = log[n].to_numpy().copy()
        at = values[:, chosen] if len(chosen) else values
        at = np.take(at, [{i: j, j: i}.get(k, k) for k in range(3)], axis=-1)
        if len(chosen):
            values[:, chosen] = at
        else:
            values = at
        out[n] = (log[n].dims, values, log[n].attrs)
    return log.assign(out)


def _with_gravity(log: xr.Dataset, *, name: str, chosen: np.ndarray, upward: Floats) -> xr.Dataset:
    values = log[name].to_numpy().copy()
    more = STANDARD_GRAVITY * upward.T
    if len(chosen):
        values[:, chosen] += more[:, None]
    else:
        values += more
    return log.assign({name: (log[name].dims, values, log[name].attrs)})
