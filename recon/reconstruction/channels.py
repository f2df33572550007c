"""From a conditioned log to a session: what was logged, and stated widenings for what was not."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import DataError, DataWarning, PriorWarning
from recon.base.quantities import COMPONENTS
from recon.mechanics.assembly import Assembly
from recon.mechanics.motion import pose
from recon.reconstruction.session import (
    AssemblySession,
    Attitude,
    Session,
    Steer,
    Three,
    WheelSensors,
)
from recon.reconstruction.tare import Tare

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.calibrated import Calibration, CornerCalibration
    from recon.car.vehicle import Corner, Vehicle

T = TypeVar("T")
Words = tuple[str, str, str]
MOST_NAMED = 6  # missing gauges that a message names

# Stated widenings where a channel is not logged; common practice, no source.
U_TRAVEL_UNKNOWN = 0.015  # m
U_RACK_UNKNOWN = 0.010  # m
U_ATTITUDE_UNKNOWN = 0.035  # rad, 2 degrees
U_ATTITUDE_FROM_TRAVEL = 0.009  # rad, 0.5 degrees: tyres deflect too
U_ACCELERATION_OF_BODY = 4.0  # m/s2, the acceleration of the body used for that of the hub
WARMING_UNKNOWN = 15.0  # K between pulls and drive
U_ACCELERATION_UNKNOWN = 10.0  # m/s2, no acceleration at all: a car corners at 1 g
AXLES = ("FL", "FR", "RL", "RR")


def session_of(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, assemblies: dict[str, Assembly]
) -> Session:
    """Noise, zeros, tares and sensors of a conditioned log.

    Parameters
    ----------
    log : Dataset (elapsed_time, gauge)
        As `condition` returns it.
    calibration : Calibration
    car : Vehicle
    assemblies : dict of name to Assembly
        Of the car; see `assemblies_of`.

    Raises
    ------
    DataError
        No calibrated corner has all its gauges and their tares in the log.

    Warns
    -----
    DataWarning
        A corner is left out because one of its gauges is not in the log.
    PriorWarning
        A channel is not logged; the message states the widening of the intervals.
    """
    names = _complete(log, calibration)
    attitude = attitude_of(log, car)
    steer = steer_of(log, car, assemblies)
    path = log.attrs.get("path", "log")
    if "gauge_temperature" not in log:
        _warn(
            f"{path}: gauge_temperature is not logged; intervals are widened for "
            f"{WARMING_UNKNOWN:.0f} K between pulls and drive."
        )
    of = {
        name: _assembly_session(log, car, assemblies[name], calibration.corners[name], steer)
        for name in names
    }
    return Session(attitude, steer, of)


def _complete(log: xr.Dataset, calibration: Calibration) -> list[str]:
    """Calibrated corners and axles with all their gauges in the log, and tared."""
    path = log.attrs.get("path", "log")
    there = {str(g) for g in log["gauge"].to_numpy()}
    tared = set(map(str, log["tared_corner"].to_numpy()))
    missing = {
        name: [g for g in fitted.gauges if g not in there]
        for name, fitted in calibration.corners.items()
    }
    names = [name for name, gauges in missing.items() if not gauges and name in tared]
    if not names:
        raise DataError(
            where=str(path),
            found="no corner with all its gauges: "
            + "; ".join(f"{name} {_lacks(gauges)}" for name, gauges in missing.items()),
            needed="all gauges of at least one calibrated corner, with their tares",
            do="Check the column map: gauges are looked up by the names of the vehicle file.",
        )
    for name, gauges in missing.items():
        if 0 < len(gauges) < len(calibration.corners[name].gauges):
            warnings.warn(
                f"{path}: corner {name} is left out: gauge {', '.join(gauges)} is calibrated "
                "but not in the log. Map the channel, or calibrate the corner without it.",
                DataWarning,
                stacklevel=4,
            )
    return names


def _lacks(gauges: list[str]) -> str:
    """State what a corner lacks, as the end of a sentence."""
    named = ", ".join(gauges[:MOST_NAMED]) + (" ..." if len(gauges) > MOST_NAMED else "")
    return f"lacks {named}" if gauges else "has no tares"


def attitude_of(log: xr.Dataset, car: Vehicle) -> Attitude:
    """Best source of roll and pitch in the log."""
    path = log.attrs.get("path", "log")
    if "roll" in log and "pitch" in log:
        return Attitude("logged", car.sensors.u_attitude, car.sensors.u_attitude)
    if set(AXLES) <= set(car.corners) and all(logged(log, "travel", c) for c in AXLES):
        _warn(
            f"{path}: roll and pitch are not logged; taken from the four travels, within "
            f"{np.degrees(U_ATTITUDE_FROM_TRAVEL):.1f} degrees."
        )
        return Attitude("travel", U_ATTITUDE_FROM_TRAVEL, U_ATTITUDE_FROM_TRAVEL)
    _warn(
        f"{path}: roll and pitch are not logged; the body is taken as level within "
        f"{np.degrees(U_ATTITUDE_UNKNOWN):.1f} degrees. Forces in vehicle axes are not affected."
    )
    return Attitude("none", U_ATTITUDE_UNKNOWN, U_ATTITUDE_UNKNOWN)


def steer_of(log: xr.Dataset, car: Vehicle, assemblies: dict[str, Assembly]) -> Steer:
    """Best source of the rack's shift in the log."""
    if not any(corner.steered for corner in car.corners.values()):
        return Steer("fixed")
    channels = ["rack", "steer"]
    if np.isfinite(car.steering.rack_per_angle):
        channels.append("steering_wheel_angle")
    source = next((name for name in channels if name in log), "none")
    if source != "none":
        return logged_steer(source, car, assemblies)
    cure = "Log steer, rack or steering_wheel_angle."
    if "steering_wheel_angle" in log:
        cure = "steering_wheel_angle is logged: state rack_mm_per_turn in the vehicle file."
    _warn(
        f"{log.attrs.get('path', 'log')}: steer is not logged; the rack is taken as straight "
        f"within {1e3 * U_RACK_UNKNOWN:.0f} mm. {cure}"
    )
    return Steer("none", U_RACK_UNKNOWN, U_RACK_UNKNOWN * _heading_slope(assemblies))


