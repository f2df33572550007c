"""Signals by which two logs of one drive are compared: one channel, or two that must agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COMPONENTS
from recon.conditioning.stuck_and_clipped_gauges import flat_samples
from recon.records.logs import VARIABLES

# Channels that say nothing about time: they move too little, or in steps.
MEAN = "mean of"
NOT_COMPARED = ("gauge_temperature", "gear", "lap", "marker")
NEARLY = 0.9  # share of the samples that hold a number
GAUGES, U_LAG_GAUGES = "the gauges", 0.01  # s, as for STAND_INS
# s: one axle alone moves sideways before the body's middle or after it, by the time in which the
# car drives from one to the other (1.3 m at 16 m/s).
U_LAG_ONE_AXLE = 0.08
Signal = tuple[Floats, Floats]  # times (sample,) [s], values (sample,) or (sample, gauge)


@dataclass(frozen=True, slots=True)
class Shared:
    """A signal of the first log and one of the second that must agree up to gain and bias.

    `u_lag` [s] is the standard uncertainty of a lag between them that is none of the clocks'.
    """

    names: tuple[str, str]
    unit: str
    first: Signal
    second: Signal
    u_lag: float = 0.0

    @property
    def label(self) -> str:
        """Both names, or one where they are the same."""
        return self.names[0] if self.names[0] == self.names[1] else " and ".join(self.names)


@dataclass(frozen=True, slots=True)
class StandIn:
    """Two signals that agree up to gain and bias, but for a lag of standard uncertainty `u_lag`."""

    names: tuple[str, str]
    u_lag: float


# What agrees where two logs have no channel in common, and the lag between the two in a moving
# car [s]: hubs and body lean against each other, a driven or braked wheel slips, and a car that
# turns about its rear axle or slides accelerates sideways before it yaws, by up to 0.2 s in slow
# hairpins and hardly in a quick slalom.  From simulated drives; common practice, no source.
STAND_INS = (
    StandIn(("acceleration_x", f"{MEAN} hub_acceleration_x"), 0.01),
    StandIn(("acceleration_y", f"{MEAN} hub_acceleration_y"), 0.01),
    StandIn(("acceleration_y", "speed times yaw_rate"), 0.08),
    StandIn((f"{MEAN} hub_acceleration_y", "speed times yaw_rate"), 0.08),
    StandIn(("speed", f"{MEAN} wheel_speed"), 0.1),
)


def shared_signals(first: xr.Dataset, second: xr.Dataset, *, same: bool) -> list[Shared]:
    """Signals of both logs that must agree.

    With `same`, these are the channels that both have.  Without, what stands for a quantity is
    compared: the mean of the hubs, or the gauges together, for the horizontal acceleration of the
    body (the tyres' forces are what accelerates it), speed times yaw rate for the lateral
    acceleration, and the mean of the wheel speeds for the speed.
    """
    a, b = _signals(first), _signals(second)
    names = [(k, k, 0.0) for k in a if k in b and not k.startswith(MEAN)]
    if not same:
        both = [(*s.names, s.u_lag) for s in STAND_INS]
        both += [(two, one, u) for one, two, u in both]
        both += [(GAUGES, f"acceleration_{c}", U_LAG_GAUGES) for c in ("x", "y")]
        a |= _gauges(first)
        swinging = _sideways_of_one_axle(first) | _sideways_of_one_axle(second)
        names = [
            (own, other, max(u, U_LAG_ONE_AXLE) if (own, other) in swinging else u)
            for own, other, u in both
            if own in a and other in b
        ]
    times = [log["elapsed_time"].to_numpy() for log in (first, second)]
    return [
        Shared((own, other), b[other][1], (times[0], a[own][0]), (times[1], b[other][0]), u)
        for own, other, u in names
    ]


def _sideways_of_one_axle(log: xr.Dataset) -> set[tuple[str, str]]:
    """Pairs of a sideways signal that only one axle makes in this log and one of the body."""
    own = []
    if log.attrs.get("gauged_axles") in ("front", "rear"):
        own.append(GAUGES)
    if "hub_acceleration" in log:
        there = log["hub_acceleration"].notnull().any(("elapsed_time", "component"))
        if len({str(corner)[0] for corner in log["corner"].to_numpy()[there]}) == 1:
            own.append(f"{MEAN} hub_acceleration_y")
    pairs = {(name, "acceleration_y") for name in own}
    return pairs | {(body, name) for name, body in pairs}


def _gauges(log: xr.Dataset) -> dict[str, tuple[Floats, str]]:
    """All gauges that work nearly throughout, (sample, gauge), if there are any.

    A gauge that is dead for a part of the drive would bend the fit of the others.
    """
    values = log["indication"].to_numpy()
    if values.size:
        rate = 1.0 / float(np.median(np.diff(log["elapsed_time"].to_numpy())))
        values = np.where(flat_samples(values, rate), np.nan, values)
    whole = np.isfinite(values).mean(axis=0) > NEARLY if values.size else np.zeros(0, dtype=bool)
    return {GAUGES: (values[:, whole], "")} if whole.any() else {}


def _signals(log: xr.Dataset) -> dict[str, tuple[Floats, str]]:
    """Signals (sample,) of a log and their units, by name; those without any number left out."""
    found: dict[str, tuple[Floats, str]] = {}
    for name, described in VARIABLES.items():
        if name not in log or name in NOT_COMPARED:
            continue
        values = log[name].to_numpy()
        columns = values.reshape(len(values), -1)
        ends = _ends(log, described.dims[1:])
        for column, end in zip(columns.T, ends, strict=True):
            found[name + end] = (column, str(described.units))
        if name == "wheel_speed":
            found[f"{MEAN} wheel_speed"] = (_mean(values), "rad/s")
        if name == "hub_acceleration":
            for component, column in zip(COMPONENTS, _mean(values).T, strict=True):
                found[f"{MEAN} hub_acceleration_{component}"] = (column, "m/s2")
    if "speed" in log and "yaw_rate" in log:
        product = log["speed"].to_numpy() * log["yaw_rate"].to_numpy()
        found["speed times yaw_rate"] = (product, "m/s2")
    return {name: signal for name, signal in found.items() if np.isfinite(signal[0]).sum() > 2}


def _ends(log: xr.Dataset, dims: tuple[str, ...]) -> list[str]:
    ends = [""]
    for dim in dims:
        ends = [f"{end}_{label}" for end in ends for label in log[dim].to_numpy()]
    return ends


def _mean(values: Floats) -> Floats:
    """Mean over the corners that have numbers, (sample, ...)."""
    there = np.isfinite(values).any(axis=tuple(k for k in range(values.ndim) if k != 1))
    return np.asarray(values[:, there].mean(axis=1)) if there.any() else values[:, 0]
