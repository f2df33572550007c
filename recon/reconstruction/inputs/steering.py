"""Shift of the steering rack: from its own channels, or from how the car turns.

A car of wheelbase L that turns at the yaw rate r and speed v steers about

    d = L r / v + L r' / (c g)                                                   (1)

The second term is the slip of front tyres of cornering stiffness c per radian and newton of load
that turns a car whose yaw inertia is mass times the distances of both axles.  Understeer is left
to the uncertainty, which is a fixed one and one relative to the steer: on a straight the wheels
point ahead, and in a hairpin most of the error grows with the angle.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.conditioning.hub_motion import steer_channel
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import pose
from recon.reconstruction.estimator.session import Steer
from recon.reconstruction.inputs.attitude import has_four_wheels
from recon.reconstruction.inputs.logged_channels import specific_force, warn_of_prior

# Common practice, no source.
U_RACK_UNKNOWN = 0.010  # m, where nothing shows the steer
CORNERING, U_SLIP_SHARE = 20.0, 0.6  # per rad, of the load; relative, of the second term of (1)
U_STEER = 0.004  # rad: offset of the wheel's heading, sideslip
U_UNDERSTEER = 0.001  # rad per m/s2 sideways, half a degree per g, far from the limit of tyres
USUAL_LIMIT, LARGEST, MOST_USED = 8.0, 0.99, 0.95  # m/s2; quantile; share of a tyre's limit
U_NEAR_LIMIT = 0.6  # of the slip near the limit: the other axle slips as well, less or more
SLOWEST = 3.0  # m/s, below which a car turns by its geometry anyhow
YAW = {"yaw_acceleration", "speed"}  # channels that show the steer together
U_ASIDE = 0.3  # m/s2: the acceleration sideways is at least as unsure
INFERRED = "inferred_steer"  # see `steer_from_gauges`
U_INFERRED, SHARE_INFERRED = "u_inferred_steer", "share_inferred_steer"


class Spread(NamedTuple):
    """Standard uncertainty of a heading: fixed `u` [rad], and `share` relative to the heading."""

    u: float
    share: float

    @classmethod
    def of(cls, parts: Iterable[Floats], heading: Floats, aside: Floats) -> Spread:
        """From standard uncertainties (sample,) [rad] beside `U_STEER`, at each heading (sample,).

        `aside` (sample,) [m/s2] is the acceleration sideways.  An error of the heading turns the
        lateral force: samples count by its square.
        """
        from scipy.optimize import nnls

        weight = aside**2 + U_ASIDE**2
        design = np.column_stack([np.ones_like(heading), heading**2])
        square = np.sum(np.square([*parts]), axis=0)
        (fixed, growing), _ = nnls(design * weight[:, None], square * weight)
        return cls(float(np.hypot(U_STEER, np.sqrt(fixed))), float(np.sqrt(growing)))


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
    cure = _unused_angle(log) or " Log steer, rack or steering_wheel_angle."
    warn_of_prior(
        f"{log.attrs.get('path', 'log')}: steer is not logged; the rack is taken as straight "
        f"within {1e3 * U_RACK_UNKNOWN:.0f} mm.{cure}"
    )
    return Steer("none", U_RACK_UNKNOWN, U_RACK_UNKNOWN * _heading_slope(assemblies))


def _unused_angle(log: xr.Dataset) -> str:
    """A sentence on an angle of the steering wheel that is logged and of no use, or nothing."""
    if "steering_wheel_angle" not in log:
        return ""
    return (
        " steering_wheel_angle is logged, but shows no steer before the vehicle file says how far "
        "the rack moves per turn: state rack_mm_per_turn."
    )


def lacks_steer(log: xr.Dataset, car: Vehicle) -> bool:
    """True where a car with four wheels steers, and neither steer nor yaw rate shows how."""
    steered = has_four_wheels(car) and any(corner.steered for corner in car.corners.values())
    return steered and steer_channel(log, car) is None and not set(log) >= YAW


def logged_steer(source: str, car: Vehicle, assemblies: dict[str, Assembly]) -> Steer:
    """The rack's shift from the channel `source`, with the stated error of the steer sensor."""
    return _of_heading(source, Spread(car.sensors.u_steer, 0.0), assemblies)


