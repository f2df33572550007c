"""Draw the car as it really is around the car as its file describes it.

Written facts are off by their stated standard uncertainties; what nobody wrote down
(stiffness, cross-talk, friction, creep, temperature) is drawn from ranges of our own.
Magnitudes: common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS, MOMENT_ARM, STANDARD_GRAVITY
from recon.virtual.channels import Channels
from recon.virtual.elastic import Sprung, no_load, settle
from recon.virtual.elements import (
    CUT_LOADS,
    ON_AXIS,
    TWO_FORCE,
    ElasticUnit,
    Stiffness,
    elastic_unit,
    idle_lines,
)
from recon.virtual.hub import AtRest, PullLoad
from recon.virtual.parts import Parts, assemblies_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from recon.car.vehicle import Corner, Gauge, Support, Vec, Vehicle
    from recon.virtual.elastic import Load

# Indication per newton where tube and bench pull say nothing; from memory, order of magnitude.
USUAL_SLOPE = {"mV/V": 1e-4, "microstrain": 0.05, "V": 1e-3, "counts": 1.0}
U_TOE = 0.0005  # rad
U_CAMBER = 0.0017  # rad
RIGID = 1e9  # N/m of a support whose stated compliance is nothing
TYPICAL_PULL = 3000.0  # N, in each direction at the contact; friction is a share of what it gives


@dataclass(frozen=True, slots=True)
class Effects:
    """Scale of each family of effects, 1 as drawn, 0 without (`compliance` must stay above 0).

    `facts` scales how far the written facts are off (points, masses, radius, slopes, sensors,
    gains of the devices), `readings` what is read at each pull (marks, points, loads), `noise`
    the noise and wander of the gauges.
    """

    compliance: float = 1.0
    bushes: float = 1.0
    friction: float = 1.0
    creep: float = 1.0
    thermal_gain: float = 1.0
    cross_talk: float = 1.0
    noise: float = 1.0
    facts: float = 1.0
    readings: float = 1.0


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """Fixed errors of the ordinary sensors: offsets, and gains as factors; by corner."""

    travel: dict[str, float]
    travel_gain: dict[str, float]
    hub_acceleration: dict[str, Floats]
    hub_acceleration_gain: dict[str, Floats]
    steer: float
    roll: float
    pitch: float


@dataclass(frozen=True, slots=True)
class VirtualCar:
    """`car` as described and `truth` as it is, drawn units, channels and hidden figures.

    `parts`, `elastic` and `channels` stand by unit, `FL` or an axle's `rear`; `springs` are those
    of tied axles, whose wheels stand where springs and axle share the load.  `strap_gain` and
    `pad_gain` are relative: load = written * (1 + gain).  `trail` [m] is that of a tyre hardly
    used, `shift_per_force` [m/N], `drag` [N m] of one wheel's bearing.
    """

    car: Vehicle
    truth: Vehicle
    effects: Effects
    parts: dict[str, Parts]
    elastic: dict[str, ElasticUnit]
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
        """The corners that are drawn."""
        drawn = [c.name for parts in self.parts.values() for c in parts.corners]
        return tuple(c for c in CORNERS if c in drawn)

    def assembly_of(self, corner: str) -> str:
        """Name of the unit that a drawn corner belongs to."""
        axle = self.truth.axle_of(corner)
        return corner if axle is None else axle.name


U_DEVICE_GAIN = 0.003  # common to a device for the day; the sheets state it
U_LOAD_STEP = 0.004  # per reading; the sheets state it


def draw_car(
    car: Vehicle,
    rng: np.random.Generator | int,
    *,
    effects: Effects | None = None,
    corners: tuple[str, ...] | None = None,
) -> VirtualCar:
    """Draw one virtual car around the description `car`.

    Parameters
    ----------
    car : Vehicle
        As described; stays as it is.
    rng : numpy.random.Generator or int
        Source of chance, or a seed for one.
    effects : Effects, optional
        Scales of the effects, all 1 when left out.
    corners : tuple of str, optional
        Corners to draw as elastic and gauged ones, each with the partner to which an axle ties
        it; all when left out.

    Raises
    ------
    VehicleError
        A corner with more or less than one spring.
    """
    rng = np.random.default_rng(rng)
    effects = effects or Effects()
    asked = corners or tuple(car.corners)
    axles = tuple(parts.name for parts in assemblies_of(car, asked) if parts.tied)
    truth = _true_vehicle(car, axles, effects.facts, rng)
    drawn = {parts.name: parts for parts in assemblies_of(truth, asked)}
    elastic = {
        name: elastic_unit(parts, _stiffness(parts, effects, rng)) for name, parts in drawn.items()
    }
    channels = {
        name: _channels(parts, elastic[name], effects, rng) for name, parts in drawn.items()
    }
    facts = effects.facts
    return VirtualCar(
        car=car,
        truth=truth,
        effects=effects,
        parts=drawn,
        elastic=elastic,
        springs={
            name: _springs(truth, parts, elastic[name])
            for name, parts in drawn.items()
            if parts.tied
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
    """The car with all its corners as they are, and the `axles` that are drawn."""

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
    # One ball joint written in several rows is one point, so one draw.
    drawn: dict[tuple[str, Vec], Vec] = {}
    for s in supports:
        places = [(s.outer.on, s.outer.point, s.outer.u)]
        if s.kind in TWO_FORCE:
            places.append((s.inner.on, s.inner.point, s.inner.u))
        elif s.kind in ON_AXIS:
            places.append((s.outer.on, s.axis_point, s.outer.u))
        for on, point, u in places:
            if (on, point) not in drawn:
                x, y, z = (c + off(u) for c in point)
                drawn[on, point] = (x, y, z)
    for joints in idle_lines(bodies, supports, wheel_on).values():
        drawn |= _on_one_line({joint: drawn[joint] for joint in joints})

    def true(s: Support) -> Support:
        outer = replace(s.outer, point=drawn[s.outer.on, s.outer.point])
        if s.kind in TWO_FORCE:
            inner = replace(s.inner, point=drawn[s.inner.on, s.inner.point])
            return replace(s, outer=outer, inner=inner)
        axis = drawn[s.outer.on, s.axis_point] if s.kind in ON_AXIS else s.axis_point
        return replace(s, outer=outer, inner=replace(s.inner, point=outer.point), axis_point=axis)

    return tuple(true(s) for s in supports)


def _on_one_line(joints: dict[tuple[str, Vec], Vec]) -> dict[tuple[str, Vec], Vec]:
    """Put joints that share a line by make, like those of a strut's rod, on one again.

    The two that are farthest apart stay.
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


