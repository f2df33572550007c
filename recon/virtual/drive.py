"""Drive the virtual car: the log, the tares before and after, and the true forces."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import stamped
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.records.logs import LOG
from recon.records.sheets import Tares
from recon.virtual.channels import Reading, sensed, shown
from recon.virtual.drawing import VirtualCar
from recon.virtual.elastic import Settled, settle
from recon.virtual.hub_loads import AtRest, RoadLoad
from recon.virtual.states import GRIP, States

SLOW = 0.1  # s: changes of load that last longer move tied wheels on their springs
STANDS = 0.3  # rad/s; a slower wheel gives no pulses
LOGGER_NOISE = 8.0  # N of the gauge's own load, rms
TARE_SAMPLES = 400  # samples averaged for a tare
TARE_BEFORE, TARE_AFTER = 400.0, 300.0  # s from the tare to the log and from the log to the tare
# Noise of the other channels, rms in SI units and degC; from memory of common loggers.
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


@dataclass(frozen=True, slots=True)
class _TareRow:
    """One row of the tare table; `indication` and `sd` in the gauge's unit, degC, s."""

    when: str
    gauge: str
    indication: float
    sd: float
    temperature: float
    time: float


def virtual_drive(
    virtual_car: VirtualCar, states: States, rng: np.random.Generator
) -> tuple[xr.Dataset, Tares, xr.Dataset]:
    """Drive through `states` and tare before and after.

    The wheel of a corner alone has the travel that `states` give, and its spring carries the load
    that this needs.  The wheels of a tied axle settle where slow road forces, springs and axle are
    in equilibrium, so that springs and axle share the load as they do in a car; the quick motion on
    top is that of `states`.  The assemblies of its corners are driven.

    Returns a log like that of `read_log`: (elapsed_time, ...), SI, indications in each gauge's
    unit; tares with the wheels hanging at droop, before and after; and the truth, road forces [N],
    moments at the contact [N m] and member loads [N, N m], (elapsed_time, corner, ...).  Drives
    with events and a driver also have the tyres' slip and limits and the events with their figures.

    Raises VehicleError: the supports do not reach one of the poses.
    """
    loads, moments, readings, tare_rows = {}, {}, {}, []
    states = replace(states, travel=states.travel.copy())
    for assembly in dict.fromkeys(virtual_car.assembly_name(name) for name in states.corners):
        at = [states.corners.index(w.corner) for w in virtual_car.elastic[assembly].wheels]
        roads = tuple(road_load(virtual_car, states, k) for k in at)
        driven = _driven(virtual_car, assembly, roads, states, at)
        states.travel[:, at] = (
            driven.travel if assembly in virtual_car.springs else states.travel[:, at]
        )
        hanging = _hanging(virtual_car, assembly)
        for k, road, wheel in zip(at, roads, driven.wheels, strict=True):
            loads[states.corners[k]] = driven.load
            moments[states.corners[k]] = road.contact_moment(wheel)
        in_turn = np.concatenate([hanging.load, driven.load, hanging.load])
        readings[assembly], rows = _indications(virtual_car, assembly, states, in_turn, rng)
        tare_rows += rows
    log = _log(virtual_car, states, readings, rng)
    return log, _tares(tare_rows), _truth(virtual_car, states, loads, moments)


def _driven(
    virtual_car: VirtualCar,
    assembly: str,
    roads: tuple[RoadLoad, ...],
    states: States,
    at: list[int],
) -> Settled:
    """Equilibrium of one assembly under its road loads; `at` is where `states` has its corners."""
    from scipy.ndimage import gaussian_filter1d

    elastic, springs = virtual_car.elastic[assembly], virtual_car.springs.get(assembly)
    travel = states.travel[:, at]
    if springs is not None:
        leaning = settle(elastic, roads, states.body.rack, springs=springs).travel
        # Quick motion is that of the hubs; dampers beside the springs carry its load.
        slow = SLOW / float(states.time[1] - states.time[0])
        travel = travel + gaussian_filter1d(leaning - travel, slow, axis=0, mode="nearest")
    return settle(elastic, roads, states.body.rack, travel=travel)


def road_load(virtual_car: VirtualCar, states: States, k: int) -> RoadLoad:
    """Load of the road on the wheel of corner `k` of the states."""
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
        driving=(states.brake_torque[:, k] == 0) & (corner.final_drive != 0),
        final_drive=corner.final_drive,
    )


def _hanging(virtual_car: VirtualCar, assembly: str) -> Settled:
    """Equilibrium with the wheels off the ground at full droop: only their weight acts."""
    corners = virtual_car.linkages[assembly].corners
    weights = tuple(AtRest(STANDARD_GRAVITY * c.unsprung_mass) for c in corners)
    droop = np.array([[c.droop_travel for c in corners]])
    return settle(virtual_car.elastic[assembly], weights, np.zeros(1), travel=droop)


def _indications(
    virtual_car: VirtualCar, assembly: str, states: States, load: Floats, rng: np.random.Generator
) -> tuple[Floats, list[_TareRow]]:
    """Indications (n, gauge) of one assembly in the log, and its rows of the tare table.

    `load` (1 + n + 1, member) [N, N m] holds the tare before, the drive and the tare after.
    """
    channels = virtual_car.channels[assembly]
    at = [states.corners.index(w.corner) for w in virtual_car.elastic[assembly].wheels]
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
            _TareRow(when, name, float(seen[row, g]), float(noise[g]), warm, float(clock))
            for g, name in enumerate(channels.names)
        ]
    return shown(channels, seen[1:-1]), rows


