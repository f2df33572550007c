"""Forces of links, their changes and travels of springs, by the gauges, section by section."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats, cuts
from recon.base.late import xr
from recon.reconstruction.inputs.spring_travel import StatedSpring
from recon.reconstruction.prepare import Prepared
from recon.reconstruction.solving.solve import BLOCK, Samples, forces_of
from recon.reconstruction.solving.solver import Solver
from recon.records.scratch import room

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

    def fill(self, part: slice, given: Samples, rate: Floats | None) -> None:
        """Fill in the samples `part`; `rate` (sample, gauge) [mV/V/s] is that of indications."""
        force, basis = forces_of(self.solver, given)
        heading = self.solver.table.heading.astype(basis.dtype) @ basis
        for k, corner in enumerate(self.solver.assembly.corners):
            hub = given.hub[3 * k : 3 * k + 3]
            if self.link.size:
                link = force[k, :3].astype(float) - corner.unsprung_mass * hub
                level = np.einsum("ijn,jn->in", given.turn[:2], link)
                self.along[k, part] = np.cos(heading[k]) * level[0] + np.sin(heading[k]) * level[1]
                self.link[k, :, part] = link
            if self.spring:
                self.travel[part] = self.spring.travel(force[k].astype(float), hub)
        if self.change.size and rate is not None:
            moved = replace(given, indication=given.indication + TRIAL * rate.T)
            self.change[:, part] = (forces_of(self.solver, moved)[0] - force)[:, 2] / TRIAL

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
    solvers = [solver for solver in prepared.solvers if solver.outputs.totals_known]
    every = [Seen.empty(solver, samples, wanted) for solver in solvers]
    for section in prepared.sections(log) if any(wanted) else ():
        for seen in every:
            given = section.samples(prepared.car, seen.solver)
            rate = section.of_gauges("indication_rate", seen.solver) if wanted.change else None
            for block in cuts(len(given.rack), BLOCK):
                at = slice(section.part.start + block.start, section.part.start + block.stop)
                seen.fill(at, given.block(block), None if rate is None else rate[block])
    return every
