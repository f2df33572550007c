"""States of the virtual car's wheels over time: forces, travel, motion.

Level axes are the intermediate axes of ISO 8855: the car's heading, horizontal.  They turn into
vehicle axes by x_vehicle = Rx(-roll) Ry(-pitch) x_level.  All figures are invented; magnitudes
from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.virtual.drawing import VirtualCar
from recon.virtual.elastic import no_load, settle

GRIP = 1.5  # share of horizontal force in Fz at which the pneumatic trail has fallen to zero
WARM_START, WARM_GAIN = 21.0, 5.0  # degC, K
WARMS = np.array([1.0, 0.9, 0.7, 0.8])  # share of the gain, by corner


@dataclass(frozen=True, slots=True)
class Driver:
    """Actions of the driver and what follows from them, at n samples: (n,) each.

    `throttle` and `clutch` from 0 to 1 (clutch 1: pressed), `gear` (0: neutral), `engine_speed`
    [rad/s], `distance` [m].
    """

    throttle: Floats
    clutch: Floats
    gear: Floats
    engine_speed: Floats
    distance: Floats


@dataclass(frozen=True, slots=True)
class Tyres:
    """Truth of the tyres that no sensor sees, (n, corner) each.

    `slip` is the size of slip over that at which force would reach the limit if it rose in
    proportion; `slip_ahead` the longitudinal slip [1], driving positive; `limit` [N] the largest
    horizontal force at the vertical load of the sample.
    """

    slip: Floats
    slip_ahead: Floats
    limit: Floats


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens in a virtual drive: its kind, start and end [s], and true figures."""

    kind: str
    start: float
    end: float
    figures: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Body:
    """Motion of the body at n samples, in SI.

    By sample, (n,): `rack` [m], `roll` and `pitch` [rad], `speed` [m/s], `yaw_rate` [rad/s], and
    `steer` [rad], the mean heading of the steered wheels at zero travel.  `acceleration` (n, xyz)
    [m/s2] is that of the centre of mass in vehicle axes, gravity included.
    """

    steer: Floats
    rack: Floats
    roll: Floats
    pitch: Floats
    speed: Floats
    yaw_rate: Floats
    acceleration: Floats


@dataclass(frozen=True, slots=True)
class States:
    """State of each wheel at n samples, in SI; the corner axis is in the order of `corners`.

    By sample and corner, (n, corner): `travel` [m], `brake_pressure` [Pa], `brake_torque` of the
    caliper about the spin axis [N m], `wheel_speed` [rad/s], `locked`, `temperature` [degC].
    With components, (n, corner, xyz): `force` of the road on the tyre in level axes [N],
    `specific_force` of the hubs in vehicle axes, gravity included [m/s2].
    `time` (n,) [s]; `body` is the motion of the body.  `driver`, `tyres` and `events` are there for
    drives that have them.
    """

    corners: tuple[str, ...]
    time: Floats
    body: Body
    travel: Floats
    force: Floats
    specific_force: Floats
    brake_pressure: Floats
    brake_torque: Floats
    wheel_speed: Floats
    locked: NDArray[np.bool_]
    temperature: Floats
    driver: Driver | None = None
    tyres: Tyres | None = None
    events: tuple[Event, ...] = ()

    def of(self, corners: tuple[str, ...]) -> States:
        """States of the wheels of `corners` only."""
        at = [self.corners.index(c) for c in corners]
        by_corner = ("travel", "force", "specific_force", "brake_pressure", "brake_torque",
                     "wheel_speed", "locked", "temperature")  # fmt: skip
        kept = {name: getattr(self, name)[:, at] for name in by_corner}
        tyres = self.tyres
        if tyres is not None:
            tyres = Tyres(tyres.slip[:, at], tyres.slip_ahead[:, at], tyres.limit[:, at])
        return replace(self, corners=corners, tyres=tyres, **kept)

    @property
    def force_vehicle(self) -> Floats:
        """Forces of the road in vehicle axes (n, corner, xyz) [N]."""
        return np.einsum(
            "nij,ncj->nci", level_to_vehicle(self.body.roll, self.body.pitch), self.force
        )

    @property
    def road_normal(self) -> Floats:
        """Upward normal of the level road in vehicle axes (n, xyz), unit length [1]."""
        return level_to_vehicle(self.body.roll, self.body.pitch)[:, :, 2]


Part = TypeVar("Part", States, Body, Driver, Tyres)


def in_turn(drives: Sequence[States], pause: float) -> States:
    """Several drives of the same corners as one; gauges warm up on.

    The times of `drives` begin anew in each; a `pause` [s] lies between them.  There are no events,
    whose times would no longer be those of one drive.
    """
    starts = np.cumsum([0.0, *(d.time[-1] + pause for d in drives[:-1])])
    time = np.concatenate([d.time + s for d, s in zip(drives, starts, strict=True)])
    joined = _joined(drives)
    warm = warmth(time, joined.temperature.shape[1])
    return replace(joined, time=time, temperature=warm, events=())


def _joined(parts: Sequence[Part]) -> Part:
    """Arrays of the same name one after the other; other fields from the first part."""
    out: dict[str, Any] = {}
    for of in fields(parts[0]):
        values = [getattr(p, of.name) for p in parts]
        if isinstance(values[0], np.ndarray):
            out[of.name] = np.concatenate(values)
        elif isinstance(values[0], Body | Driver | Tyres):
            out[of.name] = _joined(values)
    return replace(parts[0], **out)


def warmth(time: Floats, corners: int = 4) -> Floats:
    """Temperatures at the gauges (n, corner) [degC] that rise over `time` (n,) [s]."""
    way = (time - time[0]) / max(time[-1] - time[0], 60.0)
    return np.asarray(WARM_START + WARM_GAIN * way[:, None] * WARMS[:corners])


def level_to_vehicle(roll: Floats, pitch: Floats) -> Floats:
    """Rotation matrices (n, 3, 3) from level to vehicle axes, Rx(-roll) Ry(-pitch).

    `roll` and `pitch` (n,) [rad], left side up and nose down positive.
    """
    from scipy.spatial.transform import Rotation

    # Lower case: turns about fixed axes, y first, so x stands on the left of the product.
    return np.asarray(Rotation.from_euler("yx", -np.column_stack([pitch, roll])).as_matrix())


def rack_of(virtual_car: VirtualCar, steer: ArrayLike) -> Floats:
    """Rack shift [m] that gives the unloaded steered wheels the mean heading `steer` [rad].

    `steer` and the result have any one shape (...,); left is positive.  Only drawn corners count.
    """
    steer = np.asarray(steer, dtype=float)
    steered = [n for n in virtual_car.corners if virtual_car.truth.corners[n].steered]
    low, high = virtual_car.truth.steering.rack_range
    if not steered or low == high:
        return np.zeros_like(steer)
    from scipy.interpolate import CubicSpline

    rack = np.linspace(low, high, 25)
    zero = np.concatenate([rack, [0.0]])
    headings = []
    for assembly in dict.fromkeys(virtual_car.assembly_name(n) for n in steered):
        elastic = virtual_car.elastic[assembly]
        wheels = settle(elastic, (no_load,) * len(elastic.wheels), zero, travel=0.0).wheels
        headings += [at.heading for at in wheels]
    mean = np.mean([h[:-1] - h[-1] for h in headings], axis=0)
    order = np.argsort(mean)
    inverse = CubicSpline(mean[order], rack[order])
    return np.asarray(inverse(np.clip(steer, mean.min(), mean.max())))
