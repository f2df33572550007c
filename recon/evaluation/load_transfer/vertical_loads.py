"""Vertical loads fitted to the motion of the car: what a load transfer is read from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.load_transfer.body_motion import Body, Y, Z
from recon.evaluation.load_transfer.centre_of_mass_height import Assumptions, Heights
from recon.evaluation.load_transfer.jackknife import with_groups

BINS = np.arange(-15.5, 16.0)  # m/s2, edges of bins of lateral acceleration
FEWEST_IN_BIN = 5
TERMS = ("constant", "along", "sideways", "air")  # of the fit whose coefficients are of use


@dataclass(frozen=True, slots=True)
class Loads:
    """Samples of a drive and the fit of the loads of all corners in them.

    `time` (sample,) [s]; `mass` [kg]; `heights` where all four corners are there; `middles` (bin,)
    [m/s2] of lateral acceleration.
    """

    time: Floats
    body: Body
    mass: float
    heights: Heights | None
    middles: Floats

    def at(self, places: NDArray[np.int64]) -> Loads:
        """The same with the samples at the positions `places` (sample,) alone."""
        body = self.body.at(places)
        heights = self.heights and replace(
            self.heights, body=body, turning=self.heights.turning[places]
        )
        return replace(self, time=self.time[places], body=body, heights=heights)

    def columns(self, acceleration: Floats) -> Floats:
        """Columns of the fit (sample, 6): `TERMS` and the changes of both accelerations.

        `acceleration` (sample, 2) [m/s2].  Changes take up dampers and delays; speed squared is
        left out (zero) where it does not vary.
        """
        air = None if self.heights is None else self.heights.air
        square = np.zeros(len(acceleration)) if air is None else air
        return np.column_stack([np.ones(len(square)), acceleration, square, self.body.change])

    def acceleration(self, force: Floats, given: Assumptions) -> Floats:
        """Acceleration (sample, 2) [m/s2] that would move as much load in a steady state.

        It is logged, or that of `force` (sample, corner, component) [N]; what turns the body in
        roll and pitch is taken off.
        """
        if self.body.by_forces:
            own = np.asarray(force[..., :2].sum(axis=1) / self.mass)
        else:
            own = self.body.acceleration
        return own if self.heights is None else own + self.heights.turned(given)

    def rows(self, acceleration: Floats) -> Floats:
        """Weights (row, sample) of loads in what is linear in them, for one `acceleration`.

        Coefficients of `TERMS`, change over the drive beside them, loads in the middle of each bin.
        """
        columns = self.columns(acceleration)
        inverse, late = np.linalg.pinv(columns), self._late
        near = np.abs(acceleration[:, Y] - self.middles[:, None]) <= 0.5
        mean = near / np.maximum(near.sum(axis=1, keepdims=True), 1)
        beside = np.vstack([late / (late @ late), mean])
        beside -= (beside @ columns) @ inverse
        # At the middle: samples of a bin mostly lie nearer to one of its ends.
        beside[1:] += np.outer(self.middles, inverse[1 + Y])
        return np.vstack([inverse[: len(TERMS)], beside])

    def of(self, force: Floats, given: Assumptions, rows: Floats | None = None) -> Floats:
        """All quantities (..., quantity) from forces (..., sample, corner, component) [N].

        Coefficients of `TERMS` by corner [N per unit of the term], change of each corner's load
        over the drive beside them [N], heights by roll and pitch [m], loads in the middle of each
        bin by corner [N].  `rows` are those of all forces, where they do not depend on these; with
        any others there is one alternative only, (sample, corner, component).
        """
        rows = self.rows(self.acceleration(force, given)) if rows is None else rows
        weighed = rows @ force[..., Z]
        heights = np.full((*force.shape[:-3], 2), np.nan)
        if self.heights is not None:
            heights = self.heights.by_both(force, given)
        terms, bins = np.split(weighed, [len(TERMS) + 1], axis=-2)
        flat = [part.reshape(*heights.shape[:-1], -1) for part in (terms, bins)]
        return np.concatenate([flat[0], heights, flat[1]], axis=-1)

    def _by_drift(self, best: Floats, given: Assumptions) -> Floats:
        """Change (term,) of the coefficients of `TERMS` per newton by which a load drifts [1/unit].

        Evenly from half of it too low to half of it too high, from the first sample to the last.
        """
        inverse = np.linalg.pinv(self.columns(self.acceleration(best, given)))
        return np.asarray(inverse @ self._late)[: len(TERMS)]

    @property
    def _late(self) -> Floats:
        """Time (sample,) [1] from -1/2 to 1/2 over the drive, zero in the mean."""
        return (self.time - self.time.mean()) / max(float(np.ptp(self.time)), 1e-9)

    def fitted(self, alternatives: Alternatives, during: Floats) -> Fit:
        """The quantities with their errors: those of the forces, of the fit and of assumptions.

        `during` (cause,) [1] is the share of each cause by which its effect changes from the
        beginning of the drive to the end.
        """
        best, corners = alternatives.best, len(alternatives.corners)
        given = Assumptions()
        if self.body.by_forces:
            estimate = alternatives.estimate(lambda force: self.of(force, given))
        else:
            same = self.rows(self.acceleration(best, given))
            estimate = alternatives.estimate(lambda f: self.of(f, given, same), together=True)
        estimate = with_groups(estimate, self.time, lambda at: self.at(at).of(best[at], given))
        rows = given.effects(lambda other: self.of(best, other))
        drifting = np.zeros((len(during), len(estimate.value)))
        constant = during[:, None] * estimate.by_cause[: len(during), :corners]
        drifting[:, : len(TERMS) * corners] = np.kron(self._by_drift(best, given), constant)
        estimate = replace(estimate, by_cause=np.vstack([estimate.by_cause, rows, drifting]))
        sizes = [corners] * (len(TERMS) + 1) + [2, corners * len(self.middles)]
        ends = np.cumsum([0, *sizes])
        parts = [estimate.at(slice(a, b)) for a, b in pairwise(ends)]
        return Fit(*parts)


@dataclass(frozen=True, slots=True)
class Fit:
    """Estimates: the coefficients of `TERMS` and drifts by corner, two heights, means by bin."""

    constant: Estimate
    along: Estimate
    sideways: Estimate
    air: Estimate
    drift: Estimate
    heights: Estimate
    bins: Estimate


def middles_of(sideways: Floats) -> Floats:
    """Middles (bin,) of the bins of lateral acceleration (sample,) [m/s2] with enough samples."""
    count, _ = np.histogram(sideways, BINS)
    return (BINS[:-1] + 0.5)[count >= FEWEST_IN_BIN]
