"""From member loads to indications: slope, cross-talk, friction, creep, temperature, noise.

    indication = K (s - h + creep) (1 + a (T - T0)) + zero + b (T - T0) + wander + noise     (1)

s are the member loads (forces, at sections also moments), h the part of them that friction
carries past the gauge, T the temperature and T0 = 20 degC.  Friction is one Jenkins element per
member: a spring in series with a slider that slips at a given load.  It depends on the order of
the loads, not on their speed.  Magnitudes: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats

REFERENCE_TEMPERATURE = 20.0  # degC
FRICTION_RATE = 0.02  # share of a change in load that friction carries until it slips
CREEP_TIME = 60.0  # s
WANDER = 0.2  # N of the gauge's own load per root second: 20 N in three hours; no source


@dataclass(frozen=True, slots=True)
class Channels:
    """Gauges of one assembly; `unit` below is each gauge's own unit, e.g. mV/V.

    `K` (gauge, member) [unit/N, of moments unit/(N m)].  All (gauge,): `zero` [unit] during the
    pulls, `zero_shift` [unit] between pulls and drive, `zero_per_kelvin` [unit/K],
    `gain_per_kelvin` [1/K], `creep` (share of the load), `newton` [unit] the indication per
    newton of the gauge's own load (of a moment: per newton on an arm of 0.1 m), `full_scale`
    [unit].  `friction` (member,) [N, N m] is the load at which friction slips.
    """

    names: tuple[str, ...]
    K: Floats
    zero: Floats
    zero_shift: Floats
    zero_per_kelvin: Floats
    gain_per_kelvin: Floats
    creep: Floats
    friction: Floats
    newton: Floats
    full_scale: Floats
    noise: float = 1.0  # scales noise and wander

    @property
    def step(self) -> Floats:
        """Resolution (gauge,) [unit]: the power of ten next below 1.5 N of the gauge's load."""
        return np.asarray(10.0 ** np.floor(np.log10(1.5 * self.newton)))


@dataclass(frozen=True, slots=True)
class Reading:
    """Conditions under which a series of n samples is read.

    (n,) each: `time` [s], `temperature` [degC], `noise` rms [N of the gauge's own load].
    `after_shift` is True after the pulls, when the zeros have shifted.
    """

    time: Floats
    temperature: Floats
    noise: Floats
    after_shift: bool


def remembered(load: Floats, half_width: Floats) -> Floats:
    """Load that friction carries past the gauges, (n, member) [N, N m].

    `load` (n, member) [N, N m] are member loads in their order in time; before the first there is
    no load.  `half_width` (member,) [N, N m] is the load at which the friction of each member
    slips.
    """
    kept, now = np.zeros_like(load), np.zeros(load.shape[1])
    for i, change in enumerate(FRICTION_RATE * np.diff(load, axis=0, prepend=0.0)):
        # For a few members this takes a third of the time of `np.clip`.
        now = np.minimum(np.maximum(now + change, -half_width), half_width)
        kept[i] = now
    return kept


def crept(load: Floats, time: Floats) -> Floats:
    """Loads `load` (n, member) [N, N m] after a first-order lag of `CREEP_TIME`, from rest.

    `time` (n,) [s] is that of each row.
    """
    out = np.zeros_like(load)
    share = -np.expm1(-np.diff(time) / CREEP_TIME)
    for i in range(1, len(load)):
        out[i] = out[i - 1] + share[i - 1] * (load[i] - out[i - 1])
    return out


def sensed(channels: Channels, load: Floats, reading: Reading, rng: np.random.Generator) -> Floats:
    """Indications (n, gauge) [unit] of the loads (n, member) [N, N m] in time order, by (1)."""
    time = reading.time
    warm = (reading.temperature - REFERENCE_TEMPERATURE)[:, None]
    felt = (load - remembered(load, channels.friction)) @ channels.K.T
    felt += channels.creep * (crept(load, time) @ channels.K.T)
    zero = channels.zero + (channels.zero_shift if reading.after_shift else 0.0)
    ticks = np.sqrt(np.diff(time, prepend=time[0]))[:, None]
    wander = WANDER * np.cumsum(ticks * rng.standard_normal(felt.shape), axis=0)
    noise = reading.noise[:, None] * rng.standard_normal(felt.shape)
    out = felt * (1 + channels.gain_per_kelvin * warm) + zero + channels.zero_per_kelvin * warm
    return np.asarray(out + channels.noise * channels.newton * (wander + noise))


def shown(channels: Channels, value: Floats) -> Floats:
    """Round (n, gauge) [unit] to the channel's resolution and clip to its range."""
    digits = channels.step * np.round(value / channels.step)
    return np.asarray(np.clip(digits, -channels.full_scale, channels.full_scale))
