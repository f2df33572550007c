"""What the log says about the car's state, and a stated widening for what it does not say."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.base.status import BIT
from recon.mechanics.assembly import Assembly, assembly_of
from recon.mechanics.axes import attitude_matrix
from recon.mechanics.motion import pose, rack_of_steer
from recon.reconstruction.session import AssemblySession, WheelSensors
from recon.reconstruction.solve import Samples
from recon.reconstruction.tare import Tare

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.map import Calibration, CornerCalibration
    from recon.car.vehicle import Corner, Vehicle

T = TypeVar("T")

# Stated widenings where a channel is not logged; common practice, no source.
U_TRAVEL_UNKNOWN = 0.015  # m
U_RACK_UNKNOWN = 0.010  # m
U_ATTITUDE_UNKNOWN = 0.035  # rad, 2 degrees
U_ATTITUDE_FROM_TRAVEL = 0.009  # rad, 0.5 degrees: tyres deflect too
U_ACCELERATION_OF_BODY = 4.0  # m/s2, the body's acceleration stands for the hub's
WARMING_UNKNOWN = 15.0  # K between pulls and drive
U_ACCELERATION_UNKNOWN = 10.0  # m/s2, no acceleration at all: a car corners at 1 g
BRAKE_ON = 1.0e5  # Pa; residual pressure stays below
STANDS_STILL = 0.5  # rad/s; wheel-speed sensors do not resolve less


@dataclass(frozen=True, slots=True)
class Shared:
    """What all corners share: attitude, rack, and how well they are known."""

    elapsed: Floats
    turn: Floats  # (3, 3, sample) vehicle to intermediate axes
    rack: Floats  # (sample,) m
    u_roll: float
    u_pitch: float
    attitude_part: str
    u_rack: float
    rack_missing: bool
    u_heading: float
    notes: tuple[str, ...]


def require_same_car(calibration: Calibration, car: Vehicle, where: str) -> None:
    """Refuse a calibration that was made for another vehicle file."""
    if calibration.vehicle_checksum != car.checksum:
        raise DataError(
            where=f"{where} with {car.path}",
            found=f"a calibration of '{calibration.vehicle}', vehicle file "
            f"{calibration.vehicle_checksum[:12]}; this one is {car.checksum[:12]}",
            needed="the calibration that was made with this vehicle file",
            do="Calibrate again: a changed point or gauge changes the map.",
        )


def has_gauges(log: xr.Dataset, calibration: Calibration, name: str) -> bool:
    """True where every gauge of the calibrated corner is in the log and was tared."""
    if name not in set(map(str, log["tared_corner"].to_numpy())):
        return False
    return not missing_gauges(log, calibration, name)


def missing_gauges(log: xr.Dataset, calibration: Calibration, name: str) -> list[str]:
    """Gauges of a calibrated corner that the log does not have."""
    there = {str(g) for g in log["gauge"].to_numpy()}
    return [g for g in calibration.corners[name].gauges if g not in there]


def shared_inputs(log: xr.Dataset, car: Vehicle) -> Shared:
    """Attitude and rack from what was logged, best source first."""
    notes: list[str] = []
    path = str(log.attrs.get("path", "log"))
    elapsed = log["elapsed_time"].to_numpy()
    roll, pitch, u_attitude, part = _attitude(log, car, path, notes)
    rack, u_rack, missing = _rack(log, car, path, notes)
    slope = _heading_slope(car)
    if "gauge_temperature" not in log:
        notes.append(
            f"{path}: gauge_temperature is not logged; intervals are widened for "
            f"{WARMING_UNKNOWN:.0f} K between pulls and drive."
        )
    return Shared(
        elapsed=elapsed,
        turn=np.moveaxis(attitude_matrix(roll, pitch), 0, -1),
        rack=rack,
        u_roll=u_attitude,
        u_pitch=u_attitude,
        attitude_part=part,
        u_rack=u_rack,
        rack_missing=missing,
        u_heading=u_rack * slope,  # signed: some racks sit behind the axle
        notes=tuple(notes),
    )


def _attitude(
    log: xr.Dataset, car: Vehicle, path: str, notes: list[str]
) -> tuple[Floats, Floats, float, str]:
    if "roll" in log and "pitch" in log:
        return (
            np.nan_to_num(log["roll"].to_numpy()),
            np.nan_to_num(log["pitch"].to_numpy()),
            car.sensors.u_attitude,
            "session",
        )
    n = log.sizes["elapsed_time"]
    if "travel" in log and {"FL", "FR", "RL", "RR"} <= set(map(str, log["corner"].to_numpy())):
        t = {c: np.nan_to_num(log["travel"].sel(corner=c).to_numpy()) for c in car.corners}
        if len(t) == 4 and all(_logged(log, "travel", c) for c in t):
            place = {c: car.corners[c].wheel.centre for c in t}
            track = np.mean([place["FL"][1] - place["FR"][1], place["RL"][1] - place["RR"][1]])
            base = 0.5 * (place["FL"][0] + place["FR"][0] - place["RL"][0] - place["RR"][0])
            roll = 0.5 * (t["FR"] - t["FL"] + t["RR"] - t["RL"]) / track
            pitch = 0.5 * (t["FL"] + t["FR"] - t["RL"] - t["RR"]) / base
            notes.append(
                f"{path}: roll and pitch are not logged; taken from the four travels, within "
                f"{np.degrees(U_ATTITUDE_FROM_TRAVEL):.1f} degrees."
            )
            return roll, pitch, U_ATTITUDE_FROM_TRAVEL, "assumption"
    notes.append(
        f"{path}: roll and pitch are not logged; the body is taken as level within "
        f"{np.degrees(U_ATTITUDE_UNKNOWN):.1f} degrees. Forces in vehicle axes are not touched."
    )
    return np.zeros(n), np.zeros(n), U_ATTITUDE_UNKNOWN, "assumption"


def _rack(log: xr.Dataset, car: Vehicle, path: str, notes: list[str]) -> tuple[Floats, float, bool]:
    n = log.sizes["elapsed_time"]
    steers = any(c.steered for c in car.corners.values())
    slope = _heading_slope(car)
    u = car.sensors.u_steer / abs(slope) if slope != 0 else 0.0
    if not steers:
        return np.zeros(n), 0.0, False
    if "rack" in log:
        return np.nan_to_num(log["rack"].to_numpy()), u, False
    if "steer" in log:
        return rack_of_steer(car, np.nan_to_num(log["steer"].to_numpy())), u, False
    per_angle = car.steering.rack_per_angle
    if "steering_wheel_angle" in log and np.isfinite(per_angle):
        return np.nan_to_num(log["steering_wheel_angle"].to_numpy()) * per_angle, u, False
    notes.append(
        f"{path}: steer is not logged; the rack is taken as straight within "
        f"{1e3 * U_RACK_UNKNOWN:.0f} mm. {_steer_cure(log)}"
    )
    return np.zeros(n), U_RACK_UNKNOWN, True


def _steer_cure(log: xr.Dataset) -> str:
    if "steering_wheel_angle" in log:
        return "steering_wheel_angle is logged: state rack_mm_per_turn in the vehicle file."
    return "Log steer, rack or steering_wheel_angle."


def _heading_slope(car: Vehicle) -> float:
    """Heading per rack shift [rad/m] at design height, mean of the steered wheels, signed."""
    slopes = []
    for corner in car.corners.values():
        if corner.steered:
            assembly = assembly_of(car, corner.name)
            at = pose(assembly.mechanism, 0.0, np.array([-1e-3, 1e-3]))
            heading = at.wheel(corner.name).heading
            slopes.append(float(np.diff(heading)[0]) / 2e-3)
    return float(np.mean(slopes)) if slopes else 0.0


def session_of(
    log: xr.Dataset, car: Vehicle, assembly: Assembly, fitted: CornerCalibration, shared: Shared
) -> AssemblySession:
    """Noise, zeros and sensor errors of one unit in this session."""
    chosen = log[["noise", "u_zero"]].sel(gauge=list(fitted.gauges))
    for corner in assembly.corners:
        if corner.brake.place == "outboard" and not _logged(log, "brake_pressure", corner.name):
            _note_missing(log, corner.name, "brake_pressure", "a hub moment that nobody knows")
    return AssemblySession(
        noise=chosen["noise"].to_numpy(),
        u_zero=chosen["u_zero"].to_numpy(),
        tare=_tare(log, assembly.name),
        warming=max(_warming(log, corner.name, fitted) for corner in assembly.corners),
        wheels=tuple(_wheel_sensors(log, car, corner, shared) for corner in assembly.corners),
    )


def _hub_noise(log: xr.Dataset, corner: str) -> float:
    """Noise of the hub's accelerometer after filtering, mean of its axes, in m/s2."""
    if not _logged(log, "hub_acceleration", corner) or "noise_hub_acceleration" not in log:
        return 0.0
    per_axis = log["noise_hub_acceleration"].sel(corner=corner).to_numpy()
    return float(np.sqrt(np.nanmean(per_axis**2)))


