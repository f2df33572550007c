"""Causes of error as signed sensitivities: what each does to the forces of a unit.

A cause has one value per session (a zero that is off, a hardpoint in another place).  Its
effect on the forces is linear in features of the sample:

    [1, F, t_1 F, ..., t_w F, r F, t_1, ..., t_w],   F = (Fx, Fy, Fz, T of every wheel)      (1)

with t and r travel and rack over their scale, forces in vehicle axes; w is one for a corner that
stands alone and two for a tied axle.  A loading (component, feature) gives newtons per standard
uncertainty of the cause.  Causes keep their sign, so that sums, shares and differences of corners
propagate rightly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.mechanics.statics import member_matrix, strip_spin
from recon.reconstruction.estimator import (
    FORCE_ROWS,
    KNOWN_ROWS,
    SIZE,
    SPLIT,
    AtPose,
    unsure_indications,
)

if TYPE_CHECKING:
    from recon.calibration.map import CornerCalibration
    from recon.car.vehicle import Tyre
    from recon.reconstruction.prepare import Bench
    from recon.reconstruction.session import SensorErrors

PARTS = ("session", "calibration", "assumption")
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
class Features:
    """Places of the features (1) of a unit with so many wheels."""

    wheels: int

    @property
    def size(self) -> int:
        """How many there are: 14 of a corner, 35 of a tied axle."""
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


FEATURES = Features(1).size
TIED_FEATURES = Features(2).size


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause with its part of the uncertainty.

    `loading` (mode, 3 * wheel, feature) [N] in vehicle axes; `turned` (3 * wheel, feature) comes
    on top in intermediate axes and `steered` in tyre axes, there with the forces of the
    intermediate axes as features.
    """

    name: str
    part: str
    loading: Floats
    turned: Floats | None = None
    steered: Floats | None = None


def zero_causes(bench: Bench, u_zero: Floats, tare_u: Floats | None) -> list[Cause]:
    """A zero that is off, gauge by gauge; `tare_u` (gauge, k) are signed effects of the tare."""
    columns = list(np.diag(u_zero).T) + (list(tare_u.T) if tare_u is not None else [])
    name = f"{bench.assembly.name} zeros"
    return [Cause(name, "session", _constant(bench, column)) for column in columns]


def _constant(bench: Bench, indication: Floats) -> Floats:
    """Loading of an indication (gauge,) that is there whatever the forces."""
    loading = bench.blank()
    for m, at in enumerate(bench.at_nodes):
        loading[m] = over_travel(bench, at.forces @ indication)
    return loading


def over_travel(bench: Bench, effect: Floats) -> Floats:
    """Effects [N] at the nodes (node, 3 w) whatever the forces are, as a loading (3 w, feature)."""
    places = [0, *map(bench.features.travel, range(bench.features.wheels))]
    design = np.column_stack([np.ones(len(effect)), (bench.nodes / bench.scale)[:, :-1]])
    loading = bench.blank()[0]
    loading[:, places] = (np.linalg.pinv(design) @ effect).T
    return loading


def over_pose(bench: Bench, effect: Floats) -> Floats:
    """Effects per force at the nodes (..., node, 3 w, 4 w) as loadings (..., 3 w, feature).

    Constant, by each travel, by rack (least squares).
    """
    features = bench.features
    design = np.column_stack([np.ones(len(bench.nodes)), bench.nodes / bench.scale])
    solved = np.einsum("kn,...nij->k...ij", np.linalg.pinv(design), effect)
    loading = np.zeros((*effect.shape[:-3], *bench.blank()[0].shape))
    places = [features.forces, *map(features.by_travel, range(features.wheels)), features.by_rack]
    for k, place in enumerate(places):
        loading[..., place] = solved[k]
    return loading


def map_causes(bench: Bench, calibration: CornerCalibration) -> list[Cause]:
    """K's own uncertainty by principal directions, and the devices' gains shared by corners."""
    values, vectors = np.linalg.eigh(calibration.covariance)
    keep = values > 1e-6 * values[-1]
    factors = (vectors[:, keep] * np.sqrt(values[keep])).T
    name = f"{bench.assembly.name} pulls"
    out = [Cause(name, "calibration", _map_loading(bench, calibration, f)) for f in factors]
    for device, effect in zip(calibration.devices, calibration.gain_effect, strict=True):
        loading = _map_loading(bench, calibration, effect)
        out.append(Cause(f"{device} gain", "calibration", loading))
    return out


