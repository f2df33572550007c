"""What a preparation has to know of a session: noise, zeros, tares and sensors, in small objects.

`channels.session_of` makes them from a conditioned log; they can be written by hand as well.
"""

from __future__ import annotations

from dataclasses import dataclass

from recon.base.arrays import Floats
from recon.reconstruction.tare import Tare

Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class WheelSensors:
    """Standard uncertainties, fixed over a session, of what was logged of a wheel or replaces it.

    `travel` [m], `travel_share` relative, `rack` [m] and the `heading` [rad] that goes with it
    (signed: rack to the left may steer to the right), `acceleration` (3,) [m/s2] and its share;
    `acceleration_from` names for each axis its source: "hub", "body" or "none".  `hub_noise` is
    that of single samples after filtering [m/s2].
    """

    travel: float = 0.0
    travel_share: float = 0.0
    travel_logged: bool = True
    rack: float = 0.0
    heading: float = 0.0
    steer_logged: bool = True
    acceleration: Three = (0.0, 0.0, 0.0)
    acceleration_share: Three = (0.0, 0.0, 0.0)
    acceleration_from: tuple[str, str, str] = ("hub", "hub", "hub")
    hub_noise: float = 0.0
    pressure_logged: bool = False


@dataclass(frozen=True, slots=True)
class AssemblySession:
    """What a log and its tares say about one assembly.

    `noise` (gauge,) of single samples after filtering and `u_zero` (gauge,), both in the gauges'
    units; `warming` is the mean temperature above that of the pulls [K]; `wheels` hold the
    sensors, wheel by wheel.
    """

    noise: Floats
    u_zero: Floats
    tare: Tare
    warming: float
    wheels: tuple[WheelSensors, ...]