def _wheel_sensors(log: xr.Dataset, car: Vehicle, corner: Corner, shared: Shared) -> WheelSensors:
    """Stated errors of what was logged, stated widenings for what was not, each with a note."""
    sensors, name = car.sensors, corner.name
    travel_known = _logged(log, "travel", name)
    if not travel_known:
        _note_missing(log, name, "travel", f"{1e3 * U_TRAVEL_UNKNOWN:.0f} mm")
    hub = _axes_logged(log, "hub_acceleration", name)
    body = _axes_logged(log, "acceleration", None)
    source = _three("hub" if h else "body" if b else "none" for h, b in zip(hub, body, strict=True))
    u = {
        "hub": sensors.u_hub_acceleration,
        "body": U_ACCELERATION_OF_BODY,
        "none": U_ACCELERATION_UNKNOWN,
    }
    for where, words in (("body", "the body's stands for it"), ("none", "gravity alone is taken")):
        axes = [axis for axis, found in zip(COMPONENTS, source, strict=True) if found == where]
        if axes:
            which = "" if len(axes) == 3 else f" ({', '.join(axes)})"
            _note_missing(log, name, f"hub_acceleration{which}", f"{u[where]:.0f} m/s2, {words}")
    return WheelSensors(
        travel=sensors.u_travel if travel_known else U_TRAVEL_UNKNOWN,
        travel_share=sensors.u_travel_share if travel_known else 0.0,
        travel_logged=travel_known,
        rack=shared.u_rack if corner.steered else 0.0,
        heading=shared.u_heading if corner.steered else 0.0,
        steer_logged=not shared.rack_missing,
        acceleration=_three(u[where] for where in source),
        acceleration_share=_three(
            sensors.u_hub_acceleration_share if where == "hub" else 0.0 for where in source
        ),
        acceleration_from=source,
        hub_noise=_hub_noise(log, name),
        pressure_logged=_logged(log, "brake_pressure", name),
    )


