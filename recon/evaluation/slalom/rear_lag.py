"""Lateral forces of both axles in a weave: lag of the rear, mean cycle, rise and crest.

Plain arrays of one stretch in which the force alternates steadily, at an even step in time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.evaluation.slalom.half_waves import HalfWave

PHASES = 48  # of a cycle
CREST = 0.9  # of its peak that a force holds on its crest
SINE_CREST = float(2 / np.pi * np.arccos(CREST))  # share of a half-wave, of a sine
POINTS = 350  # at which a half-wave and its surroundings are looked at
HALF_SPAN = 0.08  # s either side, over which a rise is read
AROUND_EDGE = 0.12  # s either side of a change of side: nearly straight, and longer than hop
UNEVEN = 1.8  # ratio of lengths or heights of neighbouring half-waves that still are one weave
FEWEST = 4  # half-waves of a weave: two cycles


@dataclass(frozen=True, slots=True)
class Weave:
    """A stretch of steady alternation.

    `time` (sample,) [s] of forces; `edges` (edge,) [s], times at which the total changes side;
    `side` of the first half-wave.
    """

    time: Floats
    edges: Floats
    side: int

    @property
    def step(self) -> float:
        """Time between samples [s]."""
        return sampling_interval(self.time)

    @property
    def lengths(self) -> Floats:
        """Lengths of the whole cycles (cycle,) [s]."""
        return np.diff(self.edges[::2])

    @property
    def period(self) -> float:
        """Mean length of a cycle [s]."""
        return float(self.lengths.mean())

    def at_crossings(self, total: Floats) -> Weave:
        """The same stretch with its edges where a line through `total` (sample,) [N] is zero.

        Each line is fitted within `AROUND_EDGE` of an edge, which moves by no more than that.
        """
        reach = max(round(AROUND_EDGE / self.step), 1)
        near = np.arange(-reach, reach + 1)
        first, last = reach, len(total) - reach - 1
        middle = np.clip(np.searchsorted(self.time, self.edges), first, max(last, first))
        around = total[(middle[:, None] + near).clip(0, len(total) - 1)]
        slope = around @ near / (near @ near * self.step)
        away = np.divide(-around.mean(axis=1), slope, out=np.zeros_like(slope), where=slope != 0)
        moved = self.time[middle] + away - self.edges
        return replace(self, edges=self.edges + moved.clip(-AROUND_EDGE, AROUND_EDGE))

    def cycles(self, force: Floats) -> Floats:
        """Force (sample,) [N] over the phase of every whole cycle, (cycle, phase).

        Half a cycle lasts from one change of side to the next, so that cycles of unequal length
        lie on each other.
        """
        count = len(self.lengths)
        start = self.edges[: 2 * count].reshape(count, 2)
        length = np.diff(self.edges)[: 2 * count].reshape(count, 2)
        phase = (np.arange(PHASES) + 0.5) / PHASES
        half = (phase >= 0.5).astype(np.int64)
        when = start[:, half] + length[:, half] * (2 * phase - half)
        return np.asarray(np.interp(when, self.time, force))

    def mean_cycle(self, force: Floats) -> Floats:
        """Mean of the force (sample,) [N] over all cycles, (phase,)."""
        return np.asarray(self.cycles(force).mean(axis=0))

    def cross_spectra(self, front: Floats, rear: Floats) -> NDArray[np.complex128]:
        """Cross-spectrum of two forces (sample,) [N] at the frequency of each cycle, (cycle,)."""
        wave = np.exp(-2j * np.pi * (np.arange(PHASES) + 0.5) / PHASES)
        spectra = [self.cycles(force) @ wave for force in (front, rear)]
        return np.asarray(spectra[0] * np.conj(spectra[1]) * self.lengths)

    def lag(self, front: Floats, rear: Floats) -> float:
        """Lag of the rear behind the front [s], positive if late, by the phase of the fundamental.

        `front` and `rear` (sample,) [N].
        """
        return self._lag_of(self.cross_spectra(front, rear))

    def u_lag(self, front: Floats, rear: Floats) -> float:
        """Standard uncertainty [s] of the lag by its scatter between cycles, jackknife.

        `front` and `rear` (sample,) [N].
        """
        spectra = self.cross_spectra(front, rear)
        left_out = np.array([self._lag_of(np.delete(spectra, c)) for c in range(len(spectra))])
        return float(np.sqrt((len(spectra) - 1) * np.var(left_out)))

    def _lag_of(self, spectra: NDArray[np.complex128]) -> float:
        return float(np.angle(spectra.sum()) / (2 * np.pi) * self.period)

    def lag_of_slopes(self, front: Floats, rear: Floats) -> float:
        """Lag of the rear [s] at which the slopes of both forces (sample,) [N] correlate best."""
        slopes = [np.gradient(force) for force in (front, rear)]
        reach = round(0.25 * self.period / self.step)
        inside = np.flatnonzero((self.time >= self.edges[0]) & (self.time <= self.edges[-1]))
        inside = inside[(inside >= reach) & (inside < len(self.time) - reach)]
        later = slopes[1][inside + np.arange(-reach, reach + 1)[:, None]]
        found = later @ slopes[0][inside] / np.linalg.norm(later, axis=1)
        top = int(np.clip(np.argmax(found), 1, len(found) - 2))
        below, at, above = found[top - 1 : top + 2]
        off = 0.5 * (below - above) / (below - 2 * at + above)
        return float((top - reach + off) * self.step)

    def rises(self, force: Floats) -> Floats:
        """Steepest slope of a force (sample,) [N] into each half-wave, (wave,) [N/s]."""
        span = max(round(HALF_SPAN / self.step), 1)
        slope = np.zeros_like(force)
        slope[span:-span] = (force[2 * span :] - force[: -2 * span]) / (2 * span * self.step)
        return np.asarray(self._towards(slope, -0.5, 0.75).max(axis=1))

    def crests(self, force: Floats) -> Floats:
        """Share of each half-wave in which a force (sample,) is near its peak, (wave,) [1].

        The force may be in any unit.
        """
        towards = self._towards(force, -0.25, 1.5)
        near = towards >= CREST * towards.max(axis=1, keepdims=True)
        return np.asarray(near.sum(axis=1) / np.maximum((towards > 0).sum(axis=1), 1))

    def _towards(self, values: Floats, before: float, after: float) -> Floats:
        """Values (sample,) towards the side of each half-wave, (wave, POINTS).

        From `before` to `after` of its length; values may be in any unit.
        """
        share = np.linspace(before, after, POINTS)
        when = self.edges[:-1, None] + 0.5 * self.period * share
        sides = self.side * (-1) ** np.arange(len(self.edges) - 1)
        return np.asarray(sides[:, None] * np.interp(when, self.time, values, left=0.0, right=0.0))


def weaves_of(waves: list[HalfWave]) -> list[list[int]]:
    """Runs of half-waves (their positions) that follow each other, alike in length and height.

    The longest run comes first; runs of less than `FEWEST` half-waves are none.  The first and the
    last half-wave, in which the car turns in and out, are left out where enough remain.
    """
    runs: list[list[int]] = [[]]
    for i, wave in enumerate(waves):
        if runs[-1] and not _follows(waves[runs[-1][-1]], wave):
            runs.append([])
        runs[-1].append(i)
    inner = [run[1:-1] if len(run) >= FEWEST + 2 else run for run in runs]
    long = [run for run in inner if len(run) >= FEWEST]
    return sorted(long, key=len, reverse=True)


def _follows(before: HalfWave, wave: HalfWave) -> bool:
    """Whether a half-wave continues the weave of the one before."""
    lengths = [float(w.part.stop - w.part.start) for w in (before, wave)]
    sizes = (lengths, [w.height for w in (before, wave)])
    alike = all(max(pair) < UNEVEN * min(pair) for pair in sizes)
    return wave.part.start == before.part.stop and alike
