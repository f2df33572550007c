"""The case car with channels taken away: errors are as large as stated, and not much larger.

Whoever made the case car says that its hub accelerations lack the terms of yaw along x; so errors
of Fx without hub accelerometers are those of its model as much as those of the inference.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

import recon
from recon.base.errors import ReconWarning
from recon.conditioning.filters import low_pass
from tests.outside.case_drives import case_calibration, case_car, case_log, case_truth
from tests.slow_repeats import some_quick

pytestmark = pytest.mark.source("CASE-CAR: forces of a car with truth, some channels not logged")

Floats = NDArray[np.float64]
DRIVES = ("slalom", "braking", "launch", "lap")
GAUGES = ("indication",)
WITHOUT = {
    "hub": ("hub_acceleration",),
    "hub and travel": ("hub_acceleration", "travel"),
    "roll and pitch": ("roll", "pitch"),
    "steer": ("steer",),
}
SETS = (*WITHOUT, "all but gauges")


@pytest.fixture(scope="module")
def judged() -> Callable[..., tuple[Floats, Floats]]:
    """Root mean squares of errors over u (3,), and of u (3,) [N], over all drives."""

    @cache
    def of(gone: str, bandwidth: float) -> tuple[Floats, Floats]:
        over_u, u = [], []
        for name in DRIVES:
            (log, tares), true = case_log(name), case_truth(name)
            names = WITHOUT.get(gone, tuple(n for n in log.data_vars if n not in GAUGES))
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ReconWarning)
                less = recon.condition(log.drop_vars(names), case_car(), tares, bandwidth=bandwidth)
                forces = recon.reconstruct(less, case_calibration(), case_car())
            assert forces.sizes.get("doubt", 0) == 0, (name, gone)
            passed = low_pass(true.reshape(len(true), -1), bandwidth, 500.0).reshape(true.shape)
            stated = forces["u_tyre_force_intermediate"].to_numpy().astype(float)
            error = forces["tyre_force_intermediate"].to_numpy() - passed
            over_u.append(np.nanmean(np.square(error / stated), axis=(0, 1)))
            u.append(np.nanmean(np.square(stated), axis=(0, 1)))
        return np.sqrt(np.mean(over_u, axis=0)), np.sqrt(np.mean(u, axis=0))

    return of


@pytest.mark.parametrize("bandwidth", some_quick([8.0, 30.0], 8.0))
@pytest.mark.parametrize("gone", SETS)
def test_errors_without_some_channels_are_as_large_as_stated(
    judged: Callable[..., tuple[Floats, Floats]], gone: str, bandwidth: float
) -> None:
    over_u, _ = judged(gone, bandwidth)
    # As in `test_case_car`: a component of one drive is worth six numbers, of four drives about
    # twenty, as they share calibration and sensors in part; 1 / sqrt(40) = 16 %, twice that up.
    # Downwards, full logs have 0.47 in y on the same drives.
    assert np.all(over_u < 1.35)
    assert np.all(over_u > 0.4)


def test_without_hub_accelerometers_forces_are_known_within_45_newtons(
    judged: Callable[..., tuple[Floats, Floats]],
) -> None:
    _, u = judged("hub", 8.0)
    assert np.all(u < 45.0)
    _, of_gauges = judged("all but gauges", 8.0)
    assert np.all(of_gauges < 75.0)  # 350 N where gravity stood for all accelerations
