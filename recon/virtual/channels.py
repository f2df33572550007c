"""From member loads to indications: slope, cross-talk, friction, creep, temperature, noise.

    indication = K (s - h + creep) (1 + a (T - T0)) + zero + b (T - T0) + wander + noise     (1)

s are member loads, of cuts also moments, h the friction's memory of them.  T0 is 20 degC.
Friction is a Jenkins element per member, an elastic part in series with a slider of given half
width: what it keeps depends on the order of loads, not on their speed.  Magnitudes: common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats

REFERENCE_TEMPERATURE = 20.0  # degC
FRICTION_RATE = 0.02  # share of a load's change that the friction takes until it slides
CREEP_TIME = 60.0  # s
WANDER = 0.2  # N of own load per root second; 20 N in three hours, common practice, no source


@dataclass(frozen=True, slots=True)
class Channels:
    """Gauges of one corner.

    `K` (gauge, member) [unit/N]; `zero` [unit] at the pulls and `zero_shift` [unit] since then;
    `zero_per_kelvin` [unit/K], `gain_per_kelvin` [1/K], `creep` share, `newton` [unit] what one
    newton of own load gives (of a moment on an arm of 0.1 m), `full_scale` [unit], all (gauge,);
    `friction` (member,) [N, N m].
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
    noise: float = 1.0  # scale of noise and wander

    @property
    def step(self) -> Floats:
        """Last digit (gauge,): the power of ten next below 1.5 N of own load [unit]."""
        return np.asarray(10.0 ** np.floor(np.log10(1.5 * self.newton)))


@dataclass(frozen=True, slots=True)
class Reading:
    """How a series is read.

    (n,) each: `time` [s], `temperature` [degC], `noise` rms [N of own load]; `after_shift`
    says whether the zeros have shifted since the pulls.
    """

    time: Floats
    temperature: Floats
    noise: Floats
    after_shift: bool


def remembered(load: Floats, half_width: Floats) -> Floats:
    """Follow what the friction keeps (n, member) [N] after each of the loads in turn, from rest."""
    kept = np.zeros_like(load)
    now, before = np.zeros(load.shape[1]), np.zeros(load.shape[1])
    for i, row in enumerate(load):
        now = np.clip(now + FRICTION_RATE * (row - before), -half_width, half_width)
        before = row
        kept[i] = now
    return kept


def crept(load: Floats, time: Floats) -> Floats:
    """Follow the loads as creep does (n, member), first order in `time` [s], from rest."""
    out = np.zeros_like(load)
    share = -np.expm1(-np.diff(time) / CREEP_TIME)
    for i in range(1, len(load)):
        out[i] = out[i - 1] + share[i - 1] * (load[i] - out[i - 1])
    return out


def sensed(channels: Channels, load: Floats, reading: Reading, rng: np.random.Generator) -> Floats:
    """Sense the loads (n, member) [N] in their order in time by (1): (n, gauge) [unit]."""
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
    """Round to the last digit, within the channel's range; (n, gauge) [unit]."""
    digits = channels.step * np.round(value / channels.step)
    return np.asarray(np.clip(digits, -channels.full_scale, channels.full_scale))
