"""Collect the solved blocks of all assemblies and label them as a Dataset with CF attributes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import index_of, stamped
from recon.base.late import xr
from recon.base.quantities import COMPONENTS
from recon.base.status import BIT
from recon.reconstruction.estimator.sample_features import Singles
from recon.reconstruction.estimator.session import Attitude
from recon.reconstruction.result.in_axes import QUANTITIES, in_axes, known_sums
from recon.reconstruction.solving.fz_bound import Bound
from recon.reconstruction.solving.gauge_outage import UNUSABLE
from recon.reconstruction.solving.solve import Solved
from recon.reconstruction.solving.solver import Solver
from recon.records.forces import FORCES
from recon.records.scratch import room

NOT_KNOWN = UNUSABLE | BIT["beyond_pose"]
CHANNELS = ("hub_moment", "heading", "travel")


@dataclass(slots=True)
class Collected:
    """Growing result: one array per quantity, (corner, ..., sample) in single precision.

    `rack` (sample,) [m] is the rack's shift to the left; `sums` (sum, 2, sample) [N] hold values
    and standard uncertainties of known sums of forces.
    """

    solvers: tuple[Solver, ...]
    attitude: Attitude
    bound: Bound
    arrays: dict[str, Singles]
    status: NDArray[np.uint16]
    mode: NDArray[np.int8]
    rack: Floats
    sums: Singles

    @classmethod
    def empty(
        cls, solvers: tuple[Solver, ...], attitude: Attitude, samples: int, bound: Bound
    ) -> Collected:
        """Arrays for so many samples of every quantity; `put` fills them."""
        corners = sum(solver.outputs.wheels for solver in solvers)
        arrays = {n: room((corners, 3, samples), np.float32) for n in QUANTITIES}
        arrays |= {n: room((corners, samples), np.float32) for n in CHANNELS}
        sums = sum(len(solver.outputs.sums) for solver in solvers)
        return cls(
            solvers,
            attitude,
            bound,
            arrays,
            room((corners, samples), np.uint16),
            room((corners, samples), np.int8),
            room((samples,)),
            room((sums, 2, samples), np.float32),
        )

    @property
    def corners(self) -> list[str]:
        """Names of the corners, assembly by assembly."""
        return [corner.name for solver in self.solvers for corner in solver.assembly.corners]

    def put(
        self,
        which: int,
        part: slice | NDArray[np.int64],
        block: Solved,
        solver: Solver | None = None,
    ) -> None:
        """Store the samples `part` (sample,) of the assembly at position `which`.

        `solver` is the one that solved them, if it is not that of the assembly with all gauges; it
        knows other sums of forces, which are not kept.
        """
        spare, solver = solver is not None, solver or self.solvers[which]
        own = _span([s.outputs.wheels for s in self.solvers], which)
        unknown = (block.status & NOT_KNOWN) != 0
        missing = unknown[:, None] | solver.outputs.lost_of_wheels()[..., None]
        values = in_axes(solver, block, self.attitude, bounded=self.bound.vertical)
        some = bool(missing.any())
        for name, value in values.items():
            target = np.where(missing, np.float32(np.nan), value) if some else value
            self.arrays[name][own, :, part] = target
        self.arrays["hub_moment"][own, part] = np.where(unknown, np.nan, block.force[:, 3])
        self.arrays["heading"][own, part] = block.heading
        self.arrays["travel"][own, part] = block.travel
        self.status[own, part] = block.status
        self.mode[own, part] = block.mode
        sums = _span([len(s.outputs.sums) for s in self.solvers], which)
        if spare or sums.start == sums.stop:
            return
        for place, values_of in enumerate(known_sums(solver, block)):
            self.sums[sums, place, part] = np.where(unknown.any(axis=0), np.nan, values_of)


def _span(counts: list[int], which: int) -> slice:
    """Positions of the `which`-th of several runs that stand one after another."""
    first = sum(counts[:which])
    return slice(first, first + counts[which])


def labelled(out: Collected, elapsed: Floats) -> xr.Dataset:
    """The samples of a result with labels, units and flags.

    `elapsed` (sample,) [s] is the time.
    """
    data: dict[str, NDArray] = {}
    for name, array in out.arrays.items():
        data[name] = np.moveaxis(array, -1, 0)
    data |= {"status": out.status.T, "hub_mode": out.mode.T, "rack": out.rack}
    labels = {
        "elapsed_time": index_of(elapsed),
        "corner": np.asarray(out.corners, dtype=str),
        "component": np.asarray(COMPONENTS, dtype=str),
    }
    return xr.Dataset(stamped(FORCES, data | _sums(out)), coords=stamped(FORCES, labels))


def _sums(out: Collected) -> dict[str, NDArray]:
    """Sums of forces that are known where the forces are not, in intermediate axes."""
    if not len(out.sums):
        return {}
    words = [words for solver in out.solvers for words in solver.outputs.sums]
    weights = np.zeros((len(words), 3 * len(out.corners)))
    for which, solver in enumerate(out.solvers):
        rows = _span([len(s.outputs.sums) for s in out.solvers], which)
        columns = _span([3 * s.outputs.wheels for s in out.solvers], which)
        weights[rows, columns] = solver.outputs.weights
    values, u = np.moveaxis(out.sums, 1, 0)
    return {
        "known_sum": np.asarray(words, dtype=str),
        "sum_of_forces": values.T,
        "u_sum_of_forces": u.T,
        "sum_weight": weights.reshape(len(words), -1, 3),
    }
