"""Draw a true car at random around the car that a vehicle file describes.

Every stated fact gets a random error of its stated standard uncertainty.  Effects that no file
states (stiffness, cross-talk, friction, creep, temperature) are drawn from ranges given here.
Magnitudes: common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.car.linkage import Linkage, assembly_names, linkage_of
from recon.car.vehicle import Corner, Support, Vec, Vehicle
from recon.virtual.channels import Channels
from recon.virtual.effects import Effects
from recon.virtual.elastic import Sprung
from recon.virtual.elements import (
    ON_AXIS,
    TWO_FORCE,
    ElasticAssembly,
    Joint,
    Stiffness,
    elastic_assembly,
    idle_lines,
)
from recon.virtual.gauging import draw_channels
from recon.virtual.springs import springs_at_design

U_TOE = 0.0005  # rad
U_CAMBER = 0.0017  # rad
RIGID = 1e9  # N/m, highest stiffness of a support, also where the stated compliance is zero


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """Errors of the logged sensors that stay fixed for the session.

    `travel` [m], `travel_gain` [1], `hub_acceleration` (xyz) [m/s2] and `hub_acceleration_gain`
    (xyz) [1] by corner; `steer`, `roll` and `pitch` [rad].  A gain multiplies the true value.
    """

    travel: dict[str, float]
    travel_gain: dict[str, float]
    hub_acceleration: dict[str, Floats]
    hub_acceleration_gain: dict[str, Floats]
    steer: float
    roll: float
    pitch: float


@dataclass(frozen=True, slots=True)
class VirtualCar:
    """A car as its file describes it (`car`), as it really is (`truth`), and its hidden effects.

    `linkages`, `elastic` and `channels` have one entry per assembly, named `FL` or, for an axle,
    `rear`.  `springs` has entries for tied axles only: their wheels stand where springs and axle
    share the load.  `strap_gain` and `pad_gain` are relative errors of the load devices:
    true load = written load * (1 + gain).  `trail` [m] is the pneumatic trail at small slip,
    `shift_per_force` [m/N] the sideways shift of the contact patch per lateral force, `drag`
    [N m] the bearing drag of one wheel.
    """

    car: Vehicle
    truth: Vehicle
    effects: Effects
    linkages: dict[str, Linkage]
    elastic: dict[str, ElasticAssembly]
    springs: dict[str, Sprung]
    channels: dict[str, Channels]
    sensors: SensorErrors
    strap_gain: float
    pad_gain: float
    trail: float
    shift_per_force: float
    drag: float

    @property
    def corners(self) -> tuple[str, ...]:
        """Names of the corners that are drawn."""
        drawn = [c.name for linkage in self.linkages.values() for c in linkage.corners]
        return tuple(c for c in CORNERS if c in drawn)

    def assembly_name(self, corner: str) -> str:
        """Name of the assembly to which a drawn corner belongs."""
        return linkage_of(self.truth, corner).name


U_DEVICE_GAIN = 0.003  # relative, one error per device for the whole day; stated in the sheets
U_LOAD_STEP = 0.004  # relative, one error per reading; stated in the sheets


def _linkages(car: Vehicle, corners: tuple[str, ...]) -> list[Linkage]:
    """Linkages of the assemblies to which `corners` belong, in the order of the car's corners."""
    wanted = {linkage_of(car, corner).name for corner in corners}
    return [linkage_of(car, name) for name in assembly_names(car) if name in wanted]


