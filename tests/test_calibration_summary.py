"""A calibration in words: one verdict per corner, and no number that is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.calibration.calibrated import CornerCalibration
from recon.report.calibration.calibration_summary import calibration_in_brief, calibration_summary
from tests.days import day


def said_of(corner: CornerCalibration) -> list[str]:
    """The lines about one corner."""
    judged_anew = replace(corner, verdict=None)
    whole = replace(day().calibration, corners={corner.corner: judged_anew})
    lines = calibration_summary(whole, day().car)
    assert max(map(len, lines)) < 260
    assert "nan" not in "\n".join(lines)
    return lines[1:4]


def with_quality(name: str, **changed: object) -> CornerCalibration:
    corner = day().calibration.corners[name]
    return replace(corner, quality=replace(corner.quality, **changed))


def test_a_good_corner_is_said_to_be_good_and_for_what() -> None:
    corner = day().calibration.corners["RL"]
    x, y, z = corner.conditions.force_reached / 1000
    verdict, figures, checked = said_of(corner)
    assert verdict.startswith(
        f"RL is good for forces up to {x:.1f} kN in x, {y:.1f} kN in y and {z:.1f} kN in z: main "
        "slopes are known to "
    )
    assert verdict.endswith(
        "its 16 pulls agree within their stated uncertainties, held-out pulls confirm it"
    )
    assert (
        f"residuals {np.sqrt(corner.quality.lack_of_fit):.2f} times as large as stated" in figures
    )
    inside = 100 * corner.verification.share_inside
    assert f"held-out pulls up to {corner.verification.applied.max():.0f} N" in checked
    assert checked.endswith(f"{inside:.0f} % of the errors inside")


def test_corners_with_gauges_that_nobody_pulled_are_named() -> None:
    whole = day().calibration
    some = replace(whole, corners={name: whole.corners[name] for name in ("FL", "RL")})
    lead = "FR, RR not calibrated: the vehicle file has gauges there, the pull sheet no pull"
    for lines in (calibration_summary, calibration_in_brief):
        assert any(line.startswith(lead) for line in lines(some, day().car))
        assert not any("not calibrated" in line for line in lines(whole, day().car))


def test_a_corner_is_as_good_as_what_speaks_for_it() -> None:
    corner = day().calibration.corners["FL"]
    unverified = said_of(replace(corner, verification=None))
    assert unverified[0].startswith("FL is good for these forces only: up to ")
    assert unverified[0].endswith("because no pull was held out to verify it")
    assert "not verified: no pull was held out" in "".join(unverified)
    verdict, _, rests = said_of(with_quality("FL", rests_on_prior=("Mz with Fy (same sign)",)))
    assert "for these forces only" in verdict
    assert verdict.endswith("bridge data are used where pulls are missing (Mz with Fy (same sign))")
    assert "taken from bridge data: Mz with Fy (same sign)" in rests
    wrong = replace(corner.verification, error=corner.verification.error + 300.0)
    assert said_of(replace(corner, verification=wrong))[0].startswith(
        "FL is not to be used, because verification failed: "
    )


@pytest.mark.parametrize("smallest", [0.0, 1e-12, 0.25])
def test_a_condition_number_without_end_is_put_into_words(smallest: float) -> None:
    values = np.array([2.0, 1.5, 1.0, 0.9, 0.8, smallest])
    figures = said_of(with_quality("FL", singular_values=values, weak_direction="Mx"))[1]
    told = (
        "condition number 8.0 (least pulled: Mx)"
        if smallest > 0.1
        else "not finite (Mx is not pulled"
    )
    assert told in figures


def test_agreement_that_nothing_can_show_is_put_into_words() -> None:
    lines = said_of(with_quality("RR", lack_of_fit=np.nan))
    assert "its 16 pulls are too few to show whether they agree" in lines[0]
    assert lines[1].startswith("  cross-talk")
