"""From a conditioned log to the inputs of an assembly, as a session was prepared for them.

Which channel is read is decided by the session, not by the log at hand: a block without a single
number in a channel has gaps, and does not fall back on another source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats, side_by_side
from recon.base.errors import DataError
from recon.base.late import xr
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.base.status import BIT
from recon.car.vehicle import Corner, Vehicle
from recon.conditioning.derivative import HOP
from recon.mechanics.assembly import Assembly
from recon.mechanics.axes import attitude_matrix
from recon.reconstruction.estimator.session import THERMAL_SLOPE, Session, WheelSensors
from recon.reconstruction.inputs.attitude import (
    Lean,
    has_four_wheels,
    of_travels,
    on_springs,
    on_tyres,
    travel_of,
)
from recon.reconstruction.inputs.brakes import HubMoment, maybe_braked
from recon.reconstruction.inputs.logged_channels import specific_force
from recon.reconstruction.inputs.session_of_log import tare_of
from recon.reconstruction.inputs.steering import steer_of_yaw
from recon.reconstruction.inputs.temperatures import above_pulls
from recon.reconstruction.solving.solve import Samples
from recon.reconstruction.solving.solver import Solver

SteerToRack = Callable[[ArrayLike], Floats]


@dataclass(frozen=True, slots=True)
class Body:
    """Inputs that all corners share, (sample,): time [s], rack [m] and `gaps` in either.

    `turn` (3, 3, sample) leads from vehicle to intermediate axes; `force` (3, sample) is the
    specific force of the body [m/s2], gravity alone where it is not logged; `lean` is that of the
    body on its springs.
    """

    elapsed: Floats
    turn: Floats
    rack: Floats
    force: Floats
    lean: Lean
    gaps: NDArray[np.bool_]
    steer_gaps: NDArray[np.bool_]


def body_of(log: xr.Dataset, car: Vehicle, session: Session, to_rack: SteerToRack) -> Body:
    """Attitude, rack and specific force of the body in a log.

    `to_rack` gives the rack's shift [m] for a steer angle [rad], see `rack_of_steer`.

    Raises DataError: a channel that the session was prepared with is not in the log.
    """
    elapsed = log.variables["elapsed_time"].to_numpy()
    lean, level = _leans(log, car, session)
    gaps = ~(np.isfinite(level.roll) & np.isfinite(level.pitch))
    turn = attitude_matrix(np.nan_to_num(level.roll), np.nan_to_num(level.pitch))
    turn = np.moveaxis(turn, 0, -1)
    source = session.steer.source
    steer = _steer(log, car, source)
    rack = np.nan_to_num(steer)
    if source == "steering_wheel_angle":
        # Whoever turns the wheel to the left drives to the left, also by a rack behind the axle.
        rack = rack * car.steering.rack_per_angle * session.steer.way
    if session.steer.is_heading:
        rack = to_rack(rack)
    if not session.steer.logged:
        rack = np.clip(rack, *car.steering.rack_range)
    return Body(
        elapsed=elapsed,
        turn=turn,
        rack=rack,
        force=_body_force(log, turn),
        lean=lean,
        gaps=gaps,
        steer_gaps=~np.isfinite(steer),
    )


def _steer(log: xr.Dataset, car: Vehicle, source: str) -> Floats:
    """Channel (sample,) that shows the steer, in its own unit."""
    if source in ("none", "fixed"):
        return np.zeros(log.sizes["elapsed_time"])
    if source == "yaw_rate":
        _channel(log, "yaw_acceleration")
        return steer_of_yaw(log, car)
    return _channel(log, source)


def _leans(log: xr.Dataset, car: Vehicle, session: Session) -> tuple[Lean, Lean]:
    """Lean of the body on its springs, and against the level, from the session's source."""
    source, force = session.attitude.source, specific_force(log)
    level = Lean(*np.zeros((2, log.sizes["elapsed_time"])))
    tyres = level if force is None or not has_four_wheels(car) else on_tyres(car, force)
    if source == "logged":
        level = Lean(_channel(log, "roll"), _channel(log, "pitch"))
        return level - tyres, level
    if source == "travel":
        of_wheels = {c: np.nan_to_num(_channel(log, "travel", c)) for c in CORNERS}
        springs = of_travels(car, of_wheels)
    elif source == "acceleration":
        springs = on_springs(_channel(log, "acceleration").T)
    else:
        return level, level
    return springs, springs + tyres