def _map_loading(bench: Bench, calibration: CornerCalibration, change: Floats) -> Floats:
    """A change of K acts on the loads: e = -W dK (s + s_unsprung - s_hanging)."""
    gain = change.reshape(calibration.K.shape)
    loading = bench.blank()
    for m, at in enumerate(bench.at_nodes):
        off = -at.forces @ gain
        unsprung = (at.hub_loads - bench.hanging_loads) @ bench.unsprung_weight
        loading[m] = over_pose(bench, off @ at.loads[..., at.known_rows])
        loading[m] += over_travel(bench, (off @ unsprung[..., None])[..., 0])
    return loading


def prior_causes(bench: Bench, tyre: Tyre) -> list[Cause]:
    """Tyre moments, the hub's moment and forces: wrong priors shift the answer by I - W H."""
    out = []
    for k, corner in enumerate(bench.assembly.corners):
        for axis in FORCE_ROWS:
            loading = _size_of_force(bench, k, axis)
            out.append(Cause(f"{corner.name} size of {COMPONENTS[axis]}", "assumption", loading))
        for words, column, slope, of in (
            ("aligning moment", 5, tyre.u_trail, 2),
            ("overturning moment", 3, tyre.u_shift, 3),
        ):
            for feature, size in (
                (bench.features.force(k, of - 1), slope),
                (0, tyre.floor_moment),
            ):
                loading = bench.blank()
                for m, at in enumerate(bench.centre):
                    loading[m, :, feature] = at.prior[at.force_rows, 6 * k + column] * size
                out.append(Cause(f"{corner.name} {words}", "assumption", loading))
        loading = bench.blank()
        for m, (at, mode) in enumerate(zip(bench.centre, bench.modes, strict=True)):
            floor = bench.torque_floor[k][mode[k]]
            loading[m, :, 0] = at.prior[at.force_rows, 6 * k + 4] * floor
        out.append(Cause(f"{corner.name} hub moment", "assumption", loading))
        factor = corner.brake.torque_per_pressure
        if factor > 0:
            loading = bench.blank()
            relative = corner.brake.u_torque_per_pressure / factor
            for m, (at, mode) in enumerate(zip(bench.centre, bench.modes, strict=True)):
                if mode[k] == "braked":
                    effect = at.prior[at.force_rows, 6 * k + 4] * relative
                    loading[m, :, bench.features.force(k, 3)] = effect
            out.append(Cause(f"{corner.name} brake torque per pressure", "session", loading))
    return out


def _size_of_force(bench: Bench, k: int, axis: int) -> Floats:
    """What no gauge sees of a force moves the others, at other travels by other shares."""
    loading = bench.blank()
    for m, at in enumerate(bench.at_nodes):
        shift = at.prior[:, at.force_rows, 6 * k + axis] * SIZE * bench.usual_load[k]
        loading[m] = over_travel(bench, shift)
    return loading


def mechanical_causes(bench: Bench, calibration: CornerCalibration, warming: float) -> list[Cause]:
    """Friction seen in the pulls, linearity, bushes beside the links, the links' thermal slope."""
    name = f"{bench.assembly.name} friction"
    columns = np.diag(FRICTION_SPREAD * calibration.friction)
    out = [Cause(name, "assumption", _constant(bench, column)) for column in columns]
    slope = bench.blank()
    for k, corner in enumerate(bench.assembly.corners):
        for axis in range(3):
            loading = bench.blank()
            loading[:, 3 * k + axis, bench.features.force(k, axis)] = LINEARITY
            slope[:, 3 * k + axis, bench.features.force(k, axis)] = THERMAL_SLOPE * warming
            out.append(Cause(f"{corner.name} linearity", "assumption", loading))
        if corner.u_bush_rate > 0:
            loading = bench.blank()
            loading[:, 3 * k + 2, bench.features.travel(k)] = corner.u_bush_rate * bench.scale[k]
            loading[:, 3 * k + 2, 0] = -corner.u_bush_rate * bench.tare_travel[k]
            out.append(Cause(f"{corner.name} bushes", "assumption", loading))
    out.append(Cause("thermal slope of the links", "assumption", slope))
    return out


