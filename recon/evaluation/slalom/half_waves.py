"""Half-waves of a lateral force that alternates: one for each cone of a slalom."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.conditioning.filters import low_pass

TURN_SHARE = 0.25  # of the drive's high quantile that a half-wave must reach
SLOW = 2.0  # Hz: slower than road and hop, quicker than any weave


@dataclass(frozen=True, slots=True)
class HalfWave:
    """Samples `part` of a force to one side, up to `height` [N]; `side` is +1 left, -1 right."""

    part: slice
    side: int
    height: float


def half_waves(total: Floats, rate: float) -> list[HalfWave]:
    """Half-waves of an alternating force.

    `total` (sample,) [N] is sampled at `rate` [Hz].  Half-waves whose peak is below `TURN_SHARE`
    of the drive's 95 % quantile are left out: straight running and noise around zero.  Two to one
    side are one with a dip, unless the pause between them is as long as the shorter of them: then
    they are two turns, such as a last cone and the corner after it.
    """
    smooth = low_pass(np.nan_to_num(total)[:, None], min(SLOW, 0.2 * rate), rate)[:, 0]
    level = TURN_SHARE * float(np.quantile(np.abs(smooth), 0.95))
    sign = np.sign(smooth)
    edges = np.flatnonzero(np.concatenate([[True], sign[1:] != sign[:-1], [True]]))
    waves: list[HalfWave] = []
    for first, last in pairwise(map(int, edges)):
        height = float(np.max(np.abs(smooth[first:last])))
        if height < level:
            continue
        wave = HalfWave(slice(first, last), int(sign[first]), height)
        if waves and waves[-1].side == wave.side and _touch(waves[-1].part, wave.part):
            before = waves.pop()
            whole = slice(before.part.start, last)
            wave = HalfWave(whole, wave.side, max(before.height, height))
        waves.append(wave)
    return waves


def _touch(before: slice, after: slice) -> bool:
    """Whether a pause is shorter than both stretches beside it."""
    shorter = min(before.stop - before.start, after.stop - after.start)
    return bool(after.start - before.stop < shorter)


@dataclass(frozen=True, slots=True)
class Grid:
    """Samples of some half-waves side by side.

    `at` (wave, place) are positions along time, of which `there` (wave, place) belong to the
    half-wave; `side` (wave,) is +1 or -1.
    """

    at: NDArray[np.int64]
    there: NDArray[np.bool_]
    side: NDArray[np.int64]

    @classmethod
    def of(cls, waves: list[HalfWave], stride: int) -> Grid:
        """Every `stride`-th sample of the half-waves."""
        first = np.array([wave.part.start for wave in waves])
        last = np.array([wave.part.stop for wave in waves])
        at = first[:, None] + np.arange(0, int(np.max(last - first)), stride)
        there = at < last[:, None]
        side = np.array([wave.side for wave in waves])
        return cls(np.where(there, at, first[:, None]), there, side)

    def towards(self, values: Floats) -> Floats:
        """Values (sample,) in any unit towards the side of each half-wave, (wave, place)."""
        return np.where(self.there, self.side[:, None] * values[self.at], np.nan)

    def of_each(self, values: NDArray) -> NDArray:
        """Values (sample,) of any kind at each place, (wave, place)."""
        return np.asarray(values[self.at])
