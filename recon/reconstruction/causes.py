"""Causes of error as signed sensitivities: what each does to the forces of a corner.

A cause has one value per session (a zero that is off, a hardpoint in another place).  Its
effect on the forces is linear in features of the sample:

    [1, Fx, Fy, Fz, T, t (Fx, Fy, Fz, T), r (Fx, Fy, Fz, T), t]                   (1)

with t and r travel and rack over their scale, forces in vehicle axes.  A loading
(component, feature) gives newtons per standard uncertainty of the cause.  Causes keep their
sign, so that sums, shares and differences of corners propagate rightly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.car.mechanism import Mechanism
from recon.car.motion import pose
from recon.car.statics import member_matrix, strip_spin
from recon.car.structure import TWO_FORCE, TWO_POINTS
from recon.car.unknowns import MODES
from recon.reconstruction.estimator import AtPose, loads_of

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.vehicle import Corner
    from recon.reconstruction.prepare import Bench, SensorErrors

Floats = NDArray[np.float64]
PARTS = ("session", "calibration", "assumption")
FEATURES = 14
FORCES = slice(1, 5)  # Fx, Fy, Fz, T
BY_TRAVEL = slice(5, 9)
BY_RACK = slice(9, 13)
TRAVEL = 13
KNOWN = [0, 1, 2, 4]  # places of Fx, Fy, Fz, T among the six unknowns
THERMAL_SLOPE = 3e-4  # relative per kelvin; steel's modulus and gauge factor, from memory
# Friction holds a link's load off by up to the half-width of its loop, either way and anywhere
# between, once while driving and once at the tare: two rectangular distributions.
FRICTION_SPREAD = float(np.sqrt(1.0 / 3.0 + 1.0 / 3.0))
# Links, bushes and brackets give under load and turn the links a little: share of the force,
# common practice, no source.
LINEARITY = 0.003
# A wheel on a pad; common practice, no source.
PAD_SCRUB = 200.0  # N; tyres hold side and fore-aft forces
PAD_SHARE = 0.005  # relative standard uncertainty of a pad's reading
PAD_TRAVEL = 0.005  # m; the car stands near design height, nobody wrote the travel


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause with its part of the uncertainty.

    `loading` (mode, component, feature) [N] in vehicle axes; `turned` (component, feature)
    comes on top in intermediate axes and `steered` in tyre axes, there with the forces of the
    intermediate axes as features.
    """

    name: str
    part: str
    loading: Floats
    turned: Floats | None = None
    steered: Floats | None = None


def blank() -> Floats:
    """A loading of zeros."""
    return np.zeros((len(MODES), 3, FEATURES))


def zero_causes(bench: Bench, u_zero: Floats, tare_u: Floats | None) -> list[Cause]:
    """A zero that is off, gauge by gauge; `tare_u` (gauge, k) are signed effects of the tare."""
    out = []
    columns = list(np.diag(u_zero).T) + (list(tare_u.T) if tare_u is not None else [])
    for column in columns:
        loading = blank()
        for m in range(len(MODES)):
            loading[m, :, 0] = bench.centre[m].W[:3] @ column
        out.append(Cause(f"{bench.corner.name} zeros", "session", loading))
    return out


def map_causes(bench: Bench, calibration: CornerCalibration) -> list[Cause]:
    """K's own uncertainty by principal directions, and the devices' gains shared by corners."""
    values, vectors = np.linalg.eigh(calibration.covariance)
    keep = values > 1e-6 * values[-1]
    factors = (vectors[:, keep] * np.sqrt(values[keep])).T
    name = f"{bench.corner.name} pulls"
    out = [Cause(name, "calibration", _map_loading(bench, calibration, f)) for f in factors]
    for device, effect in zip(calibration.devices, calibration.gain_effect, strict=True):
        loading = _map_loading(bench, calibration, effect)
        out.append(Cause(f"{device} gain", "calibration", loading))
    return out