def _tares(rows: list[_TareRow]) -> Tares:
    rows = sorted(rows, key=lambda r: r.when == "after")  # stable: corners keep their order
    n = len(rows)
    return Tares(
        path="virtual tares",
        checksum="",
        line=np.arange(2, n + 2),
        when=np.array([r.when for r in rows]),
        gauge=np.array([r.gauge for r in rows]),
        state=np.full(n, "hanging"),
        indication=np.array([r.indication for r in rows]),
        sd=np.array([r.sd for r in rows]),
        temperature=np.array([r.temperature for r in rows]),
        pad_load=np.full(n, np.nan),
        time=np.array([r.time for r in rows]),
    )


def _log(
    virtual_car: VirtualCar, states: States, readings: dict[str, Floats], rng: np.random.Generator
) -> xr.Dataset:
    errors = virtual_car.sensors

    def by_corner(of: dict[str, float] | dict[str, Floats]) -> Floats:
        return np.array([of[c] for c in states.corners])

    def seen(name: str, value: Floats) -> Floats:
        return np.asarray(value + NOISE[name] * rng.standard_normal(value.shape))

    travel = states.travel * by_corner(errors.travel_gain) + by_corner(errors.travel)
    hub = states.specific_force * by_corner(errors.hub_acceleration_gain)
    hub = hub + by_corner(errors.hub_acceleration)
    gauges = [g for assembly in readings for g in virtual_car.channels[assembly].names]
    channels = {
        "indication": np.concatenate(list(readings.values()), axis=1),
        "gauge_temperature": seen("gauge_temperature", states.temperature),
        "travel": seen("travel", travel),
        "wheel_speed": _turning(seen("wheel_speed", states.wheel_speed), states),
        "hub_acceleration": seen("hub_acceleration", hub),
        "brake_pressure": _lines(states, rng),
        "steer": seen("steer", states.body.steer + errors.steer),
        "roll": seen("roll", states.body.roll + errors.roll),
        "pitch": seen("pitch", states.body.pitch + errors.pitch),
        "speed": np.maximum(seen("speed", states.body.speed), 0.0),
        "acceleration": seen("acceleration", states.body.acceleration),
        "yaw_rate": seen("yaw_rate", states.body.yaw_rate),
    }
    if states.driver is not None:
        drives = {f.name: getattr(states.driver, f.name) for f in fields(states.driver)}
        channels |= {name: value for name, value in drives.items() if name in LOG}
    labels = {"elapsed_time": states.time, "gauge": np.array(gauges)}
    return xr.Dataset(
        stamped(LOG, channels),
        coords=stamped(LOG, labels)
        | {"corner": list(states.corners), "component": list(COMPONENTS)},
        attrs={
            "path": "virtual log", "checksum": "", "encoding": "utf-8", "not_used": [], "gaps": [],
        },
    )  # fmt: skip


def _turning(seen: Floats, states: States) -> Floats:
    """Wheel speed as logged (n, corner) [rad/s]: exactly zero for a wheel that stands still."""
    return np.where(states.locked | (np.abs(states.wheel_speed) < STANDS), 0.0, seen)


def _lines(states: States, rng: np.random.Generator) -> Floats:
    """Brake pressures (n, corner) [Pa] as logged by one sensor per line, front and rear."""
    noise = NOISE["brake_pressure"] * rng.standard_normal((len(states.time), 2))
    rear = [int(c.startswith("R")) for c in states.corners]
    return np.asarray(states.brake_pressure + noise[:, rear])


def _truth(
    virtual_car: VirtualCar, states: States, loads: dict[str, Floats], moments: dict[str, Floats]
) -> xr.Dataset:
    t, c, xyz = "elapsed_time", "corner", "component"
    elastic = {n: virtual_car.elastic[virtual_car.assembly_name(n)] for n in states.corners}
    of = {n: elastic[n].members.names for n in states.corners}
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
            "steer": (t, states.body.steer),
            "rack": (t, states.body.rack),
            "roll": (t, states.body.roll),
            "pitch": (t, states.body.pitch),
            "speed": (t, states.body.speed),
            "wheel_speed": ((t, c), states.wheel_speed),
            **_hidden(states),
        },
        coords={
            t: states.time, c: list(states.corners), xyz: list(COMPONENTS), "link": members,
        },
        attrs={"source": "invented: truth of a virtual car"},
    )  # fmt: skip


def _hidden(states: States) -> dict[str, tuple[tuple[str, ...] | str, Any]]:
    """Slip and limits of the tyres, and events (`event_kind`, `_start`, `_end`, figures)."""
    out: dict[str, tuple[tuple[str, ...] | str, Any]] = {}
    if states.tyres is not None:
        for of in fields(states.tyres):
            out[f"tyre_{of.name}"] = ("elapsed_time", "corner"), getattr(states.tyres, of.name)
    if states.events:
        out["event_kind"] = "event", np.array([e.kind for e in states.events])
        out["event_start"] = "event", np.array([e.start for e in states.events])
        out["event_end"] = "event", np.array([e.end for e in states.events])
        for name in sorted({n for e in states.events for n in e.figures}):
            found = [e.figures.get(name, np.nan) for e in states.events]
            out[f"event_{name}"] = "event", np.array(found)
    return out
