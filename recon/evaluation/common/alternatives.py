"""Forces of some samples as they may have been, for the uncertainty of any quantity from them.

A quantity is a plain function of forces.  It is calculated for the best forces, for forces moved
along each independent direction of their fixed errors, and for draws of the sensors' noise; what
it changes by is its uncertainty.  Thresholds, times, quantiles and fits need no formula of theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.kept_results import shared
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.threads import one_thread
from recon.conditioning.filters import is_filtered, low_pass, noise_left
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.common.noise_draws import memory_of, noise_draws
from recon.reconstruction.result.error_directions import BESIDE, Directions, directions_of
from recon.reconstruction.result.signed_errors import RANDOM, STATED, Loadings, loadings_of
from recon.records.forces import SIGNED, require_forces

Quantity = Callable[[Floats], ArrayLike]
NAMES = {
    "tyre": "tyre_force",
    "intermediate": "tyre_force_intermediate",
    "vehicle": "tyre_force_vehicle",
}
DRAWS = 24  # of noise: u of the noise is known to 15 %
MANY_DRAWS = 96  # where they cost little: 7 %
# Of the strongest direction: what is weaker adds less than 1e-4 of the variance, and less than 1e-3
# of it where many stretches are looked at.
WEAKEST, WEAKEST_OF_MANY = 0.003, 0.01
THINNED = 1500  # samples at which fixed errors are worked out; in between they are interpolated
AT_ONCE = 1 << 20  # forces that are worked on at once
TOGETHER = 1250  # samples of stretches that are looked at together
EVERY, FEWEST = 2, 16  # errors are followed at every so many-th sample, where so many are left


class Drive:
    """Forces of a drive of which many stretches are looked at, checked once.

    `axes` are "tyre", "intermediate" or "vehicle".  `sums` turns forces (..., sample, corner,
    component) [N] into sums of some of them (..., sample, sum, component), which then stand for the
    forces: there are fewer of them to follow.

    Raises DataError: the dataset is no result of `reconstruct`.
    """

    def __init__(
        self,
        forces: xr.Dataset,
        axes: str = "intermediate",
        sums: Callable[[Floats], Floats] | None = None,
    ) -> None:
        require_forces(forces, NAMES[axes], STATED[axes], RANDOM, *SIGNED)
        self.axes, self.place = axes, place_of(forces)
        self.sums = sums or (lambda force: force)
        self.rate = float(forces.attrs["rate_Hz"])
        self.bandwidth = float(forces.attrs["bandwidth_Hz"])
        self.corners = corner_names(forces)
        self.time: Floats = forces["elapsed_time"].to_numpy()
        self.force: Floats = forces[NAMES[axes]].to_numpy()
        self.random: Floats = forces[RANDOM].to_numpy()
        self.loadings = loadings_of(forces)

    @cached_property
    def merged(self) -> tuple[Loadings, Floats]:
        """Loadings of few rows that stand for all causes, and shares (cause, row) [1] of causes."""
        return self.loadings.merged(BESIDE * WEAKEST)


@shared
def drive_of(forces: xr.Dataset) -> Drive:
    """A drive in intermediate axes, of which all answers look at stretches."""
    return Drive(forces)


class Alternatives:
    """Forces of a stretch of a drive, best and as they may have been.

    `forces` are those of a drive, or a `Drive` where many stretches of it are looked at, which has
    axes of its own ("tyre", "intermediate" or "vehicle").  The stretch is a slice or positions
    `samples` (sample,) along `elapsed_time`.  Forces are low-passed to `bandwidth` [Hz], with zero
    phase; it is that of `forces` if omitted.  `only` (corner, component) marks the forces that
    quantities look at, so that errors of others need not be followed; not in tyre axes, which mix
    components.

    Raises DataError: the dataset is no result of `reconstruct`, or the stretch has no sample.
    """

    def __init__(
        self,
        forces: xr.Dataset | Drive,
        samples: slice | NDArray[np.int64],
        *,
        axes: str = "intermediate",
        bandwidth: float | None = None,
        only: NDArray[np.bool_] | None = None,
    ) -> None:
        self._shared = isinstance(forces, Drive)
        drive = forces if isinstance(forces, Drive) else Drive(forces, axes)
        self.samples = _positions(samples, len(drive.time))
        if not len(self.samples):
            found = f"no sample at positions {samples}"
            raise DataError(drive.place, found, "at least one sample", "Widen the section.")
        self._drive, self._only = drive, only
        self.corners, self.time = drive.corners, drive.time[self.samples]
        self.bandwidth = drive.bandwidth if bandwidth is None else min(bandwidth, drive.bandwidth)
        run_in = memory_of(self.bandwidth, drive.rate)
        first = max(int(self.samples[0]) - run_in, 0)
        self._around = slice(first, int(self.samples[-1]) + run_in + 1)
        self._at: NDArray[np.int64] = self.samples - first

    @property
    def _passed(self) -> Callable[[Floats], Floats] | None:
        """Low-pass of values (sample, channel) in any unit; None where there is nothing to do."""
        bandwidth, rate = self.bandwidth, self._drive.rate
        if bandwidth < self._drive.bandwidth and is_filtered(bandwidth, rate):
            return lambda values: low_pass(values, bandwidth, rate)
        return None

    @cached_property
    def _loadings(self) -> Loadings:
        loadings = self._drive.merged[0] if self._shared else self._drive.loadings
        return loadings.within(self._around, self._passed)

    @cached_property
    def best(self) -> Floats:
        """Best forces (sample, corner, component) [N] at the bandwidth."""
        if (name := NAMES[self._drive.axes]) in SIGNED:
            force = self._loadings.variable(name)
        else:
            force, passed = self._drive.force[self._around], self._passed
            if passed:
                force = passed(force.reshape(len(force), -1).astype(float)).reshape(force.shape)
        # Samples of one force lie beside each other, as in changes: quantities go along them.
        return _samples_last(self._drive.sums(force[self._at].astype(float)))

    @cached_property
    def noise(self) -> Floats:
        """Standard uncertainty (sample, corner, component) [N] of the noise at the bandwidth."""
        drive = self._drive
        left = noise_left(self.bandwidth, drive.bandwidth, drive.rate)
        own = drive.random[self.samples].astype(float) * left
        return _samples_last(np.sqrt(drive.sums(own**2)))

    @cached_property
    def _directions(self) -> Directions:
        """Directions of the fixed errors at the thinned samples."""
        at = self._at[self._thinned]
        weakest = WEAKEST_OF_MANY if self._shared else WEAKEST
        found = directions_of(self._loadings, at, self._drive.axes, BESIDE * weakest, self._only)
        return found.of_sums(self._drive.sums, weakest)

    def follow(self, of_all: Alternatives) -> None:
        """Take directions that were found elsewhere in the same drive instead of finding them."""
        at = self._at[self._thinned]
        found = of_all._directions.at(self._loadings, at, self._drive.axes)
        self._directions = replace(found, change=self._drive.sums(found.change))

    def _by_cause(self, half: Floats) -> Floats:
        """Effects (row, quantity) by cause, from those by direction (direction, quantity)."""
        with one_thread():
            effect = self._directions.shares @ half
            if not self._shared:
                return effect
            merged = self._drive.merged[1]
            rows, others = np.split(effect, [merged.shape[1]])
            return np.concatenate([merged @ rows, others])

    @cached_property
    def _thinned(self) -> NDArray[np.int64]:
        """Some of the samples, ends included; fixed errors change as slowly as forces do."""
        count = len(self.samples)
        return np.unique(np.linspace(0, count - 1, min(count, THINNED)).astype(np.int64))

    def estimate(
        self, quantity: Quantity, *, draws: int = DRAWS, together: bool = False
    ) -> Estimate:
        """A quantity of the forces with its signed errors.

        `quantity` takes forces (sample, corner, component) [N] and returns (quantity,) in any unit,
        NaN where it cannot be said.  If `together`, it takes many alternatives at once,
        (alternative, sample, corner, component) [N], and returns (alternative, quantity): much
        quicker where it is simple.

        Fixed errors by finite changes of one standard uncertainty both ways; noise by so many
        `draws` (JCGM 101:2008), low-passed like the forces.
        """

        def of(change: Floats) -> Floats:
            force = self.best + change
            every = quantity(force) if together else [np.atleast_1d(quantity(f)) for f in force]
            return np.asarray(every, dtype=float)

        best = of(np.zeros((1, 1, 1, 1)))
        ends = [(of(change), of(-change)) for change in self._moved()]
        up, down = (np.concatenate([best[:0], *(pair[way] for pair in ends)]) for way in (0, 1))
        drawn = np.concatenate([best[:0], *map(of, self._drawn(draws))])
        fixed = self._by_cause(_half_change(best[0], up, down))
        return Estimate(best[0], fixed, _spread(drawn - best))

    def raised(self, quantity: Quantity, *, draws: int = DRAWS) -> Floats:
        """How much noise adds to a quantity (quantity,) in the mean: to a maximum always something.

        `quantity` takes forces (sample, corner, component) [N], as in `estimate`, whose `draws` are
        the same.  To first order that is what the noise of the drive has added to the best value.
        """
        every = np.array(
            [quantity(self.best + one) for some in self._drawn(draws) for one in some], dtype=float
        )
        return np.asarray(every.mean(axis=0) - np.asarray(quantity(self.best), dtype=float))

    def _moved(self) -> Iterator[Floats]:
        """Changes of the forces (direction, sample, corner, component) [N], some at a time."""
        for some in self._some(len(self._directions.change)):
            change = self._directions.change[some]
            if len(self._thinned) < len(self.samples):
                place = np.arange(len(self.samples))
                after = np.searchsorted(self._thinned, place).clip(1)
                ends = self._thinned[after - 1], self._thinned[after]
                share = ((place - ends[0]) / (ends[1] - ends[0]))[:, None, None]
                change = (1 - share) * change[:, after - 1] + share * change[:, after]
            yield change

    def _drawn(self, draws: int) -> Iterator[Floats]:
        """Draws of the noise (draw, sample, corner, component) [N], some at a time."""
        columns = self.best[0].size
        for drawn in noise_draws(self.samples, columns, draws, self.bandwidth, self._drive.rate):
            for some in self._some(len(drawn)):
                yield drawn[some].reshape(-1, *self.best.shape) * self.noise

    def _some(self, count: int) -> Iterator[slice]:
        """Slices of so many alternatives that few are worked on at once."""
        size = max(AT_ONCE // self.best.size, 1)
        return (slice(first, first + size) for first in range(0, count, size))


@dataclass(frozen=True, slots=True)
class Stretches:
    """Some stretches of a drive whose samples stand one after another.

    `places` (stretch,) are those among all stretches, `chosen` which of its samples are here, and
    `ends` (stretch + 1,) where each begins and the last one ends.
    """

    places: range
    chosen: list[slice]
    ends: NDArray[np.int64]

    @classmethod
    def of(cls, places: range, at: Sequence[NDArray[np.int64]], chosen: list[slice]) -> Stretches:
        """Those at `places` among all stretches, with positions `at` (sample,) of each of all."""
        ends = np.cumsum([0, *(len(at[i]) for i in places)])
        return cls(places, [chosen[i] for i in places], ends)

    def sums(self, values: NDArray) -> NDArray:
        """Sums (..., stretch) of values (..., sample) [any unit]."""
        return np.asarray(np.add.reduceat(values, self.ends[:-1], axis=-1))

    def means(self, values: Floats) -> Floats:
        """Means (..., stretch) of values (..., sample) [any unit]."""
        return self.sums(values) / np.diff(self.ends)


def estimate_each(
    drive: Drive,
    stretches: Sequence[NDArray[np.int64]],
    quantity: Callable[[Floats, Stretches], Floats],
    *,
    draws: int = MANY_DRAWS,
) -> list[Estimate]:
    """The same quantities of many stretches of a drive, each with its signed errors.

    `stretches` are positions (sample,) along `elapsed_time`, ascending.  `quantity` takes forces or
    their sums (alternative, sample, corner, component) [N] and whose samples these are; it returns
    (alternative, stretch, quantity).  `draws` are draws of noise.

    Values are from all samples, errors from every second one, as these change as slowly as forces
    do.  Directions are those of all stretches together: finding them costs more than following
    them.
    """
    if not stretches:
        return []
    of_all, every = Alternatives(drive, np.concatenate(stretches)), range(len(stretches))
    whole = Stretches.of(every, stretches, [slice(None)] * len(stretches))
    values = quantity(of_all.best[None], whole)[0]
    steps = [EVERY if len(at) >= EVERY * FEWEST else 1 for at in stretches]
    chosen = [slice(step // 2, None, step) for step in steps]
    few = [at[some] for at, some in zip(stretches, chosen, strict=True)]
    found = []
    for places in _together([len(at) for at in few]):
        some = Stretches.of(places, few, chosen)

        def flat(force: Floats, some: Stretches = some) -> Floats:
            return quantity(force, some).reshape(len(force), -1)

        window = Alternatives(drive, np.concatenate([few[i] for i in places]))
        window.follow(of_all)
        estimate = window.estimate(flat, draws=draws, together=True)
        size = values.shape[1]
        for k, i in enumerate(places):
            own = estimate.at(slice(k * size, (k + 1) * size))
            found.append(replace(own, value=values[i]))
    return found


def _together(counts: list[int]) -> list[range]:
    """Places of stretches of so many samples, grouped so that each group has about `TOGETHER`."""
    groups = np.cumsum([0, *counts])[:-1] // TOGETHER
    edges = [0, *(np.flatnonzero(np.diff(groups)) + 1).tolist(), len(counts)]
    return [range(a, b) for a, b in pairwise(edges)]


def _positions(samples: slice | NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Positions (sample,) of a stretch of `count` samples."""
    if isinstance(samples, slice):
        return np.arange(*samples.indices(count))
    return np.asarray(samples, dtype=np.int64)


def _samples_last(force: Floats) -> Floats:
    """Forces (sample, sum, component) as they are, with samples beside each other in memory."""
    return np.ascontiguousarray(force.transpose(1, 2, 0)).transpose(2, 0, 1)


def _spread(away: Floats) -> Floats:
    """Standard deviation of draws about the best, from their distances (draw, quantity) to it."""
    count = np.isfinite(away).sum(axis=0)
    return np.asarray(np.sqrt(np.nansum(away**2, axis=0) / np.maximum(count, 1)))


def _half_change(best: Floats, up: Floats, down: Floats) -> Floats:
    """Half of the change between both ends; the change to one end where the other is not known."""
    change = (up - down) / 2
    change = np.where(np.isnan(change), up - best, change)
    change = np.where(np.isnan(change), best - down, change)
    return np.asarray(np.nan_to_num(change))
