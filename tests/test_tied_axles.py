"""Axles that tie two wheels: pulled, calibrated and reconstructed as one."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DoubtWarning, PriorWarning, RankError
from recon.calibration.calibrate import calibrate
from recon.calibration.crosstalk import crosstalk
from recon.calibration.store import read_calibration, write_calibration
from recon.calibration.verdict import Verdict, verdict_of
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.examination.tares import tares_agree
from recon.examination.view import view_of
from recon.mechanics.assembly import assembly_of
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from recon.reconstruction.solving.fz_bound import bound_wheels
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from tests.days import unwarned
from tests.shipped_mechanisms import shipped
from tests.suspension_days import axle_day


@pytest.mark.slow(8)
def test_gauges_of_the_other_side_would_be_seen() -> None:
    """Twin: left and right exchanged in the log."""
    day = axle_day("strut")
    log = day.conditioned.copy(deep=True)
    log["indication"] = log["indication"].roll(gauge=6, roll_coords=False)
    with unwarned(), pytest.warns(DoubtWarning, match="RL|RR"):
        found = reconstruct(log, day.calibration, day.described)
    found = found["tyre_force_intermediate"].to_numpy().reshape(day.error.shape)
    wrong = found - (
        day.forces["tyre_force_intermediate"].to_numpy().reshape(found.shape) - day.error
    )
    assert np.nanmean(wrong**2) > 100 * np.mean(day.error**2)


def test_the_axle_is_one_entry_and_both_corners_are_in_the_result() -> None:
    day = axle_day("strut")
    assert list(day.calibration.corners) == ["rear"]
    assert day.forces["corner"].to_numpy().tolist() == ["RL", "RR"]
    assert day.forces["partner"].to_numpy().tolist() == [1, 0]
    assert day.forces.attrs["not_known"] == ""


def test_a_corner_that_is_accepted_stands_for_its_axle() -> None:
    day = axle_day("strut")
    spoiled = replace(
        day.calibration.corners["rear"], verdict=Verdict("unusable", "not this one", ())
    )
    calibration = replace(day.calibration, corners={"rear": spoiled})
    with pytest.raises(DataError, match="not this one"):
        prepare(calibration, day.described, day.conditioned)
    with unwarned():
        prepared = prepare(calibration, day.described, day.conditioned, accept_corner=["RL"])
    assert prepared.verdicts["rear"].unusable


def test_signed_errors_add_up_to_the_stated_variance_of_tied_corners() -> None:
    day = axle_day("strut")
    samples = np.arange(10, 390, 17)
    error = signed_errors(day.forces, samples)
    stated = day.forces["u_tyre_force_intermediate"].to_numpy()[samples].astype(float) ** 2
    random = day.forces["u_tyre_force_random"].to_numpy()[samples].astype(float) ** 2
    # A thousandth of each part is dropped at usual loads, see test_signed.
    assert_allclose(np.sum(error**2, axis=0), stated - random, rtol=0.03)


def test_calibration_of_an_axle_reads_back(tmp_path) -> None:
    day = axle_day("strut")
    back = read_calibration(write_calibration(day.calibration, tmp_path / "axle.nc"))
    before, after = (c.corners["rear"] for c in (day.calibration, back))
    assert np.array_equal(after.K, before.K)
    assert after.members == before.members


def test_a_pull_at_one_wheel_is_seen_by_gauges_of_the_other() -> None:
    day = axle_day("strut")
    found = crosstalk(day.calibration, day.described, "RL")
    assert found.sizes == {"gauge": 12, "wrench_component": 6}
    other = crosstalk(day.calibration, day.described, "RR")
    assert not np.allclose(found["crosstalk"], other["crosstalk"])
    with pytest.raises(DataError, match="no corner 'rear'"):
        crosstalk(day.calibration, day.described, "rear")


def test_pulls_of_one_wheel_only_are_refused_by_name_without_slopes() -> None:
    day = axle_day("strut")
    sheet = day.pulls
    purpose = np.where(sheet.corner == "RL", "fit", "verify")
    bare = replace(
        day.described,
        corners={
            name: replace(c, gauges=tuple(replace(g, expected=None) for g in c.gauges))
            for name, c in day.described.corners.items()
        },
    )
    with pytest.raises(RankError, match="corner RR: no pull to fit, and axle rear ties it"):
        calibrate(replace(sheet, purpose=purpose), bare)


def test_a_wheel_of_an_axle_that_was_never_pulled_is_named_in_the_verdict() -> None:
    day = axle_day("strut")
    corner = day.calibration.corners["rear"]
    left = tuple(report for report in corner.quality.pulls if report.name.startswith("RL "))
    assembly = assembly_of(day.described, "rear")
    some = replace(corner, quality=replace(corner.quality, pulls=left))
    assert "RR was never pulled" in verdict_of(some, assembly, day.described).words
    assert "never pulled" not in verdict_of(corner, assembly, day.described).words


def test_a_gauge_whose_load_nobody_split_is_refused_with_what_to_state() -> None:
    rng = np.random.default_rng(3)
    drawn = draw_car(shipped("solid_axle"), rng, corners=("RL",))
    with unwarned():
        pulls = virtual_pulls(drawn, None, rng)
    corners = {
        name: replace(
            c,
            supports=tuple(
                replace(s, compliance=np.nan) if s.kind == "spring" else s for s in c.supports
            ),
        )
        for name, c in drawn.car.corners.items()
    }
    with pytest.raises(
        DataError,
        match=r"axle rear, gauge RL_lower_link: sits on 'RL\.lower_link', whose load is not known: "
        r"no compliance or rate is stated for RL\.spring, RR\.spring \(a damper is a spring of",
    ):
        calibrate(pulls, replace(drawn.car, corners=corners))


def test_tares_on_pads_are_refused_for_a_tied_axle() -> None:
    day = axle_day("strut")
    n = len(day.tares.gauge)
    on_pads = replace(day.tares, state=np.full(n, "pads"), pad_load=np.full(n, 3000.0))
    with pytest.raises(DataError, match="virtual tares, axle rear: tares on pads only"):
        condition(day.log, day.described, on_pads)


def test_what_one_wheel_does_not_say_leaves_both_unknown() -> None:
    day = axle_day("strut")
    log = day.conditioned.copy(deep=True)
    log["travel"].loc[{"corner": "RR", "elapsed_time": log["elapsed_time"][100]}] = np.nan
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        found = reconstruct(log, day.calibration, day.described)
    assert np.all(np.isnan(found["tyre_force"].to_numpy()[100]))
    assert np.all(np.isfinite(found["tyre_force"].to_numpy()[[99, 101]]))


def test_a_wheel_is_held_only_by_a_force_that_pushes_it_up() -> None:
    """Errors of the two wheels against each other: pulling the right one down is no way out."""
    free = np.array([[[0.0, 0.0, -10.0], [0.0, 0.0, 50.0]]])
    covariance = 100.0 * np.eye(6)
    covariance[2, 5] = covariance[5, 2] = -95.0
    normal = np.array([[0.0, 0.0, 1.0]])
    found = bound_wheels(free, covariance[None], normal, np.array([True, True]))
    # 10 N up on the left one, of which 0.95 go off the right one.
    assert_allclose(found[0, :, 2], [0.0, 40.5], rtol=0, atol=1e-9)


def test_a_twist_that_moves_many_zeros_together_is_one_cause() -> None:
    """Hanging wheels bind what ties them; as much in single zeros is another tare."""
    day = axle_day("solid_axle")
    with pytest.warns(PriorWarning, match="Fy RL and Fy RR not known"):
        prepared = prepare(day.calibration, day.described, day.conditioned)
    view = view_of(prepared, day.conditioned)
    part = view.parts["rear"]
    # Droop travels and points all load the same links against each other.
    loads, size, _ = np.linalg.svd(part.solver.estimator.tare.twist)
    assert size[1] < 0.05 * size[0]
    twisted = part.solver.estimator.K @ loads[:, 0] * size[0]
    sizes = []
    for change in (0.0 * twisted, 3.0 * twisted, 3.0 * np.roll(twisted, 1)):
        moved = view.with_part(part.changed(part.samples.indication, part.zero + change))
        sizes.append(next(iter(tares_agree(moved))).size)
    sound, together, apart = sizes
    gauges = len(part.gauges)
    assert sound < together < sound + 3.0**2 / gauges + 2 * np.sqrt(sound * 3.0**2 / gauges)
    assert apart > 3 * together
