"""Forces of some samples as they may have been, for the uncertainty of any quantity from them.

A quantity is a plain function of forces.  It is calculated for the best forces, for forces moved
along each independent direction of their fixed errors, and for draws of the sensors' noise; what
it changes by is its uncertainty.  Thresholds, times, quantiles and fits need no formula of theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.conditioning.filters import is_filtered, low_pass, zero_phase_gain
from recon.evaluation.estimate import Estimate
from recon.evaluation.noise import memory_of, noise_draws
from recon.reconstruction.directions import Directions, directions_of
from recon.reconstruction.signed import RANDOM, STATED, Loadings
from recon.records.forces import SIGNED, require_forces

if TYPE_CHECKING:
    import xarray as xr

Quantity = Callable[[Floats], ArrayLike]
NAMES = {
    "tyre": "tyre_force",
    "intermediate": "tyre_force_intermediate",
    "vehicle": "tyre_force_vehicle",
}
# Along time, beside the forces: what their fixed errors depend on.
ALONG = ("tyre_force_vehicle", "tyre_force_intermediate", "hub_moment", "heading", "travel", "rack")
DRAWS = 24  # of noise: u of the noise is known to 15 %
MANY_DRAWS = 96  # where they cost little: 7 %
WEAKEST = 0.003  # of the strongest direction: what is weaker adds less than 1e-4 of the variance
THINNED = 1500  # samples at which fixed errors are worked out; in between they are interpolated
AT_ONCE = 1 << 20  # forces that are worked on at once


class Alternatives:
    """Forces of a stretch of a drive, best and as they may have been.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    samples : slice or (sample,)
        Stretch, or positions, along `elapsed_time`.
    axes : {"tyre", "intermediate", "vehicle"}
    bandwidth : float, optional
        Forces are low-passed to it, with zero phase; that of `forces` if omitted. [Hz]
    only : (corner, component), optional
        Marks the forces that quantities look at, so that errors of others need not be followed;
        not in tyre axes, which mix components.

    Raises
    ------
    DataError
        The dataset is no result of `reconstruct`, or the stretch has no sample.
    """

    def __init__(
        self,
        forces: xr.Dataset,
        samples: slice | NDArray[np.int64],
        *,
        axes: str = "intermediate",
        bandwidth: float | None = None,
        only: NDArray[np.bool_] | None = None,
    ) -> None:
        self.samples = _positions(samples, forces.sizes["elapsed_time"])
        if not len(self.samples):
            found = f"no sample at positions {samples}"
            raise DataError(place_of(forces), found, "at least one sample", "Widen the section.")
        self._axes, self._only = axes, only
        self._rate = float(forces.attrs["rate_Hz"])
        self._own = float(forces.attrs["bandwidth_Hz"])
        self.bandwidth = self._own if bandwidth is None else min(bandwidth, self._own)
        run_in = memory_of(self.bandwidth, self._rate)
        first = max(int(self.samples[0]) - run_in, 0)
        around = slice(first, int(self.samples[-1]) + run_in + 1)
        names = {*SIGNED, *STATED.values(), RANDOM, NAMES[axes]} & {*forces.variables}
        piece = forces[sorted(map(str, names))].isel(elapsed_time=around)
        require_forces(piece, NAMES[axes], STATED[axes], RANDOM, *SIGNED)
        self._piece = self._at_bandwidth(piece)
        self._at: NDArray[np.int64] = self.samples - first
        self.corners = [str(corner) for corner in piece["corner"].to_numpy()]
        self.time: Floats = piece["elapsed_time"].to_numpy()[self._at]

    @cached_property
    def best(self) -> Floats:
        """Best forces (sample, corner, component) [N] at the bandwidth."""
        return self._piece[NAMES[self._axes]].to_numpy()[self._at].astype(float)

    @cached_property
    def noise(self) -> Floats:
        """Standard uncertainty (sample, corner, component) [N] of the noise at the bandwidth."""
        random = self._piece[RANDOM].to_numpy()[self._at].astype(float)
        passed = zero_phase_gain(self.bandwidth, self._rate)
        return random * min(passed / zero_phase_gain(self._own, self._rate), 1.0)

    @cached_property
    def _directions(self) -> Directions:
        """Directions of the fixed errors at the thinned samples."""
        at = self._at[self._thinned]
        return directions_of(Loadings(self._piece), at, self._axes, WEAKEST, self._only)

    @cached_property
    def _thinned(self) -> NDArray[np.int64]:
        """Some of the samples, ends included; fixed errors change as slowly as forces do."""
        count = len(self.samples)
        return np.unique(np.linspace(0, count - 1, min(count, THINNED)).astype(np.int64))

    def estimate(
        self, quantity: Quantity, *, draws: int = DRAWS, together: bool = False
    ) -> Estimate:
        """A quantity of the forces with its signed errors.

        Parameters
        ----------
        quantity : callable
            Takes forces (sample, corner, component) [N] and returns (quantity,) in any unit, NaN
            where it cannot be said.
        draws : int
            Draws of noise.
        together : bool
            The quantity takes many alternatives at once, (alternative, sample, corner, component)
            [N], and returns (alternative, quantity): much quicker where it is simple.

        Returns
        -------
        Estimate
            Fixed errors by finite changes of one standard uncertainty both ways; noise by draws
            (JCGM 101:2008), low-passed like the forces.
        """

        def of(change: Floats) -> Floats:
            force = self.best + change
            every = quantity(force) if together else [np.atleast_1d(quantity(f)) for f in force]
            return np.asarray(every, dtype=float)

        best = of(np.zeros((1, 1, 1, 1)))
        up, down = (
            np.concatenate([best[:0], *(of(way * change) for change in self._moved())])
            for way in (1.0, -1.0)
        )
        drawn = np.concatenate([best[:0], *map(of, self._drawn(draws))])
        fixed = self._directions.shares @ _half_change(best[0], up, down)
        return Estimate(best[0], fixed, _spread(drawn - best))

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
        for drawn in noise_draws(self.samples, columns, draws, self.bandwidth, self._rate):
            for some in self._some(len(drawn)):
                yield drawn[some].reshape(-1, *self.best.shape) * self.noise

    def _some(self, count: int) -> Iterator[slice]:
        """Slices of so many alternatives that few are worked on at once."""
        size = max(AT_ONCE // self.best.size, 1)
        return (slice(first, first + size) for first in range(0, count, size))

    def _at_bandwidth(self, piece: xr.Dataset) -> xr.Dataset:
        """Forces, and what their fixed errors depend on, low-passed."""
        if not (self.bandwidth < self._own and is_filtered(self.bandwidth, self._rate)):
            return piece
        parts = {name: piece[name] for name in (*ALONG, NAMES[self._axes])}
        columns = [part.to_numpy().reshape(len(part), -1) for part in parts.values()]
        passed = low_pass(np.concatenate(columns, axis=1, dtype=float), self.bandwidth, self._rate)
        ends = np.cumsum([column.shape[1] for column in columns])[:-1]
        found = zip(parts.items(), np.split(passed, ends, axis=1), strict=True)
        return piece.assign(
            {name: part.copy(data=values.reshape(part.shape)) for (name, part), values in found}
        )


def _positions(samples: slice | NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Positions (sample,) of a stretch of `count` samples."""
    if isinstance(samples, slice):
        return np.arange(*samples.indices(count))
    return np.asarray(samples, dtype=np.int64)


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
