"""What one session says of its channels: noise, zeros, and the errors of ordinary sensors."""

from __future__ import annotations

from dataclasses import dataclass

from recon.base.arrays import Floats


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """Fixed standard uncertainties of what was logged of a wheel, or of what stands for it.

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
    """What a log and its tares say about one unit.

    `noise` (gauge,) after filtering and `u_zero` (gauge,) in the gauges' units; `tare_u`
    (gauge, k) signed effects of what the tare's state leaves open; `warming` mean temperature
    above the pulls' [K].  By wheel: `sensors`, `u_hub_noise` [m/s2], `tare_travel` [m] and
    `pressure_logged`.
    """

    noise: Floats
    u_zero: Floats
    tare_u: Floats | None
    warming: float
    sensors: tuple[SensorErrors, ...]
    u_hub_noise: tuple[float, ...]
    tare_travel: tuple[float, ...]
    pressure_logged: tuple[bool, ...]
