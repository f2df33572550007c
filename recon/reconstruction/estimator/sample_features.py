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
Turns = list[tuple[int, slice | NDArray[np.int64]]]  # modes with their samples
STRETCH = 64  # samples of one mode after another, on average, from where slices are quicker


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


@dataclass(frozen=True, slots=True)
class Products:
    """Products of two features of an assembly with so many wheels.

    Feature times feature is a product of two of (1, t_1, ..., t_w, r) times one of two of (1, F).
    `poses` (pose, 2) are places of the first in that order; each comes with all pairs of (1, F).
    """

    wheels: int
    poses: NDArray[np.int64]

    @classmethod
    def all_of(cls, wheels: int) -> Products:
        """Every product."""
        return cls(wheels, np.column_stack(np.triu_indices(wheels + 2)))

    @property
    def _loads(self) -> int:
        return (4 * self.wheels + 1) * (4 * self.wheels + 2) // 2

    @property
    def size(self) -> int:
        """Number of products."""
        return len(self.poses) * self._loads

    def collected(self, pairs: Floats) -> Floats:
        """Coefficients (..., product) of a sum over `pairs` (..., feature, feature), any unit.

        For every product; see `all_of`.
        """
        features = Features(self.wheels)
        pose, load = np.zeros((2, features.size), dtype=np.int64)
        load[features.forces] = forces = 1 + np.arange(4 * self.wheels)
        for j in range(self.wheels + 1):
            pose[features.by_travel(j)], load[features.by_travel(j)] = 1 + j, forces
        pose[-self.wheels :] = 1 + np.arange(self.wheels)
        place = _of_pair(self.wheels + 2, pose) * self._loads + _of_pair(4 * self.wheels + 1, load)
        out = np.zeros((self.size, *pairs.shape[:-2]))
        np.add.at(out, place, np.moveaxis(pairs, (-2, -1), (0, 1)))
        return np.moveaxis(out, 0, -1)

    def needed(self, used: NDArray[np.bool_]) -> tuple[Products, NDArray[np.bool_]]:
        """Those with poses that are `used` (product,), and which of these products they are."""
        poses = np.any(used.reshape(len(self.poses), -1), axis=1)
        poses[0] = True
        return Products(self.wheels, self.poses[poses]), np.repeat(poses, self._loads)

    def at(self, features: Singles, rack: Singles) -> Singles:
        """Products (product, sample) at `features` (feature, sample) and `rack` (sample,) [1].

        `rack` is the rack's shift over its scale.
        """
        loads = features[: 4 * self.wheels + 1]
        pose = [loads[0], *features[-self.wheels :], rack]
        out = np.empty((len(self.poses), self._loads, len(rack)), dtype=np.float32)
        start = 0
        for k, load in enumerate(loads):
            stop = start + len(loads) - k
            np.multiply(load, loads[k:], out=out[0, start:stop])
            start = stop
        for block, (a, b) in zip(out[1:], self.poses[1:], strict=True):
            np.multiply(out[0], pose[a] * pose[b], out=block)
        return out.reshape(self.size, -1)


def _of_pair(count: int, place: NDArray[np.int64]) -> NDArray[np.int64]:
    """Position (n, n) of each pair of `place` (n,) among all pairs of so many, in either order."""
    position = np.zeros((count, count), dtype=np.int64)
    position[np.triu_indices(count)] = np.arange(count * (count + 1) // 2)
    return np.maximum(position, position.T)[np.ix_(place, place)]


def joint_mode(modes: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number (sample,) for the modes of all hubs of an assembly (w, sample), first leading."""
    out = modes[0]
    for row in modes[1:]:
        out = len(MODES) * out + row
    return out


def samples_by_mode(mode: NDArray[np.int64]) -> Turns:
    """Each joint mode of a block (sample,) with its samples.

    Mostly there is one, and nothing is picked out.
    """
    found = np.flatnonzero(np.bincount(mode))
    if len(found) == 1:
        return [(int(found[0]), slice(None))]
    return [(int(m), np.flatnonzero(mode == m)) for m in found]


def modes_in_turn(mode: NDArray[np.int64]) -> Turns:
    """Each joint mode of a block (sample,) with samples, for results that replace earlier ones.

    Stretches of one mode are slices, so that no sample is copied.  Where modes scatter, the most
    frequent one comes first and has all samples: to calculate some of them twice is quicker than to
    pick out most of them.
    """
    starts = np.append(0, np.flatnonzero(np.diff(mode)) + 1)
    if STRETCH * len(starts) > len(mode):
        usual = int(np.argmax(np.bincount(mode)))
        others = [(m, chosen) for m, chosen in samples_by_mode(mode) if m != usual]
        return [(usual, slice(None)), *others]
    ends = [*starts[1:].tolist(), len(mode)]
    runs = zip(mode[starts].tolist(), starts.tolist(), ends, strict=True)
    return [(m, slice(start, end)) for m, start, end in runs]