def _body_force(log: xr.Dataset, turn: Floats) -> Floats:
    if "acceleration" not in log:
        return STANDARD_GRAVITY * turn[2]
    return np.asarray(log.variables["acceleration"].to_numpy().T)


def samples_of(log: xr.Dataset, car: Vehicle, solver: Solver, body: Body) -> Samples:
    """Inputs of one assembly with the flags that are known before solving.

    Raises DataError: a channel or gauge that the assembly was prepared with is not in the log, or
    the zeros were taken in another state.
    """
    assembly = solver.assembly
    _require_gauges(log, solver)
    wheels = [
        _wheel_samples(log, car, assembly, corner, sensors, body, solver.session.u_clock)
        for corner, sensors in zip(assembly.corners, solver.session.wheels, strict=True)
    ]
    there = log.get_index("gauge").tolist()
    order = [there.index(gauge) for gauge in solver.gauges]
    indication = side_by_side(log.variables["indication"].to_numpy(), order).T
    quick = np.zeros((0, len(body.elapsed)))
    if "quick_indication" in log.variables:
        quick = side_by_side(log.variables["quick_indication"].to_numpy(), order).T
    by_gauge = side_by_side(log.variables["gauge_status"].to_numpy(), order)
    status = np.array([w.status for w in wheels])
    for column in by_gauge.T:
        status |= column
    # A gap of one wheel of a tied axle leaves both unknown.
    status |= np.bitwise_or.reduce(status & (BIT["beyond_pose"] | BIT["missing_input"]), axis=0)
    return Samples(
        time=body.elapsed,
        indication=indication * (1.0 / (1.0 + THERMAL_SLOPE * _warmth(log, solver))),
        quick=quick,
        hub=np.concatenate([wheel.hub for wheel in wheels]),
        shaking=np.array([wheel.shaking for wheel in wheels]),
        brake_torque=np.array([wheel.hub_moment.torque for wheel in wheels]),
        brake_timing=np.array([wheel.hub_moment.timing for wheel in wheels]),
        travel=np.array([wheel.travel for wheel in wheels]),
        rack=body.rack if assembly.steered else np.zeros(len(body.rack)),
        turn=body.turn,
        mode=np.array([wheel.hub_moment.mode for wheel in wheels]),
        status=status.astype(np.uint16),
    )


def _warmth(log: xr.Dataset, solver: Solver) -> Floats:
    """Temperature (sample,) of an assembly's gauges above that of its pulls [K].

    Where a sample has none, the mean of the drive; 0 where no sample or the pulls have none, which
    the session's `u_thermal` allows for.
    """
    pulls = solver.estimator.calibration.conditions.temperature
    above = above_pulls(log, [c.name for c in solver.assembly.corners], pulls)
    return np.where(np.isfinite(above), above, solver.session.warmth)


def _require_gauges(log: xr.Dataset, solver: Solver) -> None:
    """Refuse a log whose zeros mean another load, or that lacks a gauge of the assembly."""
    where, name = str(log.attrs.get("path", "log")), solver.assembly.name
    if name not in log.get_index("tared_corner"):
        raise DataError(
            where=where,
            found=f"no tare of corner {name}",
            needed="tares of every corner that was prepared",
            do="Condition the log with a tare of this corner, or prepare without it.",
        )
    there = log.get_index("gauge")
    missing = [gauge for gauge in solver.gauges if gauge not in there]
    if missing:
        raise DataError(
            where=f"{where}, corner {name}",
            found=f"no gauge {', '.join(missing)}",
            needed="every gauge that was prepared",
            do="Map the channel, or prepare anew with this log.",
        )
    found, needed = tare_of(log, name), solver.session.tare
    if str(found) != str(needed):
        raise DataError(
            where=f"{where}, corner {name}",
            found=str(found),
            needed=f"{needed}, as was prepared",
            do="Prepare anew with this log.",
        )


@dataclass(frozen=True, slots=True)
class _WheelSamples:
    status: NDArray[np.uint16]
    hub: Floats
    shaking: Floats
    travel: Floats
    hub_moment: HubMoment