def split_causes(bench: Bench, calibration: CornerCalibration) -> list[Cause]:
    """What a bar, a beam or bound links take from the springs, of each wheel's load.

    A share of it while driving, and less of the usual load at the tare, where wheels that hang
    unevenly twist a bar. Pulls never show such a twist alone, so what it does to the gauges rests
    on the bridges: K's covariance at its loads comes on top.
    """
    if not np.any(bench.shared[0]):
        return []
    out = []
    for k, corner in enumerate(bench.assembly.corners):
        driving, at_tare = bench.blank(), bench.blank()
        first = bench.features.force(k, 0)
        for m, (at, shared) in enumerate(zip(bench.centre, bench.shared, strict=True)):
            own = shared[:, [6 * k + row for row in KNOWN_ROWS]]
            effect = -SPLIT * at.forces @ bench.K @ own
            driving[m, :, first : first + len(KNOWN_ROWS)] = effect
            at_tare[m, :, 0] = at.forces @ bench.K @ bench.tare_split[:, k]
        out += [
            Cause(f"{corner.name} split of load", "assumption", driving),
            Cause(f"{corner.name} split of load at the tare", "session", at_tare),
        ]
    for load in bench.twist.T:
        for column in unsure_indications(calibration, load).T:
            loading = bench.blank()
            for m, at in enumerate(bench.centre):
                loading[m, :, 0] = at.forces @ column
            out.append(Cause(f"{bench.assembly.name} map at a bar's twist", "calibration", loading))
    return out


def sensor_causes(bench: Bench, sensors: tuple[SensorErrors, ...]) -> list[Cause]:
    """Fixed errors of travel, steer and hub accelerometer; unsprung mass, droop, loaded radius."""
    out: list[Cause] = []
    for k, errors in enumerate(sensors):
        out += _travel_causes(bench, k, errors)
        out += _acceleration_causes(bench, k, errors)
        out += _weight_causes(bench, k)
    return _merged(out) + _steer_causes(bench, sensors)


def _merged(causes: list[Cause]) -> list[Cause]:
    """One error of the body's acceleration acts on both wheels of a tied axle."""
    out: dict[str, Cause] = {}
    rest = []
    for cause in causes:
        if not cause.name.startswith("body acceleration"):
            rest.append(cause)
        elif cause.name in out:
            both = out[cause.name].loading + cause.loading
            out[cause.name] = Cause(cause.name, cause.part, both)
        else:
            out[cause.name] = cause
    return [*rest, *out.values()]


def _travel_causes(bench: Bench, k: int, sensors: SensorErrors) -> list[Cause]:
    corner, features, out = bench.assembly.corners[k], bench.features, []
    part = "session" if sensors.travel_known else "assumption"
    for amount, force, bushes in (
        (sensors.travel, features.forces, 0),
        (sensors.travel_share * bench.scale[k], features.by_travel(k), features.travel(k)),
    ):
        if amount > 0:
            loading = bench.blank()
            loading[:, :, force] = bench.pose_slopes[k] * amount
            loading[:, 3 * k + 2, bushes] += corner.bush_rate * amount
            out.append(Cause(f"{corner.name} travel", part, loading))
    return out


def _steer_causes(bench: Bench, sensors: tuple[SensorErrors, ...]) -> list[Cause]:
    """An error of the steer moves the loads and turns the tyre axes at once."""
    if not any(errors.rack > 0 for errors in sensors):
        return []
    loading, turn = bench.blank(), np.zeros((3 * len(sensors), bench.features.size))
    loading[:, :, bench.features.forces] = bench.pose_slopes[-1] * sensors[0].rack
    for k, errors in enumerate(sensors):
        turn[3 * k, bench.features.force(k, 1)] = errors.heading
        turn[3 * k + 1, bench.features.force(k, 0)] = -errors.heading
    part = "session" if sensors[0].steer_known else "assumption"
    return [Cause("steer", part, loading, steered=turn)]


def _acceleration_causes(bench: Bench, k: int, sensors: SensorErrors) -> list[Cause]:
    """What the hub's specific force leaves open, axis by axis; the body's is shared by corners."""
    out = []
    corner = bench.assembly.corners[k]
    for axis in range(3):
        weight = STANDARD_GRAVITY if axis == 2 else 0.0
        size = np.hypot(sensors.acceleration[axis], sensors.acceleration_share[axis] * weight)
        loading = bench.blank()
        for m, at in enumerate(bench.centre):
            loading[m, :, 0] = at.forces @ at.hub[:, 3 * k + axis] * corner.unsprung_mass * size
        source = sensors.acceleration_from[axis]
        name = f"{corner.name} hub acceleration" if source != "none" else "body acceleration"
        part = "session" if source == "hub" else "assumption"
        out.append(Cause(f"{name} {COMPONENTS[axis]}", part, loading))
    return out


