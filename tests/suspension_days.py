"""Virtual days of every shipped suspension: pulls, verification, slalom, forces.

Each day draws the car anew around its file.  The front wheels of `solid_axle` stand for those of
`solid_axle_tubes`, which are the same.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import xarray as xr

from recon.base.errors import DataWarning, PriorWarning
from recon.base.threads import one_thread
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration, CornerCalibration
from recon.car.vehicle import Corner, Vehicle
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.records.sheets import PullSheet, Tares
from recon.virtual.crew import virtual_pulls, virtual_verification
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.elastic import WheelAt, no_load, settle
from tests.days import level_limits, solved, unwarned
from tests.shipped_mechanisms import shipped
from tests.slalom_course import slalom_states

# Kinds of suspension, and the gauge whose loss costs its forces most (`recon observe`).
KINDS = {
    ("club_racer", "FL"): "FL_push_rod",
    ("club_racer", "RL"): "RL_coil_over",
    ("wishbone_spring_on_arm", "FL"): "FL_spring",
    ("wishbone_spring_on_arm", "RL"): "RL_arm_upright_far",
    ("strut", "FL"): "FL_spring",
    ("anti_roll_bar", "RL"): "RL_trailing",
    ("solid_axle", "FL"): "FL_arm_axial",
}
# Corners that an axle ties to their partners.
TIED = {
    ("strut", "RL"): "RL_arm_level_far",
    ("anti_roll_bar", "FL"): "F_drop_link_left",
    ("solid_axle", "RL"): "R_cross_link",
    ("solid_axle_tubes", "RL"): "RL_tube_axial",
}
ALL = (*KINDS, *TIED)
NAMES = ["-".join(k) for k in KINDS]
# What that costs on a day with this seed; near the limit it depends on the day's map.
SEED_WITHOUT = 4
LOST = {("club_racer", "RL"): ("Fz",), ("strut", "FL"): ("Fz",)}
RATE = 200.0  # 1/s


@dataclass(frozen=True, slots=True)
class UnitDay:
    """Day of a corner or tied axle: `error` (sample, 3 w) [N] in intermediate axes, over u `z`.

    `inside` (sample, 3 w) its limits; `error_of_sum` and `z_of_sum` (sample, known sum).
    """

    drawn: VirtualCar
    described: Vehicle
    unit: str
    pulls: PullSheet
    calibration: Calibration
    log: xr.Dataset
    tares: Tares
    conditioned: xr.Dataset
    forces: xr.Dataset
    error: np.ndarray
    z: np.ndarray
    inside: np.ndarray
    error_of_sum: np.ndarray
    z_of_sum: np.ndarray

    @property
    def fitted(self) -> CornerCalibration:
        return self.calibration.corners[self.unit]


def measured_bush_rate(drawn: VirtualCar, unit: str) -> float:
    """Newtons per metre of lifting a wheel with the springs taken off, as a crew would find it.

    Both wheels of an axle are lifted and the mean is taken, in which its bar has no part.
    """
    elastic = drawn.elastic[unit]
    travel = np.array([-0.02, 0.02])
    springs = [elastic.members.element.tolist().index(e) for e in elastic.springs]

    def lifted(at: WheelAt) -> tuple[np.ndarray, np.ndarray]:
        return np.tile([0.0, 0.0, 1000.0], (len(at.hub), 1)), np.zeros_like(at.hub)

    bare, loaded = (
        settle(elastic, (load,) * len(springs), np.zeros(2), travel=travel).load[:, springs]
        for load in (no_load, lifted)
    )
    instead = -bare / ((loaded - bare) / 1000.0)  # what wheels need where springs give none
    return float(np.mean((instead[1] - instead[0]) / (travel[1] - travel[0])))


def described(drawn: VirtualCar, unit: str) -> Vehicle:
    """The unit alone; bushes as measured to 0.05 N/mm where the file has nothing."""
    car, measured = drawn.car, measured_bush_rate(drawn, unit)
    corners = {}
    for wheel in drawn.elastic[unit].wheels:
        part: Corner = car.corners[wheel.corner]
        if part.bush_rate == 0.0:
            rate = 50.0 * round(measured / 50.0)
            part = replace(part, bush_rate=rate, u_bush_rate=25.0)
        corners[part.name] = part
    return replace(car, corners=corners, axles={k: a for k, a in car.axles.items() if k == unit})


def without_gauge(car: Vehicle, gauge: str) -> Vehicle:
    corners, axles = (
        {
            name: replace(part, gauges=tuple(g for g in part.gauges if g.name != gauge))
            for name, part in parts.items()
        }
        for parts in (car.corners, car.axles)
    )
    return replace(car, corners=corners, axles=axles)


def unit_day(file: str, corner: str, seed: int, without: str = "") -> UnitDay:
    """A day of a corner or of its axle, with its file's gauges or without one of them."""
    rng = np.random.default_rng([23, ALL.index((file, corner)), seed])
    drawn = draw_car(without_gauge(shipped(file), without), rng, corners=(corner,))
    unit = drawn.assembly_name(corner)
    alone = described(drawn, unit)
    with unwarned(), one_thread():
        # Few lines verify, each with errors of its own: one day in forty fails by chance.
        warnings.filterwarnings("ignore", ".*verification failed", DataWarning)
        # Virtual hubs are shaken sideways at every frequency; a cross link alone holds an axle.
        warnings.filterwarnings("ignore", ".*noise in the drive exceeds", DataWarning)
        pulls, checks = virtual_pulls(drawn, None, rng), virtual_verification(drawn, rng)
        calibration = calibrate(pulls, alone, verification=checks)
        log, tares, truth = virtual_drive(drawn, slalom_states(drawn, rng, rate=RATE), rng)
        conditioned = condition(log, alone, tares)
        forces = solved(conditioned, calibration, alone)
    true = truth["tyre_force_intermediate"].to_numpy()
    true = true.reshape(len(true), -1)
    true = low_pass(true, forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"])
    found, u = (
        forces[name].to_numpy().reshape(true.shape)
        for name in ("tyre_force_intermediate", "u_tyre_force_intermediate")
    )
    lower, upper = (limit.reshape(true.shape) for limit in level_limits(forces))
    inside = np.where(np.isfinite(found), (lower <= true) & (true <= upper), np.nan)
    error, of_sum, u_sum = found - true, np.zeros((len(true), 0)), np.ones((len(true), 0))
    if "known_sum" in forces:
        weight = forces["sum_weight"].to_numpy().reshape(-1, true.shape[1])
        of_sum = forces["sum_of_forces"].to_numpy() - true @ weight.T
        u_sum = forces["u_sum_of_forces"].to_numpy()
    return UnitDay(
        drawn, alone, unit, pulls, calibration, log, tares, conditioned, forces,
        error, error / u, inside, of_sum, of_sum / u_sum,
    )  # fmt: skip


@cache
def axle_day(file: str) -> UnitDay:
    """A day of a tied rear axle that several tests share: `strut` or `solid_axle`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)  # forces that are not known, by their words
        return unit_day(file, "RL", 0)


def told(days: Iterable[UnitDay]) -> tuple[np.ndarray, np.ndarray, str]:
    """Root mean square of error over u (3,), share inside (3,), and both in words."""
    days = list(days)
    rms = np.sqrt(np.mean([np.mean(d.z**2, axis=0) for d in days], axis=0))
    inside = np.mean([np.mean(d.inside, axis=0) for d in days], axis=0)
    newtons = np.sqrt(np.mean([np.mean(d.error**2, axis=0) for d in days], axis=0))
    bias = np.mean([np.mean(d.z, axis=0) for d in days], axis=0)
    words = (
        f"error {newtons.round(1)} N, over u {rms.round(2)}, mean over u {bias.round(2)}, "
        f"inside {inside.round(3)}"
    )
    return rms, inside, words
