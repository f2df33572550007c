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

from recon.base.quantities import MOMENT_ARM
from recon.virtual.channels import Channels
from recon.virtual.elastic import no_load, settle
from recon.virtual.elements import (
    CUT_LOADS,
    ON_AXIS,
    TWO_FORCE,
    ElasticCorner,
    Stiffness,
    elastic_corner,
    idle_lines,
)
from recon.virtual.hub import PullLoad

if TYPE_CHECKING:
    from collections.abc import Callable

    from recon.car.vehicle import Corner, Gauge, Support, Vec, Vehicle

Floats = NDArray[np.float64]
# Indication per newton where tube and bench pull say nothing; from memory, order of magnitude.
USUAL_SLOPE = {"mV/V": 1e-4, "microstrain": 0.05, "V": 1e-3, "counts": 1.0}
U_TOE = 0.0005  # rad
U_CAMBER = 0.0017  # rad
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
    """`car` as described and `truth` as it is, drawn corners, channels and hidden figures.

    `strap_gain` and `pad_gain` are relative: load = written * (1 + gain).  `trail` [m] is that
    of a tyre hardly used, `shift_per_force` [m/N], `drag` [N m] of one wheel's bearing.
    """

    car: Vehicle
    truth: Vehicle
    effects: Effects
    elastic: dict[str, ElasticCorner]
    channels: dict[str, Channels]
    sensors: SensorErrors
    strap_gain: float
    pad_gain: float
    trail: float
    shift_per_force: float
    drag: float


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
        Corners to draw as elastic and gauged ones; all when left out.

    Raises
    ------
    VehicleError
        A corner that an axle ties to its partner, or with more or less than one spring.
    """
    rng = np.random.default_rng(rng)
    effects = effects or Effects()
    truth = _true_vehicle(car, effects.facts, rng)
    drawn = {name: truth.corners[name] for name in corners or truth.corners}
    elastic = {
        name: elastic_corner(corner, _stiffness(corner, effects, rng))
        for name, corner in drawn.items()
    }
    channels = {
        name: _channels(corner, elastic[name], effects, rng) for name, corner in drawn.items()
    }
    facts = effects.facts
    return VirtualCar(
        car=car,
        truth=truth,
        effects=effects,
        elastic=elastic,
        channels=channels,
        sensors=_sensor_errors(car, facts, rng),
        strap_gain=facts * U_DEVICE_GAIN * rng.standard_normal(),
        pad_gain=facts * U_DEVICE_GAIN * rng.standard_normal(),
        trail=rng.uniform(0.010, 0.035),
        shift_per_force=rng.uniform(3e-6, 7e-6),
        drag=rng.uniform(1.0, 4.0),
    )


def _true_vehicle(car: Vehicle, scale: float, rng: np.random.Generator) -> Vehicle:
    def off(u: float) -> float:
        return scale * u * rng.standard_normal()

    x, y, z = (c + off(u) for c, u in zip(car.centre_of_mass, car.u_centre_of_mass, strict=True))
    corners = {name: _true_corner(c, scale, rng) for name, c in car.corners.items()}
    return replace(car, mass=car.mass + off(car.u_mass), centre_of_mass=(x, y, z), corners=corners)


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
        supports=_true_supports(corner, off),
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


def _true_supports(corner: Corner, off: Callable[[float], float]) -> tuple[Support, ...]:
    # One ball joint written in several rows is one point, so one draw.
    drawn: dict[tuple[str, Vec], Vec] = {}
    for s in corner.supports:
        places = [(s.outer.on, s.outer.point, s.outer.u)]
        if s.kind in TWO_FORCE:
            places.append((s.inner.on, s.inner.point, s.inner.u))
        elif s.kind in ON_AXIS:
            places.append((s.outer.on, s.axis_point, s.outer.u))
        for on, point, u in places:
            if (on, point) not in drawn:
                x, y, z = (c + off(u) for c in point)
                drawn[on, point] = (x, y, z)
    for joints in idle_lines(corner).values():
        drawn |= _on_one_line({joint: drawn[joint] for joint in joints})

    def true(s: Support) -> Support:
        outer = replace(s.outer, point=drawn[s.outer.on, s.outer.point])
        if s.kind in TWO_FORCE:
            inner = replace(s.inner, point=drawn[s.inner.on, s.inner.point])
            return replace(s, outer=outer, inner=inner)
        axis = drawn[s.outer.on, s.axis_point] if s.kind in ON_AXIS else s.axis_point
        return replace(s, outer=outer, inner=replace(s.inner, point=outer.point), axis_point=axis)

    return tuple(true(s) for s in corner.supports)


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


def _stiffness(corner: Corner, effects: Effects, rng: np.random.Generator) -> Stiffness:
    n = len(corner.supports)
    # A tube of 16 x 1.5 mm and 300 mm has 4.7e7 N/m (E A / L); the joints at its ends leave less.
    axial = np.exp(rng.uniform(np.log(8e6), np.log(3e7), n)) / effects.compliance
    # Torsion of one bush; ten of them resist travel with about 2 % of a racing wheel's rate.
    tilt = np.exp(rng.uniform(np.log(1.5), np.log(7.5), (n, 2))) * effects.bushes
    return Stiffness(axial, tilt)


def _channels(
    corner: Corner, elastic: ElasticCorner, effects: Effects, rng: np.random.Generator
) -> Channels:
    gauges, members = corner.gauges, elastic.members
    own = np.array([_own_slope(g, effects.facts, rng) for g in gauges])
    n, m = len(gauges), len(members)
    share = effects.cross_talk * rng.uniform(0.01, 0.06, (n, m)) * rng.choice([-1.0, 1.0], (n, m))
    mine = np.array([members.index(g.member) for g in gauges])
    # A gauge at a cut feels the other loads of this cut, and like any gauge the wheel's members.
    felt = np.array([elastic.touches_wheel | _same_cut(elastic, m) for m in mine])
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
        friction=effects.friction * _friction(corner, elastic, rng),
        newton=newton,
        full_scale=np.where(np.isfinite(full_scale), full_scale, np.inf),
        noise=effects.noise,
    )


def _same_cut(elastic: ElasticCorner, member: int) -> NDArray[np.bool_]:
    """Loads of the cut that `member` belongs to, (member,); none for links and spring."""
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


def _friction(corner: Corner, elastic: ElasticCorner, rng: np.random.Generator) -> Floats:
    """Half width (member,) [N, N m]: some 0.08 % of the largest load that typical pulls give."""
    three = np.eye(3)
    load = PullLoad(
        attach=np.broadcast_to(elastic.hub - [0.0, 0.0, elastic.radius], (3, 3)),
        strap_force=TYPICAL_PULL * three,
        pad=np.zeros((3, 3)),
        pad_force=np.zeros((3, 3)),
        hub=elastic.hub,
        weight=0.0,
        held=np.full(3, corner.brake.place == "outboard"),
    )
    at_rest = settle(elastic, no_load, np.zeros(1), travel=0.0)
    most = settle(elastic, load, np.zeros(3), solid_length=at_rest.spring_length[0])
    peak = np.max(np.abs(most.load), axis=0)
    return np.asarray(peak * rng.uniform(0.0005, 0.0011, len(peak)))


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
