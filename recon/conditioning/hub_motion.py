"""Acceleration of the wheel centres against the centre of mass, from other channels.

Where an axis of the hub's acceleration is not logged, the body's is used, and the wheel centre
moves against the body by

    x:  -r' y - r^2 x + p'' z
    y:   r' x - r^2 y - q'' z + (dy/dt) t''
    z:   t'' + q'' y - p'' x

with yaw rate r, roll q, pitch p and travel t; x, y, z lead from the centre of mass to the wheel
centre and dy/dt is the sideways motion of the wheel centre per travel.  Rigid bodies, small angles;
the tyre stays where it touches the road.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import Variable, corner_names, stamped
from recon.base.late import xr
from recon.car.linkage import linkage_of
from recon.car.vehicle import Vehicle
from recon.conditioning.derivative import HOP, SHOWN, Derivative, derivative, differences
from recon.conditioning.filters import Band, low_pass
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.mechanics.motion import pose
from recon.records.scratch import columns

# What the equations leave out, as standard uncertainties.  Sizes are those found on an invented car
# with another model of its motion, and on virtual cars; no source.
SIDE_DENSITY, SIDE_CORNER = 0.015, 15.0  # (m/s2)2/Hz up to 15 Hz, then falling: sideways shaking
QUICK = 5.0  # Hz, from which on gauges on straights may show that shaking
YAW_SHARE = (0.6, 0.15)  # of the yaw terms along x and y: sideslip, place of the accelerometer
# Of yaw from speed: sideslip that comes and goes is not seen, nor yaw quicker than sideways
# acceleration is yaw at all, for above that the body leans and shakes.
SPEED_SHARE = (0.6, 0.3)
YAW_TOP, QUICK_YAW = 2.0, 0.2  # Hz, rad/s2
SHAKE_SHARE = (0.05, 0.15)  # of the vertical motion along x and y: bushes, arms that are not level
NO_ATTITUDE = 0.5  # m/s2 vertically, roll and pitch not logged: the body as if it did not turn
NO_YAW = 1.5  # m/s2 along x and y, neither yaw rate nor speed logged
# Vertical motion of a wheel without travel: density of its acceleration on a smooth road, rising
# to wheel hop and falling above; 0.6 m/s2 at 8 Hz, 1.65 at 30 Hz.
ROAD_DENSITY = 0.3  # (m/s2)2/Hz
STEP = 0.005  # m, for slopes over travel
SLOWEST = 3.0  # m/s, for yaw rate from speed

MOTION = {
    "relative_acceleration": Variable(
        ("elapsed_time", "corner", "component"),
        "acceleration of the wheel centre against the centre of mass, inferred",
        "m/s2",
    ),
    "u_relative_acceleration": Variable(
        ("corner", "component"), "standard uncertainty of it at the bandwidth", "m/s2"
    ),
    "u_side_shaking": Variable(
        ("corner",), "part of it along y: sideways shaking quicker than 5 Hz, assumed", "m/s2"
    ),
}
HOP_SHARE = "u_share_of_hop"  # of vertical motion that gauges show, relative; see `from_gauges`
YAW_BY_SPEED = "yaw_by_speed"  # yaw rate that the motion of the wheels has, where none is logged
YAW_CHANGE = "change_of_yaw"  # its change over time, logged or not
HOP_BAND = (3.0, 30.0)  # Hz; below it springs carry the body, above there is nothing but noise


@dataclass(frozen=True, slots=True)
class Turn:
    """How a body yaws: `yaw` (sample,) [rad/s] and its `change` [rad/s2].

    `share` (2,) of its terms along x and y, and so much yaw [rad/s2] as is `unseen`, are not known.
    """

    yaw: Floats
    change: Derivative
    share: tuple[float, float]
    unseen: float = 0.0

    def terms(self, arm: Floats) -> tuple[Floats, Floats]:
        """Terms of yaw (sample, 2) along x and y at `arm` (3,) [m], and their u (2,) [m/s2]."""
        terms = turning(self.yaw, self.change.values, arm)
        size = np.sqrt(np.nanmean(np.square(terms), axis=0))
        other = np.hypot(self.change.u, self.unseen) * np.abs(arm[[1, 0]])
        return terms, np.hypot(np.array(self.share) * size, other)


@dataclass(frozen=True, slots=True)
class Motion:
    """The body's yaw, second derivatives of roll and pitch [rad/s2]; None where not found."""

    turn: Turn | None
    roll: Derivative | None
    pitch: Derivative | None