def logged_steer(source: str, car: Vehicle, assemblies: dict[str, Assembly]) -> Steer:
    """The rack's shift from the channel `source`, with the stated error of the steer sensor."""
    slope = _heading_slope(assemblies)
    u = car.sensors.u_steer / abs(slope) if slope != 0 else 0.0
    return Steer(source, u, u * slope)


def _heading_slope(assemblies: dict[str, Assembly]) -> float:
    """Heading per rack shift [rad/m] at design height, mean of the steered wheels, signed."""
    slopes = []
    for assembly in assemblies.values():
        steered = [k for k, corner in enumerate(assembly.corners) if corner.steered]
        if steered:
            wheels = pose(assembly.mechanism, 0.0, np.array([-1e-3, 1e-3])).wheels
            slopes += [float(np.diff(wheels[k].heading)[0]) / 2e-3 for k in steered]
    return float(np.mean(slopes)) if slopes else 0.0


def _assembly_session(
    log: xr.Dataset, car: Vehicle, assembly: Assembly, fitted: CornerCalibration, steer: Steer
) -> AssemblySession:
    chosen = log[["noise", "u_zero"]].sel(gauge=list(fitted.gauges))
    for corner in assembly.corners:
        if corner.brake.place == "outboard" and not logged(log, "brake_pressure", corner.name):
            _warn_missing(
                log, corner.name, "brake_pressure", "intervals allow for an unknown brake torque"
            )
    return AssemblySession(
        noise=chosen["noise"].to_numpy(),
        u_zero=chosen["u_zero"].to_numpy(),
        tare=tare_of(log, assembly.name),
        warming=max(_warming(log, corner.name, fitted) for corner in assembly.corners),
        wheels=tuple(_wheel_sensors(log, car, corner, steer) for corner in assembly.corners),
    )


def tare_of(log: xr.Dataset, assembly: str) -> Tare:
    """State of the tare that the zeros of an assembly were taken in."""
    names = ("tare_state", "tare_pad_load")
    state, load = (log[name].sel(tared_corner=assembly).item() for name in names)
    return Tare(str(state), float(load))


def _wheel_sensors(log: xr.Dataset, car: Vehicle, corner: Corner, steer: Steer) -> WheelSensors:
    """Stated errors of logged channels, stated widenings for the others, each with a warning."""
    sensors, name = car.sensors, corner.name
    travel_logged = logged(log, "travel", name)
    if not travel_logged:
        u_travel = f"a standard uncertainty of {1e3 * U_TRAVEL_UNKNOWN:.0f} mm"
        _warn_missing(log, name, "travel", f"intervals allow for {u_travel}")
    hub = _hub_inputs(log, car, name)
    return WheelSensors(
        travel=sensors.u_travel if travel_logged else U_TRAVEL_UNKNOWN,
        travel_share=sensors.u_travel_share if travel_logged else 0.0,
        travel_logged=travel_logged,
        rack=steer.u_rack if corner.steered else 0.0,
        heading=steer.u_heading if corner.steered else 0.0,
        steer_logged=steer.source != "none",
        acceleration=hub.u,
        acceleration_share=hub.share,
        acceleration_from=hub.source,
        moves=hub.moves,
        hub_noise=_hub_noise(log, name),
        pressure_logged=logged(log, "brake_pressure", name),
    )


@dataclass(frozen=True, slots=True)
class _HubInputs:
    """Source of a hub's acceleration axis by axis, `u` [m/s2], relative `share`, see `session`."""

    source: Words
    u: Three
    share: Three
    moves: bool