def _stiffness(parts: Parts, effects: Effects, rng: np.random.Generator) -> Stiffness:
    n = len(parts.supports)
    # A tube of 16 x 1.5 mm and 300 mm has 4.7e7 N/m (E A / L); the joints at its ends leave less.
    axial = np.exp(rng.uniform(np.log(8e6), np.log(3e7), n)) / effects.compliance
    # Torsion of one bush; ten of them resist travel with about 2 % of a racing wheel's rate.
    tilt = np.exp(rng.uniform(np.log(1.5), np.log(7.5), (n, 2))) * effects.bushes
    rate = np.full(len(parts.corners), np.nan)
    if parts.tied:
        stated = np.array([_true_rate(s, effects.facts, rng) for s in parts.supports])
        springs = [s.kind == "spring" for s in parts.supports]
        rate = stated[springs]
        axial = np.where(np.isnan(stated) | springs, axial, stated)
    return Stiffness(axial, tilt, rate)


def _true_rate(support: Support, scale: float, rng: np.random.Generator) -> float:
    """Stiffness that somebody stated [N/m, N m/rad], off by its uncertainty; NaN where nobody."""
    u = np.nan_to_num(support.u_compliance)
    compliance = support.compliance + scale * u * float(rng.standard_normal())
    return 1.0 / max(compliance, 1.0 / RIGID) if np.isfinite(compliance) else float("nan")


def _springs(truth: Vehicle, parts: Parts, elastic: ElasticUnit) -> Sprung:
    """Springs that hold the car at design height, where the axle's own parts are without load."""
    standing = tuple(
        AtRest(STANDARD_GRAVITY * c.unsprung_mass, _static_load(truth, c.name))
        for c in parts.corners
    )
    return springs_holding(elastic, standing, 0.0)


def _static_load(truth: Vehicle, corner: str) -> float:
    """Upward force [N] on the wheel of the car that stands; a quarter where an axle is missing."""
    ahead = {name: c.wheel.centre[0] for name, c in truth.corners.items()}
    front, rear = (
        np.mean([x for n, x in ahead.items() if n[0] == end] or [np.nan]) for end in "FR"
    )
    share = float((truth.centre_of_mass[0] - rear) / (front - rear))
    share = share if corner[0] == "F" else 1.0 - share
    return 0.5 * truth.mass * STANDARD_GRAVITY * (share if np.isfinite(share) else 0.5)


