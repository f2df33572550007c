"""Forces of links, their changes and travels of springs, by the gauges, section by section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, cuts
from recon.base.late import xr
from recon.car.vehicle import Vehicle
from recon.reconstruction.inputs.spring_travel import StatedSpring
from recon.reconstruction.prepare import Prepared, Section
from recon.reconstruction.solving.solve import BLOCK, Samples, forces_of
from recon.reconstruction.solving.solver import Solver
from recon.records.scratch import room

Places = slice | NDArray[np.int64]  # of samples; a slice copies nothing
TRIAL = 0.01  # s, over which indications are moved on to find how forces change


@dataclass(frozen=True, slots=True)
class Seen:
    """Forces of the links of an assembly of w wheels by its gauges, and what follows from them.

    `link` (w, 3, sample) [N] are the forces of the links of each wheel on the body, vehicle axes,
    `along` (w, sample) [N] what they are in the plane of the wheel, level and forwards,
    `change` (w, sample) [N/s] those of the vertical forces over time, `travel` (sample,) [m] that
    of a lone wheel by its `spring`.  What is not asked for has no sample.
    """

    solver: Solver
    spring: StatedSpring | None
    link: Floats
    along: Floats
    change: Floats
    travel: Floats

    @classmethod
    def empty(cls, solver: Solver, samples: int, wanted: Wanted) -> Seen:
        """Room for so many samples of what is `wanted`."""
        wheels = solver.outputs.wheels
        spring = None if solver.outputs.lost or not wanted.travel else StatedSpring.of(solver)
        return cls(
            solver,
            spring,
            room((wheels, 3, samples if wanted.link else 0)),
            room((wheels, samples if wanted.link else 0)),
            room((wheels, samples if wanted.change else 0)),
            room((samples if spring else 0,)),
        )

    def fill(self, solver: Solver, at: Places, given: Samples, rate: Floats | None) -> None:
        """Fill in the samples `at` (sample,); `rate` (sample, gauge) [mV/V/s] of indications.

        `solver` may be one that does without gauges that failed there.
        """
        force, basis = forces_of(solver, given)
        heading = solver.table.heading.astype(basis.dtype) @ basis
        for k, corner in enumerate(solver.assembly.corners):
            hub = given.hub[3 * k : 3 * k + 3]
            if self.link.size:
                link = force[k, :3].astype(float) - corner.unsprung_mass * hub
                level = np.einsum("ijn,jn->in", given.turn[:2], link)
                self.along[k, at] = np.cos(heading[k]) * level[0] + np.sin(heading[k]) * level[1]
                self.link[k][:, at] = link
            if self.spring:
                self.travel[at] = self.spring.travel(force[k].astype(float), hub)
        if self.change.size and rate is not None:
            moved = replace(given, indication=given.indication + TRIAL * rate.T)
            self.change[:, at] = (forces_of(solver, moved)[0] - force)[:, 2] / TRIAL

    @property
    def carried(self) -> tuple[float, ...]:
        """Mass [kg] of the body on each of its wheels when the car stands."""
        return self.solver.carried


class Wanted(NamedTuple):
    """Fields of `Seen` that a log lacks."""

    link: bool
    change: bool
    travel: bool


def seen_by(prepared: Prepared, log: xr.Dataset, wanted: Wanted) -> list[Seen]:
    """Forces of each assembly, section by section: a long log needs hardly more memory."""
    samples = log.sizes["elapsed_time"]
    every = [
        (Seen.empty(solver, samples, wanted), spares)
        for solver, spares in zip(prepared.solvers, prepared.spares, strict=True)
        if solver.outputs.totals_known
    ]
    for section in prepared.sections(log) if any(wanted) else ():
        for seen, spares in every:
            whole = cuts(section.part.stop - section.part.start, BLOCK)
            _fill(seen, section, prepared.car, seen.solver, whole)
            for failed, spare in spares.items():
                at = section.outage(seen.solver, failed)
                if len(at) and spare.outputs.totals_known:
                    some = [at[block] for block in cuts(len(at), BLOCK)]
                    _fill(seen, section, prepared.car, spare, some)
    return [seen for seen, _ in every]


def _fill(
    seen: Seen, section: Section, car: Vehicle, solver: Solver, blocks: Sequence[Places]
) -> None:
    """Fill in some blocks of samples of a section by a solver of an assembly."""
    first = section.part.start
    given = section.samples(car, solver)
    rate = section.of_gauges("indication_rate", solver) if seen.change.size else None
    for own in blocks:
        at = slice(first + own.start, first + own.stop) if isinstance(own, slice) else first + own
        seen.fill(solver, at, given.block(own), None if rate is None else rate[own])