@dataclass(frozen=True, slots=True)
class _Wheel:
    """Relative acceleration `value` (sample, 3) of one wheel centre and its `u` (3,) [m/s2].

    `shaking` [m/s2] is the part of u along y that is quick shaking.
    """

    value: Floats
    u: Floats
    shaking: float


def arm_of(car: Vehicle, name: str) -> Floats:
    """Place (3,) of a wheel centre from the centre of mass, vehicle axes [m]."""
    return np.array(car.corners[name].wheel.centre) - np.array(car.centre_of_mass)


def side_spectrum(bandwidth: float) -> float:
    """Sideways acceleration [m/s2 rms] that the equations leave out, up to a bandwidth [Hz]."""
    return float(np.sqrt(SIDE_DENSITY * SIDE_CORNER * np.arctan(bandwidth / SIDE_CORNER)))


def road_spectrum(bandwidth: float) -> float:
    """Vertical acceleration [m/s2 rms] of a wheel on a smooth road up to a bandwidth [Hz].

    Its density is (f / hop)^2 of `ROAD_DENSITY` up to wheel hop, and (hop / f)^3 of it above.
    """
    low = min(bandwidth, HOP)
    square = low**3 / (3 * HOP**2)
    if bandwidth > HOP:
        square += 0.5 * HOP * (1 - (HOP / bandwidth) ** 2)
    return float(np.sqrt(ROAD_DENSITY * square))


def unseen_share(edge: float, top: float) -> float:
    """Variance of a wheel's vertical acceleration from `edge` to `top` [Hz], over that below."""
    return float((road_spectrum(max(edge, top)) / road_spectrum(edge)) ** 2 - 1)


def with_hub_motion(out: xr.Dataset, log: xr.Dataset, car: Vehicle, band: Band) -> xr.Dataset:
    """The conditioned log `out` with `MOTION`, if the acceleration of a gauged hub is incomplete.

    `log` has the channels as logged, `out` filtered at the bandwidth of `band`.  Where no channel
    shows the steer, `yaw_acceleration` (sample,) [rad/s2] is added as well.
    """
    out = _with_yaw_acceleration(out, log, car, band)
    if not _wanted(log, car):
        return out
    motion = _body_motion(out, log, band)
    # Sideways motion by travel matters only beside a body acceleration that is known.
    known = "travel" in log and "acceleration" in log
    slopes = _slopes(assemblies_of(car)) if known else {}
    names = corner_names(log)
    relative, u = columns((log.sizes["elapsed_time"], len(names), 3)), np.empty((len(names), 3))
    shaking = np.empty(len(names))
    for k, name in enumerate(names):
        wheel = _of_corner(log, car, name, motion, slopes.get(name, 0.0), band)
        relative[:, k], u[k], shaking[k] = wheel.value, wheel.u, wheel.shaking
    arrays = dict(zip(MOTION, (relative, u, shaking), strict=True))
    out = out.assign_coords(component=["x", "y", "z"])
    if motion.turn is not None:
        words = {"units": "rad/s2", "long_name": "yaw acceleration in the motion of the wheels"}
        out[YAW_CHANGE] = (("elapsed_time",), motion.turn.change.values, words)
        if "yaw_rate" not in log:
            words = {"units": "rad/s", "long_name": "yaw rate by speed and sideways acceleration"}
            out[YAW_BY_SPEED] = (("elapsed_time",), motion.turn.yaw, words)
    if top_of(band) > HOP_BAND[0]:
        rate = _rate_of(out["indication"].to_numpy(), band)
        out["indication_rate"] = (("elapsed_time", "gauge"), rate)
    return out.assign(stamped(MOTION, arrays))


