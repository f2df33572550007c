"""Acceleration of the body as gauges show it, where those of some of its wheels are all that does.

A gauge that is wrong makes that acceleration wrong, and with it what the wheels' inertia lets
expect of the other gauges: a cause is judged by the acceleration that follows without it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.car.vehicle import Vehicle
from recon.examination.inferred_turning import INFERRED
from recon.reconstruction.body_of_some import (
    LEAST_LOAD,
    SLOW,
    aside_of_one,
    at_rest,
    by_load_and_force,
)
from recon.reconstruction.inputs.attitude import has_four_wheels
from recon.reconstruction.solving.solve import Samples, forces_of
from recon.reconstruction.solving.solver import Solver

Solved = tuple[Solver, Samples]


def shown_by_some(log: xr.Dataset, every: list[Solver]) -> bool:
    """Whether these assemblies, some of the car, show how the body is accelerated."""
    corners = {corner.name for solver in every for corner in solver.assembly.corners}
    gauges = sum(len(solver.gauges) for solver in every)
    return "u_acceleration" in log and corners != set(CORNERS) and gauges == log.sizes["gauge"]


def shown_acceleration(every: list[Solved], car: Vehicle, elapsed: Floats) -> Floats:
    """Specific force [m/s2] of the body along and sideways by its gauges at times (n,) [s].

    Below it stands the load [N] of all wheels that are seen, (3, n); see `body_of_some`.
    """
    solvers = [solver for solver, _ in every]
    links = {name: link for one in every for name, link in _links(*one)}
    out = by_load_and_force(solvers, links)
    if len(links) == 1 and has_four_wheels(car):
        width = SLOW / float(np.median(np.diff(elapsed)))
        out[1] = aside_of_one(car, next(iter(links)), at_rest(solvers), out, width)
    return out


def with_acceleration(
    every: list[Solved], log: xr.Dataset, before: Floats, after: Floats
) -> Iterator[Samples]:
    """Samples of assemblies with hubs that are accelerated as gauges show after a mend.

    `log` is the thinned log, `before` and `after` (3, n) [m/s2 and N] are as `shown_acceleration`
    returns them.  What else the acceleration was inferred from stays, where the wheels were and are
    on the ground.
    """
    least = LEAST_LOAD * at_rest([solver for solver, _ in every])
    grounded = np.minimum(before[2], after[2]) > least
    for solver, samples in every:
        hub = samples.hub.copy()
        for row, moved in _of_body(solver, log):
            axis = row % 3
            changed = hub[row] + after[axis] - before[axis]
            hub[row] = np.where(grounded, changed, after[axis] + moved)
        yield replace(samples, hub=hub)


def _links(solver: Solver, samples: Samples) -> Iterator[tuple[str, Floats]]:
    """Force (3, n) [N] of the links of each wheel on the body, vehicle axes, by its corner."""
    force, _ = forces_of(solver, samples)
    for k, corner in enumerate(solver.assembly.corners):
        inertia = corner.unsprung_mass * samples.hub[3 * k : 3 * k + 3]
        yield corner.name, np.nan_to_num(force[k, :3].astype(float) - inertia)


def _of_body(solver: Solver, log: xr.Dataset) -> Iterator[tuple[int, Floats | float]]:
    """Rows of the hubs that have the body's acceleration, along and sideways.

    Each with the motion (n,) [m/s2] of its wheel against the body.
    """
    wheels = zip(solver.assembly.corners, solver.session.wheels, strict=True)
    for k, (corner, sensors) in enumerate(wheels):
        for axis in (0, 1):
            if sensors.acceleration_from[axis] == "body":
                place = corner_names(log).index(corner.name) if sensors.moves else 0
                moved = log.variables[INFERRED].to_numpy()[:, place, axis] if sensors.moves else 0.0
                yield 3 * k + axis, moved
