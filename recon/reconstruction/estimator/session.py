"""A session as preparation needs it: noise, zeros, tares and sensors, in small objects.

`channels.session_of` makes them from a conditioned log; they can be written by hand as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign

from recon.base.arrays import Floats
from recon.reconstruction.estimator.tare_load import Tare

Three = tuple[float, float, float]
# Rise of an indication per kelvin, relative, from memory: the modulus of steel falls by 3e-4 and
# the factor of constantan gauges rises by 1e-4, which makes 4e-4; gauges made to match the modulus
# have nearly 0.  In between lies what is taken off, and u is the distance to either.
THERMAL_SLOPE = U_THERMAL_SLOPE = 2e-4


@dataclass(frozen=True, slots=True)
class Attitude:
    """Source of the body's roll and pitch, and their standard uncertainties [rad].

    `on_springs` is the part of both in which the body leans on its springs: travels that are
    calculated from the attitude have the same error.
    `source` is "logged", "travel" (of four wheels), "acceleration" (of the body) or "none" (the
    body is taken as level); see `attitude`.
    """

    source: str = "logged"
    u_roll: float = 0.0
    u_pitch: float = 0.0
    on_springs: tuple[float, float] = (0.0, 0.0)

    @property
    def part(self) -> str:
        """Part of the uncertainty that it belongs to."""
        return "session" if self.source == "logged" else "assumption"


@dataclass(frozen=True, slots=True)
class Steer:
    """Source of the rack's shift and its standard uncertainty: fixed [m], and relative to it.

    `source` is the channel: "rack", "steer" or "steering_wheel_angle"; "yaw_rate" or
    "inferred_steer" where the steer is calculated from that or from the gauges; "none" where
    nothing shows it; "fixed" where no wheel steers.
    `u_heading` [rad] goes with the rack's error and is signed: some racks sit behind the axle.
    """

    source: str = "rack"
    u_rack: float = 0.0
    u_heading: float = 0.0
    share: float = 0.0

    @property
    def logged(self) -> bool:
        """True where the steer has a channel of its own, or needs none."""
        return self.source not in ("none", "yaw_rate", "inferred_steer")

    @property
    def is_heading(self) -> bool:
        """True where the source shows the heading of the wheels, not the rack."""
        return self.source in ("steer", "yaw_rate", "inferred_steer")

    @property
    def way(self) -> float:
        """1 where a rack that moves to the left steers to the left, -1 where it does the other."""
        return copysign(1.0, self.u_heading)


@dataclass(frozen=True, slots=True)
class WheelSensors:
    """Standard uncertainties, fixed over a session, of what was logged of a wheel or replaces it.

    `travel` [m] and `travel_share` relative; `travel_of_lean` (2,) [m] is the error that goes with
    one standard uncertainty of roll and of pitch on the springs; `travel_from` is "logged",
    "attitude" (roll and pitch of the body), "spring" (its load and rate) or "none"; `rack` [m] and
    the `heading` [rad] that goes with it (signed: rack to the left may steer to the right), and
    `rack_share` relative to the rack's shift; `acceleration` (3,) [m/s2] and its share;
    `hop_share` is relative to the vertical motion of the wheel where gauges show it;
    `acceleration_from` names for each axis its source: "hub", "body" or "none"; where it is not
    the hub and `moves` is true, the motion of the wheel centre against the body is
    added, see `conditioning.hub_motion`.  `acceleration_of_body` (3,) [m/s2] is an error of the
    body's, which all corners share.  `hub_noise` (3,) [m/s2] is that of single samples after
    filtering.  `braking_known` is true where the line of any axle has a pressure sensor.
    """

    travel: float = 0.0
    travel_share: float = 0.0
    travel_of_lean: tuple[float, float] = (0.0, 0.0)
    travel_from: str = "logged"
    rack: float = 0.0
    heading: float = 0.0
    rack_share: float = 0.0
    steer_logged: bool = True
    acceleration: Three = (0.0, 0.0, 0.0)
    acceleration_share: Three = (0.0, 0.0, 0.0)
    hop_share: float = 0.0
    acceleration_from: tuple[str, str, str] = ("hub", "hub", "hub")
    moves: bool = False
    acceleration_of_body: Three = (0.0, 0.0, 0.0)
    hub_noise: Three = (0.0, 0.0, 0.0)
    pressure_logged: bool = False
    braking_known: bool = False

    @property
    def travel_logged(self) -> bool:
        """True where the travel has a channel of its own."""
        return self.travel_from == "logged"


@dataclass(frozen=True, slots=True)
class AssemblySession:
    """Noise, zeros and sensors of one assembly in a session.

    `noise` (gauge,) of single samples after filtering and `u_zero` (gauge,), both in the gauges'
    units; `warming` is how far the mean temperature is from that of the pulls [K], and `u_thermal`
    what that leaves unsure of all indications, relative [1]; `wheels` hold the sensors, wheel by
    wheel; `outages` are sets of gauges that fail together for a while; `warmth` is the mean
    temperature above that of the pulls [K], 0 if it is not known; `damper_force` [N] is
    what dampers usually gave a wheel in the drive; `drift` (gauge,) is what the zeros are off by in
    each gauge's unit, all at once, if the tares show that they drift together; `u_clock` [s] is
    that of the clock of the gauges on that of the log, if another logger has them.
    """

    noise: Floats
    u_zero: Floats
    tare: Tare
    warming: float
    wheels: tuple[WheelSensors, ...]
    outages: tuple[tuple[str, ...], ...] = ()
    u_thermal: float = 0.0
    warmth: float = 0.0
    damper_force: float = 0.0
    drift: Floats | None = None
    u_clock: float = 0.0


@dataclass(frozen=True, slots=True)
class Session:
    """A session of the car: `assemblies` by name are those whose gauges are all there."""

    attitude: Attitude
    steer: Steer
    assemblies: dict[str, AssemblySession]
