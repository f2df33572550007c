"""Noise of indications and wander of zeros, found in the pulls themselves (Type A)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.common_scale import common_scale
from recon.calibration.applied import Pull

FLOOR = 1e-4  # of the largest indication
FEWEST = 3  # freedoms, or changes of tares, that show a noise
# Of the largest load of a gauge's own member: a member that no pull loads, such as a damper, shows
# the noise of its gauge, however small, and nothing of its unit.
IDLE = 1e-3
# Pauses between pulls show wander where they let it grow to this multiple of what wander leaves in
# the scatter that is taken for noise meanwhile; shorter ones do not tell the two apart.
TELLS_APART = 1.5
# Share of the scatter's variance that wander may explain: between pulls, hands on straps and
# cables move zeros too, which has no part in what they do under load.  No source.
MOST_WANDER = 0.5


@dataclass(frozen=True, slots=True)
class PullNoise:
    """Noise of readings and wander of zeros while wheels are pulled, (gauge,) each.

    `scatter` [unit] is the standard uncertainty of one tared indication beside its neighbours,
    `reading` [unit] that of one reading, `wander` [unit per root second] the walk of the zero.
    """

    scatter: Floats
    reading: Floats
    wander: Floats

    @classmethod
    def white(cls, u: Floats) -> PullNoise:
        """Readings of standard uncertainty `u` (gauge,) [unit] with zeros that do not wander."""
        return cls(u, u, np.zeros_like(u))

    def whitening(self, pull: Pull, used: NDArray[np.bool_]) -> Floats:
        """Factors (gauge, step, step) [1/unit] that make tared indications independent, variance 1.

        Steps that are not `used` (step,) get rows and columns of zeros.
        """
        reading, wander = self.reading[:, None, None], self.wander[:, None, None]
        covariance = reading**2 * pull.taring.by_readings + wander**2 * pull.taring.by_wander
        kept = np.ix_(np.arange(len(reading)), used, used)
        out = np.zeros_like(covariance)
        out[kept] = np.linalg.inv(np.linalg.cholesky(covariance[kept]))
        return out


def largest_indication(pulls: list[Pull]) -> Floats:
    """Largest absolute indication of each gauge over all pulls, (gauge,) [unit]."""
    return np.max([np.abs(p.indication).max(axis=0) for p in pulls], axis=0)


def gauge_scale(pulls: list[Pull]) -> Floats:
    """Scale (gauge,) [1] that makes gauges of different units comparable; see `common_scale`."""
    load = np.max([np.abs(p.loads(p.wrench()) @ p.own.T).max(axis=0) for p in pulls], axis=0)
    loaded = load > IDLE * np.max(load)
    out = np.ones_like(load)
    out[loaded] = common_scale(largest_indication(pulls)[loaded] / load[loaded])
    return out


def noise_of(pulls: list[Pull]) -> PullNoise:
    """Noise and wander of the gauges of these pulls, noise with a floor.

    Scatter within pulls holds both.  Between the last tare of a pull and the first of the next no
    load changes: what zeros do there beyond noise is wander, up to `MOST_WANDER` of the scatter.
    Pulls with fewer load steps than patterns show their noise in their tares alone.
    """
    floor = FLOOR * largest_indication(pulls)
    scale = gauge_scale(pulls)
    inside = _within(pulls, scale)
    if inside.freedom < FEWEST:
        return PullNoise.white(np.fmax(_of_tares(pulls, scale), floor))
    # With few steps per gauge, half of the weight goes to the mean of all gauges of the corner.
    scatter = _pooled(inside.square) / inside.freedom
    by_wander, by_reading = inside.by_wander / inside.freedom, inside.by_reading / inside.freedom
    wander = np.zeros_like(scatter)
    between = _between(pulls, scale)
    if between.pairs and between.time > TELLS_APART * 2 * between.pairs * by_wander / by_reading:
        if_noise = 2 * between.pairs / by_reading
        beyond = _pooled(between.square) - if_noise * scatter
        most = MOST_WANDER * scatter / by_wander
        wander = np.clip(beyond / (between.time - if_noise * by_wander), 0, most)
    reading = np.sqrt((scatter - wander * by_wander) / by_reading) * scale
    return PullNoise(
        scatter=np.fmax(np.sqrt(scatter) * scale, floor),
        reading=np.fmax(reading, floor),
        wander=np.sqrt(wander) * scale,
    )


class _Within(NamedTuple):
    """Sum of squares (gauge,) [1] of what patterns leave in all pulls, and what it consists of.

    Its expectation is `freedom` times the variance of a tared indication: `by_reading` times that
    of a reading and `by_wander` [s] times the wander's square.
    """

    square: Floats
    freedom: float
    by_reading: float
    by_wander: float


def _within(pulls: list[Pull], scale: Floats) -> _Within:
    """Scatter about each pull's own pattern; `scale` (gauge,) [unit].

    Each device moves the gauges of a pull along one pattern, whatever its loads; what remains
    across those patterns is noise and drift of the zero.
    """
    square = np.zeros(len(scale))
    parts = np.zeros(3)
    for pull in pulls:
        shapes = np.linalg.qr(_shapes(pull))[0]
        across = np.eye(len(shapes)) - shapes @ shapes.T
        y = across @ (pull.indication / scale)
        left, size, right = np.linalg.svd(y, full_matrices=False)
        rank = len(pull.devices)
        left = left[:, :rank]
        square += np.sum((y - (left * size[:rank]) @ right[:rank]) ** 2, axis=0)
        across -= left @ left.T
        parts += max(1 - rank / y.shape[1], 0) * np.array([
            max(len(y) - shapes.shape[1] - rank, 0),
            np.trace(across @ pull.taring.by_readings),
            np.trace(across @ pull.taring.by_wander),
        ])  # fmt: skip
    return _Within(square, *parts.tolist())


def _shapes(pull: Pull) -> Floats:
    """Shapes over the steps (step, shape) [1] that each gauge shows in a size of its own.

    Friction and creep while loads fall; the turning of links on springs that yield.
    """
    found = []
    if np.any(pull.falling):
        found.append(pull.falling.astype(float))
    if np.any(pull.moved):
        found += [(load / np.max(np.abs(load))) ** 2 for load in pull.load]
    return np.column_stack([np.zeros((len(pull.falling), 0)), *found])


class _Between(NamedTuple):
    """Sum of squares (gauge,) [1] of changes of zeros in `pairs` pauses, `time` [s] in all."""

    square: Floats
    pairs: int
    time: float


def _between(pulls: list[Pull], scale: Floats) -> _Between:
    """Change of zeros in pauses between pulls of a wheel that are no longer than a pull."""
    longest = max(np.ptp([*p.taring.tare_time, *p.taring.step_time]) for p in pulls)
    square, time, pairs = np.zeros(len(scale)), 0.0, 0
    for first, then in pairwise(pulls):
        pause = then.taring.tare_time[0] - first.taring.tare_time[-1]
        # A lone tare before the loads is older than the pull.
        closed = first.taring.tare_time[-1] > first.taring.step_time[-1]
        if first.corner == then.corner and closed and 0 < pause <= longest:
            change = then.taring.indication[0] - first.taring.indication[-1]
            square += (change / scale) ** 2
            time, pairs = time + float(pause), pairs + 1
    return _Between(square, pairs, time)


def _of_tares(pulls: list[Pull], scale: Floats) -> Floats:
    """Noise (gauge,) [unit] of readings by changes from tare to tare, wander and creep included."""
    wheels = {pull.corner: [p for p in pulls if p.corner == pull.corner] for pull in pulls}
    change = np.concatenate(
        [
            np.diff(np.concatenate([p.taring.indication for p in of]), axis=0)
            for of in wheels.values()
        ]
    )
    if len(change) < FEWEST:
        return np.zeros(len(scale))
    return np.asarray(np.sqrt(_pooled(np.mean((change / scale) ** 2, axis=0) / 2)) * scale)


def _pooled(square: Floats) -> Floats:
    """Half of each gauge's own and half of the mean of all, (gauge,) [1]."""
    return 0.5 * square + 0.5 * np.mean(square)