def _map_loading(bench: Bench, calibration: CornerCalibration, change: Floats) -> Floats:
    """A change of K acts on the loads: e = -W dK (s + s_unsprung - s_hanging)."""
    gain = change.reshape(calibration.K.shape)
    loading = blank()
    for m, at in enumerate(bench.centre):
        loading[m, :, FORCES] = -at.W[:3] @ gain @ at.loads[:, KNOWN]
        unsprung = (at.hub_loads - bench.hanging_loads) @ bench.unsprung_weight
        loading[m, :, 0] = -at.W[:3] @ gain @ unsprung
    return loading


def geometry_causes(bench: Bench, corner: Corner, mechanism: Mechanism) -> list[Cause]:
    """Hardpoints, wheel centre and radius: they matter where the pose differs from the pulls'.

    The pulls hold K G at their pose, whatever the points are, so a changed point changes K by
    K G(p0) G(p)^-1 there, and H elsewhere.
    """
    moves, u, centres = _moved_points(corner, mechanism)
    travel, rack = bench.nodes
    n = len(moves)
    grid_t, grid_r = np.meshgrid(travel, rack, indexing="ij")
    t = np.concatenate([[bench.pull_pose[0]], grid_t.ravel()])
    r = np.concatenate([[bench.pull_pose[1]], grid_r.ravel()])
    posed = pose(mechanism, t[None, :], r[None, :], points=moves[:, None], centre=centres[:, None])
    out = []
    for m, mode in enumerate(MODES):
        loads, _ = loads_of(posed, bench.columns, mode)
        absolute = bench.absolute_map(posed)
        K = bench.K @ absolute[0, 0] @ np.linalg.inv(absolute[:, 0])  # (move, gauge, member)
        H = K[:, None] @ loads[:, 1:]
        base = bench.at_nodes[m]
        effect = -base.W[None, :, :3] @ (H - H[0:1])[..., KNOWN]  # (move, node, 3, 4)
        loadings = _over_pose(
            effect, grid_t.ravel() / bench.scale[0], grid_r.ravel() / bench.scale[1]
        )
        out.append(loadings)
    stacked = np.stack(out, axis=1)  # (move, mode, 3, feature)
    return [
        Cause(f"{corner.name} hardpoints", "assumption", stacked[k] * u[k]) for k in range(1, n)
    ]


def _over_pose(effect: Floats, t: Floats, r: Floats) -> Floats:
    """Effects at nodes as loadings: constant, by travel, by rack (least squares)."""
    design = np.column_stack([np.ones_like(t), t, r])
    solved = np.einsum("kn,mnij->mkij", np.linalg.pinv(design), effect)
    loading = np.zeros((len(effect), 3, FEATURES))
    for k, place in enumerate((FORCES, BY_TRAVEL, BY_RACK)):
        loading[:, :, place] = solved[:, k]
    return loading


def _moved_points(corner: Corner, mechanism: Mechanism) -> tuple[Floats, Floats, Floats]:
    """Design points with one coordinate of one joint moved at a time; the first is unmoved.

    Ends that share a place on one body are one joint and move together.
    """
    joints: dict[tuple, list[tuple[int, int]]] = {}
    for i, support in enumerate(corner.supports):
        ends = [(0, support.outer.on, support.outer.point, support.outer.u)]
        if support.kind in TWO_POINTS:
            ends.append((2, support.outer.on, support.axis_point, support.outer.u))
        elif support.kind in TWO_FORCE:
            ends.append((1, support.inner.on, support.inner.point, support.inner.u))
        for slot, body, point, u in ends:
            joints.setdefault((body, point, u), []).append((i, slot))
    step = 1e-4  # m; differences over it are linear to 1e-6 of the effect
    points, centres, scale = [mechanism.points], [mechanism.centre], [0.0]
    for (_, _, u), places in joints.items():
        for axis in range(3):
            moved = mechanism.points.copy()
            for i, slot in places:
                moved[i, slot, axis] += step
                if mechanism.kinds[i] not in TWO_FORCE and slot == 0:
                    moved[i, 1, axis] += step  # both halves of the joint move together
            points.append(moved)
            centres.append(mechanism.centre)
            scale.append(u / step)
    for axis in range(3):
        points.append(mechanism.points)
        centres.append(mechanism.centre + step * np.eye(3)[axis])
        scale.append(corner.wheel.u_centre / step)
    return np.array(points), np.array(scale), np.array(centres)


