"""Load transfer and slalom of the independent case car against its truth.

The truths are worked out here from true forces by definitions of their own: least squares of
loads on the sum of the lateral forces, and sines that are fitted to both axles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import xarray as xr
from numpy.typing import NDArray

import recon
from tests.outside.case_drives import case_forces, case_truth

pytestmark = [
    pytest.mark.source("CASE-CAR: front share, height of the centre of mass, lag of the rear"),
    pytest.mark.filterwarnings(
        "ignore:.*forces beyond the largest pull:recon.base.errors.ExtrapolationWarning"
    ),
]

# The car as it was built, not as it was measured: height of the centre of mass and tracks [m].
HEIGHT, TRACKS = 0.479361, (1.38684, 1.36398)
RATE = 500  # Hz


@dataclass(frozen=True)
class Drive:
    """Forces of a window and their truth (sample, corner, xyz)."""

    forces: xr.Dataset
    truth: NDArray[np.float64]


@pytest.fixture(scope="module")
def drive() -> Callable[[str], Drive]:
    return lambda name: Drive(case_forces(name), case_truth(name))


def means(values: NDArray[np.float64], size: int = 100) -> NDArray[np.float64]:
    """Means over 0.2 s, which pass neither road nor noise."""
    whole = len(values) // size * size
    return values[:whole].reshape(-1, size, *values.shape[1:]).mean(axis=1)


def true_share(truth: NDArray[np.float64]) -> float:
    """Front share of the lateral load transfer by slopes against the lateral force of the car."""
    slow = means(truth)
    total, load = slow[..., 1].sum(axis=1), slow[..., 2]
    down = np.all(load > 300.0, axis=1)  # N: no wheel about to lift
    columns = np.column_stack([total, slow[..., 0].sum(axis=1), np.ones_like(total)])[down]
    slope = np.linalg.lstsq(columns, load[down], rcond=None)[0][0]
    moment = [(slope[k + 1] - slope[k]) * track for k, track in zip((0, 2), TRACKS, strict=True)]
    return float(moment[0] / sum(moment))


@pytest.mark.parametrize("name", ["slalom", "lap"])
def test_the_front_share_is_within_two_per_cent_and_in_its_interval(
    drive: Callable[[str], Drive], name: str
) -> None:
    of = drive(name)
    answer, true = recon.load_transfer(of.forces), true_share(of.truth)
    assert float(answer["front_share"]) == pytest.approx(true, abs=0.02)
    # Definitions differ by dampers and by the turning of the body: 0.3 %.
    half = 0.003 + 1.96 * float(answer["u_front_share"])
    assert abs(float(answer["front_share"]) - true) < half
    assert float(answer["u_front_share"]) < 0.01
    # A load that is a fifth too small at one front wheel makes another share.
    spoiled = of.forces.copy(deep=True)
    spoiled["tyre_force_intermediate"].values[:, 1, 2] *= 0.8
    assert abs(float(recon.load_transfer(spoiled)["front_share"]) - true) > half


@pytest.mark.parametrize(
    ("name", "direction"), [("slalom", "lateral"), ("lap", "lateral"), ("lap", "longitudinal"),
                            ("braking", "longitudinal")]
)  # fmt: skip
def test_the_height_of_the_centre_of_mass_is_found_from_driving(
    drive: Callable[[str], Drive], name: str, direction: str
) -> None:
    answer = recon.load_transfer(drive(name).forces).sel(direction=direction)
    assert float(answer["height"]) == pytest.approx(HEIGHT, rel=0.05)
    assert float(answer["height_lower"]) < HEIGHT < float(answer["height_upper"])
    assert float(answer["u_height"]) < 0.05 * HEIGHT


def true_lag(truth: NDArray[np.float64]) -> float:
    """Lag of the rear [s] by sines of the best frequency, fitted to whole periods."""
    axles = np.column_stack([truth[:, :2, 1].sum(axis=1), truth[:, 2:, 1].sum(axis=1)])
    total = axles.sum(axis=1)
    smooth = np.convolve(total, np.ones(51) / 51, mode="same")
    turns = np.flatnonzero((smooth[:-1] < 0) & (smooth[1:] >= 0))
    first, last = turns[0], turns[-1]
    frequency = (len(turns) - 1) * RATE / (last - first)
    angle = 2 * np.pi * frequency * np.arange(last - first) / RATE
    columns = np.column_stack([np.sin(angle), np.cos(angle), np.ones_like(angle)])
    sine, cosine, _ = np.linalg.lstsq(columns, axles[first:last], rcond=None)[0]
    phase = np.arctan2(cosine, sine)
    return float((phase[0] - phase[1]) / (2 * np.pi * frequency))


def test_the_lag_of_the_rear_is_within_eight_milliseconds(drive: Callable[[str], Drive]) -> None:
    of = drive("slalom")
    answer, true = recon.slalom(of.forces), true_lag(of.truth)
    assert 0.15 < true < 0.21
    assert float(answer["rear_lag"]) == pytest.approx(true, abs=0.008)
    assert float(answer["rear_lag_lower"]) < true < float(answer["rear_lag_upper"])