def steer_channel(log: xr.Dataset, car: Vehicle) -> str | None:
    """Channel of a log that shows the steer by itself."""
    channels = ["rack", "steer"]
    if np.isfinite(car.steering.rack_per_angle):
        channels.append("steering_wheel_angle")
    return next((name for name in channels if name in log), None)


def _with_yaw_acceleration(
    out: xr.Dataset, log: xr.Dataset, car: Vehicle, band: Band
) -> xr.Dataset:
    if "yaw_rate" not in log or steer_channel(log, car) is not None:
        return out
    found = _derivative_of(log["yaw_rate"], 1, band)
    if found is None:
        return out
    words = {"units": "rad/s2", "long_name": "change of the yaw rate"}
    return out.assign(yaw_acceleration=(("elapsed_time",), found.values, words))


def top_of(band: Band) -> float:
    """Highest frequency [Hz] that a conditioned log holds."""
    return min(band.bandwidth, 0.5 * band.rate)


def _rate_of(indication: Floats, band: Band) -> Floats:
    """Change over time of filtered indications (sample, gauge) within `HOP_BAND`, per second."""
    low, high = HOP_BAND
    slow = low_pass(indication, low, band.rate, band.parts)
    fast = indication  # filtered twice, it would show less of a wheel hop above the bandwidth
    if top_of(band) > high:
        fast = low_pass(indication, high, band.rate, band.parts)
    return differences(fast - slow, 1, band)


def shows_yaw(log: xr.Dataset) -> bool:
    """True where the body's yaw is logged, or follows from its speed and acceleration."""
    return "yaw_rate" in log or {"speed", "acceleration"} <= set(log)


def _wanted(log: xr.Dataset, car: Vehicle) -> bool:
    """True where an axis of the hub of a gauged wheel has no number at all."""
    if "hub_acceleration" not in log:
        return True
    logged = set(map(str, log["gauge"].to_numpy()))
    gauged = {assembly for assembly, gauge in car.gauges if gauge.name in logged}
    sides = {side.name for name in gauged for side in linkage_of(car, name).corners}
    at = [k for k, name in enumerate(corner_names(log)) if name in sides]
    values = log["hub_acceleration"].to_numpy()
    return not all(np.isfinite(values[:, k, axis]).any() for k in at for axis in range(3))


def _body_motion(out: xr.Dataset, log: xr.Dataset, band: Band) -> Motion:
    turn = None
    if "yaw_rate" in log:
        change = _derivative_of(log["yaw_rate"], 1, band)
        turn = None if change is None else Turn(out["yaw_rate"].to_numpy(), change, YAW_SHARE)
    elif shows_yaw(log):
        aside, speed = log["acceleration"], log["speed"].to_numpy()
        turn = turn_by_speed(aside.to_numpy()[:, 1], speed, band, own_step(aside))
    roll, pitch = (
        _derivative_of(log[name], 2, band) if name in log else None for name in ("roll", "pitch")
    )
    both = roll is not None and pitch is not None
    return Motion(turn, roll if both else None, pitch if both else None)


def turn_by_speed(
    aside: Floats, speed: Floats | float, band: Band, own_step: float = 0.0
) -> Turn | None:
    """How a car without sideslip yaws: by its acceleration `aside` over its speed, up to `YAW_TOP`.

    `aside` (sample,) [m/s2]; `speed` (sample,) or one number [m/s]; `own_step` [s] as in
    `derivative`.  None where the drive is too short.
    """
    raw = aside / np.maximum(speed, SLOWEST)
    slow = replace(band, bandwidth=min(YAW_TOP, band.bandwidth))
    change = derivative(raw, 1, slow, own_step)
    if change is None:
        return None
    yaw = low_pass(raw[:, None], slow.bandwidth, slow.rate, slow.parts)[:, 0]
    return Turn(yaw, change, SPEED_SHARE, QUICK_YAW)


def _derivative_of(channel: xr.DataArray, order: int, band: Band) -> Derivative | None:
    return derivative(channel.to_numpy(), order, band, own_step(channel))


