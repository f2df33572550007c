"""The estimator tabulated over travel and rack by Chebyshev products, once per assembly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.mechanics.bushes import bush_loads
from recon.mechanics.chebyshev import Ranges, nodes_of, on_ranges, on_unit, powers_of, products
from recon.mechanics.live_axle import T_COLUMN
from recon.mechanics.motion import pose
from recon.reconstruction.estimator.assembly_estimator import AssemblyEstimator
from recon.reconstruction.estimator.linear_estimator import AtPose, rows_of_wheels

WANTED = 5e-4  # of the largest force: a twentieth of a percent, far below any gauge
DEGREES = (6, 8, 10)  # of products of travels and rack; higher where the first is not fine enough
CHECKED = 60  # poses between the nodes


@dataclass(frozen=True, slots=True)
class Table:
    """Forces per input of an assembly of w wheels, at any travel and rack within the ranges.

    `ranges` (w + 1) of travels and rack [m]; `powers` (basis, w + 1) of the products.  `inputs`
    (mode, input, 4 w, basis): inputs are gauges, hub accelerometers (3 w), brake torques (w) and a
    constant one; outputs Fx, Fy, Fz, T of every wheel in vehicle axes.  `indications` (mode, gauge,
    9 w, basis) are the other way: per unknown (6 w) [unit/N, unit/(N m)] and per newton at the
    wheel centres (3 w).  `spread` (mode, 3 w * 3 w, basis) is the covariance of the forces [N2],
    `heading` (w, basis) that of the wheels [rad].  `error` (mode,) is the largest error of a known
    force per newton of any force between nodes.
    """

    ranges: Ranges
    powers: NDArray[np.int64]
    inputs: Floats
    indications: Floats
    spread: Floats
    heading: Floats
    error: Floats

    def basis(self, travel: Floats, rack: Floats) -> NDArray[np.float32]:
        """Chebyshev products (basis, sample) at travels (w, sample) and rack (sample,) [m].

        Held at the ranges' ends.
        """
        return products(on_unit(travel.T, rack, self.ranges, np.float32), self.powers)

    def indications_per(self, m: int, basis: NDArray[np.float32]) -> tuple[Floats, Floats]:
        """Indications in mode `m`, at the `basis` (basis, sample) [1] of the poses.

        Per unknown (sample, gauge, 6 w) [unit/N, unit/(N m)], and per newton at the wheel centres
        (sample, gauge, 3 w) [unit/N].
        """
        every = np.tensordot(basis, self.indications[m], axes=(0, 2))
        first = every.shape[-1] // 3 * 2
        return every[..., :first], every[..., first:]


def fine_table(estimator: AssemblyEstimator, lost: tuple[int, ...]) -> Table:
    """The table of the lowest degree that is fine enough between its nodes, or the finest.

    `lost` are places of forces (3 w) that are not known and need not be met.
    """
    assembly = estimator.assembly
    ranges: Ranges = (*(c.travel_range for c in assembly.corners), estimator.rack_range)
    found: list[Table] = []
    for degree in DEGREES:
        found.append(_table(estimator, ranges, degree, lost))
        if found[-1].error.max() < WANTED:
            break
    return min(found, key=lambda table: float(table.error.max()))


def _table(
    estimator: AssemblyEstimator, ranges: Ranges, degree: int, lost: tuple[int, ...]
) -> Table:
    degrees = [degree] * (len(ranges) - 1) + [degree - 1]
    unit, places = nodes_of(ranges, [d + 3 for d in degrees])
    powers = powers_of(ranges, degrees)
    fit = np.linalg.pinv(products(unit, powers))  # (node, basis)
    between = np.random.default_rng(0).uniform(-1, 1, (CHECKED, len(ranges))).T
    every = np.concatenate([places, on_ranges(between, ranges)])
    posed = pose(estimator.assembly.mechanism, every[:, :-1], every[:, -1])
    at, nodes = estimator.at(posed), slice(0, len(places))
    bushes = bush_loads(estimator.assembly, posed)[nodes]
    inputs, indications, spread = [], [], []
    for mode in at:
        here = mode.part(nodes)
        rows = here.force_rows
        inputs.append(np.einsum("nb,noi->iob", fit, _inputs(here, estimator, bushes)))
        both = np.concatenate([here.H, here.hub], axis=-1)
        indications.append(np.einsum("nb,ngu->gub", fit, both))
        spread.append(here.C[:, rows][:, :, rows].reshape(len(places), -1).T @ fit)
    checks = [mode.part(slice(len(places), None)) for mode in at]
    table = np.array(inputs)
    return Table(
        ranges=ranges,
        powers=powers,
        inputs=table,
        indications=np.array(indications),
        spread=np.array(spread),
        heading=np.array([wheel.heading[nodes] for wheel in posed.wheels]) @ fit,
        error=_errors(checks, table, products(between, powers), lost),
    )


def _inputs(at: AtPose, estimator: AssemblyEstimator, bushes: Floats) -> Floats:
    """Share of each input in Fx, Fy, Fz, T at each pose, (node, 4 w, input).

    `bushes` (node, member) [N] are the loads of twisted bushes, which no force of a tyre makes.
    """
    rows = at.known_rows
    W = at.W[..., rows, :]
    mass = np.repeat([c.unsprung_mass for c in estimator.assembly.corners], 3)
    hub = W @ at.hub * mass  # specific force f: the wheel pulls with -m f, taken off again
    torque = at.prior[..., rows, :][..., rows_of_wheels((T_COLUMN,), at.W.shape[-2])]
    known = estimator.tare.indication[:, None] - estimator.K @ bushes[..., None]
    return np.concatenate([W, hub, torque, W @ known], axis=-1)


def _errors(checks: list[AtPose], table: Floats, basis: Floats, lost: tuple[int, ...]) -> Floats:
    """`Table.error` from estimators at poses between the nodes.

    The mode of a hub changes the indications of a force, and so how quickly W turns.
    """
    gauges = checks[0].W.shape[-1]
    wheels = checks[0].W.shape[-2] // 6
    forces = [4 * k + c for k in range(wheels) for c in range(3) if 3 * k + c not in lost]
    out = []
    for at, own in zip(checks, table[:, :gauges], strict=True):
        off = (np.einsum("bn,iob->noi", basis, own) - at.W[:, at.known_rows])[:, forces]
        out.append(np.max(np.abs(off @ at.H[..., at.force_rows]), initial=0.0))
    return np.array(out)