def _wheel_samples(
    log: xr.Dataset,
    car: Vehicle,
    assembly: Assembly,
    corner: Corner,
    sensors: WheelSensors,
    body: Body,
    u_clock: float,
) -> _WheelSamples:
    n = len(body.elapsed)
    travel = _travel(log, car, corner.name, sensors, body)
    hub = _hub_force(log, corner.name, sensors, body)
    low, high = corner.travel_range
    outside = (travel < low) | (travel > high)
    missing = body.gaps | ~np.isfinite(travel) | ~np.isfinite(hub).all(axis=0)
    if assembly.steered:
        rack_low, rack_high = car.steering.rack_range
        outside |= (body.rack < rack_low) | (body.rack > rack_high)
        missing |= body.steer_gaps
    hub_moment = HubMoment.of_rolling(n)
    if corner.brake.place == "outboard" and not sensors.pressure_logged:
        hub_moment.mode[:] = maybe_braked(log, n)
    elif corner.brake.place == "outboard":
        pressure = _channel(log, "brake_pressure", corner.name)
        missing |= ~np.isfinite(pressure)
        hub_moment = HubMoment.of_brake(log, corner, pressure, u_clock)
    status = np.zeros(n, dtype=np.uint16)
    status[outside] |= BIT["beyond_pose"]
    status[missing] |= BIT["missing_input"]
    status[hub_moment.mode == 2] |= BIT["wheel_locked"]
    travel = np.clip(np.where(np.isfinite(travel), travel, 0.0), low, high)
    shaking = _shaking(log, corner.name, sensors, hub)
    return _WheelSamples(status, hub, shaking, travel, hub_moment)


def _travel(
    log: xr.Dataset, car: Vehicle, corner: str, sensors: WheelSensors, body: Body
) -> Floats:
    """Travel (sample,) [m] of a wheel from its source; design height where there is none."""
    if sensors.travel_from == "none":
        return np.zeros(len(body.elapsed))
    if sensors.travel_from == "attitude":
        low, high = car.corners[corner].travel_range
        return np.clip(travel_of(car, corner, body.lean), low, high)
    return _channel(log, "travel", corner)


def _hub_force(log: xr.Dataset, corner: str, sensors: WheelSensors, body: Body) -> Floats:
    """Specific force (3, sample) [m/s2] of a hub, axis by axis from its best source."""
    sources = sensors.acceleration_from
    of = {"none": STANDARD_GRAVITY * body.turn[2], "body": body.force}
    if sensors.moves:
        against_body = _channel(log, "relative_acceleration", corner).T
        of = {source: force + against_body for source, force in of.items()}
    if "hub" in sources:
        of["hub"] = _channel(log, "hub_acceleration", corner).T
    if len(set(sources)) == 1:
        return of[sources[0]]
    return np.array([of[source][axis] for axis, source in enumerate(sources)])


def _shaking(log: xr.Dataset, corner: str, sensors: WheelSensors, hub: Floats) -> Floats:
    """Square (sample,) [m2/s4] of the vertical motion that is known up to a share of it.

    A gain is wrong as much as the hub moves at that instant.  Gauges show the motion late or early
    as well, so that it is wrong by its size over a period of wheel hop, here two.
    """
    if not sensors.hop_share:
        return np.square(hub[2] - STANDARD_GRAVITY)
    from scipy.ndimage import uniform_filter1d

    motion = _channel(log, "relative_acceleration", corner)[:, 2]
    period = float(log.attrs["rate"]) / HOP
    return np.asarray(uniform_filter1d(np.square(np.nan_to_num(motion)), round(2 * period) + 1))


def _channel(log: xr.Dataset, name: str, corner: str | None = None) -> Floats:
    """A channel that the session counts on, of the car or of one corner."""
    if name not in log or (corner is not None and corner not in log.get_index("corner")):
        of = "" if corner is None else f", corner {corner}"
        raise DataError(
            where=f"{log.attrs.get('path', 'log')}{of}",
            found=f"no channel {name}",
            needed="the channels of the log that was prepared with",
            do="Prepare anew with this log; a widening is then stated for what it lacks.",
        )
    values = log.variables[name].to_numpy()
    if corner is None:
        return values
    return np.asarray(values[:, log.get_index("corner").get_loc(corner)])
