"""From a conditioned log to a session: what was logged, and stated widenings for what was not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from recon.base.arrays import side_by_side
from recon.base.errors import DataError, DataWarning, warn
from recon.base.late import xr
from recon.calibration.calibrated import Calibration, CornerCalibration
from recon.car.vehicle import Corner, Vehicle
from recon.conditioning.carrying import u_clock_of_gauges, widened
from recon.mechanics.assembly import Assembly
from recon.reconstruction.estimator.session import (
    THERMAL_SLOPE,
    U_THERMAL_SLOPE,
    AssemblySession,
    Session,
    Three,
    WheelSensors,
)
from recon.reconstruction.estimator.tare_load import Tare
from recon.reconstruction.inputs.attitude import attitude_of, travel_source
from recon.reconstruction.inputs.damper_force import usual_damper_force
from recon.reconstruction.inputs.drift_together import drift_together
from recon.reconstruction.inputs.hub_inputs import hub_inputs
from recon.reconstruction.inputs.logged_channels import (
    braking_known,
    logged,
    warn_missing,
    warn_of_prior,
)
from recon.reconstruction.inputs.steering import steer_of
from recon.reconstruction.inputs.temperatures import mean_above_pulls, warn_of_fahrenheit
from recon.reconstruction.inputs.travel_zero import warn_of_travel_zero
from recon.reconstruction.solving.gauge_outage import failed_together

MOST_NAMED = 6  # missing gauges that a message names

# Stated widenings where a channel is not logged; common practice, no source.
WARMING_UNKNOWN = 15.0  # K between pulls and drive


def session_of(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, assemblies: dict[str, Assembly]
) -> Session:
    """Noise, zeros, tares and sensors of a conditioned log (elapsed_time, gauge).

    Gauges of the `calibration` are all in the log, see `calibration_of_log`; `assemblies` are those
    of the car by name, see `assemblies_of`.

    Warns PriorWarning: a channel is not logged; the message states the widening of the intervals.
    """
    car = replace(car, sensors=widened(car.sensors, log))
    attitude = attitude_of(log, car)
    steer = steer_of(log, car, assemblies)
    path = log.attrs.get("path", "log")
    warn_of_fahrenheit(log, calibration)
    warn_of_travel_zero(log, car)
    if "gauge_temperature" not in log:
        warn_of_prior(
            f"{path}: gauge_temperature is not logged; intervals are widened for "
            f"{WARMING_UNKNOWN:.0f} K between pulls and drive."
        )
    of = {
        name: _assembly_session(
            log, car, assemblies[name], calibration.corners[name], Session(attitude, steer, {})
        )
        for name in calibration.corners
    }
    return Session(attitude, steer, of)


def calibration_of_log(calibration: Calibration, log: xr.Dataset) -> Calibration:
    """The calibration of the gauges that a log has: tared corners with any of their gauges.

    Raises DataError: no calibrated corner has a gauge and its tares in the log.
    Warns DataWarning: a gauge is calibrated but not in the log; its corner is solved without it.
    """
    path = log.attrs.get("path", "log")
    there = {str(g) for g in log["gauge"].to_numpy()}
    tared = set(map(str, log["tared_corner"].to_numpy()))
    missing = {
        name: [g for g in fitted.gauges if g not in there]
        for name, fitted in calibration.corners.items()
    }
    corners = {
        name: _without(calibration.corners[name], gauges)
        for name, gauges in missing.items()
        if name in tared and len(gauges) < len(calibration.corners[name].gauges)
    }
    if not corners:
        raise DataError(
            where=str(path),
            found="no corner with its gauges: "
            + "; ".join(f"{name} {_lacks(gauges)}" for name, gauges in missing.items()),
            needed="gauges of at least one calibrated corner, with their tares",
            do="Check the column map: gauges are looked up by the names of the vehicle file.",
        )
    for name in corners:
        if missing[name]:
            warn(
                f"{path}: gauge {', '.join(missing[name])} is calibrated but not in the log. "
                f"Corner {name} is solved without it, with wider intervals. Map the channel if it "
                "was logged.",
                DataWarning,
            )
    return replace(calibration, corners=corners)


def _without(fitted: CornerCalibration, gauges: list[str]) -> CornerCalibration:
    """The corner without some gauges; what was not to be used with all of them is not without."""
    if not gauges:
        return fitted
    unusable = fitted.verdict if fitted.verdict and fitted.verdict.unusable else None
    return replace(fitted.without(*gauges), verdict=unusable)


def _lacks(gauges: list[str]) -> str:
    """State what a corner lacks, as the end of a sentence."""
    named = ", ".join(gauges[:MOST_NAMED]) + (" ..." if len(gauges) > MOST_NAMED else "")
    return f"lacks {named}" if gauges else "has no tares"


def _assembly_session(
    log: xr.Dataset, car: Vehicle, assembly: Assembly, fitted: CornerCalibration, shared: Session
) -> AssemblySession:
    """Inputs of one assembly; `shared` has those of the whole car."""
    chosen = log[["noise", "u_zero"]].sel(gauge=list(fitted.gauges))
    names = list(log["gauge"].to_numpy())
    own = [names.index(gauge) for gauge in fitted.gauges]
    for corner in assembly.corners:
        if corner.brake.place == "outboard" and not logged(log, "brake_pressure", corner.name):
            when = " while the other line has pressure" if braking_known(log) else ""
            text = f"intervals allow for an unknown brake torque{when}"
            warn_missing(log, corner.name, "brake_pressure", text)
    names, pulls = [c.name for c in assembly.corners], fitted.conditions.temperature
    warmth = mean_above_pulls(log, names, pulls)
    warming = max(_warming(mean_above_pulls(log, [name], pulls)) for name in names)
    # What is not known is not taken off either.
    slope = np.hypot(U_THERMAL_SLOPE, THERMAL_SLOPE * (warming == WARMING_UNKNOWN))
    return AssemblySession(
        noise=chosen["noise"].to_numpy(),
        u_zero=chosen["u_zero"].to_numpy(),
        tare=tare_of(log, assembly.name),
        warming=warming,
        u_thermal=float(slope * warming),
        warmth=warmth if np.isfinite(warmth) else 0.0,
        damper_force=usual_damper_force(log, car, assembly),
        drift=drift_together(log, fitted.gauges),
        u_clock=u_clock_of_gauges(log["gauge_status"], fitted.gauges),
        wheels=tuple(_wheel_sensors(log, car, corner, shared) for corner in assembly.corners),
        outages=failed_together(
            fitted.gauges,
            side_by_side(log["gauge_status"].to_numpy(), own),
            log["elapsed_time"].to_numpy(),
        ),
    )


def tare_of(log: xr.Dataset, assembly: str) -> Tare:
    """State of the tare that the zeros of an assembly were taken in."""
    at = log.get_index("tared_corner").get_loc(assembly)
    names = ("tare_state", "tare_pad_load")
    state, load = (log.variables[name].to_numpy()[at] for name in names)
    return Tare(str(state), float(load))


def _wheel_sensors(log: xr.Dataset, car: Vehicle, corner: Corner, shared: Session) -> WheelSensors:
    """Stated errors of logged channels, stated widenings for the others, each with a warning."""
    sensors, name, steer = car.sensors, corner.name, shared.steer
    travel = travel_source(log, car, name, shared.attitude)
    hub = hub_inputs(log, car, name)
    return WheelSensors(
        travel=travel.u,
        travel_share=sensors.u_travel_share if travel.source == "logged" else 0.0,
        travel_of_lean=travel.of_lean,
        travel_from=travel.source,
        rack=steer.u_rack if corner.steered else 0.0,
        heading=steer.u_heading if corner.steered else 0.0,
        rack_share=steer.share if corner.steered else 0.0,
        steer_logged=steer.logged,
        acceleration=hub.u,
        acceleration_share=hub.share,
        hop_share=hub.hop_share,
        acceleration_from=hub.source,
        moves=hub.moves,
        acceleration_of_body=hub.of_body,
        hub_noise=_hub_noise(log, name),
        pressure_logged=logged(log, "brake_pressure", name),
        braking_known=braking_known(log),
    )


def _hub_noise(log: xr.Dataset, corner: str) -> Three:
    """Noise of the hub's accelerometer after filtering [m/s2]; axes not logged have the mean."""
    if not logged(log, "hub_acceleration", corner) or "noise_hub_acceleration" not in log:
        return (0.0, 0.0, 0.0)
    noise = log["noise_hub_acceleration"].sel(corner=corner).to_numpy()
    x, y, z = map(float, np.nan_to_num(noise, nan=np.sqrt(np.nanmean(noise**2))))
    return x, y, z


def _warming(above: float) -> float:
    """How far [K] a mean temperature is `above` or below that of the pulls; stated if not known."""
    return abs(above) if np.isfinite(above) else WARMING_UNKNOWN
