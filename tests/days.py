"""Virtual days of the club racer that many tests share: pulls, drive, forces and the truth.

`day` is one whole day with a fixed seed; `exact` is the same car without anything that the inverse
does not model, for tests of single laws.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from recon.analysis.slalom import BANDWIDTH
from recon.base.errors import ExtrapolationWarning, SafetyWarning
from recon.base.quantities import COVERAGE_FACTOR, STANDARD_GRAVITY
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from recon.records.sheets import PullSheet, Tares
from recon.records.vehicles import read_vehicle
from recon.virtual.crew import virtual_pulls, virtual_verification
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.effects import Effects
from recon.virtual.states import Body, States
from tests.slalom_course import slalom_states

VEHICLES = Path(__file__).parents[1] / "vehicles"
NOTHING = Effects(
    compliance=1e-3, bushes=0, friction=0, creep=0, thermal_gain=0, noise=0, facts=0, readings=0
)
SEED = 5


@contextmanager
def unwarned() -> Iterator[None]:
    """Hold back what a virtual day may say by chance: pulls near a limit, forces beyond pulls."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SafetyWarning)
        warnings.simplefilter("ignore", ExtrapolationWarning)
        yield


@dataclass(frozen=True, slots=True)
class Day:
    """Everything that came out of one virtual day."""

    car: Vehicle
    drawn: VirtualCar
    pulls: PullSheet
    checks: PullSheet
    calibration: Calibration
    log: xr.Dataset
    tares: Tares
    truth: xr.Dataset
    conditioned: xr.Dataset
    forces: xr.Dataset


@cache
def club_car(*corners: str) -> Vehicle:
    """The club racer, or some of its corners."""
    car = read_vehicle(VEHICLES / "club_racer.toml")
    return replace(car, corners={c: car.corners[c] for c in corners}) if corners else car


