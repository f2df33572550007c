"""Prepare a unit once: estimator tabulated over travel and rack, loadings of every cause.

In: car, calibration, what the session knows (noise, zeros, sensors).  Out: a `Prepared` assembly, a
corner or a tied axle, that `solve` applies to any number of samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.mechanics.chebyshev import Ranges, nodes_of, on_ranges, on_unit, powers_of, products
from recon.mechanics.mechanism import Assembly
from recon.mechanics.motion import Pose, pose_at
from recon.mechanics.statics import member_matrix, spring_share
from recon.planning.unknowns import (
    BEARING_DRAG,
    LOCKED_FLOOR,
    MODES,
    OPEN_FORCE,
    T_COLUMN,
    prior_u,
    reference_of,
    tyre_columns,
)
from recon.reconstruction import causes as because
from recon.reconstruction.causes import Cause, Features
from recon.reconstruction.estimator import (
    FORCE_ROWS,
    SIZE,
    AtPose,
    estimator,
    gauge_covariance,
    loads_of,
    rows_of_wheels,
    tare_split,
)
from recon.reconstruction.geometry import compliance_causes, geometry_causes
from recon.reconstruction.seen import Seen, forces_seen
from recon.reconstruction.session import Session

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.vehicle import Vehicle

Modes = tuple[tuple[str, ...], ...]
WANTED = 5e-4  # of the largest force: a twentieth of a percent, far below any gauge
DEGREES = (6, 8, 10)  # of products of travels and rack; higher where the first is not fine enough
STEP = 1e-3  # m, for slopes over travel and rack


@dataclass(frozen=True, slots=True)
class Bench:
    """A unit at the poses that the causes need; see `causes`.

    `nodes` (node, wheel + 1) are travels and rack [m], `scale` that of each; `shared` (member, 6 w)
    by mode are loads whose split is unsure, `tare_split` (member, w) such loads at the tare,
    `twist` (member, k) those of a bar; `torque_floor` by wheel and by what its hub passes [N m].
    """

    assembly: Assembly
    features: Features
    modes: Modes
    K: Floats
    columns: Floats
    here: Pose
    centre: list[AtPose]
    shared: list[Floats]
    tare_split: Floats
    twist: Floats
    at_nodes: list[AtPose]
    nodes: Floats
    scale: tuple[float, ...]
    pull_pose: tuple[float, float]
    hanging_loads: Floats
    hanging_slopes: list[Floats]
    unsprung_weight: Floats
    usual_load: tuple[float, ...]
    torque_floor: tuple[dict[str, float], ...]
    tare_travel: tuple[float, ...]
    pose_slopes: list[Floats]

    def blank(self) -> Floats:
        """A loading of zeros."""
        return np.zeros((len(self.modes), 3 * self.features.wheels, self.features.size))

    def absolute_map(self, at: Pose, members: Floats) -> Floats:
        """Loads per wrench about the mechanism's reference point, (..., member, 6 w)."""
        out = []
        for k, wheel in enumerate(at.wheels):
            arm = at.mechanism.reference - wheel.hub
            turn = np.zeros((*arm.shape[:-1], 6, 6))
            turn[..., :, :] = np.eye(6)
            for axis in range(3):
                turn[..., 3:, axis] = np.cross(arm, np.eye(3)[axis])
            out.append(members[..., 6 * k : 6 * k + 6] @ turn)
        return np.concatenate(out, axis=-1)


@dataclass(frozen=True, slots=True)
class Prepared:
    """One unit of w wheels, ready to solve.

    `modes` are what the hubs pass, wheel by wheel; `table` (mode, input, 4 w, basis): inputs are
    gauges, hub accelerometers (3 w), brake torques (w) and a constant one; outputs Fx, Fy, Fz, T
    of every wheel in vehicle axes.  `spread` (mode, 3 w * 3 w, basis) is the covariance of the
    forces for the bound; `heading` (w, basis) that of the wheels [rad]; `u_random` (mode, 3 w,
    3 w) the random covariance [N2]; `hidden` (3 w, 3 w) that of the forces that are not known
    [N2], with each other and with the known ones, zero among those.
    """

    assembly: Assembly
    gauges: tuple[str, ...]
    modes: Modes
    travel_ranges: tuple[tuple[float, float], ...]
    rack_range: tuple[float, float]
    scale: tuple[float, ...]
    powers: NDArray[np.int64]
    table: Floats
    spread: Floats
    heading: Floats
    u_random: Floats
    bush_rate: Floats
    tare_travel: Floats
    causes: tuple[Cause, ...]
    force_reached: Floats
    seen: Seen
    hidden: Floats
    interpolation_error: float

    @property
    def sum_weights(self) -> Floats:
        """Weights (k, 3 w) of the forces that are known together only."""
        weights = [weights for weights, _ in self.seen.sums]
        return np.array(weights).reshape(-1, 3 * len(self.assembly.corners))

    @property
    def hidden_by_wheel(self) -> Floats:
        """Each wheel's own block (w, 3, 3) of `hidden`."""
        wheels = len(self.assembly.corners)
        return np.einsum("wjwk->wjk", self.hidden.reshape(wheels, 3, wheels, 3))

    def basis(self, travel: Floats, rack: Floats) -> NDArray[np.float32]:
        """Chebyshev products (basis, sample) at travels (w, sample) and rack (sample,).

        Held at the ranges' ends.
        """
        ranges = (*self.travel_ranges, self.rack_range)
        return products(on_unit(travel.T, rack, ranges, np.float32), self.powers)