def draw_car(
    car: Vehicle,
    rng: np.random.Generator | int,
    *,
    effects: Effects | None = None,
    corners: tuple[str, ...] | None = None,
) -> VirtualCar:
    """Draw one virtual car at random around the description `car`, which is not changed.

    `rng` may be a seed; `effects` are scales of the effects, all 1 if omitted.  Elastic supports
    and gauges are drawn for `corners`, each with the opposite corner if an axle ties them; for all
    if omitted.

    Raises VehicleError: a corner does not have exactly one spring, or has a torsion support.
    """
    rng = np.random.default_rng(rng)
    effects = effects or Effects()
    asked = corners or tuple(car.corners)
    axles = tuple(linkage.name for linkage in _linkages(car, asked) if linkage.tied)
    truth = _true_vehicle(car, axles, effects.facts, rng)
    drawn = {linkage.name: linkage for linkage in _linkages(truth, asked)}
    elastic = {
        name: elastic_assembly(linkage, _stiffness(linkage, effects, rng))
        for name, linkage in drawn.items()
    }
    # Adhesive that yields lowers a standing indication, creep of the gauge itself raises it: one
    # sign for all gauges bonded together, from a stream of its own, which leaves other draws alone.
    bonded = replace(effects, creep=effects.creep * rng.spawn(1)[0].choice([-1.0, 1.0]))
    channels = {
        name: draw_channels(linkage, elastic[name], bonded, rng) for name, linkage in drawn.items()
    }
    facts = effects.facts
    return VirtualCar(
        car=car,
        truth=truth,
        effects=effects,
        linkages=drawn,
        elastic=elastic,
        springs={
            name: springs_at_design(truth, linkage, elastic[name])
            for name, linkage in drawn.items()
            if linkage.tied
        },
        channels=channels,
        sensors=_sensor_errors(car, facts, rng),
        strap_gain=facts * U_DEVICE_GAIN * rng.standard_normal(),
        pad_gain=facts * U_DEVICE_GAIN * rng.standard_normal(),
        trail=rng.uniform(0.010, 0.035),
        shift_per_force=rng.uniform(3e-6, 7e-6),
        drag=rng.uniform(1.0, 4.0),
    )


def _true_vehicle(
    car: Vehicle, axles: tuple[str, ...], scale: float, rng: np.random.Generator
) -> Vehicle:
    """The true car: every corner, and those axles named in `axles`, with random errors."""

    def off(u: float) -> float:
        return scale * u * rng.standard_normal()

    x, y, z = (c + off(u) for c, u in zip(car.centre_of_mass, car.u_centre_of_mass, strict=True))
    corners = {name: _true_corner(c, scale, rng) for name, c in car.corners.items()}
    tied = {
        name: replace(a, supports=_true_supports(a.bodies, a.supports, (), off))
        for name, a in car.axles.items()
        if name in axles
    }
    mass = car.mass + off(car.u_mass)
    return replace(
        car, mass=mass, centre_of_mass=(x, y, z), corners=corners, axles=car.axles | tied
    )


def _true_corner(corner: Corner, scale: float, rng: np.random.Generator) -> Corner:
    def off(u: float) -> float:
        return scale * u * rng.standard_normal()

    wheel = corner.wheel
    factor, u_factor = corner.brake.torque_per_pressure, corner.brake.u_torque_per_pressure
    if not np.isfinite(factor):
        factor, u_factor = 12e-5, 2e-5  # N m/Pa, a small car's disc; from memory
    x, y, z = (c + off(wheel.u_centre) for c in wheel.centre)
    return replace(
        corner,
        supports=_true_supports(corner.bodies, corner.supports, (wheel.on,), off),
        wheel=replace(
            wheel,
            centre=(x, y, z),
            loaded_radius=wheel.loaded_radius + off(wheel.u_loaded_radius),
            toe_in=wheel.toe_in + off(U_TOE),
            camber=wheel.camber + off(U_CAMBER),
            spin_inertia=wheel.spin_inertia + off(wheel.u_spin_inertia),
        ),
        brake=replace(
            corner.brake,
            torque_per_pressure=factor + off(u_factor if np.isfinite(u_factor) else 0.1 * factor),
        ),
        unsprung_mass=corner.unsprung_mass + off(corner.u_unsprung_mass),
        droop_travel=corner.droop_travel + off(corner.u_droop_travel),
    )


