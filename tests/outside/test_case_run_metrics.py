"""Metrics of a run against the truth of an invented car, worked out here by definitions of our own.

Nothing of the package but the edges of sections enters the true values.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.signal import butter, sosfiltfilt

from recon.car.vehicle import Vehicle
from recon.evaluation.runs.metrics import BY_NAME, RunValues, run_values
from recon.evaluation.sections.find_sections import find_sections, sections_of
from tests.outside.case_drives import WINDOWS, case_forces

pytestmark = [
    pytest.mark.source("CASE-CAR: metrics of a run"),
    pytest.mark.filterwarnings(
        "ignore:.*forces beyond the largest pull:recon.base.errors.ExtrapolationWarning"
    ),
]

TURNS = (
    *("cornering_force", "force_at_load", "front_lateral_force", "rear_lateral_force"),
    *("use_difference", "front_transfer_share"),
)
STOPS = ("braking_force", "front_brake_share")


@pytest.fixture(scope="module")
def solved() -> dict[str, xr.Dataset]:
    return {name: case_forces(name) for name in ("slalom", "braking", "lap")}


def true_force(name: str) -> np.ndarray:
    """True forces (sample, corner, 3) [N] below about 3 Hz."""
    with xr.open_dataset(WINDOWS / f"{name}_truth.nc") as truth:
        force = truth["force_road"].transpose("time", "corner", "axis").to_numpy().astype(float)
    return sosfiltfilt(butter(4, 3.0, fs=500, output="sos"), force, axis=0)


def inside(forces: xr.Dataset, *kinds: str) -> np.ndarray:
    time = forces["elapsed_time"].to_numpy()
    out = np.zeros(len(time), dtype=bool)
    for section in sections_of(find_sections(forces), *kinds):
        out |= (time >= section.start - 1e-9) & (time <= section.end + 1e-9)
    return out


def true_turns(car: Vehicle, force: np.ndarray) -> dict[str, float]:
    x, y, z = np.moveaxis(force, 2, 0)
    turning = np.abs(y.sum(1)) > 0.5 * z.sum(1)
    quarter = car.mass * 9.80665 / 4
    some = (z > 0.5 * quarter) & (z < 1.5 * quarter)
    use = [np.abs(y[:, a:b].sum(1)) / z[:, a:b].sum(1) for a, b in ((0, 2), (2, 4))]
    moments = []
    for left, names in ((0, ("FL", "FR")), (2, ("RL", "RR"))):
        # Both tracks are measured between wheel centres: camber moves all contacts alike.
        across = [car.corners[n].wheel.centre[1] for n in names]
        moved = (z[:, left + 1] - z[:, left]) * (across[0] - across[1])
        moments.append(np.cov(y.sum(1), moved)[0, 1] / np.var(y.sum(1), ddof=1))
    return {
        "cornering_force": np.quantile((np.abs(y.sum(1)) / z.sum(1))[turning], 0.95),
        "force_at_load": np.quantile(np.hypot(x, y)[some] / (z[some] / quarter) ** 0.85, 0.95),
        "front_lateral_force": np.quantile(np.abs(y[:, :2].sum(1)), 0.95),
        "rear_lateral_force": np.quantile(np.abs(y[:, 2:].sum(1)), 0.95),
        "use_difference": np.mean((use[0] - use[1])[turning]),
        "front_transfer_share": moments[0] / sum(moments),
    }


def true_stops(force: np.ndarray) -> dict[str, float]:
    x, _, z = np.moveaxis(force, 2, 0)
    return {
        "braking_force": np.quantile(-x.sum(1) / z.sum(1), 0.95),
        "front_brake_share": x[:, :2].sum() / x.sum(),
    }


def errors(found: RunValues, true: dict[str, float]) -> dict[str, float]:
    """Error of each metric in its standard uncertainties."""
    places = {name: list(BY_NAME).index(name) for name in true}
    value, u = found.estimate.value, found.estimate.u
    return {name: (value[k] - true[name]) / u[k] for name, k in places.items()}


def test_metrics_lie_within_their_intervals(
    solved: dict[str, xr.Dataset], case_car: Vehicle
) -> None:
    every = []
    for name, forces in solved.items():
        found, true = run_values(forces), true_force(name)
        if set(TURNS) - set(found.missing) == set(TURNS):
            of = errors(found, true_turns(case_car, true[inside(forces, "corner", "slalom")]))
            every += list(of.values())
        if set(STOPS) - set(found.missing) == set(STOPS):
            of = errors(found, true_stops(true[inside(forces, "straight braking")]))
            every += list(of.values())
    assert len(every) >= 14  # six or eight of each drive
    assert np.mean(np.abs(every) < 1.96) >= 0.9, np.round(every, 2)
    # One car is one draw of the calibration; its errors are common to all of these.
    assert np.sqrt(np.mean(np.square(every))) < 1.3


def test_intervals_are_narrow_enough_to_see_axles_exchanged(
    solved: dict[str, xr.Dataset], case_car: Vehicle
) -> None:
    forces = solved["slalom"]
    true = true_force("slalom")[inside(forces, "slalom")][:, [2, 3, 0, 1]]
    wrong = errors(run_values(forces), true_turns(case_car, true))
    for name in ("front_lateral_force", "rear_lateral_force", "use_difference"):
        assert abs(wrong[name]) > 3, name
    assert abs(wrong["front_transfer_share"]) > 3
    assert abs(wrong["cornering_force"]) < 1.96  # of the whole car


def test_an_interval_of_a_metric_is_within_two_percent(solved: dict[str, xr.Dataset]) -> None:
    found = run_values(solved["slalom"])
    for name in ("cornering_force", "front_lateral_force", "rear_lateral_force"):
        k = list(BY_NAME).index(name)
        # A calibration is good for about half a percent of a force.
        assert 1.96 * found.estimate.u[k] < 0.02 * found.estimate.value[k], name