def joint_mode(modes: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number (sample,) for what all hubs of a unit pass (w, sample), the first leading."""
    out = modes[0]
    for row in modes[1:]:
        out = len(MODES) * out + row
    return out


def prepare_unit(
    car: Vehicle, assembly: Assembly, calibration: CornerCalibration, session: Session
) -> Prepared:
    """Tabulate the estimator and collect the causes of one unit.

    Raises
    ------
    RankError
        No force component is seen by the gauges; the message names the cure.

    Warns
    -----
    PriorWarning
        Some force components are not seen: they are NaN in the result, with reason and cure.
    """
    solver = _Solver(car, assembly, calibration, session)
    bench = _bench(solver, calibration, session)
    ranges = (*(c.travel_range for c in assembly.corners), solver.rack_range)
    causes = _causes(bench, calibration, session, car)
    covariance = _usual_covariance(causes, solver)
    seen = forces_seen(car, assembly, calibration.gauges, covariance)
    found = _fine_table(solver, bench, ranges, seen.lost)
    if found.error.max() >= WANTED:
        # Few gauges can make estimates that turn quickly with the pose: a stated widening.
        causes += because.table_causes(bench, found.error)
    return Prepared(
        assembly=assembly,
        gauges=calibration.gauges,
        modes=solver.modes,
        travel_ranges=ranges[:-1],
        rack_range=solver.rack_range,
        scale=bench.scale,
        powers=found.powers,
        table=found.table,
        spread=found.spread,
        heading=found.heading,
        u_random=_random(bench, session),
        bush_rate=np.array([c.bush_rate for c in assembly.corners]),
        tare_travel=np.array(session.tare_travel),
        causes=tuple(causes),
        force_reached=calibration.force_reached,
        seen=seen,
        hidden=_hidden(bench.centre[0], seen.lost),
        interpolation_error=float(found.error.max()),
    )


@dataclass(frozen=True, slots=True)
class _Table:
    powers: NDArray[np.int64]
    table: Floats
    spread: Floats
    heading: Floats
    error: Floats  # (mode,)


def _fine_table(solver: _Solver, bench: Bench, ranges: Ranges, lost: tuple[int, ...]) -> _Table:
    """The table of the lowest degree that is fine enough between its nodes, or the finest."""
    found: list[_Table] = []
    for degree in DEGREES:
        degrees = [degree] * (len(ranges) - 1) + [degree - 1]
        unit, places = nodes_of(ranges, [d + 3 for d in degrees])
        powers = powers_of(ranges, degrees)
        fit = np.linalg.pinv(products(unit, powers))  # (node, basis)
        posed = pose_at(solver.assembly.mechanism, places)
        table, spread = _tabulate(solver.at(posed), bench, fit)
        error = _interpolation_error(solver, bench, (table, powers), lost)
        heading = np.array([w.heading for w in posed.wheels]) @ fit
        found.append(_Table(powers, table, spread, heading, error))
        if error.max() < WANTED:
            break
    return min(found, key=lambda table: float(table.error.max()))


class _Solver:
    """Estimator of a unit at any pose, in each of its modes."""

    def __init__(
        self, car: Vehicle, assembly: Assembly, calibration: CornerCalibration, session: Session
    ) -> None:
        from scipy.linalg import block_diag

        self.car, self.assembly, self.K = car, assembly, calibration.K
        self.references = [reference_of(car, c) for c in assembly.corners]
        self.columns = np.asarray(
            block_diag(*(tyre_columns(car.tyre, r.vertical) for r in self.references))
        )
        self.rack_range = car.steering.rack_range if assembly.steered else (0.0, 0.0)
        self.modes: Modes = tuple(product(MODES, repeat=len(assembly.corners)))
        self.design = design_of(assembly)
        friction = because.FRICTION_SPREAD * calibration.friction
        u_gauge = np.sqrt(session.noise**2 + session.u_zero**2 + friction**2)
        shared = spring_share(self.design)
        droop = pose_at(
            assembly.mechanism, np.array([*(c.hanging_travel for c in assembly.corners), 0.0])
        )
        self.tare_split = tare_split(spring_share(droop), self.references)
        barred = "torsion" in assembly.mechanism.kinds
        self.twist = self.tare_split if barred else self.tare_split[:, :0]
        self.shared, self.weights = [], []
        for mode in self.modes:
            loads, _ = loads_of(self.design, self.columns, mode)
            split, _ = loads_of(self.design, self.columns, mode, shared)
            self.shared.append(split)
            V = gauge_covariance(calibration, loads, (split, self.twist), u_gauge, self.references)
            self.weights.append((V, self._priors(mode, session)))

    def _priors(self, mode: tuple[str, ...], session: Session) -> Floats:
        out = []
        for corner, reference, own, logged in zip(
            self.assembly.corners, self.references, mode, session.pressure_logged, strict=True
        ):
            u = prior_u(corner, self.car.tyre, reference, own)
            if own == "braked" and not logged:
                u[T_COLUMN] = reference.torque  # nobody knows what the caliper gave
            u[list(FORCE_ROWS)] = SIZE * reference.vertical
            out.append(u)
        return np.concatenate(out)

    def seen_covariance(self) -> Floats:
        """Covariance (3 w, 3 w) [N2] that gauges alone leave of the forces, whatever their size."""
        V, u = self.weights[0]
        rows = rows_of_wheels(FORCE_ROWS, len(u))
        u = u.copy()
        u[rows] = OPEN_FORCE
        C = estimator(self.K, loads_of(self.design, self.columns, self.modes[0]), (V, u)).C
        return C[np.ix_(rows, rows)]

    def at(self, posed: Pose) -> list[AtPose]:
        """One estimator per mode."""
        members = member_matrix(posed)
        return [
            estimator(self.K, loads_of(posed, self.columns, mode, members), weight)
            for mode, weight in zip(self.modes, self.weights, strict=True)
        ]


def design_of(assembly: Assembly) -> Pose:
    """The unit at design height, steering straight."""
    return pose_at(assembly.mechanism, np.zeros(len(assembly.corners) + 1))


def _inputs(at: AtPose, bench: Bench) -> Floats:
    """(node, 4 w, input): what each input gives to Fx, Fy, Fz, T at each pose."""
    rows = at.known_rows
    W = at.W[..., rows, :]
    mass = np.repeat([c.unsprung_mass for c in bench.assembly.corners], 3)
    hub = W @ at.hub * mass  # specific force f: the wheel pulls with -m f, taken off again
    torque = at.prior[..., rows, :][..., rows_of_wheels((T_COLUMN,), at.W.shape[-2])]
    tare = W @ (bench.K @ bench.hanging_loads @ bench.unsprung_weight)[:, None]
    return np.concatenate([W, hub, torque, tare], axis=-1)


def _tabulate(at: list[AtPose], bench: Bench, fit: Floats) -> tuple[Floats, Floats]:
    """Products' coefficients of the inputs and of the covariance; `fit` (node, basis)."""
    table = np.array([np.einsum("nb,noi->iob", fit, _inputs(a, bench)) for a in at])
    spread = []
    for a in at:
        rows = a.force_rows
        spread.append(a.C[:, rows][:, :, rows].reshape(len(a.C), -1).T @ fit)
    return table, np.array(spread)


def _interpolation_error(
    solver: _Solver,
    bench: Bench,
    found: tuple[Floats, NDArray[np.int64]],
    lost: tuple[int, ...],
) -> Floats:
    """Largest error of a known force per newton of any force, between the table's nodes, (mode,).

    What a hub passes changes what a force does to the gauges, and so how quickly W turns.
    """
    table, powers = found
    ranges = (*(c.travel_range for c in bench.assembly.corners), solver.rack_range)
    unit = np.random.default_rng(0).uniform(-1, 1, (60, len(ranges))).T
    exact = solver.at(pose_at(bench.assembly.mechanism, on_ranges(unit, ranges)))
    basis, gauges = products(unit, powers), bench.K.shape[0]
    every = [(3 * k + c, 4 * k + c) for k in range(len(bench.assembly.corners)) for c in range(3)]
    forces = [row for force, row in every if force not in lost]
    out = []
    for at, own in zip(exact, table[:, :gauges], strict=True):
        off = (np.einsum("bn,iob->noi", basis, own) - at.W[:, at.known_rows])[:, forces]
        out.append(np.max(np.abs(off @ at.H[..., at.force_rows]), initial=0.0))
    return np.array(out)


def _bench(solver: _Solver, calibration: CornerCalibration, session: Session) -> Bench:
    assembly = solver.assembly
    w = len(assembly.corners)
    half_t = [
        0.5 * min(abs(low), abs(high)) for low, high in (c.travel_range for c in assembly.corners)
    ]
    low, high = solver.rack_range
    half_r = 0.25 * (high - low)
    axes = [np.array([-h, 0.0, h]) for h in half_t]
    axes.append(np.array([-half_r, 0.0, half_r]) if half_r > 0 else np.zeros(1))
    grid = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=-1)
    places = [np.zeros(w + 1)]
    for axis in range(w + 1):
        step = STEP * np.eye(w + 1)[axis] * (axis < w or half_r > 0)
        places += [-step, step]
    around = [solver.at(pose_at(assembly.mechanism, p)) for p in places]
    droop = np.array([c.hanging_travel for c in assembly.corners])
    hanging = [_hub_loads(assembly, droop + STEP * e) for e in (np.zeros(w), *np.eye(w))]
    weights = [[0.0, 0.0, -c.unsprung_mass * STANDARD_GRAVITY] for c in assembly.corners]
    return Bench(
        assembly=assembly,
        features=Features(w),
        modes=solver.modes,
        K=calibration.K,
        columns=solver.columns,
        here=solver.design,
        centre=around[0],
        shared=solver.shared,
        tare_split=solver.tare_split,
        twist=solver.twist,
        at_nodes=solver.at(pose_at(assembly.mechanism, grid)),
        nodes=grid,
        scale=(*(2 * h for h in half_t), 2 * half_r if half_r > 0 else 1.0),
        pull_pose=(calibration.travel, calibration.rack),
        hanging_loads=hanging[0],
        hanging_slopes=[(moved - hanging[0]) / STEP for moved in hanging[1:]],
        unsprung_weight=np.concatenate(weights),
        usual_load=tuple(r.vertical for r in solver.references),
        torque_floor=_torque_floors(solver, session),
        tare_travel=session.tare_travel,
        pose_slopes=because.pose_slopes(around, STEP),
    )


