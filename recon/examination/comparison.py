"""One comparison over the samples of a drive, with everything that may differ on a sound drive.

The difference of two quantities that should agree is compared with known effects, each with one
unknown size per drive (a tilted accelerometer, drag, a mass that is off), and with a spread that
differs from sample to sample.  What the effects explain at sizes that are likely costs little.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.words import in_digits
from recon.examination.term import FOUND, Term

INDEPENDENT = 10  # differences that the samples of a drive count as: neighbours err alike
MOST = 120  # samples used
FEWEST = 12  # samples needed
LIMIT = 2.0  # sound drives of virtual and independent cars stay below


@dataclass(frozen=True)
class Comparison:
    """Two quantities (n,) that should agree over a drive."""

    name: str
    place: str  # name of an assembly or corner, or "car"
    corners: tuple[str, ...]  # whose forces it speaks about
    unit: str  # of both quantities, in words
    seen: Floats  # (n,) as measured
    expected: Floats  # (n,)
    spread: Floats | float  # standard uncertainty from sample to sample
    # (n,) each, the effect of one unknown per standard uncertainty.
    effects: Sequence[Floats | float] = field(default_factory=tuple)
    channels: tuple[str, ...] = ()  # ordinary channels that it depends on
    limit: float = LIMIT  # size that sound drives stay below
    # What a channel contributes to `seen` less `expected`, (n,): it grows with the channel's gain.
    shares: Mapping[str, Floats] = field(default_factory=dict)
    # (4, 3) of the forces whose sum is `seen`; everything else is the same for any forces.
    weights: Floats | None = None
    # What does not depend on `seen`, shared with the same comparison of other forces.
    kept: dict[bytes, Any] = field(default_factory=dict, compare=False, repr=False)

    def of(self, seen: Floats) -> Comparison:
        """The same comparison of another measured quantity (n,), in its unit [N]."""
        return replace(self, seen=seen)

    @cached_property
    def term(self) -> Term:
        """The comparison as a term for the judge."""
        return Term(
            place=self.place,
            corners=self.corners,
            name=self.name,
            size=self.size,
            count=INDEPENDENT,
            limit=self.limit,
            words=self._found,
        )

    @cached_property
    def size(self) -> float:
        """Mean square of the differences over their variance [1]; NaN if hardly any is known."""
        return self.chi_square / INDEPENDENT

    @property
    def contradicts(self) -> bool:
        """True where the two quantities contradict each other."""
        return self.size > self.limit

    @property
    def u(self) -> Floats:
        """Standard uncertainty (n,) of the difference on a sound drive, in its unit [N]."""
        return np.asarray(np.sqrt(np.sum(np.square(self._parts), axis=0)))

    @property
    def _parts(self) -> Floats:
        """The spread, and the effects one by one, (1 + k, n)."""
        if b"parts" not in self.kept:
            shape = np.shape(self.seen)
            parts = [np.broadcast_to(part, shape) for part in (self.spread, *self.effects)]
            self.kept[b"parts"] = np.array(parts)
        return np.asarray(self.kept[b"parts"])

    @cached_property
    def good(self) -> NDArray[np.int64]:
        """Positions (m,) of the samples that are compared [1], spread over all that have values."""
        if b"known" not in self.kept:
            known = np.isfinite(self._parts).all(axis=0) & np.isfinite(self.expected)
            self.kept[b"known"] = known
        good = np.flatnonzero(self.kept[b"known"] & np.isfinite(self.seen))
        return good[_spread_over(len(good))] if len(good) > MOST else good

    @property
    def chi_square(self) -> float:
        """Sum of squares of the differences over their covariance, NaN if hardly any is known.

        The samples count as `INDEPENDENT` ones.  Source: generalised least squares, from memory.
        """
        at = self.good
        if len(at) < FEWEST:
            return float("nan")
        spread, G, inner = self._weighed(at)
        r = (self.seen[at] - self.expected[at]) / spread
        explained = G @ r
        return float(r @ r - explained @ inner @ explained)

    def along(self, change: Floats) -> tuple[Floats, Floats]:
        """Score (k,) and information (k, k) about faults that change `seen` by `change` (k, n).

        Per unit of each fault: most likely sizes are the score over the information.
        """
        at = self.good
        if len(at) < FEWEST:
            return np.zeros(len(change)), np.zeros((len(change), len(change)))
        spread, G, inner = self._weighed(at)
        r, own = (self.seen[at] - self.expected[at]) / spread, change[:, at] / spread
        left = own - (own @ G.T @ inner) @ G
        return left @ r, left @ own.T

    def times_found(self, after: Comparison) -> float:
        """How many times a change to the same comparison `after` a fault is found with 95 % [1]."""
        shift = (after.seen - after.expected) - (self.seen - self.expected)
        shift = np.where(np.isnan(shift), 0.0, shift)
        if not shift.any():
            return 0.0
        information = float(self.along(shift[None])[1][0, 0])
        return sqrt(information) / (sqrt(self.limit * INDEPENDENT) + FOUND)

    def _weighed(self, at: NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
        """Spread (m,) of the samples `at`, effects (k, m) over it, and their covariance (k, k)."""
        key = at.tobytes()
        if key not in self.kept:
            parts = self._parts[:, at]
            spread = parts[0] * np.sqrt(len(at) / INDEPENDENT)
            G = parts[1:] / spread
            # Woodbury: the effects are few.
            self.kept[key] = (spread, G, np.linalg.inv(np.eye(len(G)) + G @ G.T))
        weighed: tuple[Floats, Floats, Floats] = self.kept[key]
        return weighed

    def _found(self) -> str:
        at = self.good
        if len(at) < FEWEST:
            return f"No redundancy: {self.name} cannot be known here; too little of it is logged."
        seen, expected = self.seen[at], self.expected[at]
        moved = expected - expected.mean()
        square, changes = float(moved @ moved), ""
        if square > 1e-12 * float(expected @ expected):
            slope = float(moved @ seen) / square
            changes = f"changes {slope:.2f} times as large as expected; "
        return (
            f"{self.name}: mean {in_digits(float(np.mean(seen)))} where "
            f"{in_digits(float(np.mean(expected)))} "
            f"{self.unit} is expected{', ' if changes else '; '}{changes}"
            f"{np.sqrt(max(self.size / self.limit, 0.0)):.1f} times what a sound drive may show."
        )


@cache
def _spread_over(count: int) -> NDArray[np.int64]:
    """Positions (MOST,) [1] spread evenly over so many."""
    return np.linspace(0, count - 1, MOST).astype(int)
