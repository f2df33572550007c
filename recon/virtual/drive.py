"""The log, the tares around it and the truth behind it, from states of the virtual car."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.records.sheets import Tares
from recon.virtual.channels import Reading, sensed, shown
from recon.virtual.elastic import Settled, settle
from recon.virtual.hub import AtRest, RoadLoad
from recon.virtual.states import GRIP

if TYPE_CHECKING:
    import xarray as xr

    from recon.virtual.drawing import VirtualCar
    from recon.virtual.states import States

LOGGER_NOISE = 8.0  # N of own load, rms
TARE_SAMPLES = 400  # of the logger, averaged
TARE_BEFORE, TARE_AFTER = 400.0, 300.0  # s from the tare to the log and from the log to the tare
# Noise of the ordinary channels, rms; from memory of common loggers.
NOISE = {
    "travel": 0.25e-3,
    "wheel_speed": 0.05,
    "hub_acceleration": 0.5,
    "brake_pressure": 0.2e5,
    "steer": 0.0009,
    "roll": 0.0007,
    "pitch": 0.0007,
    "speed": 0.04,
    "acceleration": 0.06,
    "yaw_rate": 0.0017,
    "gauge_temperature": 0.15,
}


def virtual_drive(
    virtual_car: VirtualCar, states: States, rng: np.random.Generator
) -> tuple[xr.Dataset, Tares, xr.Dataset]:
    """Drive through `states`, tare before and after.

    The wheels of a corner that stands alone are where `states` say, its springs (and dampers)
    carry what is left.  Those of a tied axle come to where forces, springs and axle are in
    balance, else these would not share the load as they do in a car.

    Returns
    -------
    log : xarray.Dataset
        As the reader of logs returns it, SI, indications in each gauge's unit.
    tares : Tares
        Wheels hanging at droop, before and after.
    truth : xarray.Dataset
        Forces of the road [N], moments at the contact [N m] and member loads [N, N m], by corner.
    """
    loads, moments, readings, tare_rows = {}, {}, {}, []
    states = replace(states, travel=states.travel.copy())
    for unit in dict.fromkeys(virtual_car.assembly_of(name) for name in states.corners):
        at = [states.corners.index(w.corner) for w in virtual_car.elastic[unit].wheels]
        roads = tuple(_road_load(virtual_car, states, k) for k in at)
        driven = _driven(virtual_car, unit, roads, states, at)
        states.travel[:, at] = (
            driven.travel if unit in virtual_car.springs else states.travel[:, at]
        )
        hanging = _hanging(virtual_car, unit)
        for k, road, wheel in zip(at, roads, driven.wheels, strict=True):
            loads[states.corners[k]] = driven.load
            moments[states.corners[k]] = road.contact_moment(wheel)
        in_turn = np.concatenate([hanging.load, driven.load, hanging.load])
        readings[unit], rows = _indications(virtual_car, unit, states, in_turn, rng)
        tare_rows += rows
    log = _log(virtual_car, states, readings, rng)
    return log, _tares(tare_rows), _truth(virtual_car, states, loads, moments)


def _driven(
    virtual_car: VirtualCar,
    unit: str,
    roads: tuple[RoadLoad, ...],
    states: States,
    at: list[int],
) -> Settled:
    """Settle one unit under its road loads; `at` are its wheels among the states' corners."""
    elastic, springs = virtual_car.elastic[unit], virtual_car.springs.get(unit)
    if springs is None:
        return settle(elastic, roads, states.rack, travel=states.travel[:, at])
    return settle(elastic, roads, states.rack, springs=springs)


def _road_load(virtual_car: VirtualCar, states: States, k: int) -> RoadLoad:
    corner = virtual_car.truth.corners[states.corners[k]]
    outboard = corner.brake.place == "outboard"
    level = states.force[:, k]
    use = np.hypot(level[:, 0], level[:, 1]) / np.maximum(level[:, 2], 1.0)
    return RoadLoad(
        force=states.force_vehicle[:, k],
        road_normal=states.road_normal,
        trail=virtual_car.trail * (1 - use / GRIP).clip(0.0),
        shift_per_force=virtual_car.shift_per_force,
        torque=virtual_car.drag + outboard * states.brake_torque[:, k],
        locked=states.locked[:, k] & outboard,
        specific_force=states.specific_force[:, k],
        unsprung_mass=corner.unsprung_mass,
    )


def _hanging(virtual_car: VirtualCar, unit: str) -> Settled:
    """Settle the wheels off the ground at full droop: their weight alone on the links."""
    corners = virtual_car.parts[unit].corners
    weights = tuple(AtRest(STANDARD_GRAVITY * c.unsprung_mass) for c in corners)
    droop = np.array([[c.droop_travel for c in corners]])
    return settle(virtual_car.elastic[unit], weights, np.zeros(1), travel=droop)


def _indications(
    virtual_car: VirtualCar, unit: str, states: States, load: Floats, rng: np.random.Generator
) -> tuple[Floats, list[tuple]]:
    """Read one unit (n, gauge), and its rows of the tare table; `load` holds tare, log, tare."""
    channels = virtual_car.channels[unit]
    at = [states.corners.index(w.corner) for w in virtual_car.elastic[unit].wheels]
    end = states.time[-1] + TARE_AFTER
    time = np.concatenate([[-TARE_BEFORE], states.time, [end]])
    warmth = np.mean(states.temperature[:, at], axis=1)
    temperature = np.concatenate([warmth[:1], warmth, warmth[-1:]])
    rms = np.full(len(time), LOGGER_NOISE)
    rms[[0, -1]] /= np.sqrt(TARE_SAMPLES)  # a tare is a mean of many samples
    seen = sensed(channels, load, Reading(time, temperature, rms, after_shift=True), rng)
    noise = virtual_car.effects.noise * LOGGER_NOISE * channels.newton
    rows = []
    for when, row, clock in (("before", 0, time[0]), ("after", -1, end)):
        warm = round(float(temperature[row] + NOISE["gauge_temperature"] * rng.normal()), 1)
        rows += [
            (when, name, float(seen[row, g]), float(noise[g]), warm, float(clock))
            for g, name in enumerate(channels.names)
        ]
    return shown(channels, seen[1:-1]), rows


