"""Faults in ordinary channels that a drive would not show: sign, unit, gain and zero.

A gain or a zero of a channel shifts the comparisons that the channel has a part in, and the forces
that it rotates, places or corrects.  Both shifts are in proportion to the fault while it is small.
A wrong sign is a gain of minus one, and a wrong unit is another gain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.quantities import COMPONENTS
from recon.examination import channel_gains
from recon.examination.by_motion import independent
from recon.examination.channel_gains import gains_of
from recon.examination.comparison import Comparison
from recon.examination.gauge_causes import of_gauges
from recon.examination.inferred_turning import turned_again, yaw_channels
from recon.examination.ordinary_causes import KIND, ONE_SIGN, all_comparisons, units_of
from recon.examination.term import FOUND, USUAL, WORTH
from recon.examination.thinning import columns_of
from recon.examination.view import Part, View
from recon.mechanics.axes import intermediate_to_tyre

STEP = 0.05  # share of a channel by which its gain is varied
LEAST = 1e-3  # N, of a change of a force
BODY = ("roll", "pitch", "steer", "rack", "steering_wheel_angle")
# Largest faults that are looked for.  Common practice, no source.
MOST_GAIN = 0.5
# rad, m, m/s2, rad/s, m/s
MOST_ZERO = {
    "angle": 0.035,
    "length": 0.01,
    "acceleration": 1.0,
    "angular_rate": 0.02,
    "speed": 1.0,
}
LARGEST = 5.0  # share too much; a channel that shows more leaves its range
EVERY = ("channel inverted", "channel unit", "channel gain", "channel zero")


@dataclass(frozen=True, slots=True)
class Channels:
    """Columns of one variable that have a fault together.

    `title` is their name, with {} for a corner where each wheel's column acts on its own tyre
    alone; `columns` (...) is true where the variable has the fault, and `kinds` are the faults that
    these columns may have together.
    """

    title: str
    variable: str
    columns: np.ndarray
    kinds: tuple[str, ...] = EVERY

    @property
    def of_wheels(self) -> bool:
        """Whether the title stands for one channel of each corner."""
        return "{}" in self.title

    def with_fault(self, view: View, factor: float = 1.0, zero: float = 0.0) -> View:
        """The drive with these columns times a factor, and higher by a zero [SI unit]."""
        times, log = np.where(self.columns, factor, 1.0), view.log.copy()  # arrays are shared
        for name in columns_of(log, self.variable):
            variable, add = log.variables[name], zero if name == self.variable else 0.0
            variable.data = variable.to_numpy() * times + add * self.columns
        return view.with_log(turned_again(log, view.log, view.prepared.car))


@dataclass(frozen=True, slots=True)
class ChannelFault:
    """A fault in some columns that is just found with 95 %, or a sign or unit that is not.

    `size` is a share, or a zero in the channel's SI unit; `change` (w, 3, n) [N] that of the forces
    of the assembly `part`.
    """

    kind: str
    channels: Channels
    part: Part
    size: float
    change: Floats


def channel_faults(view: View) -> Iterator[ChannelFault]:
    """Faults in the ordinary channels that forces depend on, as far as they may stay unseen."""
    before = {(one.place, one.name): one for one in _compared(view)}
    for channels in _all_channels(view):
        yield from _gains(view, before, channels)
        if "channel zero" in channels.kinds:
            yield from _zeros(view, before, channels)


def _gains(
    view: View, before: dict[tuple[str, str], Comparison], channels: Channels
) -> Iterator[ChannelFault]:
    faulty = channels.with_fault(view, factor=1.0 + STEP)
    for part, change, times in _moved(view, before, channels, faulty):
        found, newtons = min(STEP * times, _by_gains(view, channels, part)), change / STEP
        shares = {
            "channel gain": [min(found, MOST_GAIN)],
            "channel inverted": [-2.0],
            # One of those that hide alike.
            "channel unit": {round(f, 1): f - 1.0 for f in units_of(channels.variable)}.values(),
        }
        for kind in (kind for kind in channels.kinds if kind in shares):
            for share in sorted(shares[kind], key=abs, reverse=True):
                fault = ChannelFault(kind, channels, part, share, share * newtons)
                if abs(share) <= min(found, LARGEST) and _passes(view, fault):
                    yield fault
                    break  # smaller ones hide less


def _passes(view: View, fault: ChannelFault) -> bool:
    """Whether no comparison of channels or gauges contradicts a sign or unit as it is.

    What hides little is not tried.
    """
    much = np.abs(fault.change) > WORTH * fault.part.half_width[..., None]
    if abs(fault.size) <= MOST_GAIN or np.mean(np.any(much, axis=(0, 1))) < 1.0 - USUAL:
        return True
    key = f"contradicted {fault.channels.title} {fault.size}"
    if key not in view.kept:
        faulty = fault.channels.with_fault(view, factor=1.0 + fault.size)
        compared = (one.term for one in all_comparisons(faulty))
        terms = (*compared, *channel_gains.gains_agree(faulty), *of_gauges(faulty))
        hit = ({t.place, *t.corners} for t in terms if t.contradicts)
        view.kept[key] = set().union(*hit)
    places = set(fault.part.corners) if fault.channels.of_wheels else view.kept[key]
    return not places & view.kept[key]


def _zeros(
    view: View, before: dict[tuple[str, str], Comparison], channels: Channels
) -> Iterator[ChannelFault]:
    most = MOST_ZERO[KIND[channels.variable]]
    faulty = channels.with_fault(view, zero=most)
    for part, change, times in _moved(view, before, channels, faulty):
        share = min(times, 1.0)
        yield ChannelFault("channel zero", channels, part, share * most, share * change)


def _compared(view: View) -> Iterator[Comparison]:
    yield from all_comparisons(view)
    yield from independent(view)


def _moved(
    view: View, before: dict[tuple[str, str], Comparison], channels: Channels, faulty: View
) -> Iterator[tuple[Part, Floats, float]]:
    """Assemblies whose forces a fault changes, the change (w, 3, n) [N], and when it is found.

    The last is how many times this fault contradicts a comparison with 95 %.
    """
    changes = {name: _changed(part, faulty.parts[name]) for name, part in view.parts.items()}
    moved = [n for n, change in changes.items() if np.any(np.abs(change) > LEAST)]
    if not moved:
        return
    times: dict[str, float] = {}
    for one in _compared(faulty):
        old = before.get((one.place, one.name))
        if old is not None:
            times[one.place] = max(old.times_found(one), times.get(one.place, 0.0))
    for name in moved:
        part, most = view.parts[name], max(times.values(), default=0.0)
        if channels.of_wheels:  # sums would have all wheels wrong at once
            most = min(times.get(corner, 0.0) for corner in part.corners)
        yield part, changes[name], 1.0 / max(most, 1e-6)


def _changed(before: Part, after: Part) -> Floats:
    """Change (w, 3, n) [N] of forces in intermediate axes or in those of the tyres.

    The larger one of both, as a wrong steer turns the tyres' axes more than it moves forces.
    """
    level, turned = after.level - before.level, _in_tyre_axes(after) - _in_tyre_axes(before)
    return np.where(np.abs(turned) > np.abs(level), turned, level)


def _in_tyre_axes(part: Part) -> Floats:
    """Forces (w, 3, n) [N] along the heading of each wheel, across it and upwards."""
    turned = intermediate_to_tyre(np.moveaxis(part.level, 1, -1), part.heading)
    return np.moveaxis(turned, -1, 1)


def _by_gains(view: View, channels: Channels, part: Part) -> float:
    """Share by which these columns must be wrong for the gain of one to contradict, with 95 %."""
    gains = gains_of(view)
    found = []
    for corner in part.corners:
        name = channels.title.format(corner)
        names = (name, *(f"{name}_{axis}" for axis in COMPONENTS))
        found.append(min((gains[n].u for n in names if n in gains), default=np.inf))
    return (sqrt(channel_gains.LIMIT) + FOUND) * max(found)


def _all_channels(view: View) -> Iterator[Channels]:
    turning = [name for name in yaw_channels(view.log) if name != "acceleration"]
    for variable in (*BODY, *turning):
        if view.channel(variable) is not None:
            signs = () if variable in ONE_SIGN else ("channel inverted",)
            kinds = (*signs, "channel unit", "channel gain", "channel zero")
            yield Channels(variable, variable, np.array(True), kinds)
    if view.channel("travel") is not None:
        corners = corner_names(view.log)
        yield Channels("travel", "travel", np.ones(len(corners), dtype=bool))
        for corner, column in zip(corners, np.eye(len(corners), dtype=bool), strict=True):
            yield Channels(f"travel_{corner}", "travel", column)
    for variable, title in (("acceleration", ""), ("hub_acceleration", "_{}")):
        if view.channel(variable) is not None:
            # A sensor has one unit, and three signs, gains and zeros.
            yield Channels(variable + title, variable, np.ones(3, dtype=bool), ("channel unit",))
            for axis, column in zip(COMPONENTS, np.eye(3, dtype=bool), strict=True):
                kinds = tuple(kind for kind in EVERY if kind != "channel unit")
                yield Channels(f"{variable}{title}_{axis}", variable, column, kinds)