def _three(values: Iterable[T]) -> tuple[T, T, T]:
    x, y, z = values
    return x, y, z


def _axes_logged(log: xr.Dataset, name: str, corner: str | None) -> NDArray[np.bool_]:
    """Axes of an acceleration that hold any number, (3,)."""
    if name not in log or (corner is not None and not _logged(log, name, corner)):
        return np.zeros(3, dtype=bool)
    values = log[name] if corner is None else log[name].sel(corner=corner)
    return np.asarray(np.isfinite(values.to_numpy()).any(axis=0))


def _warming(log: xr.Dataset, name: str, fitted: CornerCalibration) -> float:
    """Mean temperature of the gauges above the pulls' [K], or a stated one."""
    if _logged(log, "gauge_temperature", name) and np.isfinite(fitted.temperature):
        temperature = log["gauge_temperature"].sel(corner=name)
        return float(abs(temperature.mean() - fitted.temperature))
    return WARMING_UNKNOWN


def _note_missing(log: xr.Dataset, corner: str, channel: str, widening: str) -> None:
    import warnings

    from recon.base.errors import PriorWarning

    warnings.warn(
        f"{log.attrs.get('path', 'log')}, corner {corner}: {channel} is not logged; intervals are "
        f"widened by {widening}.",
        PriorWarning,
        stacklevel=4,
    )


def _logged(log: xr.Dataset, name: str, corner: str) -> bool:
    if name not in log or corner not in set(map(str, log["corner"].to_numpy())):
        return False
    values = log[name].sel(corner=corner).to_numpy()
    # The start tells nearly always; only a channel that begins late is looked at whole.
    return any(bool(np.isfinite(part).any()) for part in (values[:100], values))


def _tare(log: xr.Dataset, corner: str) -> Tare:
    state, load = (log[n].sel(tared_corner=corner).item() for n in ("tare_state", "tare_pad_load"))
    return Tare(str(state), float(load))


def samples_of(
    log: xr.Dataset, car: Vehicle, assembly: Assembly, fitted: CornerCalibration, shared: Shared
) -> tuple[Samples, NDArray[np.uint16]]:
    """Inputs of one unit, and the flags (wheel, sample) known before solving."""
    found = [_wheel_samples(log, car, assembly, corner, shared) for corner in assembly.corners]
    gauges = log["channel_status"].sel(tared_corner=assembly.name).to_numpy()
    status = gauges | np.array([w.status for w in found])
    # What one wheel of a tied axle does not say leaves both unknown.
    spoiled = np.bitwise_or.reduce(status & (BIT["beyond_pose"] | BIT["missing_input"]), axis=0)
    status |= spoiled
    samples = Samples(
        indication=log["indication"].sel(gauge=list(fitted.gauges)).to_numpy().T,
        hub=np.concatenate([w.hub for w in found]),
        brake_torque=np.array([w.torque for w in found]),
        travel=np.array([w.travel for w in found]),
        rack=shared.rack if assembly.steered else np.zeros(len(shared.rack)),
        mode=np.array([w.mode for w in found]),
    )
    return samples, status.astype(np.uint16)