def _tares(rows: list[tuple]) -> Tares:
    rows = sorted(rows, key=lambda r: r[0] == "after")  # stable: corners keep their order
    when, gauge, value, sd, temperature, time = zip(*rows, strict=True)
    n = len(rows)
    return Tares(
        path="virtual tares",
        checksum="",
        line=np.arange(2, n + 2),
        when=np.array(when),
        gauge=np.array(gauge),
        state=np.full(n, "hanging"),
        indication=np.array(value),
        sd=np.array(sd),
        temperature=np.array(temperature),
        pad_load=np.full(n, np.nan),
        time=np.array(time),
    )


def _log(
    virtual_car: VirtualCar,
    states: States,
    readings: dict[str, Floats],
    rng: np.random.Generator,
) -> xr.Dataset:
    import xarray as xr

    errors = virtual_car.sensors

    def by_corner(of: dict[str, float] | dict[str, Floats]) -> Floats:
        return np.array([of[c] for c in states.corners])

    def seen(name: str, value: Floats) -> Floats:
        return np.asarray(value + NOISE[name] * rng.standard_normal(value.shape))

    travel = states.travel * by_corner(errors.travel_gain) + by_corner(errors.travel)
    hub = states.specific_force * by_corner(errors.hub_acceleration_gain)
    hub = hub + by_corner(errors.hub_acceleration)
    t, c, xyz = "elapsed_time", "corner", "component"
    gauges = [g for unit in readings for g in virtual_car.channels[unit].names]
    stack = np.concatenate(list(readings.values()), axis=1)
    return xr.Dataset(
        {
            "indication": ((t, "gauge"), stack),
            "gauge_temperature": ((t, c), seen("gauge_temperature", states.temperature)),
            "travel": ((t, c), seen("travel", travel)),
            "wheel_speed": ((t, c), _turning(seen("wheel_speed", states.wheel_speed), states)),
            "hub_acceleration": ((t, c, xyz), seen("hub_acceleration", hub)),
            "brake_pressure": ((t, c), _lines(states, rng)),
            "steer": (t, seen("steer", states.steer + errors.steer)),
            "roll": (t, seen("roll", states.roll + errors.roll)),
            "pitch": (t, seen("pitch", states.pitch + errors.pitch)),
            "speed": (t, seen("speed", states.speed)),
            "acceleration": ((t, xyz), seen("acceleration", states.acceleration)),
            "yaw_rate": (t, seen("yaw_rate", states.yaw_rate)),
        },
        coords={t: states.time, "gauge": gauges, c: list(states.corners), xyz: list(COMPONENTS)},
        attrs={
            "path": "virtual log", "checksum": "", "encoding": "utf-8", "not_used": [], "gaps": [],
        },
    )  # fmt: skip


def _turning(seen: Floats, states: States) -> Floats:
    """Silence wheels that stand still: they give no pulses at all."""
    return np.where(states.locked, 0.0, seen)


def _lines(states: States, rng: np.random.Generator) -> Floats:
    """Return pressures (n, corner) [Pa] as logged: one sensor per line, front and rear."""
    noise = NOISE["brake_pressure"] * rng.standard_normal((len(states.time), 2))
    rear = [int(c.startswith("R")) for c in states.corners]
    return np.asarray(states.brake_pressure + noise[:, rear])


def _truth(
    virtual_car: VirtualCar,
    states: States,
    loads: dict[str, Floats],
    moments: dict[str, Floats],
) -> xr.Dataset:
    import xarray as xr

    t, c, xyz = "elapsed_time", "corner", "component"
    of = {n: virtual_car.elastic[virtual_car.assembly_of(n)].members for n in states.corners}
    members = list(dict.fromkeys(m for n in states.corners for m in of[n]))
    link_load = np.full((len(states.time), len(states.corners), len(members)), np.nan)
    for k, name in enumerate(states.corners):
        place = [members.index(m) for m in of[name]]
        link_load[:, k, place] = loads[name]
    return xr.Dataset(
        {
            "tyre_force_vehicle": ((t, c, xyz), states.force_vehicle),
            "tyre_force_intermediate": ((t, c, xyz), states.force),
            "contact_moment_vehicle": (
                (t, c, xyz), np.stack([moments[n] for n in states.corners], axis=1),
            ),
            "link_load": ((t, c, "link"), link_load),
            "travel": ((t, c), states.travel),
            "hub_acceleration": ((t, c, xyz), states.specific_force),
            "brake_torque": ((t, c), states.brake_torque),
            "locked": ((t, c), states.locked),
            "gauge_temperature": ((t, c), states.temperature),
            "steer": (t, states.steer),
            "rack": (t, states.rack),
            "roll": (t, states.roll),
            "pitch": (t, states.pitch),
        },
        coords={
            t: states.time, c: list(states.corners), xyz: list(COMPONENTS), "link": members,
        },
        attrs={"source": "invented: truth of a virtual car"},
    )  # fmt: skip