@cache
def day() -> Day:
    """A whole day of the club racer with a slalom at its end."""
    car, rng = club_car(), np.random.default_rng(SEED)
    drawn = draw_car(car, rng)
    pulls, checks = virtual_pulls(drawn, None, rng), virtual_verification(drawn, rng)
    with unwarned():
        calibration = calibrate(pulls, car, verification=checks)
        log, tares, truth = virtual_drive(drawn, slalom_states(drawn, rng), rng)
        conditioned = condition(log, car, tares)
        forces = reconstruct(conditioned, calibration, car)
    return Day(
        car, drawn, pulls, checks, calibration, log, tares, truth, conditioned, forces
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Exact:
    """A car without hidden effects: what is left is rounding to the last digit."""

    car: Vehicle
    drawn: VirtualCar
    pulls: PullSheet
    calibration: Calibration


def solved(log: xr.Dataset, calibration: Calibration, car: Vehicle) -> xr.Dataset:
    """Forces as `reconstruct` calculates them, without its examination, which changes no number."""
    log = completed(log, calibration, car)
    return prepare(calibration, car, log).solve(log)


@cache
def exact(corner: str = "FL") -> Exact:
    """One corner of the club racer as the inverse believes it to be."""
    car = club_car(corner)
    rng = np.random.default_rng(1)
    drawn = draw_car(car, rng, effects=NOTHING)
    # The tyre of the priors, a bearing without drag, zeros that stay.
    channels = {c: replace(k, zero_shift=0 * k.zero_shift, zero_per_kelvin=0 * k.zero_per_kelvin)
                for c, k in drawn.channels.items()}  # fmt: skip
    drawn = replace(
        drawn,
        channels=channels,
        trail=car.tyre.trail,
        shift_per_force=car.tyre.shift_per_force,
        drag=0.0,
    )
    pulls = virtual_pulls(drawn, None, rng)
    with unwarned():
        return Exact(car, drawn, pulls, calibrate(pulls, car))


def states(corner: str, force: np.ndarray, **other: np.ndarray) -> States:
    """A corner under `force` (n, 3) [N], level body, wheel rolling, hub not accelerated."""
    n = len(force)
    still = {
        "travel": np.zeros((n, 1)),
        "specific_force": np.tile([0, 0, STANDARD_GRAVITY], (n, 1, 1)),
        "brake_pressure": np.zeros((n, 1)), "brake_torque": np.zeros((n, 1)),
        "wheel_speed": np.full((n, 1), 50.0), "locked": np.zeros((n, 1), dtype=bool),
        "temperature": np.full((n, 1), 20.0),
    }  # fmt: skip
    motion = {name: np.zeros(n) for name in ("steer", "rack", "roll", "pitch", "yaw_rate")}
    motion |= {"speed": np.full(n, 15.0), "acceleration": np.tile([0, 0, STANDARD_GRAVITY], (n, 1))}
    motion |= {name: other.pop(name) for name in motion.keys() & other.keys()}
    return States(
        corners=(corner,), time=0.01 * np.arange(n), body=Body(**motion),
        force=force[:, None].astype(float), **{**still, **other},
    )  # fmt: skip


def exact_log(of: Exact, through: States) -> tuple[xr.Dataset, Tares, xr.Dataset]:
    """Drive without noise of the ordinary sensors, at the temperature of the pulls."""
    log, tares, truth = virtual_drive(of.drawn, through, np.random.default_rng(2))
    for name in ("travel", "wheel_speed", "brake_pressure"):
        log[name].values[:] = getattr(through, name)
    for name in ("steer", "roll", "pitch", "acceleration"):
        log[name].values[:] = getattr(through.body, name)
    log["hub_acceleration"].values[:] = through.specific_force
    (fitted,) = of.calibration.corners.values()
    log["gauge_temperature"].values[:] = fitted.conditions.temperature
    return log, tares, truth


def exact_forces(of: Exact, through: States, **options: bool) -> tuple[xr.Dataset, xr.Dataset]:
    """Forces of an exact drive, unfiltered, and their truth."""
    log, tares, truth = exact_log(of, through)
    conditioned = condition(log, of.car, tares, bandwidth=1e9)
    return reconstruct(conditioned, of.calibration, of.car, **options), truth


def standardised(forces: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """Errors over their standard uncertainty, intermediate axes, (sample, corner, component)."""
    bandwidth, rate = forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"]
    true = truth["tyre_force_intermediate"].sel(corner=forces["corner"]).to_numpy()
    passed = low_pass(true.reshape(len(true), -1), bandwidth, rate).reshape(true.shape)
    found = forces["tyre_force_intermediate"].to_numpy()
    return (found - passed) / forces["u_tyre_force_intermediate"].to_numpy()


def peaks_of(truth: xr.Dataset, found: xr.Dataset) -> np.ndarray:
    """True peaks (cone, corner) of lateral force at the slalom's bandwidth."""
    elapsed = truth["elapsed_time"].to_numpy()
    rate = 1 / np.median(np.diff(elapsed))
    lateral = low_pass(truth["tyre_force_intermediate"].to_numpy()[:, :, 1], BANDWIDTH, rate)
    out = []
    for when, side in zip(found["cone_time"].to_numpy(), found["side"].to_numpy(), strict=True):
        near = np.abs(elapsed - when) < 0.4  # s; half-waves last 1.2 s
        out.append(side * np.max(side * lateral[near], axis=0))
    return np.array(out)


def report(text: str) -> None:
    """Tell what was found; shown by `pytest -s` or where a test fails."""
    sys.stdout.write(f"\n{text}\n")


def level_limits(forces: xr.Dataset) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """95 % limits (sample, corner, component) [N], intermediate axes; of Fz the tyre's."""
    force, u = (forces[f"{n}tyre_force_intermediate"].to_numpy().astype(float) for n in ("", "u_"))
    lower, upper = force - COVERAGE_FACTOR * u, force + COVERAGE_FACTOR * u
    lower[..., 2], upper[..., 2] = (
        forces[f"tyre_force_{end}"].to_numpy()[..., 2] for end in ("lower", "upper")
    )
    return lower, upper
