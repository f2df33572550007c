"""The solution of the joint fit: unknowns, covariance by source, influence of each pull."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.calibration.applied import Pull

Key = tuple[str | int, ...]  # kind of unknown, and of which pull, device or corner


@dataclass(frozen=True, slots=True)
class Block:
    """Unknowns that stand side by side, as deviations in units of `scale`.

    `place` is where they stand among all unknowns; `middle` and `scale` (n,) are their value at
    deviation zero and the size of one deviation: prior mean and standard uncertainty of every
    unknown but K.
    """

    place: slice
    middle: Floats
    scale: Floats

    def value(self, deviation: Floats) -> Floats:
        """Values (n,) of these unknowns in their own units, of all deviations (unknown,) [1]."""
        return self.middle + self.scale * deviation[self.place]


@dataclass(frozen=True, slots=True)
class Rows:
    """Standardised residuals (row,) of one pull and their derivatives (row, k).

    `places` (k,) are those of the unknowns that the pull depends on.
    """

    residual: Floats
    jacobian: Floats
    places: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class JointFit:
    """Result of the joint fit.

    `deviation` (unknown,) and `covariance` (unknown, unknown) are in the scales of `blocks`;
    `noise` (gauge,) [unit] is the standard uncertainty of one tared indication, `cost` the sum of
    squares, `rows` the standardised residuals per pull.
    """

    blocks: dict[Key, Block]
    deviation: Floats
    covariance: Floats
    shape: tuple[int, int]
    noise: Floats
    cost: float
    rows: list[Rows]
    prior_factor: Floats  # (unknown, term): F F' is what the prior of K adds to the normal matrix

    def value(self, *key: str | int) -> Floats:
        """Values (n,) of one block in its own units: [unit/N] of K, [N] or [m], else [1]."""
        return self.blocks[key].value(self.deviation)

    def of_kind(self, kind: str) -> dict[Key, Block]:
        """All blocks of a kind, in the order of the pulls."""
        return {key: block for key, block in self.blocks.items() if key[0] == kind}

    @property
    def lack_of_fit(self) -> tuple[float, float]:
        """Cost over degrees of freedom, 1 where all agrees within its uncertainty, and these."""
        dof = float(sum(rows.residual.size for rows in self.rows) - self.K.size)
        return (self.cost / dof if dof > 0 else float("nan")), dof

    @property
    def K(self) -> Floats:
        """K (gauge, member) [unit/N]."""
        return self.value("K").reshape(self.shape)

    @property
    def K_covariance(self) -> Floats:
        """Covariance of K (gauge * member, gauge * member) [unit2/N2], gains included."""
        own = self.blocks["K",]
        return self.covariance[own.place, own.place] * np.outer(own.scale, own.scale)

    def effect(self, *key: str | int) -> Floats:
        """Change of K (gauge * member, n) [unit/N] per standard uncertainty of a block's priors.

        A prior enters as an observation of weight one, so the estimate moves by its column of the
        covariance per unit of that observation's error.
        """
        own, other = self.blocks["K",], self.blocks[key]
        return own.scale[:, None] * self.covariance[own.place, other.place]

    @property
    def devices(self) -> tuple[str, ...]:
        """Devices that pulled, in alphabetical order."""
        return tuple(sorted(str(key[1]) for key in self.of_kind("gain")))

    def gain_effects(self) -> Floats:
        """Change of K (device, gauge * member) [unit/N] per standard uncertainty of each gain."""
        return np.array([self.effect("gain", device)[:, 0] for device in self.devices])

    def covariance_by_source(self) -> dict[str, Floats]:
        """Covariance of K (gauge * member, gauge * member) [unit2/N2] by source, gains left out.

        The parts and the squares of the gains' effects add up to `K_covariance`.
        """
        own = self.blocks["K",]
        to_K = own.scale[:, None] * self.covariance[own.place]  # (term, unknown)
        effects = {
            "indications": [to_K[:, rows.places] @ rows.jacobian.T for rows in self.rows],
            "readings": [self.effect(*key) for key in self.of_kind("reading")],
            "lines": [self.effect(*key) for key in self.of_kind("line")],
            "wheel centre": [self.effect(*key) for key in self.of_kind("hub")],
            "geometry": [self.effect(*key) for key in self.of_kind("geometry")],
            "hysteresis": [
                self.effect(*key)
                for kind in ("hysteresis", "branch", "friction")
                for key in self.of_kind(kind)
            ],
            "prior": [to_K @ self.prior_factor],
        }
        n = len(own.scale)
        return {
            source: sum((e @ e.T for e in parts), np.zeros((n, n)))
            for source, parts in effects.items()
        }

    def line_corrections(self, p: int, pull: Pull) -> Floats:
        """Estimated offsets [m] and angles [rad] of the lines of pull `p`, (device, 4)."""
        return np.array(
            [
                np.linalg.cholesky(line.covariance) @ self.value("line", p, d)
                for d, line in enumerate(pull.lines)
            ]
        )

    def influence(self, p: int) -> Floats:
        """Change of K (gauge, member) [unit/N] if pull `p` were left out, to first order."""
        own, (spread, foreseen) = self.blocks["K",], self._left_out(p)
        return (own.scale * (spread[own.place] @ foreseen)).reshape(self.shape)

    def lack_without(self, p: int) -> float:
        """Cost over degrees of freedom if pull `p` were left out, to first order; NaN if none."""
        dof, residual = self.lack_of_fit[1], self.rows[p].residual
        cost = self.cost - float(residual @ self._left_out(p)[1])
        rest = dof - residual.size
        return max(cost, 0.0) / rest if rest > 0 else float("nan")

    def _left_out(self, p: int) -> tuple[Floats, Floats]:
        """Spread (unknown, row) of pull `p`, and its residuals (row,) from a fit without it.

        With the pull's rows A and residuals r the normal matrix N loses A'A; by Woodbury's
        formula (N - A'A)^-1 A' r = C A' (1 - A C A')^-1 r, C being the covariance.  The sum of
        squares loses r' (1 - A C A')^-1 r.
        """
        rows = self.rows[p]
        spread = self.covariance[:, rows.places] @ rows.jacobian.T
        left = np.eye(len(rows.residual)) - rows.jacobian @ spread[rows.places]
        return spread, np.asarray(np.linalg.lstsq(left, rows.residual, rcond=1e-10)[0])
