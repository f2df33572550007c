"""Ordinary channels that stand still although the car moves.

A sensor that sticks, or a column that a logger filled with its last value, goes on saying one
number.  From then on nothing that it says is used as evidence for or against anything else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import Doubt
from recon.base.late import xr
from recon.base.quantities import COMPONENTS
from recon.conditioning.hub_motion import SLOWEST
from recon.examination.inferred_turning import turned_again, yaw_channels
from recon.examination.motion import motion_of, scatter
from recon.examination.thinning import columns_of
from recon.examination.view import View
from recon.planning.unknowns import reference_of

# Changes below these are no movement.  Common practice, no source.
LEAST = {
    "travel": 1e-5,  # m
    "roll": 1e-5,  # rad
    "pitch": 1e-5,  # rad
    "yaw_rate": 1e-5,  # rad/s
    "speed": 1e-3,  # m/s
    "acceleration": 1e-3,  # m/s2
    "hub_acceleration": 1e-3,  # m/s2
}
ENTERS_FORCES = ("travel", "roll", "pitch", "acceleration", "hub_acceleration")
FEWEST = 12  # short means in which a channel must stand still
SHORTEST = 2.0  # s, from the first of them to the last
MOVES = 0.03  # of its static load: scatter of Fz of a wheel whose car is driven
GAINS = 2.0  # m/s that a car gains and loses whose speed cannot stand still


@dataclass(frozen=True, slots=True)
class _Stuck:
    """A channel that stands at `value` [SI unit] from the short mean `first` on."""

    variable: str
    at: dict[str, str]
    first: int
    value: float

    @property
    def channel(self) -> str:
        return "_".join((self.variable, *self.at.values()))


def stuck_channels(view: View) -> tuple[tuple[Doubt, ...], View]:
    """Doubts about channels that stand still until the end, and the drive without them there."""
    doubts, log = [], view.log
    for one in _found(view):
        doubts.append(_doubt(view, one))
        log = _without(view, log, one)
    return tuple(doubts), view.with_log(log) if doubts else view


def _without(view: View, log: xr.Dataset, one: _Stuck) -> xr.Dataset:
    """The log without the channel from where it sticks, and without what it does to the wheels."""
    columns = {}
    for name in columns_of(log, one.variable):
        columns[name] = log[name].copy(deep=True)
        # The short mean before may hold the moment at which it stuck.
        columns[name][max(one.first - 1, 0) :].loc[one.at] = np.nan
    without = log.assign(columns)
    if one.variable == "speed" and one.value > SLOWEST:
        return without  # one speed of the drive turns the wheels more truly than none
    return turned_again(without, log, view.prepared.car)


def _found(view: View) -> Iterator[_Stuck]:
    for name, least in LEAST.items():
        if view.channel(name) is None:
            continue
        for at in _places(view, name):
            values = view.log[name].sel(at).to_numpy()
            first = _still_from(values, least)
            moves = _gains if name == "speed" else _moves
            if first is not None and moves(view, first):
                yield _Stuck(name, at, first, float(values[-1]))


def _places(view: View, name: str) -> list[dict[str, str]]:
    dims = view.log[name].dims
    out: list[dict[str, str]] = [{}]
    if "corner" in dims:
        out = [{"corner": str(c)} for c in view.log["corner"].to_numpy()]
    if "component" in dims:
        out = [{**at, "component": axis} for at in out for axis in COMPONENTS]
    return out


def _still_from(values: Floats, least: float) -> int | None:
    """First of the last values (n,) that differ by less than `least` [SI unit], None if few do."""
    back = values[::-1]
    moved = np.maximum.accumulate(back) - np.minimum.accumulate(back)
    count = int(np.sum(moved < least))  # NaN never counts
    return len(values) - count if count >= FEWEST else None


def _moves(view: View, first: int) -> bool:
    """Whether the loads of some wheel change from the short mean `first` to the end."""
    if view.elapsed[-1] - view.elapsed[first] < SHORTEST:
        return False
    car = view.prepared.car
    return any(
        scatter(force[2, first:]) > MOVES * reference_of(car, car.corners[corner]).vertical
        for corner, force in view.force.items()
    )


def _gains(view: View, first: int) -> bool:
    """Whether the acceleration ahead takes and gives speed from the short mean `first` to the end.

    A constant acceleration may be a slope of the road or a tilt of the accelerometer.
    """
    ahead = motion_of(view).body[0, first:]
    steps = np.diff(view.elapsed[first:], prepend=view.elapsed[first])
    gained = np.cumsum((ahead - np.mean(ahead)) * steps)
    return bool(np.ptp(gained) > GAINS)


def _since(view: View, one: _Stuck) -> float:
    """Time [s] of the last sample before the short mean `first` that shows another value."""
    elapsed = view.whole["elapsed_time"].to_numpy()
    values = view.whole[one.variable].sel(one.at).to_numpy()
    moves = (elapsed < view.elapsed[one.first]) & (np.abs(values - one.value) > LEAST[one.variable])
    return float(elapsed[np.flatnonzero(moves)[-1]]) if moves.any() else view.start


def _doubt(view: View, one: _Stuck) -> Doubt:
    own = tuple(c for c in view.corners if c == one.at.get("corner", c))
    start = view.start if one.first == 0 else _since(view, one)
    speed = one.variable == "speed"
    although = "the car gains and loses speed" if speed else "the loads of the wheels change"
    return Doubt(
        corners=own if one.variable in (*ENTERS_FORCES, *yaw_channels(view.log)) else (),
        cause="stuck",
        channels=(one.channel,),
        probability=1.0,
        start=start,
        end=view.end,
        found=f"{one.channel} stands at {one.value:.4g} in SI units from {start:.1f} s to the "
        f"end, although {although}.",
        do=f"Check sensor and wire of {one.channel}; or leave its column out of the log: it is "
        "then inferred or assumed, with a stated uncertainty.",
    )
