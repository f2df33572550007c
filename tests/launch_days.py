"""A virtual launch that several tests share: forces as reconstructed, and the truth."""

from __future__ import annotations

from functools import cache

import numpy as np
import xarray as xr

from recon.calibration.calibrate import calibrate
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.virtual.crew import virtual_pulls
from recon.virtual.dampers import NO_DAMPER, Damper
from recon.virtual.day import launch_states
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from tests.days import club_car, unwarned

SEED = 6


@cache
def launch_day(
    seed: int = SEED,
    without: tuple[str, ...] = (),
    bandwidth: float | None = None,
    damper: Damper = NO_DAMPER,
) -> tuple[xr.Dataset, xr.Dataset]:
    """Forces and truth of a launch with hop and two shifts; `without` channels of the log."""
    return launches(seed, 1, without, bandwidth, damper)[0]


@cache
def launches(
    seed: int,
    count: int,
    without: tuple[str, ...] = (),
    bandwidth: float | None = None,
    damper: Damper = NO_DAMPER,
) -> list[tuple[xr.Dataset, xr.Dataset]]:
    """Forces and truth of several launches of one car with one calibration, tares for each."""
    car, rng = club_car(), np.random.default_rng(seed)
    drawn = draw_car(car, rng)
    pulls = virtual_pulls(drawn, None, rng)
    out = []
    with unwarned():
        calibration = calibrate(pulls, car)
        for number in range(count):
            states = launch_states(drawn, rng, damper=damper)
            log, tares, truth = virtual_drive(drawn, states, rng)
            conditioned = condition(log.drop_vars(without), car, tares, bandwidth=bandwidth)
            forces = reconstruct(conditioned, calibration, car)
            forces.attrs |= {"path": f"launch_{number + 1}.nc", "log_checksum": str(number)}
            out.append((forces, truth))
    return out


def true_slip(truth: xr.Dataset) -> np.ndarray:
    """Slip (sample, corner) [1] of true speeds, over at least 1 m/s."""
    speed, turning = truth["speed"].to_numpy()[:, None], truth["wheel_speed"].to_numpy()
    ahead, fast = truth["tyre_slip_ahead"].to_numpy(), truth["speed"].to_numpy() > 6
    radius = np.median(((1 + ahead) * speed / np.maximum(turning, 1e-6))[fast], axis=0)
    return (turning * radius - speed) / np.maximum(speed, 1.0)