@dataclass(frozen=True, slots=True)
class _WheelSamples:
    status: NDArray[np.uint16]
    hub: Floats
    torque: Floats
    travel: Floats
    mode: NDArray[np.int64]


def _wheel_samples(
    log: xr.Dataset, car: Vehicle, assembly: Assembly, corner: Corner, shared: Shared
) -> _WheelSamples:
    name = corner.name
    n = log.sizes["elapsed_time"]
    status = np.zeros(n, dtype=np.uint16)

    def channel(variable: str) -> Floats | None:
        return log[variable].sel(corner=name).to_numpy() if _logged(log, variable, name) else None

    travel = channel("travel")
    travel = np.zeros(n) if travel is None else travel
    # An axis that was never logged is taken from the body; a gap stays a gap.
    logged = _axes_logged(log, "hub_acceleration", name)
    hub = log["hub_acceleration"].sel(corner=name).to_numpy().T if logged.any() else None
    if hub is None or not logged.all():
        body = _body_force(log, shared)
        hub = body if hub is None else np.where(logged[:, None], hub, body)
    low, high = corner.travel_range
    rack_low, rack_high = car.steering.rack_range
    outside = (travel < low) | (travel > high)
    if assembly.steered:
        outside |= (shared.rack < rack_low) | (shared.rack > rack_high)
    status[outside] |= BIT["beyond_pose"]
    gaps = _gaps(log, corner, steered=assembly.steered)
    missing = ~np.isfinite(travel) | ~np.isfinite(hub).all(axis=0) | gaps
    status[missing] |= BIT["missing_input"]
    mode, torque = _hub_moment(log, corner, channel)
    status[mode == 2] |= BIT["wheel_locked"]
    return _WheelSamples(status, hub, torque, np.clip(np.nan_to_num(travel), low, high), mode)


def _body_force(log: xr.Dataset, shared: Shared) -> Floats:
    """Specific force (3, sample) at a hub that logs none: the body's, or gravity alone."""
    gravity = STANDARD_GRAVITY * shared.turn[2]
    if "acceleration" not in log:
        return gravity
    logged = _axes_logged(log, "acceleration", None)
    return np.where(logged[:, None], log["acceleration"].to_numpy().T, gravity)


def _gaps(log: xr.Dataset, corner: Corner, *, steered: bool) -> NDArray[np.bool_]:
    """Samples at which a channel that is logged has no number, (sample,)."""
    names = ["roll", "pitch"]
    names += ["rack", "steer", "steering_wheel_angle"] if steered else []
    out = np.zeros(log.sizes["elapsed_time"], dtype=bool)
    for name in names:
        if name in log:
            out |= ~np.isfinite(log[name].to_numpy())
    if corner.brake.place == "outboard" and _logged(log, "brake_pressure", corner.name):
        out |= ~np.isfinite(log["brake_pressure"].sel(corner=corner.name).to_numpy())
    return out


def _hub_moment(
    log: xr.Dataset, corner: Corner, channel: Callable[[str], Floats | None]
) -> tuple[NDArray[np.int64], Floats]:
    """Mode of the hub's moment per sample and the caliper's torque from line pressure."""
    n = log.sizes["elapsed_time"]
    mode, torque = np.zeros(n, dtype=np.int64), np.zeros(n)
    if corner.brake.place != "outboard":
        return mode, torque
    pressure = channel("brake_pressure")
    if pressure is None:
        # Nobody knows when the brake was on: the hub's moment is open at every sample.
        return np.ones(n, dtype=np.int64), torque
    braked = np.nan_to_num(pressure) > BRAKE_ON
    mode[braked] = 1
    if np.isfinite(corner.brake.torque_per_pressure):
        torque = np.where(braked, np.nan_to_num(pressure) * corner.brake.torque_per_pressure, 0.0)
    speed = channel("wheel_speed")
    if speed is not None:
        locked = (np.abs(np.nan_to_num(speed, nan=1e9)) < STANDS_STILL) & braked
        mode[locked], torque[locked] = 2, 0.0
    return mode, torque