def prior_causes(bench: Bench, corner: Corner) -> list[Cause]:
    """Tyre moments and the hub's moment: priors that are wrong shift the answer by I - W H."""
    tyre, name = bench.tyre, corner.name
    parts = [
        ("aligning moment", 5, {2: tyre.u_trail}, tyre.floor_moment),
        ("overturning moment", 3, {3: tyre.u_shift}, tyre.floor_moment),
    ]
    out = []
    for words, column, slopes, floor in parts:
        for feature, size in [*slopes.items(), (0, floor)]:
            loading = blank()
            for m, at in enumerate(bench.centre):
                loading[m, :, feature] = at.prior[:3, column] * size
            out.append(Cause(f"{name} {words}", "assumption", loading))
    floors = bench.torque_floor
    loading = blank()
    for m, at in enumerate(bench.centre):
        loading[m, :, 0] = at.prior[:3, 4] * floors[m]
    out.append(Cause(f"{name} hub moment", "assumption", loading))
    factor = corner.brake.torque_per_pressure
    if factor > 0:
        loading = blank()
        relative = corner.brake.u_torque_per_pressure / factor
        loading[1, :, 4] = bench.centre[1].prior[:3, 4] * relative
        out.append(Cause(f"{name} brake torque per pressure", "session", loading))
    return out


def mechanical_causes(bench: Bench, calibration: CornerCalibration, warming: float) -> list[Cause]:
    """Friction seen in the pulls, linearity, bushes beside the links, the links' thermal slope."""
    name, out = bench.corner.name, []
    for column in np.diag(FRICTION_SPREAD * calibration.friction):
        loading = blank()
        for m, at in enumerate(bench.centre):
            loading[m, :, 0] = at.W[:3] @ column
        out.append(Cause(f"{name} friction", "assumption", loading))
    for axis in range(3):
        loading = blank()
        loading[:, axis, 1 + axis] = LINEARITY
        out.append(Cause(f"{name} linearity", "assumption", loading))
    if bench.corner.u_bush_rate > 0:
        loading = blank()
        loading[:, 2, TRAVEL] = bench.corner.u_bush_rate * bench.scale[0]
        loading[:, 2, 0] = -bench.corner.u_bush_rate * bench.tare_travel
        out.append(Cause(f"{name} bushes", "assumption", loading))
    loading = blank()
    for axis in range(3):
        loading[:, axis, 1 + axis] = THERMAL_SLOPE * warming
    out.append(Cause("thermal slope of the links", "assumption", loading))
    return out


def sensor_causes(bench: Bench, corner: Corner, sensors: SensorErrors) -> list[Cause]:
    """Fixed errors of travel, steer and hub accelerometer; unsprung mass, droop, loaded radius."""
    by_travel, by_rack = bench.pose_slopes
    name, out = corner.name, []
    part = "session" if sensors.travel_known else "assumption"
    for amount, force, bushes in (
        (sensors.travel, FORCES, 0),
        (sensors.travel_share * bench.scale[0], BY_TRAVEL, TRAVEL),
    ):
        if amount > 0:
            loading = blank()
            loading[:, :, force] = by_travel * amount
            loading[:, 2, bushes] = corner.bush_rate * amount
            out.append(Cause(f"{name} travel", part, loading))
    if sensors.rack > 0:
        loading = blank()
        loading[:, :, FORCES] = by_rack * sensors.rack
        turn = np.zeros((3, FEATURES))
        turn[0, 2], turn[1, 1] = sensors.heading, -sensors.heading
        part = "session" if sensors.steer_known else "assumption"
        out.append(Cause("steer", part, loading, steered=turn))
    out += _acceleration_causes(bench, corner, sensors)
    unsprung, droop, radius = blank(), blank(), blank()
    for m, (at, mode) in enumerate(zip(bench.centre, MODES, strict=True)):
        weight = (at.hub_loads - bench.hanging_loads)[:, 2] * STANDARD_GRAVITY
        unsprung[m, :, 0] = at.W[:3] @ bench.K @ weight * corner.u_unsprung_mass
        # Along and sideways the hub is accelerated about as the tyre's force asks of its load.
        for axis in (0, 1):
            per_newton = corner.u_unsprung_mass * STANDARD_GRAVITY / bench.usual_load
            unsprung[m, :, 1 + axis] = at.W[:3] @ at.hub[:, axis] * per_newton
        moved = bench.hanging_slope @ bench.unsprung_weight
        droop[m, :, 0] = at.W[:3] @ bench.K @ moved * corner.u_droop_travel
        radius[m, :, FORCES] = _lower_contact(bench, at, mode) * corner.wheel.u_loaded_radius
    droop[:, 2, 0] -= corner.bush_rate * corner.u_droop_travel * (bench.tare_travel != 0.0)
    out.append(Cause(f"{name} unsprung mass", "session", unsprung))
    out.append(Cause(f"{name} droop travel", "session", droop))
    out.append(Cause(f"{name} loaded radius", "assumption", radius))
    return out


