"""One gain of all gauges shows in weight and acceleration, also of an axle that is gauged alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.examination.common_gains import MOST_GAIN, hidden_gains, times
from recon.examination.examine import JUDGE
from recon.examination.unseen import unseen
from recon.examination.view import View
from recon.reconstruction.whole_car.car_stance import stance_of
from recon.report.car.car_summary import car_summary
from recon.report.drive.doubt_list import unseen_lines
from tests.days import club_car, day
from tests.spoiled_days import sound


def front_alone(wheelbase: float) -> View:
    """The day of a car of which the file describes the front axle alone."""
    view = sound().without(["RL", "RR"])
    described = {corner: day().car.corners[corner] for corner in ("FL", "FR")}
    car = replace(day().car, corners=described, stated_wheelbase=wheelbase)
    parts = {n: part.with_indication(part.samples.indication) for n, part in view.parts.items()}
    return replace(view, prepared=replace(view.prepared, car=car), parts=parts, kept={})


def contradicts(view: View) -> bool:
    return any(term.contradicts for term in JUDGE.terms(view))


def test_a_common_gain_of_the_size_stated_is_seen_and_a_third_of_it_is_not() -> None:
    for view in (sound(), front_alone(day().car.wheelbase)):
        stated = list(hidden_gains(view))
        assert tuple(view.parts) in dict(stated)
        assert len([size for _, size in stated if size < MOST_GAIN]) >= 2
        for names, size in stated:
            if size < MOST_GAIN:
                assert contradicts(times(view, names=names, factor=1.0 + size)), names
                assert contradicts(times(view, names=names, factor=1.0 - size)), names
                assert not contradicts(times(view, names=names, factor=1.0 + size / 3)), names


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_half_or_twice_the_gain_of_an_axle_alone_is_named(factor: float) -> None:
    view = times(front_alone(day().car.wheelbase), names=("FL", "FR"), factor=factor)
    (doubt,) = JUDGE.doubts(view, JUDGE.terms(view))
    assert (doubt.cause, doubt.corners) == ("gain changed", ("FL", "FR"))
    assert len(doubt.channels) == 12
    assert f"seem to show {factor:g} times what they should" in doubt.do


def test_without_a_wheelbase_nothing_sees_a_common_gain_and_it_is_said() -> None:
    view = front_alone(float("nan"))
    halved = times(view, names=("FL", "FR"), factor=0.5)
    found = [t.found for t in JUDGE.terms(halved) if np.isnan(t.size)]
    assert any("forces of FL, FR fit weight and acceleration" in words for words in found)
    assert any("State wheelbase_mm in its table [mass]" in words for words in found)
    assert not any(t.contradicts and t.name.startswith("sum of") for t in JUDGE.terms(halved))
    known = dict(hidden_gains(front_alone(day().car.wheelbase)))
    assert dict(hidden_gains(view))["FL", "FR"] > 1.5 * known["FL", "FR"]


def test_the_error_that_a_common_gain_may_hide_is_its_share_of_the_force() -> None:
    view = sound()
    (found,) = (one for one in unseen(view, day().conditioned) if one.kind == "common gain")
    largest = max(size for names, size in hidden_gains(view) if "FL" in names)
    part = view.parts["FL"]
    larger = part.with_indication((1.0 + largest) * part.samples.indication)
    moved = np.quantile(np.abs(larger.level[0] - part.level[0]), 0.95, axis=1)
    np.testing.assert_allclose(found.error[0], moved, rtol=1e-4)  # single precision
    assert found.size[0] == pytest.approx(largest)
    assert found.gauge[0] == "FL"


@pytest.mark.parametrize("corners", [("FL", "FR"), ("RL", "RR"), ("FR",), ("FL", "RR")])
def test_wheels_that_are_not_described_stand_where_the_wheelbase_says(
    corners: tuple[str, ...],
) -> None:
    car = club_car()
    described = {corner: car.corners[corner] for corner in corners}
    part = replace(car, corners=described, stated_wheelbase=car.wheelbase)
    whole, found = stance_of(car), stance_of(part)
    assert whole is not None
    assert found is not None
    assert found.base == pytest.approx(whole.base, abs=1e-12)
    np.testing.assert_allclose(found.share, whole.share, atol=1e-12)
    for corner in corners:
        k = list(car.corners).index(corner)
        np.testing.assert_allclose(found.centres[k], whole.centres[k])
        assert found.usual[k] == pytest.approx(whole.usual[k])
    assert (np.sign(found.centres[:, 1]) == [1, -1, 1, -1]).all()
    if len({corner[0] for corner in corners}) == 1:
        assert stance_of(replace(part, stated_wheelbase=float("nan"))) is None


def test_a_missing_wheelbase_is_asked_for_in_words() -> None:
    car = club_car("FL", "FR")
    told = "forces of FL, FR cannot be compared with the weight on them. State wheelbase_mm"
    assert told in " ".join(" ".join(car_summary(car)).split())
    stated = replace(car, stated_wheelbase=club_car().wheelbase)
    assert "wheelbase_mm" not in " ".join(car_summary(stated))
    missing = day().forces.assign_attrs(not_compared="Not this. | Forces: state wheelbase_mm.")
    assert unseen_lines(missing)[-1] == "  Forces: state wheelbase_mm."
    assert "wheelbase_mm" not in " ".join(unseen_lines(day().forces))
