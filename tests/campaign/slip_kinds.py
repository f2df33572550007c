"""Slips that happen between the pulls and a drive, each as a change of log and tares."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import xarray as xr

from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.calibrated import Calibration
from recon.records.sheets import Tares

INCH, POUND = 25.4, 14.5038  # mm per inch, lbf/in2 per bar


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a slip may change, and the calibration that says which gauges belong together."""

    log: xr.Dataset
    tares: Tares
    calibration: Calibration

    @property
    def gauges(self) -> list[str]:
        return [str(name) for name in self.log["gauge"].to_numpy()]

    def newton(self, gauge: str) -> float:
        """Indication of one newton of a gauge's own load."""
        for fitted in self.calibration.corners.values():
            if gauge in fitted.gauges:
                return float(fitted.main_slope[list(fitted.gauges).index(gauge)])
        raise KeyError(gauge)

    def partners(self, gauge: str) -> list[str]:
        """Other gauges of the same assembly."""
        own = next(f.gauges for f in self.calibration.corners.values() if gauge in f.gauges)
        return [name for name in own if name != gauge]


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip: `channels` that have it, causes that name it rightly, and the change."""

    kind: str
    causes: tuple[str, ...]
    channels: tuple[str, ...]
    change: Callable[[xr.Dataset, Tares], Tares]  # changes the log where it is
    size: float = float("nan")  # N of a gauge's own load, share, or s

    def made(self, of: Recorded) -> Recorded:
        log = of.log.copy(deep=True)
        return Recorded(log, self.change(log, of.tares), of.calibration)


def random_slip(of: Recorded, rng: np.random.Generator, only: str = "") -> Slip:
    """A slip of a kind drawn evenly, or of the kind `only`, with everything else drawn."""
    slips = [slip for slip in _all(of, rng) if only in ("", slip.kind)]
    return slips[int(rng.integers(len(slips)))]


def sized(of: Recorded, rng: np.random.Generator, kind: str, size: float) -> Slip:
    """A slip of one gauge with its size: N of its own load, share, or s."""
    gauge = str(rng.choice(of.gauges))
    sign = float(rng.choice([-1.0, 1.0]))
    load = sign * size * of.newton(gauge) if kind in ("tare off", "zero moved", "jump") else 0.0
    n = of.log.sizes["elapsed_time"]
    causes = {
        "tare off": ("shifted tare", "zero shifted"),
        "zero moved": ("zero shifted", "shifted tare"),
        "jump": ("zero shifted",),
        "gain": ("gain changed",),
        "late gauge": ("late",),
    }[kind]
    change = {
        "tare off": partial(_tare, gauge=gauge, add=load),
        "zero moved": partial(_line, gauge=gauge, add=load),
        "jump": partial(_line, gauge=gauge, add=load, first=n // 2),
        "gain": partial(_line, gauge=gauge, factor=1.0 + sign * size),
        "late gauge": partial(_late, gauges=[gauge], seconds=size),
    }[kind]
    return Slip(kind, causes, (gauge,), change, size)


def _all(of: Recorded, rng: np.random.Generator) -> Iterator[Slip]:
    yield from _of_gauges(of, rng)
    yield from _of_tares(of, rng)
    yield from _of_failures(of, rng)
    yield from _of_body(of.log)
    yield from _of_wheels(of.log, rng)


def _at(log: xr.Dataset, gauge: str) -> int:
    return [str(name) for name in log["gauge"].to_numpy()].index(gauge)


def _line(
    log: xr.Dataset, tares: Tares, *, gauge: str, factor: float = 1.0, add: float = 0.0,
    first: int = 0,
) -> Tares:  # fmt: skip
    column = log["indication"].values[first:, _at(log, gauge)]
    column[:] = factor * column + add
    return tares


def _tare(
    _log: xr.Dataset, tares: Tares, *, gauge: str, factor: float = 1.0, add: float = 0.0
) -> Tares:
    own = tares.gauge == gauge
    return replace(tares, indication=np.where(own, factor * tares.indication + add,
                                              tares.indication))  # fmt: skip


def _both(log: xr.Dataset, tares: Tares, *, gauge: str, factor: float) -> Tares:
    return _tare(log, _line(log, tares, gauge=gauge, factor=factor), gauge=gauge, factor=factor)


def _late(log: xr.Dataset, tares: Tares, *, gauges: list[str], seconds: float) -> Tares:
    elapsed = log["elapsed_time"].to_numpy()
    for gauge in gauges:
        column = log["indication"].values[:, _at(log, gauge)]
        column[:] = np.interp(elapsed - seconds, elapsed, column)
    return tares


def _exchange(log: xr.Dataset, tares: Tares, *, pair: tuple[str, str], tares_too: bool) -> Tares:
    at = [_at(log, name) for name in pair]
    values = log["indication"].values
    values[:, at] = values[:, at[::-1]]
    return _exchange_tares(log, tares, pair=pair) if tares_too else tares


def _exchange_tares(_log: xr.Dataset, tares: Tares, *, pair: tuple[str, str]) -> Tares:
    other = dict(zip(pair, pair[::-1], strict=True))
    return replace(tares, gauge=np.array([other.get(str(g), str(g)) for g in tares.gauge]))


def _of_gauges(of: Recorded, rng: np.random.Generator) -> Iterator[Slip]:
    gauge = str(rng.choice(of.gauges))
    near = str(rng.choice(of.partners(gauge)))
    far = [name for name in of.gauges if name not in of.partners(gauge) and name != gauge]
    pairs = {"plugs in a corner": near} | ({"plugs across": str(rng.choice(far))} if far else {})
    for kind, other in pairs.items():
        pair = (gauge, other)
        yield Slip(kind, ("exchanged",), pair, partial(_exchange, pair=pair, tares_too=False))
    pair = (gauge, near)
    yield Slip(
        "plugs and tares", ("exchanged",), pair, partial(_exchange, pair=pair, tares_too=True)
    )
    one, load = (gauge,), float(rng.choice([-1, 1]) * rng.uniform(100, 3000)) * of.newton(gauge)
    yield Slip("inverted", ("inverted",), one, partial(_line, gauge=gauge, factor=-1.0))
    yield Slip("inverted, tares too", ("inverted",), one, partial(_both, gauge=gauge, factor=-1.0))
    factor = float(rng.choice([0.5, 0.7, 0.9, 1.1, 1.4, 2.0]))
    yield Slip("gain", ("gain changed",), one, partial(_line, gauge=gauge, factor=factor))
    zero = ("zero shifted", "shifted tare")
    yield Slip("zero moved", zero, one, partial(_line, gauge=gauge, add=load))
    cut = int(rng.uniform(0.2, 0.8) * of.log.sizes["elapsed_time"])
    yield Slip("jump", zero[:1], one, partial(_line, gauge=gauge, add=load, first=cut))
    delay = float(rng.uniform(0.005, 0.05))
    yield Slip("late gauge", ("late",), one, partial(_late, gauges=[gauge], seconds=delay))
    end = str(rng.choice(["F", "R"]))
    group = [name for name in of.gauges if name.startswith(end)]
    if group:
        yield Slip(
            "late axle", ("late",), tuple(group), partial(_late, gauges=group, seconds=delay)
        )


def _of_tares(of: Recorded, rng: np.random.Generator) -> Iterator[Slip]:
    gauge = str(rng.choice(of.gauges))
    pair, one = (gauge, str(rng.choice(of.partners(gauge)))), (gauge,)
    load = float(rng.choice([-1, 1]) * rng.uniform(100, 3000)) * of.newton(gauge)
    off = ("shifted tare", "zero shifted")
    yield Slip("tares exchanged", ("exchanged tares",), pair, partial(_exchange_tares, pair=pair))
    yield Slip("tare sign", ("inverted tare",), one, partial(_tare, gauge=gauge, factor=-1.0))
    yield Slip("tare off", off, one, partial(_tare, gauge=gauge, add=load))
    small = 0.05 * float(rng.choice([-1, 1]))  # mV/V
    yield Slip("tare off 0.05", off, one, partial(_tare, gauge=gauge, add=small))
    group = [gauge, *of.partners(gauge)]
    yield Slip("tare unit", ("tare in another unit",), tuple(group), partial(_unit, gauges=group))


def _unit(log: xr.Dataset, tares: Tares, *, gauges: list[str]) -> Tares:
    for gauge in gauges:
        tares = _tare(log, tares, gauge=gauge, factor=1e3)
    return tares


def _of_failures(of: Recorded, rng: np.random.Generator) -> Iterator[Slip]:
    gauge, n = str(rng.choice(of.gauges)), of.log.sizes["elapsed_time"]
    cut = int(rng.uniform(0.2, 0.8) * n)

    def dead(log: xr.Dataset, tares: Tares) -> Tares:
        column = log["indication"].values[:, _at(log, gauge)]
        column[cut:] = column[cut]
        return tares

    def open_input(log: xr.Dataset, tares: Tares) -> Tares:
        noise = np.random.default_rng(1).standard_normal(n - cut)
        log["indication"].values[cut:, _at(log, gauge)] = 8.0 * of.newton(gauge) * noise
        return tares

    starts = 0.1 + 0.2 * (np.arange(4) + rng.uniform(0.0, 0.6, 4))
    size = float(rng.choice([-1, 1]) * rng.uniform(500, 3000)) * of.newton(gauge)

    def jumping(log: xr.Dataset, tares: Tares) -> Tares:
        for start in starts:
            at = slice(int(start * n), int((start + 0.06) * n))
            log["indication"].values[at, _at(log, gauge)] += size
        return tares

    def loose(log: xr.Dataset, tares: Tares) -> Tares:
        for start in starts:
            at = slice(int(start * n), int((start + 0.06) * n))
            log["indication"].values[at, _at(log, gauge)] = 0.0
        return tares

    one = (gauge,)
    yield Slip("dead", ("dead",), one, dead)
    yield Slip("open input", ("noise alone", "intermittent", "dead"), one, open_input)
    yield Slip("jumping", ("jumping",), one, jumping)
    yield Slip("loose plug", ("intermittent",), one, loose)


def _times(log: xr.Dataset, tares: Tares, *, name: str, factor: float, column: int = -1) -> Tares:
    values = log[name].values
    if column >= 0:
        values = values[:, column]
    values *= factor
    return tares


def _of_body(log: xr.Dataset) -> Iterator[Slip]:
    rad = np.pi / 180.0
    for name, kind, factor in (
        ("roll", "roll sign", -1.0),
        ("pitch", "pitch sign", -1.0),
        ("steer", "steer sign", -1.0),
        ("roll", "roll unit", rad),
        ("steer", "steer unit", rad),
        ("brake_pressure", "pressure unit", POUND),
    ):
        if name in log:
            cause = "inverted" if factor < 0 else "other unit"
            yield Slip(kind, (cause,), (name,), partial(_times, name=name, factor=factor))
    if "acceleration" in log:
        name = "acceleration"
        yield Slip(
            "body sideways sign",
            ("inverted",),
            ("acceleration_y",),
            partial(_axis, name=name, column=-1, axis=1, factor=-1.0),
        )
        yield Slip(
            "body without gravity",
            ("without gravity",),
            ("acceleration_z",),
            partial(_axis, name=name, column=-1, axis=2, add=-STANDARD_GRAVITY),
        )


def _axis(
    log: xr.Dataset, tares: Tares, *, name: str, column: int, axis: int, factor: float = 1.0,
    add: float = 0.0,
) -> Tares:  # fmt: skip
    values = log[name].values
    values = values[:, axis] if column < 0 else values[:, column, axis]
    values[:] = factor * values + add
    return tares


def _of_wheels(log: xr.Dataset, rng: np.random.Generator) -> Iterator[Slip]:
    if "corner" not in log.dims:
        return
    corners = [str(name) for name in log["corner"].to_numpy()]
    k = int(rng.integers(len(corners)))
    j = (k + 1) % len(corners)
    if "travel" in log:
        own = (f"travel_{corners[k]}",)
        sign = partial(_times, name="travel", factor=-1.0, column=k)
        yield Slip("travel sign", ("inverted",), own, sign)
        every = tuple(f"travel_{name}" for name in corners)
        unit = partial(_times, name="travel", factor=1.0 / INCH)
        yield Slip("travel unit", ("other unit",), every, unit)
        if j != k:
            pair = (f"travel_{corners[k]}", f"travel_{corners[j]}")
            yield Slip("travel exchanged", ("exchanged",), pair, partial(_swap, columns=[k, j]))
    if "hub_acceleration" in log:
        hub, name = f"hub_acceleration_{corners[k]}", "hub_acceleration"

        def axes(log: xr.Dataset, tares: Tares) -> Tares:
            log[name].values[:, k] = log[name].values[:, k][:, [2, 1, 0]]
            return tares

        yield Slip("hub axes", ("exchanged",), (f"{hub}_x", f"{hub}_z"), axes)
        yield Slip(
            "hub without gravity",
            ("without gravity",),
            (f"{hub}_z",),
            partial(_axis, name=name, column=k, axis=2, add=-STANDARD_GRAVITY),
        )
        sign = partial(_axis, name=name, column=k, axis=1, factor=-1.0)
        yield Slip("hub sideways sign", ("inverted",), (f"{hub}_y",), sign)
        unit = partial(_times, name=name, factor=1 / STANDARD_GRAVITY, column=k)
        yield Slip("hub unit", ("other unit",), (f"{hub}_x",), unit)


def _swap(log: xr.Dataset, tares: Tares, *, columns: list[int]) -> Tares:
    values = log["travel"].values
    values[:, columns] = values[:, columns[::-1]]
    return tares
