"""Virtual days of the shipped cars on which answers are judged, and the true forces of a drive."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr
from scipy.interpolate import CubicSpline

from recon.conditioning.clocks import U_DELAY
from recon.conditioning.filters import low_pass
from recon.evaluation.launch.one_launch import U_SPEED
from recon.evaluation.launch.wheel_slip import LARGER
from recon.mechanics.axes import intermediate_to_tyre
from recon.reconstruction.result.attributes import facts_of
from recon.virtual.day import circuit_states, launch_states
from recon.virtual.drive import virtual_drive
from tests.campaign.slip_days import CARS, RATE, Crew, Drive, crew_at_work
from tests.slalom_course import slalom_states

# All engines that drag alike would make the fade of brakes look surer than it is.
DRIVES = {"slalom": slalom_states, "launch": launch_states,
          "circuit": partial(circuit_states, geared=True)}  # fmt: skip
SURE = 1e-3  # of their uncertainty is left to true forces: answers divide by it


@dataclass(frozen=True, slots=True)
class Day:
    """A calibrated car and its drives by name."""

    crew: Crew
    drives: dict[str, Drive]


def day_of(number: int, folder: Path) -> Day:
    """Day of this number; kept in the folder."""
    path = folder / f"day_{number}.pickle"
    if path.exists():
        found: Day = pickle.loads(path.read_bytes())
    else:
        found = _drawn(number)
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps(found))
        part.rename(path)
    return _as_logged(found, np.random.default_rng([79, number]))


def _drawn(number: int) -> Day:
    rng = np.random.default_rng([78, number])
    crew = crew_at_work(CARS[number % len(CARS)], rng)
    drives = {
        name: Drive(*virtual_drive(crew.drawn, states(crew.drawn, rng, rate=RATE), rng))
        for name, states in DRIVES.items()
    }
    return Day(crew, drives)


def _as_logged(day: Day, rng: np.random.Generator) -> Day:
    """The day with errors of a logger that answers allow for and virtual logs do not have.

    The gauges of each axle are sampled a little early or late, and the speed has a gain.
    """
    channels, drives = day.crew.drawn.channels, {}
    at_rear = {g for name, own in channels.items() if name[0] in "Rr" for g in own.names}
    for name, drive in day.drives.items():
        time, log = drive.log["elapsed_time"].to_numpy(), drive.log.copy()
        gauges, seen = log["gauge"].to_numpy().tolist(), log["indication"].to_numpy().copy()
        late = dict(zip((False, True), U_DELAY / np.sqrt(2) * rng.standard_normal(2), strict=True))
        for g, gauge in enumerate(gauges):
            seen[:, g] = late_by(time, seen[:, g], late[gauge in at_rear])
        log["indication"] = log["indication"].copy(data=seen)
        log["speed"] = log["speed"].copy(data=log["speed"] * (1 + U_SPEED * rng.standard_normal()))
        drives[name] = replace(drive, log=log)
    return replace(day, drives=drives)


def late_by(time: np.ndarray, seen: np.ndarray, delay: float) -> np.ndarray:
    """A channel (sample,) as it is when its samples are read `delay` [s] too early.

    A spline goes through it: straight lines would cut the crests of wheel hop off.
    """
    at = np.clip(time - delay, time[0], time[-1])
    return np.asarray(CubicSpline(time, seen)(at))


def true_forces(forces: xr.Dataset, truth: xr.Dataset, crew: Crew) -> xr.Dataset:
    """Forces with the truth in place of what was measured, and hardly any uncertainty."""
    bandwidth, rate = forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"]
    corners = list(map(str, forces["corner"].to_numpy()))
    out = forces.copy(deep=True)
    for name in ("tyre_force_vehicle", "tyre_force_intermediate", "hub_acceleration", "travel",
                 "wheel_speed", "speed", "roll", "pitch"):  # fmt: skip
        true = truth[name].sel(corner=corners) if "corner" in truth[name].dims else truth[name]
        flat = low_pass(true.to_numpy().reshape(len(true), -1), bandwidth, rate)
        out[name].values[:] = np.where(np.isnan(forces[name]), np.nan, flat.reshape(true.shape))
    level, heading = out["tyre_force_intermediate"].to_numpy(), forces["heading"].to_numpy()
    out["tyre_force"].values[:] = intermediate_to_tyre(level, heading)
    for name in ("u_tyre_force_random", "loading", "loading_added_intermediate",
                 "loading_added_tyre"):  # fmt: skip
        out[name].values[:] *= SURE
    for name, value in facts_of(crew.drawn.truth, corners).items():
        out[name].values[...] = value
    # Virtual wheels roll on their loaded radius; answers take a little more where they have to.
    out["loaded_radius"].values[...] /= LARGER
    return out