def _channels(
    parts: Parts, elastic: ElasticUnit, effects: Effects, rng: np.random.Generator
) -> Channels:
    gauges, members = parts.gauges, elastic.members
    own = np.array([_own_slope(g, effects.facts, rng) for g in gauges])
    n, m = len(gauges), len(members)
    share = effects.cross_talk * rng.uniform(0.01, 0.06, (n, m)) * rng.choice([-1.0, 1.0], (n, m))
    mine = np.array([members.index(g.member) for g in gauges])
    # A gauge at a cut feels the other loads of this cut, and like any gauge the wheel's members.
    near = [_near(elastic, m, of) for m, of in zip(mine, parts.gauge_of, strict=True)]
    felt = np.array(near) | np.array([_same_cut(elastic, m) for m in mine])
    share *= felt
    share[np.arange(n), mine] = 1.0
    newton = np.abs(own) * elastic.arm[mine]
    full_scale = np.array([g.full_scale for g in gauges])
    return Channels(
        names=tuple(g.name for g in gauges),
        K=own[:, None] * share * elastic.arm[mine][:, None] / elastic.arm,
        zero=newton * 1200.0 * rng.standard_normal(n),
        zero_shift=newton * 140.0 * rng.standard_normal(n),
        zero_per_kelvin=newton * 4.0 * rng.standard_normal(n),
        gain_per_kelvin=-3e-4 * effects.thermal_gain * rng.uniform(0.7, 1.3, n),
        creep=1e-3 * effects.creep * rng.uniform(0.5, 1.5, n),
        friction=effects.friction * _friction(parts, elastic, rng),
        newton=newton,
        full_scale=np.where(np.isfinite(full_scale), full_scale, np.inf),
        noise=effects.noise,
    )


def _near(elastic: ElasticUnit, member: int, corner: str) -> NDArray[np.bool_]:
    """Members (member,) of the gauge's wheel; of an axle's gauge of the wheels that it touches."""
    if corner:
        return elastic.touches[elastic.wheel(corner)]
    touched = elastic.touches[elastic.touches[:, member]]
    return np.any(touched if len(touched) else elastic.touches, axis=0)


def _same_cut(elastic: ElasticUnit, member: int) -> NDArray[np.bool_]:
    """Loads of the cut that `member` belongs to, (member,); none for links and springs."""
    links = len(elastic.member_element)
    at = np.arange(len(elastic.members))
    cut = (at - links) // len(CUT_LOADS)
    return (at >= links) & (member >= links) & (cut == cut[member])


def _own_slope(gauge: Gauge, scale: float, rng: np.random.Generator) -> float:
    sign = float(gauge.sign) or float(rng.choice([-1.0, 1.0]))
    if not np.isfinite(gauge.slope):
        arm = MOMENT_ARM if gauge.measures in ("bending", "torsion") else 1.0
        return sign * USUAL_SLOPE[gauge.unit] / arm * float(rng.uniform(0.7, 1.4))
    u = gauge.u_slope if np.isfinite(gauge.u_slope) else 0.03 * abs(gauge.slope)
    return sign * (abs(gauge.slope) + scale * u * float(rng.standard_normal()))


def _friction(parts: Parts, elastic: ElasticUnit, rng: np.random.Generator) -> Floats:
    """Half width (member,) [N, N m]: some 0.08 % of the largest load that typical pulls give."""
    three = np.eye(3)
    solid = solid_links(elastic, 0.0)
    peak = np.zeros(len(elastic.members))
    for k, (corner, wheel) in enumerate(zip(parts.corners, elastic.wheels, strict=True)):
        loads: list[Load] = [no_load] * len(elastic.wheels)
        loads[k] = PullLoad(
            attach=np.broadcast_to(wheel.hub - [0.0, 0.0, wheel.radius], (3, 3)),
            strap_force=TYPICAL_PULL * three,
            pad=np.zeros((3, 3)),
            pad_force=np.zeros((3, 3)),
            hub=wheel.hub,
            weight=0.0,
            held=np.full(3, corner.brake.place == "outboard"),
        )
        most = settle(elastic, tuple(loads), np.zeros(3), springs=solid)
        peak = np.fmax(peak, np.max(np.abs(most.load), axis=0))
    return np.asarray(peak * rng.uniform(0.0005, 0.0011, len(peak)))


def springs_holding(elastic: ElasticUnit, loads: tuple[Load, ...], height: float) -> Sprung:
    """Springs set so that wheels under `loads` stand `height` [m] above design."""
    at = settle(elastic, loads, np.zeros(1), travel=height)
    element = elastic.member_element.tolist()
    force = at.load[0, [element.index(e) for e in elastic.springs]]
    return Sprung(elastic.rate, at.spring_length[0] - force / elastic.rate)


def solid_links(elastic: ElasticUnit, height: float) -> Sprung:
    """Links in place of the springs that hold unloaded wheels `height` [m] above design."""
    nothing = (no_load,) * len(elastic.wheels)
    at_rest = settle(elastic, nothing, np.zeros(1), travel=height)
    return Sprung(elastic.axial[elastic.springs], at_rest.spring_length[0])


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
