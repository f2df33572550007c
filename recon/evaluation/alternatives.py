"""Forces of some samples as they may have been, for the uncertainty of any quantity from them.

A quantity is a plain function of forces.  It is calculated for the best forces, for forces moved
along each independent direction of their fixed errors, and for draws of the sensors' noise; what
it changes by is its uncertainty.  Thresholds, times, quantiles and fits need no formula of theirs.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.base.threads import one_thread
from recon.conditioning.filters import SHORTEST, is_filtered, low_pass, zero_phase_gain
from recon.evaluation.estimate import Estimate
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
RUN_IN = 2.0  # periods of the bandwidth around the samples, for the filter
WEAKEST = 0.003  # of the strongest direction: what is weaker adds less than 1e-4 of the variance
THINNED = 1500  # samples at which fixed errors are worked out; in between they are interpolated
SEED = 20261


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
    ) -> None:
        require_forces(forces, NAMES[axes], STATED[axes], RANDOM, *SIGNED)
        every = np.arange(forces.sizes["elapsed_time"])
        self.samples: NDArray[np.int64] = every[samples]
        if not len(self.samples):
            found = f"no sample at positions {samples}"
            raise DataError(place_of(forces), found, "at least one sample", "Widen the section.")
        self.corners = [str(corner) for corner in forces["corner"].to_numpy()]
        self.time: Floats = forces["elapsed_time"].to_numpy()[self.samples]
        self._axes = axes
        self._rate = float(forces.attrs["rate_Hz"])
        self._own = float(forces.attrs["bandwidth_Hz"])
        self.bandwidth = self._own if bandwidth is None else min(bandwidth, self._own)
        self._run_in = max(int(RUN_IN * self._rate / self.bandwidth) + 1, SHORTEST)
        first = max(int(self.samples[0]) - self._run_in, 0)
        around = slice(first, int(self.samples[-1]) + self._run_in + 1)
        names = {*SIGNED, *STATED.values(), RANDOM, NAMES[axes]} & {*forces}
        self._piece = self._at_bandwidth(forces[sorted(map(str, names))].isel(elapsed_time=around))
        self._at: NDArray[np.int64] = self.samples - first

    @cached_property
    def best(self) -> Floats:
        """Best forces (sample, corner, component) [N] at the bandwidth."""
        return self._piece[NAMES[self._axes]].to_numpy()[self._at].astype(float)

    @cached_property
    def noise(self) -> Floats:
        """Standard uncertainty (sample, corner, component) [N] of the noise at the bandwidth."""
        random = self._piece[RANDOM].to_numpy()[self._at].astype(float)
        passed = self._gain(self.bandwidth) / self._gain(self._own)
        return random * min(passed, 1.0)

    @cached_property
    def _directions(self) -> tuple[Floats, Floats]:
        """Directions (direction, thinned sample, corner, component) [N] and causes' shares in them.

        The shares (cause, direction) turn effects by direction into effects by cause.
        """
        at, loadings = self._at[self._thinned], Loadings(self._piece)
        effects = [loadings.errors(k, at, self._axes) for k in range(len(self.corners))]
        beyond = [loadings.beyond(k, at, self._axes) for k in range(len(self.corners))]
        causes = np.concatenate([np.stack(effects, axis=2), *beyond])
        rows = np.nan_to_num(causes.reshape(len(causes), -1))
        with one_thread():
            square, shares = np.linalg.eigh(rows @ rows.T)
        along = np.zeros((self._causes, int((keep := square > WEAKEST**2 * square[-1]).sum())))
        along[self._places(len(causes))] = shares[:, keep]
        return (shares[:, keep].T @ rows).reshape(-1, *causes.shape[1:]), along

    @property
    def _causes(self) -> int:
        """Rows of every estimate: causes, unsigned rest and widening beyond the pulls by corner."""
        return int(self._piece.sizes["cause"]) + 6 * len(self.corners)

    def _places(self, found: int) -> NDArray[np.int64]:
        """Places of the rows that were found; without lost forces there is no unsigned rest."""
        every = np.arange(self._causes)
        if found == self._causes:
            return every
        return np.concatenate(
            [every[: self._piece.sizes["cause"]], every[-3 * len(self.corners) :]]
        )

    @cached_property
    def _thinned(self) -> NDArray[np.int64]:
        """Some of the samples, ends included; fixed errors change as slowly as forces do."""
        count = len(self.samples)
        return np.unique(np.linspace(0, count - 1, min(count, THINNED)).astype(np.int64))

    def _between(self, change: Floats) -> Floats:
        """A change at the thinned samples, (sample, corner, component) at all of them."""
        if len(self._thinned) == len(self.samples):
            return change
        flat = change.reshape(len(change), -1)
        place = np.arange(len(self.samples))
        columns = [np.interp(place, self._thinned, column) for column in flat.T]
        return np.stack(columns, axis=1).reshape(len(place), *change.shape[1:])

    def estimate(self, quantity: Quantity, *, draws: int = DRAWS) -> Estimate:
        """A quantity of the forces with its signed errors.

        Parameters
        ----------
        quantity : callable
            Takes forces (sample, corner, component) [N] and returns (quantity,) in any unit, NaN
            where it cannot be said.
        draws : int
            Draws of noise.

        Returns
        -------
        Estimate
            Fixed errors by finite changes of one standard uncertainty both ways; noise by draws
            (JCGM 101:2008), low-passed like the forces.
        """
        best = np.atleast_1d(np.asarray(quantity(self.best), dtype=float))
        directions, along = self._directions
        half = np.zeros((len(directions), len(best)))
        for i, direction in enumerate(directions):
            change = self._between(direction)
            ends = [np.atleast_1d(quantity(self.best + s * change)) for s in (1.0, -1.0)]
            half[i] = _half_change(best, *ends)
        drawn = [np.atleast_1d(quantity(self.best + noise)) for noise in self._drawn(draws)]
        return Estimate(best, along @ half, _spread(np.array([best, *drawn])))

    def _drawn(self, draws: int) -> list[Floats]:
        """Draws of the noise of every force, coloured by the filters that the forces passed."""
        rng = np.random.default_rng(SEED)
        count = int(self.samples[-1] - self.samples[0]) + 1
        shape = (count + 2 * self._run_in, 3 * len(self.corners))
        inside = self._run_in + self.samples - self.samples[0]
        gain = self._gain(self.bandwidth)
        out = []
        for _ in range(draws):
            white = rng.standard_normal(shape)
            passed = low_pass(white, self.bandwidth, self._rate) / gain
            out.append(passed[inside].reshape(self.best.shape) * self.noise)
        return out

    def _gain(self, bandwidth: float) -> float:
        return zero_phase_gain(bandwidth, self._rate)

    def _at_bandwidth(self, piece: xr.Dataset) -> xr.Dataset:
        """Forces, and what their fixed errors depend on, low-passed."""
        if not (self.bandwidth < self._own and is_filtered(self.bandwidth, self._rate)):
            return piece
        out = piece.copy()
        for name in (*ALONG, NAMES[self._axes]):
            values = piece[name].to_numpy().astype(float)
            flat = low_pass(values.reshape(len(values), -1), self.bandwidth, self._rate)
            out[name] = piece[name].copy(data=flat.reshape(values.shape))
        return out


def _spread(values: Floats) -> Floats:
    """Standard deviation of draws (draw, quantity) about the first row, which is the best."""
    away = values - values[0]
    count = np.isfinite(away[1:]).sum(axis=0)
    return np.asarray(np.sqrt(np.nansum(away**2, axis=0) / np.maximum(count, 1)))


def _half_change(best: Floats, up: Floats, down: Floats) -> Floats:
    """Half of the change between both ends; the change to one end where the other is not known."""
    change = (up - down) / 2
    change = np.where(np.isnan(change), up - best, change)
    change = np.where(np.isnan(change), best - down, change)
    return np.asarray(np.nan_to_num(change))