def own_step(channel: xr.DataArray) -> float:
    """Step [s] of a channel that was filled between its own samples, 0 of any other."""
    return float(channel.attrs.get("own_step", 0.0))


def _slopes(assemblies: dict[str, Assembly]) -> dict[str, float]:
    """Sideways motion of each wheel centre per travel [m/m] at design height."""
    out = {}
    for assembly in assemblies.values():
        for k, corner in enumerate(assembly.corners):
            travel = np.zeros((2, len(assembly.corners)))
            travel[:, k] = -STEP, STEP
            hub = pose(assembly.mechanism, travel).wheels[k].hub
            out[corner.name] = float((hub[1, 1] - hub[0, 1]) / (2 * STEP))
    return out


def _of_corner(
    log: xr.Dataset, car: Vehicle, name: str, motion: Motion, slope: float, band: Band
) -> _Wheel:
    """Relative acceleration of one wheel centre."""
    arm = arm_of(car, name)
    top = top_of(band)
    value = np.zeros((log.sizes["elapsed_time"], 3))
    u = np.array([0.0, side_spectrum(top), 0.0])
    vertical, square, shake = _vertical(log, name, motion, arm, band)
    value[:, 2] = vertical
    u[2] = np.sqrt(square)
    value[:, 1] += slope * vertical
    yaw, u_yaw = (0.0, np.full(2, NO_YAW)) if motion.turn is None else motion.turn.terms(arm)
    value[:, :2] += yaw
    u[1] = np.hypot(u[1], slope * u[2])
    u[:2] = np.sqrt(u[:2] ** 2 + u_yaw**2 + (np.array(SHAKE_SHARE) * shake) ** 2)
    slow = side_spectrum(min(QUICK, top))
    shaking = np.sqrt(side_spectrum(top) ** 2 - slow**2 + (SHAKE_SHARE[1] * shake) ** 2)
    if motion.roll is not None and motion.pitch is not None:
        value[:, 0] += arm[2] * motion.pitch.values
        value[:, 1] -= arm[2] * motion.roll.values
        u[:2] = np.hypot(u[:2], abs(arm[2]) * np.array([motion.pitch.u, motion.roll.u]))
    return _Wheel(value, u, float(shaking))


def _vertical(
    log: xr.Dataset, name: str, motion: Motion, arm: Floats, band: Band
) -> tuple[Floats, float, float]:
    """Vertical part (sample,), its variance, and the rms of the wheel's motion, from [m/s2]."""
    found, unseen = None, 0.0
    if "travel" in log:
        found = _derivative_of(log["travel"].sel(corner=name), 2, band)
        unseen = _unseen_road(log["travel"], band)
    if found is None:
        road = road_spectrum(top_of(band))
        return np.zeros(log.sizes["elapsed_time"]), road**2, road
    if motion.roll is None or motion.pitch is None:
        return found.values, found.u**2 + NO_ATTITUDE**2 + unseen, found.size
    # The body's turns are slow and have a filter of their own.
    value = found.values + arm[1] * motion.roll.values - arm[0] * motion.pitch.values
    own = np.array([1.0, arm[1], arm[0]]) * [found.u, motion.roll.u, motion.pitch.u]
    return value, float(np.sum(own**2)) + unseen, found.size


def _unseen_road(travel: xr.DataArray, band: Band) -> float:
    """Mean square [m2/s4] of a wheel's motion that is too fast for a slow travel channel."""
    step, top = own_step(travel), top_of(band)
    if step == 0.0 or SHOWN / step >= top:
        return 0.0
    return road_spectrum(top) ** 2 - road_spectrum(SHOWN / step) ** 2


def turning(yaw: Floats, change: Floats, arm: Floats) -> Floats:
    """Acceleration (sample, 2) [m/s2] along x and y of a point of a body that yaws.

    `yaw` and its `change` (sample,) [rad/s, rad/s2]; `arm` (3,) [m] leads from the centre of mass
    to the point.
    """
    square = yaw**2
    return np.column_stack([-change * arm[1] - square * arm[0], change * arm[0] - square * arm[1]])