def _hub_loads(assembly: Assembly, travels: Floats) -> Floats:
    """Loads per newton at the wheel centres, (member, 3 w)."""
    members = member_matrix(pose_at(assembly.mechanism, np.append(travels, 0.0)))
    return members[:, rows_of_wheels(FORCE_ROWS, members.shape[-1])]


def _torque_floors(solver: _Solver, session: Session) -> tuple[dict[str, float], ...]:
    """What stays open of each hub's moment beside a share of the caliper's torque, in N m."""
    out = []
    for corner, reference, logged in zip(
        solver.assembly.corners, solver.references, session.pressure_logged, strict=True
    ):
        known = corner.brake.torque_per_pressure > 0 and logged
        braked = BEARING_DRAG if known else reference.torque
        out.append({"rolling": BEARING_DRAG, "braked": braked, "locked": LOCKED_FLOOR})
    return tuple(out)


def _causes(
    bench: Bench, calibration: CornerCalibration, session: Session, car: Vehicle
) -> list[Cause]:
    return [
        *because.zero_causes(bench, session.u_zero, session.tare_u),
        *because.sensor_causes(bench, session.sensors),
        *because.map_causes(bench, calibration),
        *geometry_causes(bench),
        *compliance_causes(bench),
        *because.prior_causes(bench, car.tyre),
        *because.mechanical_causes(bench, calibration, session.warming),
        *because.split_causes(bench, calibration),
    ]


