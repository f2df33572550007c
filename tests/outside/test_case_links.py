"""Largest loads of the links of the independent case car, against frames that share no code."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr
from numpy.typing import NDArray

from recon.analysis.link_loads import link_loads
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.vehicle import Vehicle
from tests.outside.case_drives import WINDOWS, case_forces

pytestmark = [
    pytest.mark.source("CASE-CAR: link loads of a car with truth"),
    pytest.mark.filterwarnings(
        "ignore:.*forces beyond the largest pull:recon.base.errors.ExtrapolationWarning"
    ),
]
TRUTH = json.loads((WINDOWS / "link_peaks.json").read_text(encoding="utf-8"))
# Of the car's points, of which one draw moves all links: one over u of some thirty coordinates and
# priors per corner, two corners alike; three times 1/sqrt(120) = 9 %.
BAND = (0.6, 1.3)
HALF_WIDTH = 4.0  # rms errors: the trail of the tyre is not stated, and its prior is wide


def answers_of(car: Vehicle, forces: dict[str, xr.Dataset]) -> dict[str, xr.Dataset]:
    return {name: link_loads(of, vehicle=car, bandwidth=25.0) for name, of in forces.items()}


@pytest.fixture(scope="module")
def forces() -> dict[str, xr.Dataset]:
    return {name: case_forces(name) for name in ("braking", "lap")}


def true_peaks(name: str) -> NDArray[np.float64]:
    """Largest and smallest load (link, 2) [N], links corner after corner."""
    ends = [np.array([of["largest"], of["smallest"]]).T for of in TRUTH[name].values()]
    return np.concatenate(ends)


def over_u(answer: xr.Dataset, name: str, factor: float = 1.0) -> NDArray[np.float64]:
    error = factor * answer["peak_load"].to_numpy() - true_peaks(name)
    return error / answer["u_peak_load"].to_numpy()


def rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(values**2)))


def test_peaks_lie_within_their_intervals(case_car: Vehicle, forces: dict[str, xr.Dataset]) -> None:
    answers = answers_of(case_car, forces)
    every = np.concatenate([over_u(answer, name) for name, answer in answers.items()])
    assert every.shape == (48, 2)
    assert np.mean(np.abs(every) <= COVERAGE_FACTOR) >= 0.9
    assert BAND[0] < rms(every) < BAND[1]
    errors = [a["peak_load"].to_numpy() - true_peaks(n) for n, a in answers.items()]
    halves = [COVERAGE_FACTOR * a["u_peak_load"].to_numpy() for a in answers.values()]
    assert rms(np.array(halves)) < HALF_WIDTH * rms(np.array(errors))
    # Twin: loads that are 15 % too large are outside.
    wrong = np.concatenate([over_u(answer, name, 1.15) for name, answer in answers.items()])
    assert rms(wrong) > BAND[1]


def test_the_weight_of_the_wheels_matters(case_car: Vehicle, forces: dict[str, xr.Dataset]) -> None:
    """Without weight and inertia of the wheels, loads are off by far more than their u."""
    bare = forces["lap"].copy()
    bare["hub_acceleration"] = 0.0 * bare["hub_acceleration"]
    whole, without = (over_u(link_loads(f, vehicle=case_car), "lap") for f in (forces["lap"], bare))
    assert rms(without) > 1.5 * rms(whole)