def _of_heading(source: str, known: Spread, assemblies: dict[str, Assembly]) -> Steer:
    """The rack's shift from a heading."""
    slope = _heading_slope(assemblies)
    u = known.u / abs(slope) if slope != 0 else 0.0
    return Steer(source, u, u * slope, known.share)


def _from_yaw(log: xr.Dataset, car: Vehicle) -> Spread | None:
    """Uncertainty of the steer that the yaw rate shows, None where it does not."""
    force = specific_force(log)
    if force is None or not has_four_wheels(car) or not set(log) >= YAW:
        return None
    slip, aside = slip_of_yaw(car, log["yaw_acceleration"].to_numpy()), force[1]
    heading = steer_of_yaw(log, car)
    on = np.isfinite(slip + aside + heading)
    parts = (U_SLIP_SHARE * slip[on], u_understeer(aside[on]))
    known = Spread.of(parts, heading[on], aside[on])
    _warn_of_steer(log, "yaw rate and speed", known)
    return known


def _from_gauges(log: xr.Dataset) -> Spread | None:
    """Uncertainty of the steer that the gauges show, None where they do not."""
    if INFERRED not in log:
        return None
    known = Spread(float(log[U_INFERRED]), float(log[SHARE_INFERRED]))
    how = "" if "speed" in log else ", which show the speed of the car as well"
    _warn_of_steer(log, f"its accelerations by the gauges{how}", known)
    return known


def _warn_of_steer(log: xr.Dataset, source: str, known: Spread) -> None:
    warn_of_prior(
        f"{log.attrs.get('path', 'log')}: steer is not logged; it is calculated from {source}, "
        f"with a standard uncertainty of {np.degrees(known.u):.2g} degrees and "
        f"{100 * known.share:.0f} % of the steer.{_unused_angle(log)}"
    )


def steer_of_yaw(log: xr.Dataset, car: Vehicle) -> Floats:
    """Mean heading (sample,) [rad] of the front wheels by yaw rate, its change, and speed."""
    speed = np.maximum(log["speed"].to_numpy(), SLOWEST)
    turning = car.wheelbase * log["yaw_rate"].to_numpy() / speed
    return np.asarray(turning + slip_of_yaw(car, log["yaw_acceleration"].to_numpy()))


def slip_of_yaw(car: Vehicle, change: Floats) -> Floats:
    """Steer (sample,) [rad] beyond that of a steady turn, for a `change` of yaw rate [rad/s2]."""
    return car.wheelbase * change / (CORNERING * STANDARD_GRAVITY)


def u_understeer(aside: Floats) -> Floats:
    """Standard uncertainty (sample,) [rad] of the slip of one axle's tyres beside the other's.

    `aside` (sample,) [m/s2] is the acceleration sideways; the largest of the drive, or a usual one,
    is taken as the limit of the tyres.  By the brush model (from memory: H. B. Pacejka, Tyre and
    Vehicle Dynamics) a tyre of friction m that uses a share s of it slips by
    3 m / c (1 - (1 - s)^(1/3)), near its limit far more than the m s / c of a tyre without one.
    """
    largest = float(np.quantile(np.abs(aside), LARGEST)) if len(aside) else 0.0
    limit = max(largest, USUAL_LIMIT)
    used = np.minimum(np.abs(aside) / limit, MOST_USED)
    more = (3.0 * (1.0 - np.cbrt(1.0 - used)) - used) * limit / STANDARD_GRAVITY / CORNERING
    return np.hypot(U_UNDERSTEER * aside, U_NEAR_LIMIT * more)


def _heading_slope(assemblies: dict[str, Assembly]) -> float:
    """Heading per rack shift [rad/m] at design height, mean of the steered wheels, signed."""
    slopes = []
    for assembly in assemblies.values():
        steered = [k for k, corner in enumerate(assembly.corners) if corner.steered]
        if steered:
            wheels = pose(assembly.mechanism, 0.0, np.array([-1e-3, 1e-3])).wheels
            slopes += [float(np.diff(wheels[k].heading)[0]) / 2e-3 for k in steered]
    return float(np.mean(slopes)) if slopes else 0.0
