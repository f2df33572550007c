"""Prepare a corner once: estimator tabulated over travel and rack, loadings of every cause.

In: car, calibration, what the session knows (noise, zeros, sensors).  Out: a `Prepared`
corner that `solve` applies to any number of samples.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from recon.base.errors import PriorWarning, RankError
from recon.base.quantities import STANDARD_GRAVITY, WRENCH_COMPONENTS
from recon.car.knowledge import NOT_KNOWN
from recon.car.mechanism import mechanism_of
from recon.car.motion import Pose, pose
from recon.car.observability import observe
from recon.car.statics import member_matrix
from recon.car.unknowns import (
    BEARING_DRAG,
    LOCKED_FLOOR,
    MODES,
    T_COLUMN,
    prior_u,
    reference_of,
    tyre_columns,
)
from recon.reconstruction import causes as because
from recon.reconstruction.causes import Cause
from recon.reconstruction.estimator import (
    AtPose,
    estimator,
    gauge_covariance,
    loads_of,
)

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.vehicle import Corner, Tyre, Vehicle

Floats = NDArray[np.float64]
DEGREE_TRAVEL, DEGREE_RACK = 6, 5
TOTAL_DEGREE = 6
STEP = 1e-3  # m, for slopes over travel and rack


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """Fixed standard uncertainties of what was logged, or of what stands for it.

    `travel` [m], `travel_share` relative, `rack` [m] and the `heading` [rad] that goes with it
    (signed: rack to the left may steer to the right), `acceleration` (3,) [m/s2] and its share;
    `acceleration_from` says for each axis "hub", "body" or "none".
    """

    travel: float = 0.0
    travel_share: float = 0.0
    travel_known: bool = True
    rack: float = 0.0
    heading: float = 0.0
    steer_known: bool = True
    acceleration: tuple[float, float, float] = (0.0, 0.0, 0.0)
    acceleration_share: tuple[float, float, float] = (0.0, 0.0, 0.0)
    acceleration_from: tuple[str, str, str] = ("hub", "hub", "hub")


@dataclass(frozen=True, slots=True)
class Session:
    """What a log and its tares say about one corner.

    `noise` (gauge,) after filtering and `u_zero` (gauge,) in the gauges' units; `tare_u`
    (gauge, k) signed effects of what the tare's state leaves open; `u_hub_noise` [m/s2];
    `warming` mean temperature above the pulls' [K].
    """

    noise: Floats
    u_zero: Floats
    tare_u: Floats | None
    sensors: SensorErrors
    u_hub_noise: float
    warming: float
    tare_travel: float
    pressure_logged: bool


@dataclass(frozen=True, slots=True)
class Bench:
    """A corner at the poses that the causes need; see `causes`."""

    corner: Corner
    tyre: Tyre
    K: Floats
    columns: Floats
    here: Pose
    centre: list[AtPose]
    at_nodes: list[AtPose]
    nodes: tuple[Floats, Floats]
    scale: tuple[float, float]
    pull_pose: tuple[float, float]
    hanging_loads: Floats
    hanging_slope: Floats
    unsprung_weight: Floats
    usual_load: float
    torque_floor: tuple[float, float, float]
    tare_travel: float
    pose_slopes: tuple[Floats, Floats]

    @property
    def hanging(self) -> Floats:
        """Indications per newton at the wheel centre of the hanging wheel, (gauge, 3)."""
        return self.K @ self.hanging_loads

    def absolute_map(self, at: Pose) -> Floats:
        """Loads per wrench about the mechanism's reference point, (..., member, 6)."""
        arm = at.mechanism.reference - at.hub
        turn = np.zeros((*arm.shape[:-1], 6, 6))
        turn[..., :, :] = np.eye(6)
        for k in range(3):
            turn[..., 3:, k] = np.cross(arm, np.eye(3)[k])
        return np.asarray(member_matrix(at) @ turn, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Prepared:
    """One corner, ready to solve.

    `table` (mode, basis, input, 4): inputs are gauges, hub accelerometer (3), brake torque and
    a constant one; outputs Fx, Fy, Fz, T in vehicle axes.  `spread` (mode, basis, 6) is the
    covariance of the forces (xx, yy, zz, xy, xz, yz) for the bound; `heading` (basis,) the
    wheel's heading [rad]; `u_random` (mode, 3) [N].
    """

    name: str
    gauges: tuple[str, ...]
    travel_range: tuple[float, float]
    rack_range: tuple[float, float]
    scale: tuple[float, float]
    powers: NDArray[np.int64]
    table: Floats
    spread: Floats
    heading: Floats
    u_random: Floats
    bush_rate: float
    tare_travel: float
    causes: tuple[Cause, ...]
    force_reached: Floats
    lost: tuple[int, ...]
    reason: str
    interpolation_error: float

    def basis(self, travel: Floats, rack: Floats) -> Floats:
        """Chebyshev products (sample, basis) at travel and rack, held at the ranges' ends."""
        return _basis(_unit(travel, self.travel_range), _unit(rack, self.rack_range), self.powers)


def _unit(value: Floats, limits: tuple[float, float]) -> Floats:
    low, high = limits
    if high <= low:
        return np.zeros_like(value)
    return np.clip((2 * value - low - high) / (high - low), -1.0, 1.0)


def _basis(x: Floats, y: Floats, powers: NDArray[np.int64]) -> Floats:
    out = np.asarray(chebvander(x, DEGREE_TRAVEL)[:, powers[:, 0]], dtype=np.float64)
    if np.any(powers[:, 1]):
        out *= chebvander(y, DEGREE_RACK)[:, powers[:, 1]]
    return out


def prepare_corner(
    car: Vehicle, corner: Corner, calibration: CornerCalibration, session: Session
) -> Prepared:
    """Tabulate the estimator and collect the causes of one corner.

    Raises
    ------
    RankError
        No force component is seen by the gauges; the message names the cure.

    Warns
    -----
    PriorWarning
        Some force components are not seen: they are NaN in the result, with reason and cure.
    """
    tyre = car.tyre
    mechanism = mechanism_of(corner)
    reference = reference_of(car, corner)
    columns = tyre_columns(tyre, reference.vertical)
    rack_range = car.steering.rack_range if corner.steered else (0.0, 0.0)
    friction = because.FRICTION_SPREAD * calibration.friction
    u_gauge = np.sqrt(session.noise**2 + session.u_zero**2 + friction**2)
    here = pose(mechanism, 0.0, 0.0)

    weights = []
    for mode in MODES:
        loads, _ = loads_of(here, columns, mode)
        V = gauge_covariance(calibration, loads, u_gauge, reference)
        u = prior_u(corner, tyre, reference, mode)
        if mode == "braked" and not session.pressure_logged:
            u[T_COLUMN] = reference.torque  # nobody knows what the caliper gave
        weights.append((V, u))

    def at(posed: Pose) -> list[AtPose]:
        return [
            estimator(calibration.K, posed, columns, mode, weight)
            for mode, weight in zip(MODES, weights, strict=True)
        ]

    centre = at(here)
    frame = (mechanism, columns, rack_range, session)
    bench = _bench(car, corner, calibration, frame, at)
    powers, nodes = _nodes(rack_range)
    posed = pose(
        mechanism, _scaled(nodes[:, 0], corner.travel_range), _scaled(nodes[:, 1], rack_range)
    )
    table, spread = _tabulate(at(posed), bench, nodes, powers)
    heading = np.linalg.pinv(_basis(nodes[:, 0], nodes[:, 1], powers)) @ posed.heading
    causes = _causes(bench, corner, calibration, session, mechanism)
    u = _usual_u(centre[0], causes, reference.vertical)
    lost, reason = _lost(car, corner, calibration, u)
    return Prepared(
        name=corner.name,
        gauges=calibration.gauges,
        travel_range=corner.travel_range,
        rack_range=rack_range,
        scale=bench.scale,
        powers=powers,
        table=table,
        spread=spread,
        heading=heading,
        u_random=_random(centre, corner, session),
        bush_rate=corner.bush_rate,
        tare_travel=session.tare_travel,
        causes=tuple(causes),
        force_reached=calibration.force_reached,
        lost=lost,
        reason=reason,
        interpolation_error=_interpolation_error(mechanism, bench, table, powers, at),
    )


def _scaled(unit: Floats, limits: tuple[float, float]) -> Floats:
    return 0.5 * (limits[0] + limits[1]) + 0.5 * (limits[1] - limits[0]) * unit


def _nodes(rack_range: tuple[float, float]) -> tuple[NDArray[np.int64], Floats]:
    """Chebyshev nodes (node, 2) on [-1, 1] and the powers (basis, 2) fitted through them."""
    in_x = np.cos(np.pi * (np.arange(DEGREE_TRAVEL + 3) + 0.5) / (DEGREE_TRAVEL + 3))
    steers = rack_range[1] > rack_range[0]
    in_y = np.cos(np.pi * (np.arange(DEGREE_RACK + 3) + 0.5) / (DEGREE_RACK + 3))
    in_y = in_y if steers else np.zeros(1)
    x, y = (a.ravel() for a in np.meshgrid(in_x, in_y, indexing="ij"))
    powers = np.array(
        [
            (i, j)
            for i in range(DEGREE_TRAVEL + 1)
            for j in range((DEGREE_RACK if steers else 0) + 1)
            if i + j <= TOTAL_DEGREE
        ]
    )
    return powers, np.column_stack([x, y])


def _inputs(at: AtPose, bench: Bench) -> Floats:
    """(node, 4, input): what each input gives to Fx, Fy, Fz, T at each pose."""
    rows = [0, 1, 2, 4]
    W = at.W[..., rows, :]
    mass = bench.corner.unsprung_mass
    hub = W @ at.hub * mass  # specific force f: the wheel pulls with -m f, taken off again
    torque = at.prior[..., rows, 4:5]
    tare = W @ (bench.hanging @ bench.unsprung_weight)[:, None]
    return np.concatenate([W, hub, torque, tare], axis=-1)


def _tabulate(
    at: list[AtPose], bench: Bench, nodes: Floats, powers: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    inverse = np.linalg.pinv(_basis(nodes[:, 0], nodes[:, 1], powers))
    table = np.array([np.einsum("bn,noi->bio", inverse, _inputs(a, bench)) for a in at])
    pairs = ([0, 1, 2, 0, 0, 1], [0, 1, 2, 1, 2, 2])
    spread = np.array([inverse @ a.C[:, pairs[0], pairs[1]] for a in at])
    return table, spread


def _interpolation_error(
    mechanism: object, bench: Bench, table: Floats, powers: NDArray[np.int64], at: object
) -> float:
    """Largest error of the table at poses between its nodes, relative to the largest entry."""
    rng = np.random.default_rng(0)
    unit = rng.uniform(-1, 1, (60, 2))
    travel = _scaled(unit[:, 0], bench.corner.travel_range)
    rack_range = (2 * bench.nodes[1].min(), 2 * bench.nodes[1].max())
    rack = _scaled(unit[:, 1], rack_range)
    exact = _inputs(at(pose(mechanism, travel, rack))[0], bench)  # type: ignore[operator,arg-type]
    basis = _basis(unit[:, 0], unit[:, 1] if rack_range[1] > rack_range[0] else 0 * rack, powers)
    close = np.einsum("nb,bio->noi", basis, table[0])
    gauges = bench.K.shape[0]
    size = np.max(np.abs(exact[:, :3, :gauges]))
    return float(np.max(np.abs(close - exact)[:, :3, :gauges]) / size)


def _bench(
    car: Vehicle, corner: Corner, calibration: CornerCalibration, frame: tuple, at: object
) -> Bench:
    mechanism, columns, rack_range, session = frame
    half_t = 0.5 * min(abs(corner.travel_range[0]), abs(corner.travel_range[1]))
    half_r = 0.5 * (rack_range[1] - rack_range[0]) / 2
    travel = np.array([-half_t, 0.0, half_t])
    rack = np.array([-half_r, 0.0, half_r]) if half_r > 0 else np.zeros(1)
    grid_t, grid_r = np.meshgrid(travel, rack, indexing="ij")
    steps = [(0, 0), (-STEP, 0), (STEP, 0), (0, -STEP), (0, STEP)]
    if half_r == 0:
        steps[3:] = [(0, 0), (0, 0)]
    around = [at(pose(mechanism, t, r)) for t, r in steps]  # type: ignore[operator]
    droop = max(corner.droop_travel, corner.travel_range[0])
    hanging = member_matrix(pose(mechanism, np.array([droop, droop + STEP]), 0.0))[..., :3]
    reference = reference_of(car, corner)
    factor = corner.brake.torque_per_pressure
    return Bench(
        corner=corner,
        tyre=car.tyre,
        K=calibration.K,
        columns=columns,
        here=pose(mechanism, 0.0, 0.0),
        centre=around[0],
        at_nodes=at(pose(mechanism, grid_t.ravel(), grid_r.ravel())),  # type: ignore[operator]
        nodes=(travel, rack),
        scale=(2 * half_t, 2 * half_r if half_r > 0 else 1.0),
        pull_pose=(calibration.travel, calibration.rack),
        hanging_loads=hanging[0],
        hanging_slope=(hanging[1] - hanging[0]) / STEP,
        unsprung_weight=np.array([0.0, 0.0, -corner.unsprung_mass * STANDARD_GRAVITY]),
        usual_load=reference.vertical,
        torque_floor=(
            BEARING_DRAG,
            BEARING_DRAG if factor > 0 and session.pressure_logged else reference.torque,
            LOCKED_FLOOR,
        ),
        tare_travel=session.tare_travel,
        pose_slopes=because.pose_slopes(around, (STEP, STEP)),
    )


def _causes(
    bench: Bench,
    corner: Corner,
    calibration: CornerCalibration,
    session: Session,
    mechanism: object,
) -> list[Cause]:
    return [
        *because.zero_causes(bench, session.u_zero, session.tare_u),
        *because.sensor_causes(bench, corner, session.sensors),
        *because.map_causes(bench, calibration),
        *because.geometry_causes(bench, corner, mechanism),  # type: ignore[arg-type]
        *because.prior_causes(bench, corner),
        *because.mechanical_causes(bench, calibration, session.warming),
    ]


def _random(centre: list[AtPose], corner: Corner, session: Session) -> Floats:
    """Standard uncertainty [N] per sample from gauge and accelerometer noise, (mode, 3)."""
    out = []
    for at in centre:
        gauges = np.sum((at.W[:3] * session.noise) ** 2, axis=1)
        hub = np.sum((at.W[:3] @ at.hub * corner.unsprung_mass * session.u_hub_noise) ** 2, axis=1)
        out.append(np.sqrt(gauges + hub))
    return np.array(out)


def _usual_u(at: AtPose, causes: list[Cause], vertical: float) -> Floats:
    """Standard uncertainty [N] of the forces, (3,), at the corner's usual load."""
    features = np.zeros(because.FEATURES)
    features[:4] = 1.0, 0.3 * vertical, 0.7 * vertical, vertical
    effects = np.array([cause.loading[0] @ features for cause in causes])
    return np.asarray(np.sqrt(np.diag(at.C)[:3] + np.sum(effects**2, axis=0)))


def _lost(
    car: Vehicle, corner: Corner, calibration: CornerCalibration, u: Floats
) -> tuple[tuple[int, ...], str]:
    """Force components that the gauges do not see, and the reason with the cure in words."""
    lost = tuple(int(k) for k in np.flatnonzero(u > NOT_KNOWN))
    if not lost:
        return lost, ""
    gauged = tuple(g.member for g in corner.gauges if g.name in calibration.gauges)
    seen = observe(car, corner.name, gauged=gauged)
    # With its map's uncertainty a corner may know less than its gauges alone let expect.
    further = seen.with_
    helps = min(further, key=lambda member: float(np.max(further[member][list(lost)])), default="")
    cure = seen.cure or f"gauge {helps}"
    names = " and ".join(WRENCH_COMPONENTS[k] for k in lost)
    if len(lost) == 3:
        raise RankError(
            where=f"corner {corner.name}",
            found=f"{len(gauged)} gauges ({', '.join(gauged)}) leave {names} unknown, u up to "
            f"{np.max(u):.0f} N",
            needed="gauges that see at least one force component",
            do=f"Cheapest cure: {cure}. `recon observe` shows what each further gauge buys.",
        )
    reason = (
        f"corner {corner.name}: {names} not known with gauges on {', '.join(gauged)} (u "
        f"{np.max(u):.0f} N), given as NaN; cheapest cure: {cure}"
    )
    warnings.warn(reason, PriorWarning, stacklevel=5)
    return lost, reason
