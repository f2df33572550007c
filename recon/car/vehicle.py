"""The description of the car in SI units, as frozen dataclasses.

Vehicle axes of ISO 8855, x forward, y left, z up; the origin is wherever the file puts it,
usually on the ground below the middle of the front axle.  Lengths in m, angles in rad,
masses in kg, forces in N.  An uncertainty that was not stated is never None: the reader
fills in the default and says so in `Vehicle.assumed`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from recon.car.bridges import BenchPull, Tube, TubeBridge

Vec = tuple[float, float, float]
Kind = Literal["link", "spring", "ball", "pivot", "slider", "torsion"]
Measure = Literal["axial", "shear", "bending", "torsion"]
KINDS: tuple[str, ...] = get_args(Kind)
TWO_FORCE = ("link", "spring")
TWO_POINTS = ("pivot", "slider", "torsion")  # kinds with a second point on an axis
ORIGIN: Vec = (0.0, 0.0, 0.0)
# m/N: a spring of rate 0 is a damper.  It holds nothing at rest and gives way far more than any
# spring, but not so far that the loads of least energy are lost in rounding.
DAMPER = 1.0
# Of a brake torque: pads that are cold or worn, beside what the file states; common practice, no
# source.
WORN_PADS = 0.12
CHASSIS = "chassis"
AXLE = "axle"  # a corner names a body of its axle "axle.<body>"
SIDES = {"front": ("FL", "FR"), "rear": ("RL", "RR")}


@dataclass(frozen=True, slots=True)
class Attachment:
    """A point that belongs to a body; `rack` says that it moves with the steering rack."""

    on: str
    point: Vec
    u: float
    rack: bool = False


@dataclass(frozen=True, slots=True)
class Support:
    """One thing that joins two bodies.

    `link` is a two-force member of fixed length, `spring` one whose length is free, `ball` holds
    a point in all directions.  Three kinds have an axis through `outer.point` and `axis_point`:
    on a `pivot` the outer body turns about it, on a `slider` it turns about it and slides along
    it, and `torsion` is a spring against turning about it.  Loads are tension positive.
    `compliance` is elongation per load [m/N], of torsion turn per moment [rad/(N m)], NaN where
    not stated.  `limit` is the load the user states as the most that the member may see [N],
    NaN where none was stated.
    """

    name: str
    kind: Kind
    outer: Attachment
    inner: Attachment
    axis_point: Vec = ORIGIN
    limit: float = float("nan")
    compliance: float = float("nan")
    u_compliance: float = float("nan")
    tube: Tube | None = None
    yield_strength: float = float("nan")

    @property
    def on_rack(self) -> bool:
        """True where an end moves with the rack."""
        return self.inner.rack or self.outer.rack


@dataclass(frozen=True, slots=True)
class Gauge:
    """One channel: the bridge on one support, or at a section of a body.

    `expected` is the source of the slope to expect: the bench pull where one was made, else the
    bridge and its tube, None where neither is stated; `sign` is +1, -1, or 0 where nobody noted
    it.  At a section, `station` is a point on the cut, `along` the beam's
    direction towards the wheel and `across` the direction of shear, or the side that bending
    puts in tension.
    """

    name: str
    on: str
    unit: str
    expected: TubeBridge | BenchPull | None
    sign: int
    full_scale: float = float("nan")
    measures: Measure = "axial"
    station: Vec = ORIGIN
    along: Vec | None = None
    across: Vec | None = None

    @property
    def slope(self) -> float:
        """Expected indication per newton of tension [unit/N], per newton metre of a moment.

        NaN where neither bench pull nor tube is stated.
        """
        return float("nan") if self.expected is None else self.expected.slope()[0]

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of `slope` [unit/N]."""
        return float("nan") if self.expected is None else self.expected.slope()[1]

    @property
    def at_section(self) -> bool:
        """True for a bridge on a body that bends."""
        return self.along is not None

    @property
    def member(self) -> str:
        """Name of the load that it measures: that of its support, or of its section."""
        return f"{self.on}:{self.name}" if self.at_section else self.on


@dataclass(frozen=True, slots=True)
class Wheel:
    """Wheel at design height; spin axis points left (+y); angles as in ISO 8855."""

    on: str
    centre: Vec
    u_centre: float
    loaded_radius: float
    u_loaded_radius: float
    toe_in: float
    camber: float
    spin_inertia: float
    u_spin_inertia: float


@dataclass(frozen=True, slots=True)
class Brake:
    """`outboard` on the upright, `inboard` on the chassis, or `none`; torque in N m per Pa."""

    place: Literal["outboard", "inboard", "none"]
    torque_per_pressure: float
    u_torque_per_pressure: float