def _hub_inputs(log: xr.Dataset, car: Vehicle, name: str) -> _HubInputs:
    """Best source of the hub's acceleration axis by axis, with a warning where it is not logged."""
    sensors, source = car.sensors, _acceleration_sources(log, name)
    moves = source != ("hub",) * 3 and logged(log, "relative_acceleration", name)
    against_body = np.array([U_ACCELERATION_OF_BODY] * 3)
    if moves:
        against_body = log["u_relative_acceleration"].sel(corner=name).to_numpy()
        # The body's accelerometer is taken to be as good as those that the vehicle file states.
        against_body = np.hypot(against_body, sensors.u_hub_acceleration)
    of = {
        "hub": np.full(3, sensors.u_hub_acceleration),
        "body": against_body,
        "none": np.full(3, U_ACCELERATION_UNKNOWN),
    }
    u = _three(float(of[where][axis]) for axis, where in enumerate(source))
    share = _three(
        sensors.u_hub_acceleration_share if where == "hub" or (where == "body" and moves) else 0.0
        for where in source
    )
    _warn_of_stand_in(log, name, source, u, moves)
    return _HubInputs(source, u, share, moves)


def _warn_of_stand_in(log: xr.Dataset, name: str, source: Words, u: Three, moves: bool) -> None:
    """One warning per source that stands in for the hub's accelerometer."""
    used = {"body": "body acceleration is used", "none": "gravity alone is used"}
    if moves:
        used["body"] = (
            "it is inferred from body acceleration and the motion of the wheel against the body"
        )
    for where, instead in used.items():
        axes = [axis for axis in range(3) if source[axis] == where]
        if axes:
            which = "" if len(axes) == 3 else f" ({', '.join(COMPONENTS[a] for a in axes)})"
            each = f"{u[axes[0]]:.2g}" if len({u[a] for a in axes}) == 1 else _listed(u, axes)
            text = f"{instead}, with a standard uncertainty of {each} m/s2"
            _warn_missing(log, name, f"hub_acceleration{which}", text)


def _listed(u: Three, axes: list[int]) -> str:
    """Uncertainties of some axes, such as '0.9 (x), 0.6 (y), 0.3 (z)'."""
    return ", ".join(f"{u[axis]:.2g} ({COMPONENTS[axis]})" for axis in axes)


def _acceleration_sources(log: xr.Dataset, corner: str) -> Words:
    """Best source of the hub's acceleration, axis by axis."""
    hub = _axes_logged(log, "hub_acceleration", corner)
    body = _axes_logged(log, "acceleration", None)
    return _three("hub" if h else "body" if b else "none" for h, b in zip(hub, body, strict=True))


def _hub_noise(log: xr.Dataset, corner: str) -> float:
    """Noise of the hub's accelerometer after filtering, mean of its axes, in m/s2."""
    if not logged(log, "hub_acceleration", corner) or "noise_hub_acceleration" not in log:
        return 0.0
    per_axis = log["noise_hub_acceleration"].sel(corner=corner).to_numpy()
    return float(np.sqrt(np.nanmean(per_axis**2)))


def _three(values: Iterable[T]) -> tuple[T, T, T]:
    x, y, z = values
    return x, y, z


def _axes_logged(log: xr.Dataset, name: str, corner: str | None) -> NDArray[np.bool_]:
    """Axes of an acceleration that hold any number, (3,)."""
    if name not in log or (corner is not None and not logged(log, name, corner)):
        return np.zeros(3, dtype=bool)
    values = log[name] if corner is None else log[name].sel(corner=corner)
    return np.asarray(np.isfinite(values.to_numpy()).any(axis=0))


def _warming(log: xr.Dataset, name: str, fitted: CornerCalibration) -> float:
    """Mean temperature of the gauges above that of the pulls [K], or a stated one."""
    if logged(log, "gauge_temperature", name) and np.isfinite(fitted.conditions.temperature):
        temperature = log["gauge_temperature"].sel(corner=name)
        return float(abs(temperature.mean() - fitted.conditions.temperature))
    return WARMING_UNKNOWN


def logged(log: xr.Dataset, name: str, corner: str) -> bool:
    """True where a channel of a corner holds any number."""
    if name not in log or corner not in set(map(str, log["corner"].to_numpy())):
        return False
    values = log[name].sel(corner=corner).to_numpy()
    # The start decides nearly always; only a channel that begins late is looked at whole.
    return any(bool(np.isfinite(part).any()) for part in (values[:100], values))


def _warn_missing(log: xr.Dataset, corner: str, channel: str, instead: str) -> None:
    _warn(f"{log.attrs.get('path', 'log')}, corner {corner}: {channel} is not logged; {instead}.")


def _warn(text: str) -> None:
    warnings.warn(text, PriorWarning, stacklevel=5)
