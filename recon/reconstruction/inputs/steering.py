"""Shift of the steering rack: from its own channels, or from how the car turns.

A car of wheelbase L that turns at the yaw rate r and speed v steers about

    d = L r / v + L r' / (c g)                                                   (1)

The second term is the slip of front tyres of cornering stiffness c per radian and newton of load
that turns a car whose yaw inertia is mass times the distances of both axles.  Understeer is left
to the uncertainty.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import pose
from recon.reconstruction.estimator.session import Steer
from recon.reconstruction.inputs.attitude import has_four_wheels
from recon.reconstruction.inputs.logged_channels import specific_force, warn_of_prior

# Common practice, no source.
U_RACK_UNKNOWN = 0.010  # m, where nothing shows the steer
CORNERING, U_SLIP_SHARE = 20.0, 0.6  # per rad, of the load; relative, of the second term of (1)
U_STEER = 0.004  # rad: offset of the wheel's heading, sideslip
U_UNDERSTEER = 0.001  # rad per m/s2 sideways, half a degree per g
SLOWEST = 3.0  # m/s, below which a car turns by its geometry anyhow
YAW = {"yaw_acceleration", "speed"}  # channels that show the steer together
INFERRED, U_INFERRED = "inferred_steer", "u_inferred_steer"  # see `steer_from_gauges`


def steer_of(log: xr.Dataset, car: Vehicle, assemblies: dict[str, Assembly]) -> Steer:
    """Best source of the rack's shift in the log."""
    if not any(corner.steered for corner in car.corners.values()):
        return Steer("fixed")
    source = steer_channel(log, car)
    if source is not None:
        return logged_steer(source, car, assemblies)
    for source, found in (("yaw_rate", _from_yaw(log, car)), (INFERRED, _from_gauges(log))):
        if found is not None:
            return _of_heading(source, found, assemblies)
    cure = "Log steer, rack or steering_wheel_angle."
    if "steering_wheel_angle" in log:
        cure = "steering_wheel_angle is logged: state rack_mm_per_turn in the vehicle file."
    warn_of_prior(
        f"{log.attrs.get('path', 'log')}: steer is not logged; the rack is taken as straight "
        f"within {1e3 * U_RACK_UNKNOWN:.0f} mm. {cure}"
    )
    return Steer("none", U_RACK_UNKNOWN, U_RACK_UNKNOWN * _heading_slope(assemblies))


def steer_channel(log: xr.Dataset, car: Vehicle) -> str | None:
    """Channel of a log that shows the steer by itself."""
    channels = ["rack", "steer"]
    if np.isfinite(car.steering.rack_per_angle):
        channels.append("steering_wheel_angle")
    return next((name for name in channels if name in log), None)


def lacks_steer(log: xr.Dataset, car: Vehicle) -> bool:
    """True where a car with four wheels steers, and neither steer nor yaw rate shows how."""
    steered = has_four_wheels(car) and any(corner.steered for corner in car.corners.values())
    return steered and steer_channel(log, car) is None and not set(log) >= YAW


def logged_steer(source: str, car: Vehicle, assemblies: dict[str, Assembly]) -> Steer:
    """The rack's shift from the channel `source`, with the stated error of the steer sensor."""
    return _of_heading(source, car.sensors.u_steer, assemblies)


def _of_heading(source: str, u_heading: float, assemblies: dict[str, Assembly]) -> Steer:
    """The rack's shift from a heading that is known within `u_heading` [rad]."""
    slope = _heading_slope(assemblies)
    u = u_heading / abs(slope) if slope != 0 else 0.0
    return Steer(source, u, u * slope)


def _from_yaw(log: xr.Dataset, car: Vehicle) -> float | None:
    """Standard uncertainty [rad] of the steer that the yaw rate shows, None where it does not."""
    force = specific_force(log)
    if force is None or not has_four_wheels(car) or not set(log) >= YAW:
        return None
    slip = slip_of_yaw(car, log["yaw_acceleration"].to_numpy())
    size = [float(np.sqrt(np.nanmean(np.square(values)))) for values in (slip, force[1])]
    u = float(np.linalg.norm([U_STEER, U_SLIP_SHARE * size[0], U_UNDERSTEER * size[1]]))
    _warn_of_steer(log, "yaw rate and speed", u)
    return u


def _from_gauges(log: xr.Dataset) -> float | None:
    """Standard uncertainty [rad] of the steer that the gauges show, None where they do not."""
    if INFERRED not in log:
        return None
    u = float(log[U_INFERRED])
    how = "" if "speed" in log else ", which show the speed of the car as well"
    _warn_of_steer(log, f"its accelerations by the gauges{how}", u)
    return u


def _warn_of_steer(log: xr.Dataset, source: str, u: float) -> None:
    warn_of_prior(
        f"{log.attrs.get('path', 'log')}: steer is not logged; it is calculated from {source}, "
        f"with a standard uncertainty of {np.degrees(u):.2g} degrees."
    )


def steer_of_yaw(log: xr.Dataset, car: Vehicle) -> Floats:
    """Mean heading (sample,) [rad] of the front wheels by yaw rate, its change, and speed."""
    speed = np.maximum(log["speed"].to_numpy(), SLOWEST)
    turning = car.wheelbase * log["yaw_rate"].to_numpy() / speed
    return np.asarray(turning + slip_of_yaw(car, log["yaw_acceleration"].to_numpy()))


def slip_of_yaw(car: Vehicle, change: Floats) -> Floats:
    """Steer (sample,) [rad] beyond that of a steady turn, for a `change` of yaw rate [rad/s2]."""
    return car.wheelbase * change / (CORNERING * STANDARD_GRAVITY)


def _heading_slope(assemblies: dict[str, Assembly]) -> float:
    """Heading per rack shift [rad/m] at design height, mean of the steered wheels, signed."""
    slopes = []
    for assembly in assemblies.values():
        steered = [k for k, corner in enumerate(assembly.corners) if corner.steered]
        if steered:
            wheels = pose(assembly.mechanism, 0.0, np.array([-1e-3, 1e-3])).wheels
            slopes += [float(np.diff(wheels[k].heading)[0]) / 2e-3 for k in steered]
    return float(np.mean(slopes)) if slopes else 0.0