def _weight_causes(bench: Bench, k: int) -> list[Cause]:
    """Unsprung mass, droop travel of the tare, loaded radius of wheel `k`."""
    corner, own = bench.assembly.corners[k], slice(3 * k, 3 * k + 3)
    unsprung, droop, radius = bench.blank(), bench.blank(), bench.blank()
    weight = np.zeros_like(bench.unsprung_weight)
    weight[own] = [0.0, 0.0, STANDARD_GRAVITY]
    lower = _lower_contact(bench, k)
    moved = bench.hanging_slopes[k] @ bench.unsprung_weight
    for m, (at, mode) in enumerate(zip(bench.centre, bench.modes, strict=True)):
        load = (at.hub_loads - bench.hanging_loads) @ weight
        unsprung[m, :, 0] = at.forces @ bench.K @ load * corner.u_unsprung_mass
        # Along and sideways the hub is accelerated about as the tyre's force asks of its load.
        for axis in (0, 1):
            per_newton = corner.u_unsprung_mass * STANDARD_GRAVITY / bench.usual_load[k]
            effect = at.forces @ at.hub[:, 3 * k + axis] * per_newton
            unsprung[m, :, bench.features.force(k, axis)] = effect
        droop[m, :, 0] = at.forces @ bench.K @ moved * corner.u_droop_travel
        effect = -at.forces @ bench.K @ lower[mode[k] == "locked"] * corner.wheel.u_loaded_radius
        first = bench.features.force(k, 0)
        radius[m, :, first : first + 3] = effect
    if bench.tare_travel[k] != 0.0:
        droop[:, 3 * k + 2, 0] -= corner.bush_rate * corner.u_droop_travel
    return [
        Cause(f"{corner.name} unsprung mass", "session", unsprung),
        Cause(f"{corner.name} droop travel", "session", droop),
        Cause(f"{corner.name} loaded radius", "assumption", radius),
    ]


def _lower_contact(bench: Bench, k: int) -> tuple[Floats, Floats]:
    """Loads (member, 3) per newton at contact `k` if it is a metre lower: free hub, held hub."""
    wheel = bench.here.wheels[k]
    down = wheel.contact - wheel.hub
    down = down / np.linalg.norm(down)
    moment = np.cross(down, np.eye(3)).T  # columns Fx, Fy, Fz
    per_moment = member_matrix(bench.here)[:, 6 * k + 3 : 6 * k + 6]
    return per_moment @ strip_spin(moment, wheel.spin), per_moment @ moment


def table_causes(bench: Bench, error: Floats) -> list[Cause]:
    """What a table that is not fine enough misses between nodes: of every force, in every axis.

    `error` (mode,) [N/N].
    """
    out = []
    for k, corner in enumerate(bench.assembly.corners):
        for axis in range(3):
            for force in range(3):
                loading = bench.blank()
                loading[:, 3 * k + axis, bench.features.force(k, force)] = error
                name = f"{corner.name} table over travel and steer"
                out.append(Cause(name, "assumption", loading))
    return out


def attitude_causes(wheels: int, u_roll: float, u_pitch: float, part: str) -> list[Cause]:
    """Roll and pitch of the body turn vehicle into intermediate axes; shared by all corners.

    x_intermediate = Ry(pitch) Rx(roll) x_vehicle, left side up and nose down positive.
    """
    features = Features(wheels)
    roll, pitch = (np.zeros((3 * wheels, features.size)) for _ in range(2))
    for k in range(wheels):
        x, y, z = (features.force(k, c) for c in range(3))
        roll[3 * k + 1, z], roll[3 * k + 2, y] = -u_roll, u_roll
        pitch[3 * k, z], pitch[3 * k + 2, x] = u_pitch, -u_pitch
    nothing = np.zeros((3**wheels, 3 * wheels, features.size))
    return [
        Cause("roll of the body", part, nothing, turned=roll),
        Cause("pitch of the body", part, nothing, turned=pitch),
    ]


def pose_slopes(base: list[list[AtPose]], step: float) -> list[Floats]:
    """-W dH/dq of every wheel's Fx, Fy, Fz, T per metre of each travel and of the rack.

    `base` holds the centre and two poses, before and after, per variable; each slope is
    (mode, 3 w, 4 w).
    """
    out = []
    for k in range((len(base) - 1) // 2):
        slope = []
        for centre, low, high in zip(base[0], base[1 + 2 * k], base[2 + 2 * k], strict=True):
            change = (high.H - low.H)[:, centre.known_rows] / (2 * step)
            slope.append(-centre.forces @ change)
        out.append(np.array(slope))
    return out
