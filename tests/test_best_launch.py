"""A launch against the best one of the day, which may be in another drive."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.analysis.launch import launch
from recon.base.doubt import Doubt
from recon.base.errors import DataError
from recon.records.doubt_variables import with_doubts
from recon.report.answers.launch import finding, launch_summary, plot_launch
from tests.launch_days import SEED, launches

DISTANCE = 20.0  # m
QUICK = 15.0  # Hz; hop is not looked for


def true_pull(truth: xr.Dataset) -> tuple[float, float, np.ndarray, np.ndarray]:
    """Time [s] and impulse of the rear axle [N s] over the distance; times and metres since."""
    time, speed = (truth[name].to_numpy() for name in ("elapsed_time", "speed"))
    force = truth["tyre_force_intermediate"].to_numpy()[:, 2:, 0].sum(axis=1)
    smooth = np.convolve(force, np.ones(5) / 5, "same")
    level = 0.1 * np.median(smooth[(time > 2.3) & (time < 3.2)])
    i = int(np.argmax(smooth > level))
    start = float(np.interp(level, smooth[i - 1 : i + 1], time[i - 1 : i + 1]))
    step = time[1] - time[0]
    when = time[i:]
    gone = np.cumsum(speed[i:]) * step - 0.5 * speed[i:] * step
    end = float(np.interp(DISTANCE, gone, when))
    impulse = np.interp(end, when, np.cumsum(force[i:]) * step)
    return end - start, float(impulse), when - start, gone


@pytest.fixture(scope="module")
def pair() -> list[tuple[xr.Dataset, xr.Dataset]]:
    return launches(SEED, 2)


def ordered(pair: list[tuple[xr.Dataset, xr.Dataset]]) -> tuple[int, int]:
    """Places of the slower and the quicker launch."""
    took = [true_pull(truth)[0] for _, truth in pair]
    assert took[0] != took[1]
    return int(np.argmax(took)), int(np.argmin(took))


@pytest.fixture(scope="module")
def found(pair: list[tuple[xr.Dataset, xr.Dataset]]) -> xr.Dataset:
    """The slower launch against the quicker one."""
    slow, quick = ordered(pair)
    return launch(pair[slow][0], others=[pair[quick][0]], bandwidth=QUICK)


def test_losses_against_a_launch_of_another_drive_are_those_of_the_truth(
    pair: list[tuple[xr.Dataset, xr.Dataset]], found: xr.Dataset
) -> None:
    slow, quick = ordered(pair)
    took, impulse, when, gone = true_pull(pair[slow][1])
    best, most, _, _ = true_pull(pair[quick][1])
    metres = DISTANCE - float(np.interp(best, when, gone))
    for name, true in (("time_lost", took - best), ("distance_lost", metres)):
        away = abs(float(found[name][0]) - true)
        assert away < 2.5 * float(found[f"u_{name}"][0]) + 0.01, name
    away = abs(float(found["impulse_lost"][0, 0]) - (most - impulse))
    assert away < 2.5 * float(found["u_impulse_lost"][0, 0])
    assert found.attrs["best_launch"] == f"launch 1 of launch_{quick + 1}.nc"
    assert "behind the best of 2 launches over 20 m" in finding(found)
    text = " ".join(" ".join(launch_summary(found)).split())
    assert f"lost to launch 1 of launch_{quick + 1}.nc: " in text
    assert "N s of impulse" in text
    since = found["since_start"].to_numpy()
    behind, u = (found[f"{name}metres_behind"].to_numpy()[0] for name in ("", "u_"))
    assert behind[-1] == pytest.approx(float(found["distance_lost"][0]), abs=0.01)
    quicker = true_pull(pair[quick][1])
    late = [np.interp(since, *times) for times in (quicker[2:], (when, gone))]
    assert np.all(np.abs(behind - (late[0] - late[1])) < 2.5 * u + 0.01)
    force = pair[quick][1]["tyre_force_intermediate"].to_numpy()[:, 2:, 0]
    start = pair[quick][1]["elapsed_time"].to_numpy()[-len(quicker[2]) :][0]
    at = start + since[since > 1.0]
    for k in range(2):  # hop lies beyond the bandwidth: 5 % of a force of 2.1 kN
        true = np.interp(at, pair[quick][1]["elapsed_time"].to_numpy(), force[:, k])
        away = found["best_drive_force"].to_numpy()[k][since > 1.0] - true
        assert np.median(np.abs(away)) < 100.0
    names = [panel.get_ylabel() for panel in plot_launch(pair[slow][0], found).axes]
    assert names[:2] == ["Fx [N]", "behind [m]"]


def test_the_best_launch_loses_nothing_and_says_by_how_much_it_is_ahead(
    pair: list[tuple[xr.Dataset, xr.Dataset]],
) -> None:
    slow, quick = ordered(pair)
    found = launch(pair[quick][0], others=[pair[slow][0]], bandwidth=QUICK)
    assert float(found["distance_lost"][0]) == float(found["u_distance_lost"][0]) == 0.0
    assert float(found["impulse_lost"][0, 0]) == 0.0
    assert found["other_launch"].to_numpy().tolist() == [f"launch 1 of launch_{slow + 1}.nc"]
    assert finding(found).startswith("Launch 1 is the best of 2 launches over 20 m, 0.")
    assert "metres_behind" not in found  # nothing to draw behind the best


def test_errors_of_a_calibration_cancel_only_where_it_is_the_same(
    pair: list[tuple[xr.Dataset, xr.Dataset]], found: xr.Dataset
) -> None:
    slow, quick = ordered(pair)
    forces, other = pair[slow][0], pair[quick][0].copy()
    other.attrs = {**other.attrs, "calibration_created": "another day", "calibration_sources": ""}
    apart = launch(forces, others=[other], bandwidth=QUICK)
    assert float(apart["impulse_lost"][0, 0]) == float(found["impulse_lost"][0, 0])
    ratio = float(apart["u_impulse_lost"][0, 0] / found["u_impulse_lost"][0, 0])
    assert ratio > 1.2  # the rest is noise, and zeros, which two pairs of tares never share


def test_the_same_drive_another_car_other_corners_and_doubted_forces_are_refused(
    pair: list[tuple[xr.Dataset, xr.Dataset]],
) -> None:
    forces, other = pair[0][0], pair[1][0]
    with pytest.raises(DataError, match=r"launch_1\.nc: made from the same log as launch_1\.nc"):
        launch(forces, others=[forces])
    with pytest.raises(DataError, match=r"launch_2\.nc: the car: 'another'"):
        launch(forces, others=[other.assign_attrs(vehicle="another")])
    one_sided = other.copy(deep=True)
    one_sided["tyre_force_intermediate"].loc[{"corner": "RL"}] = np.nan
    with pytest.raises(DataError, match=r"driven corners with known forces: RR"):
        launch(forces, others=[one_sided])
    doubt = Doubt(("RL",), "late", ("RL_toe_link",), 1.0, 0.0, 9.0, "It is late.", "Look at it.")
    with pytest.raises(DataError, match=r"launch_2\.nc: forces of RL are doubted \(late\): It is"):
        launch(forces, others=[with_doubts(other, [doubt])])
