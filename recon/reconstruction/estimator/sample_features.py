"""Features of a sample: what the effects of errors are linear in, and how modes are numbered.

    [1, F, t_1 F, ..., t_w F, r F, t_1, ..., t_w],   F = (Fx, Fy, Fz, T of every wheel)      (1)

with t and r travel and rack over their scale, forces in vehicle axes; w is one for a corner that
stands alone and two for a tied axle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.planning.unknowns import MODES

Singles = NDArray[np.float32]
Modes = tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Features:
    """Places of the features (1) of an assembly with so many wheels."""

    wheels: int

    @property
    def size(self) -> int:
        """Number of features: 14 of a corner, 35 of a tied axle."""
        w = self.wheels
        return 1 + 4 * w * (w + 2) + w

    @property
    def forces(self) -> slice:
        """Fx, Fy, Fz, T of every wheel."""
        return slice(1, 1 + 4 * self.wheels)

    def by_travel(self, j: int) -> slice:
        """The same times the travel of wheel `j`."""
        first = 1 + 4 * self.wheels * (1 + j)
        return slice(first, first + 4 * self.wheels)

    @property
    def by_rack(self) -> slice:
        """The same times the rack's shift."""
        return self.by_travel(self.wheels)

    def travel(self, j: int) -> int:
        """Travel of wheel `j` alone."""
        return self.size - self.wheels + j

    @staticmethod
    def force(k: int, component: int) -> int:
        """Component 0 to 3 (Fx, Fy, Fz, T) of wheel `k`."""
        return 1 + 4 * k + component


def features_of(force: Singles, travel: Floats, rack: Floats, scale: tuple[float, ...]) -> Singles:
    """Features (feature, sample) of equation (1).

    `force` (w, 4, sample) holds Fx, Fy, Fz [N] and T [N m] of every wheel, vehicle axes; `travel`
    (w, sample) [m] is positive in bump, `rack` (sample,) [m] to the left; both are divided by
    `scale` (w + 1,) [m].
    """
    wheels, _, n = force.shape
    places = Features(wheels)
    out = np.empty((places.size, n), dtype=np.float32)
    flat = force.reshape(-1, n)
    out[0] = 1.0
    out[places.forces] = flat
    for j in range(wheels):
        out[places.travel(j)] = travel[j] / scale[j]
        np.multiply(flat, out[places.travel(j)], out=out[places.by_travel(j)])
    np.multiply(flat, (rack / scale[-1]).astype(np.float32), out=out[places.by_rack])
    return out


def joint_mode(modes: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number (sample,) for the modes of all hubs of an assembly (w, sample), first leading."""
    out = modes[0]
    for row in modes[1:]:
        out = len(MODES) * out + row
    return out


def samples_by_mode(mode: NDArray[np.int64]) -> list[tuple[int, slice | NDArray[np.int64]]]:
    """Each joint mode of a block (sample,) with its samples.

    Mostly there is one, and nothing is picked out.
    """
    found = np.flatnonzero(np.bincount(mode))
    if len(found) == 1:
        return [(int(found[0]), slice(None))]
    return [(int(m), np.flatnonzero(mode == m)) for m in found]


def modes_in_turn(mode: NDArray[np.int64]) -> list[tuple[int, slice | NDArray[np.int64]]]:
    """Each joint mode of a block (sample,) with samples, for results that replace earlier ones.

    The most frequent mode comes first and has all samples: to calculate some of them twice is
    quicker than to pick out most of them.
    """
    usual = int(np.argmax(np.bincount(mode)))
    others = [(m, chosen) for m, chosen in samples_by_mode(mode) if m != usual]
    return [(usual, slice(None)), *others]
