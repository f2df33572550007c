"""Draws of noise with the colour that low-passed forces have."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.conditioning.filters import SHORTEST, low_pass, zero_phase_gain

RUN_IN = 2.0  # periods of the bandwidth that the filter remembers
PER_PERIOD = 6.0  # steps of the noise in a period of the bandwidth, where samples are as far apart
USUAL_LENGTH = 2048  # steps of noise that most stretches need
AT_ONCE = 1 << 22  # numbers that are drawn at once
FIT = 1 << 16  # numbers that fit the cache
SEED = 20261


def memory_of(bandwidth: float, rate: float) -> int:
    """Samples after which a low-pass at `bandwidth` [Hz] has forgotten; `rate` [Hz] of samples."""
    return max(int(RUN_IN * rate / bandwidth) + 1, SHORTEST)


def noise_draws(
    samples: NDArray[np.int64], columns: int, draws: int, bandwidth: float, rate: float
) -> Iterator[Floats]:
    """Noise of standard deviation 1 at some samples, low-passed: (draw, sample, column) [1].

    Where samples are far apart for the bandwidth, so are the steps of the noise.  Stretches then
    have the same draws, and so have short ones: they are worked out apart and share nothing else.

    `samples` (sample,) are positions along time, ascending within each stretch; stretches in any
    order.  `columns` are independent series in each draw; `bandwidth` [Hz] is that of the low-pass
    and `rate` [Hz] that of positions.  Some of the draws come at a time; samples lie beside each
    other in memory.
    """
    if not draws:
        return
    apart = np.abs(np.diff(samples))
    step = int(rate / (PER_PERIOD * bandwidth))
    step = max(min(step, int(apart.min(initial=step))), 1)
    # What is farther apart than the filter remembers is independent, however far.
    place = np.append(0, np.cumsum(np.minimum(apart, memory_of(bandwidth, rate)))) // step
    length = int(place[-1]) + 1
    if step > 1 or length <= USUAL_LENGTH:
        length = max(USUAL_LENGTH, 1 << length.bit_length())
        shared = _shared(draws, length, columns, bandwidth, rate / step)
        yield _at(shared, place)
        return
    rng, size = np.random.default_rng(SEED), max(AT_ONCE // (length * columns), 1)
    for first in range(0, draws, size):
        few = min(size, draws - first)
        yield _at(_drawn(rng, few, length, columns, bandwidth, rate), place)


def _at(drawn: Floats, place: NDArray[np.int64]) -> Floats:
    """Noise (draw, sample, column) at places (sample,) of noise (draw, column, step)."""
    if place[-1] + 1 == len(place):  # every step, in turn
        return drawn[:, :, : len(place)].swapaxes(1, 2)
    return np.take(drawn, place, axis=2).swapaxes(1, 2)


@lru_cache(maxsize=2)
def _shared(draws: int, length: int, columns: int, bandwidth: float, rate: float) -> Floats:
    rng = np.random.default_rng(SEED)
    return _drawn(rng, draws, length, columns, bandwidth, rate)


def _drawn(
    rng: np.random.Generator, draws: int, length: int, columns: int, bandwidth: float, rate: float
) -> Floats:
    """Noise (draw, column, step) [1] of standard deviation 1, low-passed to `bandwidth` [Hz]."""
    memory, gain = memory_of(bandwidth, rate), zero_phase_gain(bandwidth, rate)
    steps, out = length + 2 * memory, np.empty((draws, columns, length))
    few = max(FIT // (steps * columns), 1)  # draws that are filtered while they are in the cache
    for first in range(0, draws, few):
        some = out[first : first + few]
        white = rng.standard_normal((len(some), steps, columns))
        passed = low_pass(white.swapaxes(0, 1).reshape(steps, -1), bandwidth, rate)
        some[:] = (passed[memory : memory + length].T / gain).reshape(some.shape)
    return out