def _random(bench: Bench, session: Session) -> Floats:
    """Covariance [N2] per sample from gauge and accelerometer noise, (mode, 3 w, 3 w)."""
    mass = np.repeat([c.unsprung_mass for c in bench.assembly.corners], 3)
    out = []
    for at in bench.centre:
        gauges = at.forces * session.noise
        hub = at.forces @ at.hub * mass * np.repeat(session.u_hub_noise, 3)
        out.append(gauges @ gauges.T + hub @ hub.T)
    return np.array(out)


def _hidden(at: AtPose, lost: tuple[int, ...]) -> Floats:
    """Covariance (3 w, 3 w) [N2] that lost forces, as large as a tyre's are, have a part in."""
    rows = at.force_rows
    known = np.setdiff1d(np.arange(len(rows)), lost)
    out = at.C[np.ix_(rows, rows)].copy()
    out[np.ix_(known, known)] = 0.0
    return out


def _usual_covariance(causes: list[Cause], solver: _Solver) -> Floats:
    """Covariance [N2] of the forces, (3 w, 3 w), at the unit's usual load."""
    features = np.zeros(causes[0].loading.shape[-1])
    features[0] = 1.0
    for k, reference in enumerate(solver.references):
        first = Features.force(k, 0)
        features[first : first + 3] = np.array([0.3, 0.7, 1.0]) * reference.vertical
    effects = np.array([cause.loading[0] @ features for cause in causes])
    return np.asarray(solver.seen_covariance() + effects.T @ effects)
