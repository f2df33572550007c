"""Uncertainty of quantities of forces: by direction and draw, and through functions of them."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataError
from recon.conditioning.filters import low_pass
from recon.evaluation.balance.axle_sums import axle_drive
from recon.evaluation.common.alternatives import Alternatives, Drive
from recon.evaluation.common.estimate import Estimate, combined, stacked
from recon.reconstruction.result.signed_errors import signed_errors
from tests.days import day
from tests.made_forces import forces_of

PART = slice(500, 900)


def means(force: np.ndarray) -> np.ndarray:
    return force.mean(axis=0).ravel()


def test_a_mean_has_the_uncertainty_of_its_signed_errors() -> None:
    """Within the pulls: means of signed errors, squared and summed, must come out."""
    forces = day().forces.isel(elapsed_time=slice(0, 1200))
    found = Alternatives(forces, PART).estimate(means)
    force = forces["tyre_force_intermediate"].to_numpy()[PART].mean(axis=0).ravel()
    assert_allclose(found.value, force, rtol=1e-6)
    errors = signed_errors(forces, np.arange(PART.start, PART.stop)).mean(axis=1)
    expected = np.sqrt((errors**2).sum(axis=0)).ravel()
    assert_allclose(np.sqrt((found.by_cause**2).sum(axis=0)), expected, rtol=0.05)
    assert_allclose(found.by_cause[: len(errors)], errors.reshape(len(errors), -1), atol=0.1)


def test_noise_of_one_sample_is_that_of_the_forces_and_falls_with_the_bandwidth() -> None:
    forces = day().forces
    some = np.arange(400, 2400, 50)
    random = forces["u_tyre_force_random"].to_numpy()[some, 0, 0]
    full = Alternatives(forces, some)
    found = full.estimate(lambda force: force[:, 0, 0], draws=60)
    assert_allclose(np.sqrt(np.mean(found.noise**2)), np.sqrt(np.mean(random**2)), rtol=0.1)
    slow = Alternatives(forces, some, bandwidth=full.bandwidth / 10)
    quiet = slow.estimate(lambda force: force[:, 0, 0], draws=60)
    ratio = np.sqrt(np.mean(quiet.noise**2) / np.mean(found.noise**2))
    assert ratio == pytest.approx(np.sqrt(1 / 10), rel=0.15)


def test_forces_at_a_lower_bandwidth_are_those_of_the_whole_drive_filtered() -> None:
    forces, bandwidth = day().forces, 5.0
    whole = forces["tyre_force_intermediate"].to_numpy()[:, 1, 1].astype(float)
    expected = low_pass(whole[:, None], bandwidth, forces.attrs["rate_Hz"])[PART, 0]
    found = Alternatives(forces, PART, bandwidth=bandwidth).best[:, 1, 1]
    assert_allclose(found, expected, atol=2.0)


def test_thinned_errors_of_a_long_stretch_agree_with_those_of_all_samples(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    forces = day().forces
    every = Alternatives(forces, PART).estimate(means, draws=0)
    monkeypatch.setattr("recon.evaluation.common.alternatives.THINNED", 100)
    assert_allclose(Alternatives(forces, PART).estimate(means, draws=0).u, every.u, rtol=0.02)


def test_a_share_cancels_what_both_axles_have_in_common() -> None:
    """A gain error of 3 % in every force leaves a share as it is."""
    gain = Estimate(np.array([3000.0, 1000.0]), np.array([[90.0, 30.0]]), np.zeros(2))
    share = combined(lambda force: force[0] / force.sum(), gain)
    assert share.value == pytest.approx([0.75])
    assert share.u == pytest.approx([0.0], abs=1e-6)
    noisy = combined(lambda force: force[0] / force.sum(), gain.plus_noise([40.0, 0.0]))
    assert noisy.u == pytest.approx([40.0 * 1000 / 4000**2], rel=1e-3)
    other = Estimate(np.array([3000.0, 1000.0]), np.array([[90.0, -30.0]]), np.zeros(2))
    assert combined(lambda force: force[0] / force.sum(), other).u > 0.01


def test_a_quantity_that_some_alternatives_lack_keeps_the_change_that_is_known() -> None:
    """A mean that is only known where it is not higher than the best: one end of each change."""
    forces = day().forces
    some = Alternatives(forces, PART)
    best = some.best[:, 0, 1].mean()

    def mean(force: np.ndarray) -> float:
        return float(force[:, 0, 1].mean())

    def low_mean(force: np.ndarray) -> float:
        return mean(force) if mean(force) <= best + 1e-9 else np.nan

    whole, half = some.estimate(mean), some.estimate(low_mean)
    fixed = np.abs(whole.by_cause[:, 0])
    assert_allclose(np.abs(half.by_cause[:, 0]).max(), fixed.max(), rtol=0.3)
    assert half.u[0] == pytest.approx(whole.u[0], rel=0.1)


def test_a_drive_that_is_shared_gives_what_the_forces_alone_give() -> None:
    """Merged causes stand for all of them: shares, which cancel most, and every single cause."""
    forces = day().forces

    def shares(force: np.ndarray) -> np.ndarray:
        total = force.mean(axis=0)
        return np.append(total[:2].sum(axis=0) / total.sum(axis=0), total[0])

    alone = Alternatives(forces, PART, bandwidth=5.0).estimate(shares, draws=0)
    shared = Alternatives(Drive(forces), PART, bandwidth=5.0).estimate(shares, draws=0)
    assert_allclose(shared.value, alone.value, rtol=1e-12)
    assert_allclose(shared.u, alone.u, rtol=1e-3)
    assert np.all(np.abs(shared.by_cause - alone.by_cause) < 2e-3 * alone.u)


@pytest.mark.parametrize("shared", [False, True])
def test_what_one_axle_knows_badly_hides_nothing_of_what_others_know_well(shared: bool) -> None:
    """As a beam axle has it: kilonewtons of doubt between its wheels, little about their sum."""
    forces = day().forces.copy(deep=True)
    for name in ("loading", "loading_added_intermediate", "loading_added_tyre"):
        forces[name].values[0] = 0.0
    forces["loading"].values[0, :, 2:, 0, 0] = [2000.0, -2000.0]  # of every sample alike

    def ahead(force: np.ndarray) -> np.ndarray:
        x = force[..., 0].mean(axis=0)
        return np.array([x[0], x[:2].sum(), x[2:].sum()])

    found = Alternatives(Drive(forces) if shared else forces, PART).estimate(ahead, draws=0)
    errors = signed_errors(forces, np.arange(PART.start, PART.stop))
    each = errors[..., 0].mean(axis=1)
    both = np.stack([each[:, 0], each[:, :2].sum(axis=1), each[:, 2:].sum(axis=1)], axis=1)
    assert_allclose(found.u, np.linalg.norm(both, axis=0), rtol=0.02)


def test_sums_of_axles_keep_what_their_wheels_do_not_know() -> None:
    forces = day().forces.copy(deep=True)
    forces["loading"].values[0] = 0.0
    forces["loading"].values[0, :, 2:, 0, 0] = [2000.0, -2000.0]
    plain, drive = day().forces, axle_drive(forces)
    u = [
        Alternatives(one, PART).estimate(lambda force: force[..., 0].mean(axis=0), draws=0).u
        for one in (axle_drive(plain), drive)
    ]
    assert_allclose(u[1], u[0], rtol=0.02)


def test_an_axle_without_one_of_its_wheels_takes_nothing_from_the_other_axle() -> None:
    """As after a calibration of which one corner is not to be used."""
    forces, whole = day().forces.isel(corner=[1, 2, 3]), day().forces

    def rear(force: np.ndarray) -> np.ndarray:
        return force[:, 1].mean(axis=0)

    few, every = (
        Alternatives(axle_drive(one), PART).estimate(rear, draws=0) for one in (forces, whole)
    )
    assert_allclose(few.u, every.u, rtol=0.01)
    front = Alternatives(axle_drive(forces), PART).estimate(lambda f: f[:, 0].mean(axis=0))
    assert np.isnan(front.value).all()


def test_forces_that_a_quantity_does_not_look_at_need_not_be_followed() -> None:
    forces = day().forces
    only = np.zeros((4, 3), dtype=bool)
    only[2:, 0] = True

    def driving(force: np.ndarray) -> np.ndarray:
        return force[:, 2:, 0].mean(axis=0)

    few = Alternatives(forces, PART, only=only)
    assert_allclose(
        few.estimate(driving).u, Alternatives(forces, PART).estimate(driving).u, rtol=1e-3
    )
    assert np.all(few.estimate(lambda force: force[:, 0, 1].mean(), draws=0).u < 1e-9)


def test_alternatives_together_give_what_they_give_one_by_one() -> None:
    """Samples far apart for the bandwidth, too, which share their draws of noise."""
    for at in (PART, np.arange(500, 900, 10)):
        some = Alternatives(day().forces, at, bandwidth=5.0)
        one_by_one = some.estimate(lambda force: force.mean(axis=0)[:, 1])
        together = some.estimate(lambda force: force.mean(axis=-3)[..., 1], together=True)
        for name in ("value", "by_cause", "noise"):
            assert_allclose(getattr(together, name), getattr(one_by_one, name), atol=1e-9)


def test_an_unknown_quantity_has_no_uncertainty() -> None:
    found = Alternatives(day().forces, PART).estimate(lambda _: np.array([np.nan, 1.0]))
    assert np.isnan(found.u[0])
    assert found.u[1] == 0.0
    assert np.isnan(stacked(found, found.at(1)).upper).tolist() == [True, False, False]


def test_what_noise_adds_to_a_maximum() -> None:
    """Of 400 samples that differ by their noise alone: two and a half standard deviations."""
    forces = day().forces.copy(deep=True)
    forces["u_tyre_force_random"].values[:] = 50.0

    def both(force: np.ndarray) -> np.ndarray:
        flat = force[:, 0, 1] - forces["tyre_force_intermediate"].to_numpy()[PART, 0, 1]
        return np.array([flat.max(), flat.mean()])

    raised = Alternatives(forces, PART).raised(both)
    assert 2.0 * 50.0 < raised[0] < 3.2 * 50.0
    assert abs(raised[1]) < 5.0


def test_what_is_no_result_is_refused() -> None:
    with pytest.raises(DataError, match=r"without tyre_force_intermediate, .* loading"):
        Alternatives(forces_of(), PART)
    forces: xr.Dataset = day().forces
    with pytest.raises(DataError, match=r"no sample at positions slice\(5, 5, None\)"):
        Alternatives(forces, slice(5, 5))
