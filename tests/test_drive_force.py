"""Times at which a driving force passes a level, and how exactly samples show them."""

from __future__ import annotations

import numpy as np
import pytest

from recon.conditioning.filters import low_pass
from recon.evaluation.launch.drive_force import crossing, u_crossing

RATE = 1600.0  # Hz, of a force that stands for one without samples
FORCE = 1000.0  # N


def rise(bandwidth: float) -> tuple[np.ndarray, np.ndarray]:
    """A force that rises within 60 ms, as a shift is, low-passed to a bandwidth [Hz]."""
    time = np.arange(0.0, 1.0, 1 / RATE)
    force = np.interp(time, [0.47, 0.53], [0.0, FORCE])
    return time, low_pass(force[:, None], bandwidth, RATE)[:, 0]


def passage(time: np.ndarray, force: np.ndarray, level: float) -> float:
    return crossing(time, force, level, int(np.flatnonzero(force >= level)[0]))


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
@pytest.mark.parametrize(("every", "bandwidth"), [(8, 30.0), (16, 30.0), (32, 24.0)])
def test_a_level_is_passed_within_the_uncertainty_of_sampling(
    every: int, bandwidth: float, share: float
) -> None:
    time, force = rise(bandwidth)
    true = passage(time, force, share * FORCE)
    found = [
        passage(time[first::every], force[first::every], share * FORCE) for first in range(every)
    ]
    u = u_crossing(time[::every], bandwidth, halfway=share == 0.5)
    assert np.sqrt(np.mean((np.array(found) - true) ** 2)) < u


@pytest.mark.parametrize("share", [0.1, 0.9])
def test_a_slow_log_at_its_default_bandwidth_shows_a_time_to_a_fiftieth_of_a_step(
    share: float,
) -> None:
    time, force = rise(35.0)
    true = passage(time, force, share * FORCE)
    found = [passage(time[k::16], force[k::16], share * FORCE) for k in range(16)]
    u = u_crossing(time[::16], 35.0)
    assert u <= 0.02 * (time[16] - time[0])
    assert np.sqrt(np.mean((np.array(found) - true) ** 2)) < u


def test_a_passage_stays_between_its_samples_also_beside_a_kink() -> None:
    time = np.arange(6.0)
    for force in (
        [0, 0, 0, 1000, -5000, 0],
        [0, 5000, 499, 501, -5000, 0],
        [0, 9e9, 0, 1000, 0, 0],
    ):
        found = crossing(time, np.array(force, dtype=float), 500.0, 3)
        assert 2.0 <= found <= 3.0
        around = np.array(force[1:5], dtype=float)
        cubic = np.polynomial.Polynomial.fit(time[1:5], around, 3)
        assert cubic(found) == pytest.approx(500.0, abs=1e-3 * np.ptp(around))