def _true_supports(
    bodies: tuple[str, ...],
    supports: tuple[Support, ...],
    wheel_on: tuple[str, ...],
    off: Callable[[float], float],
) -> tuple[Support, ...]:
    # A ball joint that several supports name is one point and gets one random error.
    drawn: dict[Joint, Vec] = {}
    for s in supports:
        stated = {Joint(s.outer.on, s.outer.point): s.outer.u}
        if s.kind in TWO_FORCE:
            stated.setdefault(Joint(s.inner.on, s.inner.point), s.inner.u)
        elif s.kind in ON_AXIS:
            stated.setdefault(Joint(s.outer.on, s.axis_point), s.outer.u)
        for joint, u in stated.items():
            if joint not in drawn:
                x, y, z = (c + off(u) for c in joint.point)
                drawn[joint] = (x, y, z)
    for joints in idle_lines(bodies, supports, wheel_on).values():
        drawn |= _on_one_line({joint: drawn[joint] for joint in joints})

    def true(s: Support) -> Support:
        outer = replace(s.outer, point=drawn[Joint(s.outer.on, s.outer.point)])
        if s.kind in TWO_FORCE:
            inner = replace(s.inner, point=drawn[Joint(s.inner.on, s.inner.point)])
            return replace(s, outer=outer, inner=inner)
        axis = s.axis_point
        if s.kind in ON_AXIS:
            axis = drawn[Joint(s.outer.on, s.axis_point)]
        return replace(s, outer=outer, inner=replace(s.inner, point=outer.point), axis_point=axis)

    return tuple(true(s) for s in supports)


def _on_one_line(joints: dict[Joint, Vec]) -> dict[Joint, Vec]:
    """Move joints that lie on one line by design, like those of a strut's rod, back on a line.

    The two joints farthest apart stay where they are.
    """
    points = np.array(list(joints.values()))
    apart = np.linalg.norm(points[:, None] - points, axis=2)
    first, last = np.unravel_index(np.argmax(apart), apart.shape)
    along = (points[last] - points[first]) / max(apart[first, last], 1e-9)
    shares = (points - points[first]) @ along
    for k in set(range(len(points))) - {int(first), int(last)}:
        points[k] = points[first] + shares[k] * along
    return {
        joint: (float(x), float(y), float(z))
        for joint, (x, y, z) in zip(joints, points, strict=True)
    }


def _stiffness(linkage: Linkage, effects: Effects, rng: np.random.Generator) -> Stiffness:
    n = len(linkage.supports)
    # A tube of 16 x 1.5 mm and 300 mm has 4.7e7 N/m (E A / L); the joints at its ends leave less.
    axial = np.exp(rng.uniform(np.log(8e6), np.log(3e7), n)) / effects.compliance
    # Torsional stiffness of one bush; ten of them add about 2 % to a racing car's wheel rate.
    tilt = np.exp(rng.uniform(np.log(1.5), np.log(7.5), (n, 2))) * effects.bushes
    rate = np.full(len(linkage.corners), np.nan)
    if linkage.tied:
        stated = np.array([_true_rate(s, effects.facts, rng) for s in linkage.supports])
        springs = [s.kind == "spring" for s in linkage.supports]
        rate = stated[springs]
        axial = np.where(np.isnan(stated) | springs, axial, stated)
    return Stiffness(axial, tilt, rate)


def _true_rate(support: Support, scale: float, rng: np.random.Generator) -> float:
    """True stiffness [N/m, N m/rad] around the stated one; NaN if none is stated."""
    u = np.nan_to_num(support.u_compliance)
    compliance = support.compliance + scale * u * float(rng.standard_normal())
    return 1.0 / max(compliance, 1.0 / RIGID) if np.isfinite(compliance) else float("nan")


def _sensor_errors(car: Vehicle, scale: float, rng: np.random.Generator) -> SensorErrors:
    s = car.sensors
    names = tuple(car.corners)

    def off(u: float) -> float:
        return scale * u * float(rng.standard_normal())

    return SensorErrors(
        travel={c: off(s.u_travel) for c in names},
        travel_gain={c: 1 + off(s.u_travel_share) for c in names},
        hub_acceleration={c: scale * s.u_hub_acceleration * rng.standard_normal(3) for c in names},
        hub_acceleration_gain={
            c: 1 + scale * s.u_hub_acceleration_share * rng.standard_normal(3) for c in names
        },
        steer=off(s.u_steer),
        roll=off(s.u_attitude),
        pitch=off(s.u_attitude),
    )
