"""Peaks of the lateral force in every half-wave: tyres, axles and the front share."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, known_mean
from recon.evaluation.slalom.half_waves import Grid, HalfWave
from recon.evaluation.slalom.lateral_forces import Lateral, LateralForces
from recon.evaluation.slalom.noise_corrected_peaks import Peaks, enough, peaks_of

OVERSAMPLING = 32  # of the bandwidth: samples that peaks are read from
AT_ONCE = 256  # half-waves that are worked on together


@dataclass(frozen=True, slots=True)
class Cones:
    """Peaks by cone, [N] with the sign of the side, and front shares [1], with u of each.

    `tyre` (cone, corner), `axle` (cone, axle), `share` (cone,), `when` (cone,) as a position
    along time, NaN where not known; `at_bound` (cone, corner) [1].
    """

    tyre: Floats
    u_tyre: Floats
    axle: Floats
    u_axle: Floats
    share: Floats
    u_share: Floats
    when: Floats
    at_bound: Floats


def cones_of(lateral: LateralForces, waves: list[HalfWave], bandwidth: float) -> Cones:
    """Peaks of all half-waves, read at `bandwidth` [Hz]."""
    stride = max(int(lateral.rate / (OVERSAMPLING * bandwidth)), 1)
    parts = [
        _Some(lateral, Grid.of(waves[first : first + AT_ONCE], stride)).cones()
        for first in range(0, len(waves), AT_ONCE)
    ]
    return Cones(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Cones)}
    )


@dataclass(frozen=True, slots=True)
class _Some:
    """Some half-waves of the forces."""

    lateral: LateralForces
    grid: Grid

    def cones(self) -> Cones:
        """Peaks of these half-waves."""
        lateral, grid = self.lateral, self.grid
        bound = [grid.of_each(lateral.bound[:, k]) for k in range(len(lateral.corners))]
        # A wheel that left the ground is at its bound there: no measurement of a peak.
        tyres = [self._peak(t, ~bound[k]) for k, t in enumerate(lateral.tyres)]
        axles = [self._peak(force) for force in lateral.axles.values()]
        crest, every = self._crest()
        share, u_share = self._front_share(crest, every)
        columns = np.where(crest.top, grid.at, 0).sum(axis=1) / np.maximum(crest.top.sum(axis=1), 1)
        count = grid.there.sum(axis=1)
        return Cones(
            *_side_by_side(tyres, len(grid.side)),
            *_side_by_side(axles, len(grid.side)),
            share=share,
            u_share=u_share,
            when=np.where(crest.found, columns, np.nan),
            at_bound=np.stack([(b & grid.there).sum(axis=1) / count for b in bound], axis=1),
        )

    def _peak(
        self, force: Lateral, usable: NDArray[np.bool_] | None = None
    ) -> tuple[Floats, Floats]:
        """Peak of a force in each half-wave, and its standard uncertainty, (wave,) [N]."""
        values = self.grid.towards(force.value)
        if usable is not None:
            values = np.where(usable, values, np.nan)
        peaks = peaks_of(values, self.grid.of_each(force.noise), self.grid.there)
        fixed = np.linalg.norm(self.lateral.effects(force, self._middle(peaks)), axis=0)
        u = np.where(peaks.found, np.hypot(fixed, peaks.u_noise), np.nan)
        return self.grid.side * peaks.height, u

    def _middle(self, peaks: Peaks) -> NDArray[np.int64]:
        """Position (wave,) of the sample in the middle of the top: fixed errors are alike there."""
        return np.asarray(self.grid.at[np.arange(len(peaks.middle)), peaks.middle])

    def _crest(self) -> tuple[Peaks, NDArray[np.bool_]]:
        """Top of all that is known of each half-wave, and where that is every tyre."""
        grid = self.grid
        total, noise = np.zeros(grid.at.shape), np.zeros(grid.at.shape)
        every = np.full(len(grid.side), True)
        some = np.full(len(grid.side), False)
        for force in self.lateral.parts:
            values = grid.towards(force.value)
            seen = enough(values, grid.there)
            every, some = every & seen, some | seen
            total = total + np.where(seen[:, None], values, 0.0)
            noise = noise + np.where(seen[:, None], grid.of_each(force.noise) ** 2, 0.0)
        known = np.where(some[:, None], total, np.nan)
        return peaks_of(known, np.sqrt(noise), grid.there), every

    def _front_share(self, crest: Peaks, every: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """Front share of the lateral force at the top of all, and its u, (wave,) [1]."""
        axles, grid = self.lateral.axles, self.grid
        none = np.full(len(grid.side), np.nan)
        if len(axles) < 2:
            return none, none
        front, rear = axles["front"], axles["rear"]
        top = crest.top & (crest.found & every)[:, None]
        means = [known_mean(grid.towards(force.value), top) for force in (front, rear)]
        total = means[0] + means[1]
        share = means[0] / total
        effects = [self.lateral.effects(force, self._middle(crest)) for force in (front, rear)]
        if front.u_sum is None and rear.u_sum is None:
            fixed = np.linalg.norm((1 - share) * effects[0] - share * effects[1], axis=0)
        else:
            # Which causes an axle's sum shares with the other axle is not known: the worst case.
            own = [np.linalg.norm(effect, axis=0) for effect in effects]
            fixed = np.abs(1 - share) * own[0] + np.abs(share) * own[1]
        noise = [known_mean(grid.of_each(force.noise) ** 2, top) for force in (front, rear)]
        square = fixed**2 + (1 - share) ** 2 * noise[0] + share**2 * noise[1]
        # The rear follows the front, so that the share changes while the total stands at its top.
        ahead, behind = (grid.towards(force.value) for force in (front, rear))
        shares = ahead / np.where(top, ahead + behind, 1.0)
        moving = np.sqrt(known_mean((shares - share[:, None]) ** 2, top))
        return share, np.hypot(np.sqrt(square) / np.abs(total), moving)


def _side_by_side(peaks: list[tuple[Floats, Floats]], count: int) -> tuple[Floats, Floats]:
    """Peaks and their u of several forces, (wave, force) each [N]."""
    if not peaks:
        return np.empty((count, 0)), np.empty((count, 0))
    values, u = (np.stack([p[i] for p in peaks], axis=1) for i in (0, 1))
    return values, u
