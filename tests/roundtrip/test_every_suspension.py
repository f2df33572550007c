"""Whether forces of every shipped suspension are as wrong as they say, over virtual days."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import PriorWarning
from recon.base.quantities import COVERAGE_FACTOR
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.result.signed_errors import STATED, signed_errors
from tests.days import report
from tests.shipped_mechanisms import shipped
from tests.suspension_days import (
    KINDS,
    LOST,
    NAMES,
    SEED_WITHOUT,
    TIED,
    UnitDay,
    axle_day,
    told,
    unit_day,
)

FEW, DAYS = 3, 10


@cache
def few_days(file: str, corner: str) -> tuple[UnitDay, ...]:
    return tuple(unit_day(file, corner, seed) for seed in range(FEW))


@pytest.mark.parametrize(("file", "corner"), KINDS, ids=NAMES)
def test_forces_of_every_suspension_are_as_wrong_as_they_say(file: str, corner: str) -> None:
    days = few_days(file, corner)
    for day in days:
        assert np.all(np.isfinite(day.z))
        assert day.forces.attrs["not_known"] == ""
    rms, inside, words = told(days)
    report(f"{file} {corner}, {FEW} days: {words}")
    verified = np.mean([d.fitted.verification.share_inside for d in days])
    assert verified > 0.8  # twelve lines: 0.95 +- 0.06, twice and a half
    # Half of the variance is systematic, drawn once a day in some three directions: the mean
    # square of one day scatters by 0.5, of three by 0.3, its root by 0.15; three of that.
    assert np.all(rms > 0.55)
    assert np.all(rms < 1.45)
    assert np.all(inside > 0.80)  # the same scatter: 1.45 times the error leaves 0.82 inside


def test_limits_of_all_suspensions_together_hold_their_share() -> None:
    days = [day for kind in KINDS for day in few_days(*kind)]
    rms, inside, words = told(days)
    report(f"all kinds, {len(days)} days: {words}")
    # Twenty-one days: 0.5 of a day's mean square makes 0.055 of the root; three of that.
    assert np.all(np.abs(rms - 1.0) < 0.17)
    # The share of a day scatters by some 0.06, of 21 by 0.013; three of that.
    assert np.all(np.abs(inside - 0.95) < 0.04)


@pytest.mark.parametrize(("file", "corner"), KINDS, ids=NAMES)
def test_without_a_gauge_what_is_left_lies_in_its_limits(file: str, corner: str) -> None:
    gauge = KINDS[file, corner]
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        day = unit_day(file, corner, SEED_WITHOUT, without=gauge)
    lost = np.isnan(day.z).any(axis=0)
    reason = day.forces.attrs["not_known"]
    report(f"{file} {corner} without {gauge}: {told([day])[2]} {reason}")
    expected = LOST.get((file, corner), ())
    assert tuple(f"F{'xyz'[k]}" for k in np.flatnonzero(lost)) == expected
    assert [str(w.message) for w in said] == ([reason] if expected else [])
    for name in ("tyre_force", "tyre_force_lower", "u_tyre_force"):
        assert np.all(np.isnan(day.forces[name].to_numpy()[:, 0, lost]))
    if expected:
        (member,) = (g.member for g in shipped(file).corners[corner].gauges if g.name == gauge)
        assert reason.startswith(f"corner {corner}: {' and '.join(expected)} not known")
        assert f"cheapest cure: gauge {member}" in reason
    # One day with fewer gauges than unknowns: errors are those of the priors, wide and drawn once.
    assert np.all(np.mean(day.inside[:, ~lost], axis=0) > 0.80)


def test_a_lost_force_is_told_in_the_others_where_axes_are_turned() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        day = unit_day("club_racer", "RL", SEED_WITHOUT, without=KINDS["club_racer", "RL"])
        level, pitched = (
            reconstruct(
                day.conditioned.assign(pitch=day.conditioned["pitch"] * 0.0 + pitch),
                day.calibration,
                day.described,
            )
            for pitch in (0.0, 0.05)
        )
    assert np.isnan(pitched["tyre_force"].to_numpy()[:, 0, 2]).all()

    def u(forces: xr.Dataset, axes: str) -> np.ndarray:
        return forces[f"u_tyre_force{axes}"].to_numpy()[:, 0, 0]

    # Five hundredths of a vertical force that may be anything up to some kilonewtons.
    assert np.all(u(pitched, "_intermediate") > np.hypot(u(level, "_intermediate"), 50.0))
    assert np.all(u(pitched, "") > np.hypot(u(level, ""), 50.0))
    np.testing.assert_allclose(u(pitched, "_vehicle"), u(level, "_vehicle"), rtol=0.01)


def test_signed_errors_beside_a_lost_force_hold_the_stated_variance() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        forces = unit_day("strut", "FL", 3, without=KINDS["strut", "FL"]).forces
    assert "Fz not known" in forces.attrs["not_known"]
    samples = np.arange(0, forces.sizes["elapsed_time"], 97)
    for axes in ("tyre", "intermediate", "vehicle"):
        square = signed_errors(forces, samples, axes)[:, :, 0, :2] ** 2
        stated, random = (
            forces[name].to_numpy()[samples, 0, :2].astype(float) ** 2
            for name in (STATED[axes], "u_tyre_force_random")
        )
        # The noise is that of tyre axes throughout: wheels that steer little, some percent.
        assert np.all(square.sum(axis=0) > 0.95 * (stated - random))
        causes = square[: forces.sizes["cause"]].sum(axis=0)
        assert np.median(causes / (stated - random)) < 0.7  # twin: causes know no lost force


@pytest.mark.slow(8)
@pytest.mark.parametrize(("file", "corner"), KINDS, ids=NAMES)
def test_many_days_of_every_suspension_hold_their_share(file: str, corner: str) -> None:
    more = [unit_day(file, corner, seed) for seed in range(FEW, DAYS)]
    days = [*few_days(file, corner), *more]
    rms, inside, words = told(days)
    report(f"{file} {corner}, {DAYS} days: {words}")
    z = np.concatenate([d.z for d in days])
    assert np.all(np.mean(np.abs(z) < 2 * COVERAGE_FACTOR, axis=0) > 0.99)  # no far tails
    se = np.std([np.mean(d.inside, axis=0) for d in days], axis=0, ddof=1) / np.sqrt(DAYS)
    # Between 0.93 and 0.98, within two standard errors over days.
    assert np.all(inside + 2 * se > 0.93)
    assert np.all(inside - 2 * se < 0.98)
    assert np.all(np.abs(rms - 1.0) < 0.25)


def judge_axle(days: list[UnitDay], words: str) -> None:
    """Known forces and sums of the days are as wrong as they say."""
    rms, inside, told_so = told(days)
    of_sum = np.sqrt(np.mean([np.mean(d.z_of_sum**2, axis=0) for d in days], axis=0))
    report(f"{words}, {len(days)} days: {told_so}, sums over u {of_sum.round(2)}")
    # Left and right are alike and drawn apart.
    known = ~np.isnan(rms.reshape(2, 3)[0])
    rms, inside = (np.mean(x.reshape(2, 3)[:, known], axis=0) for x in (rms**2, inside))
    rms = np.sqrt(rms)
    # The systematic half of one day's mean square is drawn in some six directions: it scatters
    # by 0.35, its root by 0.18, less over more days. Three of that, as some twenty are judged.
    room = 0.55 / np.sqrt(len(days))
    assert np.all(rms < 1.0 + room)
    # Splits of load have widths by judgement; limits twice too wide are not accepted.
    assert np.all(rms > 0.5) or len(days) < 4  # fewer may all be fair ones
    assert np.all(inside > 0.95 - room / 2.5)  # 1.55 times leaves 0.79 inside
    assert np.all(of_sum < 1.0 + room)


@pytest.mark.parametrize("file", ["solid_axle", pytest.param("strut", marks=pytest.mark.slow(3))])
def test_forces_of_a_tied_axle_are_as_wrong_as_they_say(file: str) -> None:
    day = axle_day(file)
    judge_axle([day], f"{file} rear")
    lost = np.isnan(day.z).any(axis=0)
    assert np.flatnonzero(lost).tolist() == ([1, 4] if file == "solid_axle" else [])
    reason = day.forces.attrs["not_known"]
    if file == "solid_axle":
        assert reason.startswith("axle rear: Fy RL and Fy RR not known")
        (words,) = day.forces["known_sum"].to_numpy().tolist()
        assert words.startswith("lateral force of RL and RR only as a sum")
    else:
        assert reason == ""


def test_without_a_cross_link_s_gauge_only_sums_of_a_solid_axle_are_left() -> None:
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        # Which forces are lost beside the lateral ones depends on the day's map.
        day = unit_day("solid_axle", "RL", 2, without=TIED["solid_axle", "RL"])
    reason = day.forces.attrs["not_known"]
    assert reason in [str(w.message) for w in said]
    assert "Fy RL, Fz RL, Fy RR and Fz RR not known" in reason
    assert np.isnan(day.z[:, [1, 2, 4, 5]]).all()
    assert np.all(np.mean(day.inside[:, [0, 3]], axis=0) > 0.80)
    assert day.z_of_sum.shape[1] == 2
    assert np.all(np.mean(np.abs(day.z_of_sum) < COVERAGE_FACTOR, axis=0) > 0.80)
    # A force that no gauge sees is no larger than a tyre's, and neither is what sums take from it.
    assert np.sqrt(np.mean(day.error_of_sum**2)) < 200.0
    assert np.sqrt(np.mean((day.error_of_sum / day.z_of_sum) ** 2)) < 400.0


@pytest.mark.slow(8)
@pytest.mark.parametrize(
    ("file", "corner", "days"),
    [
        ("strut", "RL", 1),
        ("solid_axle", "RL", 4),
        ("solid_axle_tubes", "RL", 1),
        ("anti_roll_bar", "FL", 1),
    ],
)
def test_days_of_a_tied_axle_without_a_gauge_are_as_wrong_as_they_say(
    file: str, corner: str, days: int
) -> None:
    gauge = TIED[file, corner]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        found = [unit_day(file, corner, seed, without=gauge) for seed in range(days)]
    for day in found:
        assert ("not known" in day.forces.attrs["not_known"]) == bool(np.isnan(day.z).any())
    z = np.ma.masked_invalid(np.concatenate([day.z for day in found])).reshape(-1, 3)
    rms = np.sqrt((z**2).mean(axis=0)).filled(0.0)
    of_sums = np.ma.masked_invalid(np.concatenate([day.z_of_sum.ravel() for day in found]))
    together = np.sqrt((of_sums**2).mean()) if of_sums.size else 0.0
    report(f"{file} without {gauge}, {days} days: over u {rms.round(2)}, sums {together:.2f}")
    room = 0.55 / np.sqrt(days)  # as in `judge_axle`
    assert np.all(rms < 1.0 + room)
    assert together < 1.0 + room


@pytest.mark.slow(8)
@pytest.mark.parametrize(
    ("file", "corner", "days"),
    [
        ("strut", "RL", 2),
        ("solid_axle", "RL", 4),
        ("solid_axle_tubes", "RL", 1),
        ("anti_roll_bar", "FL", 3),
    ],
)
def test_days_of_a_tied_axle_are_as_wrong_as_they_say(file: str, corner: str, days: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        judge_axle([unit_day(file, corner, seed) for seed in range(days)], f"{file} {corner}")