def _acceleration_causes(bench: Bench, corner: Corner, sensors: SensorErrors) -> list[Cause]:
    """What the hub's specific force leaves open, axis by axis; the body's is shared by corners."""
    out = []
    for axis in range(3):
        weight = STANDARD_GRAVITY if axis == 2 else 0.0
        size = np.hypot(sensors.acceleration[axis], sensors.acceleration_share[axis] * weight)
        loading = blank()
        for m, at in enumerate(bench.centre):
            loading[m, :, 0] = at.W[:3] @ at.hub[:, axis] * corner.unsprung_mass * size
        source = sensors.acceleration_from[axis]
        name = f"{corner.name} hub acceleration" if source != "none" else "body acceleration"
        part = "session" if source == "hub" else "assumption"
        out.append(Cause(f"{name} {COMPONENTS[axis]}", part, loading))
    return out


def _lower_contact(bench: Bench, at: AtPose, mode: str) -> Floats:
    """Effect (3, 4) on the forces of a contact centre one metre lower than taken, per newton."""
    here = bench.here
    down = here.contact - here.hub
    down = down / np.linalg.norm(down)
    moment = np.cross(down, np.eye(3)).T  # columns Fx, Fy, Fz
    if mode != "locked":
        moment = strip_spin(moment, here.spin)
    wrench = np.vstack([np.zeros((3, 3)), moment])
    effect = -at.W[:3] @ bench.K @ member_matrix(here) @ wrench
    return np.column_stack([effect, np.zeros(3)])


def attitude_causes(u_roll: float, u_pitch: float, part: str) -> list[Cause]:
    """Roll and pitch of the body turn vehicle into intermediate axes; shared by all corners.

    x_intermediate = Ry(pitch) Rx(roll) x_vehicle, left side up and nose down positive.
    """
    roll, pitch = np.zeros((3, FEATURES)), np.zeros((3, FEATURES))
    roll[1, 3], roll[2, 2] = -u_roll, u_roll
    pitch[0, 3], pitch[2, 1] = u_pitch, -u_pitch
    return [
        Cause("roll of the body", part, blank(), turned=roll),
        Cause("pitch of the body", part, blank(), turned=pitch),
    ]


def pose_slopes(base: list[list[AtPose]], steps: tuple[float, float]) -> tuple[Floats, Floats]:
    """-W dH/dq of Fx, Fy, Fz, T per metre of travel and of rack, (mode, 3, 4) each."""
    out = []
    for k, step in enumerate(steps):
        slope = np.zeros((len(MODES), 3, 4))
        for m in range(len(MODES)):
            centre, low, high = base[0][m], base[1 + 2 * k][m], base[2 + 2 * k][m]
            slope[m] = -centre.W[:3] @ ((high.H - low.H)[:, KNOWN] / (2 * step))
        out.append(slope)
    return out[0], out[1]