@dataclass(frozen=True, slots=True)
class Corner:
    """One wheel with its suspension.

    `bush_rate` is the vertical stiffness at the wheel that twisted bushes make beside the springs
    [N/m]; as they twist, they load the links, too.  Spherical bearings have none.  `axle` names
    the axle that ties the corner to its partner, `steered_by_axle` says whether a support of that
    axle or of the partner moves with the rack.  `final_drive` are the turns of a propeller shaft
    per turn of the wheel, if the differential is part of the axle that carries the wheel, else 0.
    `axle_mass` is the part of its unsprung mass that is in the middle of that axle.
    """

    name: str
    bodies: tuple[str, ...]
    supports: tuple[Support, ...]
    gauges: tuple[Gauge, ...]
    wheel: Wheel
    brake: Brake
    driven: bool
    unsprung_mass: float
    u_unsprung_mass: float
    travel_range: tuple[float, float]
    droop_travel: float
    u_droop_travel: float
    bush_rate: float = 0.0
    u_bush_rate: float = 0.0
    axle: str = ""
    steered_by_axle: bool = False
    final_drive: float = 0.0
    axle_mass: float = 0.0

    @property
    def left(self) -> bool:
        """True for the corners on the left."""
        return self.name.endswith("L")

    @property
    def hanging_travel(self) -> float:
        """Where a wheel off the ground comes to rest, within the stated range, in m."""
        return max(self.droop_travel, self.travel_range[0])

    @property
    def steered(self) -> bool:
        """True where a support of its own, of its axle or of its partner moves with the rack."""
        return self.steered_by_axle or any(s.on_rack for s in self.supports)

    def support_index(self, name: str) -> int:
        """Position of the support called `name`."""
        return [s.name for s in self.supports].index(name)


@dataclass(frozen=True, slots=True)
class Axle:
    """Bodies and supports that tie two corners; a corner's body is here `RL.upright`.

    `final_drive` are the turns of the propeller shaft per turn of the wheels, if the differential
    is part of the axle, else 0; NaN where the file does not say.  `mass` is that between the
    wheels, part of the unsprung masses of both; 0 where it is not stated.
    """

    name: str
    bodies: tuple[str, ...]
    supports: tuple[Support, ...]
    gauges: tuple[Gauge, ...] = ()
    final_drive: float = float("nan")
    mass: float = 0.0

    @property
    def corners(self) -> tuple[str, str]:
        """The two corners, left one first."""
        return SIDES[self.name]


@dataclass(frozen=True, slots=True)
class Tyre:
    """Priors of the moments at the contact, stated, never "in or out".

    Aligning moment Mz = -trail * Fy, overturning moment Mx = shift * Fz with
    shift = shift_per_force * Fy.
    """

    trail: float = 0.020
    u_trail: float = 0.015
    shift_per_force: float = 5.0e-6
    u_shift: float = 0.010
    floor_moment: float = 10.0


@dataclass(frozen=True, slots=True)
class Steering:
    """Rack range [m] and rack shift per radian of the steering wheel [m/rad], NaN if not stated."""

    rack_range: tuple[float, float] = (0.0, 0.0)
    rack_per_angle: float = float("nan")


@dataclass(frozen=True, slots=True)
class Sensors:
    """Fixed errors of the ordinary sensors (one draw per session), standard uncertainties, SI."""

    u_travel: float = 0.001
    u_travel_share: float = 0.005
    u_steer: float = 0.0035
    u_attitude: float = 0.0017
    u_hub_acceleration: float = 0.2
    u_hub_acceleration_share: float = 0.02


@dataclass(frozen=True, slots=True)
class Assumed:
    """A value that the file does not state: `key` of `owner`, with what was `taken` instead."""

    owner: str
    key: str
    of: str
    taken: str

    def __str__(self) -> str:
        """The default in one sentence."""
        return (
            f"{self.owner}: {self.key}{self.of} not stated, taken as {self.taken} "
            "(common practice, no source)"
        )


@dataclass(frozen=True, slots=True)
class Vehicle:
    """The whole car as its file describes it; `corners` holds only the corners described.

    `stated_wheelbase` [m] is NaN where the file does not state it.
    """

    name: str
    source: str
    mass: float
    u_mass: float
    centre_of_mass: Vec
    u_centre_of_mass: Vec
    corners: dict[str, Corner]
    tyre: Tyre
    steering: Steering
    sensors: Sensors
    assumed: tuple[Assumed, ...] = ()
    path: str = ""
    checksum: str = ""
    axles: dict[str, Axle] = field(default_factory=dict)
    stated_wheelbase: float = float("nan")

    def __repr__(self) -> str:
        """The line that a notebook shows; all numbers would fill ten screens."""
        gauges = len(self.gauges)
        return f"Vehicle {self.name}: {', '.join(self.corners)}, {gauges} gauges, {self.path}"

    def __hash__(self) -> int:
        """Of what tells most cars apart, so that what is worked out of a car can be kept."""
        return hash((self.name, self.mass, self.path, self.checksum))

    @property
    def wheelbase(self) -> float:
        """Distance of the axles [m]: by their wheels, or as stated; NaN if neither is there."""
        front, rear = (
            [c.wheel.centre[0] for name, c in self.corners.items() if name.startswith(end)]
            for end in "FR"
        )
        if front and rear:
            return sum(front) / len(front) - sum(rear) / len(rear)
        return self.stated_wheelbase

    @property
    def gauges(self) -> tuple[tuple[str, Gauge], ...]:
        """(corner, gauge) of every channel, in the order of corners and of the file.

        Gauges of an axle follow, with the axle's name in place of the corner's.
        """
        parts: tuple[Corner | Axle, ...] = (*self.corners.values(), *self.axles.values())
        return tuple((part.name, g) for part in parts for g in part.gauges)

    def axle_of(self, corner: str) -> Axle | None:
        """The axle that ties `corner` to its partner, None where it stands alone."""
        return next((a for a in self.axles.values() if corner in a.corners), None)
