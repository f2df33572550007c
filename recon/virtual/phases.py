"""Plans of drives as phases: a wish of the driver and how long it lasts, one after the other."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from recon.base.arrays import Floats
from recon.virtual.dampers import NO_DAMPER, Damper
from recon.virtual.stance import FRONT_SHARE, smooth
from recon.virtual.states import Event
from recon.virtual.tyre_curve import Grip
from recon.virtual.tyre_forces import Plan

RAMP = 0.35  # s from the wish of one phase to that of the next
SHUFFLE, SHUFFLES, SHUFFLE_TIME = 0.45, 5.5, 0.16  # share of the force, Hz, s: after a shift


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of a drive of `seconds`.

    `ahead` and `aside` [m/s2] are the accelerations asked of tyres without a limit, reached
    within `ramp` [s] around the start of the phase.  With `half_wave` [s] the wish to the side
    swings, beginning to the left.  `kind` names the phase if it is an event of the truth.
    """

    seconds: float
    ahead: float
    aside: float = 0.0
    gear: int = 2
    kind: str = ""
    ramp: float = RAMP
    half_wave: float = 0.0

    @property
    def shifting(self) -> bool:
        """Whether the clutch is pressed for a change of gear."""
        return self.kind == "shift"


@dataclass(frozen=True, slots=True)
class Setting:
    """Set-up of a car on one day: share of the front axle in the load transfer, and its tyres."""

    front_share: float = FRONT_SHARE
    grip: Grip = field(default_factory=Grip)


@dataclass(frozen=True, slots=True)
class Hop:
    """Hop of the driven wheels around `peak` [s]: upward motion of the hubs.

    `frequency` [Hz], `size` [m] at the peak, `growth` before and `decay` after it [1/s], `apart`
    [rad] the phase of the right wheel behind the left one.
    """

    peak: float
    frequency: float
    size: float
    growth: float
    decay: float
    apart: float

    def motion(self, time: Floats, driven: np.ndarray) -> Floats:
        """Upward motion (n, corner) [m] of the hubs."""
        since = time - self.peak
        swing = 2 * np.pi * self.frequency * since
        sides = np.stack([np.sin(swing - self.apart * right) for right in (0, 1, 0, 1)], axis=1)
        return np.asarray(self.envelope(since)[:, None] * self.size * sides * driven)

    def envelope(self, since: Floats) -> Floats:
        """Share (n,) [1] of the peak, times `since` [s] then; nothing below a hundredth.

        Growth, a round peak of one, and decay.
        """
        top = np.log(self.growth / self.decay) / (self.growth + self.decay)
        at, wide = np.clip(since + top, -4.0, 4.0), (self.growth, self.decay)
        share = 1.0 / (np.exp(-wide[0] * at) + np.exp(wide[1] * at))
        share = share * (np.exp(-wide[0] * top) + np.exp(wide[1] * top))
        return np.asarray(share * smooth((share - 0.01) / 0.04))


def plan_of(
    phases: tuple[Phase, ...],
    rate: float,
    *,
    speed: float,
    setting: Setting | None = None,
    hop: Floats | None = None,
    damper: Damper = NO_DAMPER,
) -> Plan:
    """Plan of a drive through `phases` that begins at `speed` [m/s], sampled at `rate` [Hz].

    `setting` is the set-up of the car; `hop` (n, corner) [m] the upward motion of the hubs beside
    that on the road, and `damper` that of every wheel.
    """
    setting = setting or Setting()
    starts = starts_of(phases)
    time = time_of(phases, rate)
    at = np.searchsorted(starts, time, side="right") - 1
    gear = np.array([float(p.gear) for p in phases])[at]
    clutch = np.array([float(p.shifting) for p in phases])[at]
    events = tuple(
        Event(p.kind, float(s), float(s + p.seconds))
        for p, s in zip(phases, starts, strict=True)
        if p.kind
    )
    return Plan(
        time=time,
        ahead=_joined(time, phases, [p.ahead for p in phases]) + _shuffle(time, phases),
        aside=_joined(time, phases, [p.aside for p in phases]) * _weave(time, phases),
        gear=gear,
        clutch=clutch,
        hop=np.zeros((len(time), 4)) if hop is None else hop,
        speed=speed,
        front_share=setting.front_share,
        grip=setting.grip,
        events=events,
        damper=damper,
    )


def starts_of(phases: tuple[Phase, ...]) -> Floats:
    """Start of each phase (phase,) [s]."""
    return np.concatenate([[0.0], np.cumsum([p.seconds for p in phases])[:-1]])


def time_of(phases: tuple[Phase, ...], rate: float) -> Floats:
    """Times (n,) [s] of the samples."""
    return np.arange(round(rate * sum(p.seconds for p in phases))) / rate


def _joined(time: Floats, phases: tuple[Phase, ...], values: list[float]) -> Floats:
    """Values (n,) of the phases, joined by smooth ramps in the middle of which phases change."""
    out = np.full(len(time), values[0])
    changes = zip(phases[1:], starts_of(phases)[1:], np.diff(values), strict=True)
    for phase, start, change in changes:
        out = out + change * smooth((time - start) / phase.ramp + 0.5)
    return out


def _shuffle(time: Floats, phases: tuple[Phase, ...]) -> Floats:
    """Swing (n,) [m/s2] of the driving force after the clutch has gripped again."""
    out = np.zeros(len(time))
    starts = starts_of(phases)
    for k in range(1, len(phases)):
        if phases[k - 1].shifting:
            since = np.maximum(time - starts[k], 0.0)
            swing = np.sin(2 * np.pi * SHUFFLES * since) * np.exp(-since / SHUFFLE_TIME)
            out = out + SHUFFLE * phases[k].ahead * swing
    return out


def _weave(time: Floats, phases: tuple[Phase, ...]) -> Floats:
    """Factor (n,) of the wish to the side: a sine where the car weaves, one elsewhere."""
    out = np.ones(len(time))
    for phase, start in zip(phases, starts_of(phases), strict=True):
        if phase.half_wave:
            since = time - start
            near = (since > -phase.ramp) & (since < phase.seconds + phase.ramp)
            out = np.where(near, np.sin(np.pi * since / phase.half_wave), out)
    return out
