"""Metrics of a run: which a run can have, why not, and what the metrics are made of."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

import recon
from recon.base.errors import DataError
from recon.evaluation.runs.course import PLACES, Course, Way, course_of, same_course
from recon.evaluation.runs.metrics import BY_NAME, METRICS, metric_named, run_values
from recon.evaluation.sections.find_sections import find_sections, sections_of
from tests.days import day

PLACE = {name: k for k, name in enumerate(BY_NAME)}


@pytest.fixture(scope="module")
def slalom() -> xr.Dataset:
    """A few cones of the virtual day."""
    return day().forces.isel(elapsed_time=slice(0, 2500))


def test_a_metric_has_a_value_with_u_or_a_reason(slalom: xr.Dataset) -> None:
    found = run_values(slalom)
    known = np.isfinite(found.estimate.value)
    for name, k in PLACE.items():
        assert known[k] != (name in found.missing), name
        assert (found.samples[k] > 0) == known[k], name
    assert np.all(found.estimate.u[known] > 0)
    assert found.missing["launch_impulse"] == "no launch in the run"
    assert found.profile.shape == (len(METRICS), 19)
    levels = found.profile[PLACE["front_lateral_force"]]
    assert np.all(np.diff(levels) >= 0)
    assert levels[-1] == pytest.approx(found.estimate.value[PLACE["front_lateral_force"]])


def test_the_course_of_a_metric_goes_along_its_section(slalom: xr.Dataset) -> None:
    sections = find_sections(slalom)
    (section,) = sections_of(sections, "slalom")
    found = run_values(slalom, sections).course["front_lateral_force"]
    assert found.names == (section.name,)
    part = section.slice_of(slalom["elapsed_time"].to_numpy())
    inside = slalom.isel(elapsed_time=part)
    mean = float(inside["speed"].mean())
    assert found.kind == "distance"
    assert found.length[0] == pytest.approx(mean * (section.end - section.start), rel=0.01)
    front = np.abs(inside["tyre_force_intermediate"].to_numpy()[:, :2, 1].sum(axis=1))
    assert np.nanmax(found.values) == pytest.approx(float(front.max()), rel=0.05)
    untimed = run_values(slalom.drop_vars("speed"), sections).course["front_lateral_force"]
    assert untimed.kind == "time"
    assert untimed.length[0] == pytest.approx(section.end - section.start, abs=0.02)
    assert set(run_values(slalom, sections).course) == {
        *("cornering_force", "force_at_load", "front_lateral_force", "rear_lateral_force"),
        "use_difference",
    }


def test_wheels_that_count_are_averaged_and_gates_leave_gaps() -> None:
    way = Way(("corner",), np.zeros(4, dtype=int), np.array([0.0, 1.0, 2.0, 3.0]), "time")
    values = np.array([[1.0, 3.0], [np.nan, 5.0], [np.nan, np.nan], [2.0, 2.0]])
    found = course_of(values, way)
    at = np.round(PLACES * 3, 6)
    assert found.values[0, at == 0.0] == pytest.approx(2.0)
    assert found.values[0, at < 1.0][-1] == pytest.approx(2.0 + 3.0 * 0.99)
    assert np.isnan(found.values[0, (at > 1.0) & (at < 3.0)]).all()


def test_runs_share_a_course_only_through_the_same_sections() -> None:
    one, other = (Course((n,), np.ones(1), np.ones((1, 101)), "time") for n in ("a", "b"))
    assert same_course([one, one]) == [one, one]
    assert same_course([one, other]) == []
    assert same_course([one, None]) == []


def test_the_lag_of_the_rear_is_that_of_the_slalom(slalom: xr.Dataset) -> None:
    found = run_values(slalom)
    answer, place = recon.slalom(slalom), PLACE["rear_lag"]
    assert found.estimate.value[place] == pytest.approx(float(answer["rear_lag"]), abs=1e-9)
    short = slalom.isel(elapsed_time=slice(0, 300))
    assert run_values(short).missing["rear_lag"] == "no slalom in the run"


def test_more_force_is_more_of_every_metric_of_force(slalom: xr.Dataset) -> None:
    more = slalom.copy()
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        values = slalom[name].to_numpy().copy()
        values[..., :2] *= 1.1
        more[name] = slalom[name].copy(data=values)
    sections = find_sections(slalom)
    before, after = run_values(slalom, sections), run_values(more, sections)
    for name in ("front_lateral_force", "rear_lateral_force", "force_at_load"):
        ratio = after.estimate.value[PLACE[name]] / before.estimate.value[PLACE[name]]
        assert ratio == pytest.approx(1.1, rel=1e-5), name  # single precision
    share = PLACE["front_transfer_share"]
    assert after.estimate.value[share] == pytest.approx(before.estimate.value[share], rel=1e-4)


def test_noise_is_part_of_what_one_run_is_known_to(slalom: xr.Dataset) -> None:
    """Three times the noise is three times as much, beside fixed errors that stay as they are."""
    noisy = slalom.copy()
    noisy["u_tyre_force_random"] = 3.0 * slalom["u_tyre_force_random"]
    sections, place = find_sections(slalom), PLACE["front_transfer_share"]
    one, more = (run_values(forces, sections).estimate for forces in (slalom, noisy))
    assert one.noise[place] > 0.0
    assert more.noise[place] == pytest.approx(3 * one.noise[place], rel=0.05)
    assert_allclose(more.by_cause, one.by_cause, rtol=1e-6)


def test_one_axle_gives_its_own_metric_and_reasons_for_the_others(slalom: xr.Dataset) -> None:
    front = slalom.copy()
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        values = slalom[name].to_numpy().copy()
        values[:, 2:] = np.nan
        front[name] = slalom[name].copy(data=values)
    found = run_values(front, find_sections(slalom))
    value = found.estimate.value[PLACE["front_lateral_force"]]
    whole = run_values(slalom).estimate.value[PLACE["front_lateral_force"]]
    assert value == pytest.approx(whole, rel=1e-6)
    assert found.missing["cornering_force"] == "the forces of RL, RR are not known"
    assert found.missing["rear_lateral_force"] == "the forces of RL, RR are not known"


def test_a_section_without_enough_samples_gives_no_metric(slalom: xr.Dataset) -> None:
    sections = find_sections(slalom)
    short = sections.copy(deep=True)
    short["section_end"].values[:] = short["section_start"].values + 0.02
    found = run_values(slalom, short)
    assert found.missing["cornering_force"] == "no corner or slalom in the run"
    assert np.isnan(found.estimate.value).all()


def test_an_unknown_metric_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(DataError, match=r"runs\.csv: no metric 'corner_force'; need 'cornering_f"):
        metric_named("corner_force", "runs.csv")
    told = (
        r"runs\.csv: no metric declared; need one of cornering_.*\n.*\n      cornering_force: lat"
    )
    with pytest.raises(DataError, match=told):
        metric_named(None, "runs.csv")
    assert metric_named("launch_impulse", "runs.csv").unit == "N s"
