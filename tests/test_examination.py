"""A drive is tested against itself: sound ones pass, faults are marked and named."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recon.base.doubt import NO_CAUSE, Doubt
from recon.base.errors import DataError, DataWarning, DoubtWarning
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.base.status import BIT
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE
from recon.examination.reconstruct import reconstruct
from recon.examination.term import Candidate
from recon.examination.view import View, view_of
from recon.examination.weight import mean_forces
from recon.reconstruction.prepare import prepare
from recon.records.doubt_variables import doubts_in, with_doubts
from recon.records.results import read_result, write_result
from recon.report.common.sheet import new_sheet
from recon.report.drive.doubt_list import doubt_lines, drawn_with_doubts
from tests.days import day, exact, exact_log, states, unwarned
from tests.slow_repeats import some_quick
from tests.spoiled_days import GAUGES, examination_of, examined, exchange, scale, spoiled_log

SLOPE = re.compile(r"changes (-?[\d.]+) times as large as expected")
UPWARD = re.compile("upward|^z |^sum of Fz of all")  # what is expected there hardly changes


def test_a_sound_drive_is_not_doubted() -> None:
    found = examined(scale(0, 1.0))
    assert found.doubts == ()
    assert len(found.terms) >= 4
    assert len({(t.place, t.name) for t in found.terms}) == len(found.terms)  # none counts twice
    assert "FL: gauges against each other" in found.compared
    # What was expected has the right sign and size in every comparison, not only within its limit.
    slopes = {t.name: SLOPE.search(t.found) for t in found.terms if not UPWARD.search(t.name)}
    known = {name: float(slope[1]) for name, slope in slopes.items() if slope}
    assert len(known) > 45
    assert {name: slope for name, slope in known.items() if not 0.8 < slope < 1.25} == {}


def test_a_log_of_ten_samples_a_second_has_slopes_too() -> None:
    """A short mean of one sample has none: yaw and speed seemed never to change."""
    thinned = day().log.isel(elapsed_time=slice(None, None, 20))
    with unwarned(), pytest.warns(DataWarning, match="shake just below 5 Hz, half the"):
        slow = condition(thinned, day().car, day().tares)
    assert slow.attrs["rate"] == pytest.approx(10.0)
    found = examination_of(slow, day().calibration)
    assert found.doubts == ()
    (turning,) = (t for t in found.terms if t.name.startswith("yaw moment of all tyres"))
    assert float(SLOPE.search(turning.found)[1]) == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize("i", some_quick(range(0, len(GAUGES), 5), 0, 15))
def test_an_inverted_gauge_is_named(i: int) -> None:
    (doubt,) = examined(scale(i, -1.0)).doubts
    assert (doubt.cause, doubt.channels) == ("inverted", (GAUGES[i],))
    assert doubt.corners == (GAUGES[i][:2],)
    assert doubt.probability > 0.5


@pytest.mark.parametrize("i", some_quick(range(0, len(GAUGES), 7), 7))
@pytest.mark.parametrize("apart", [1, 7])
def test_exchanged_gauges_are_named(i: int, apart: int) -> None:
    j = (i + apart) % len(GAUGES)
    (doubt,) = examined(exchange(i, j)).doubts
    assert doubt.cause == "exchanged"
    assert set(doubt.channels) == {GAUGES[i], GAUGES[j]}


def test_exchanged_gauges_of_two_corners_are_named_where_their_tares_are_exchanged_too() -> None:
    log, tares = day().log.copy(deep=True), day().tares
    exchange(4, 9)(log["indication"].to_numpy())
    other = {GAUGES[4]: GAUGES[9], GAUGES[9]: GAUGES[4]}
    names = np.array([other.get(str(name), str(name)) for name in tares.gauge])
    with unwarned():
        log = condition(log, day().car, replace(tares, gauge=names))
    (doubt,) = examination_of(log, day().calibration).doubts
    assert doubt.cause == "exchanged"
    assert set(doubt.channels) == set(other)
    assert "in the tares too: exchange the two gauges in log and tares" in doubt.do


@pytest.mark.parametrize(
    "pair", some_quick([("FL", "FR"), ("FR", "RL"), ("RL", "RR")], ("FL", "FR"))
)
def test_all_plugs_of_two_corners_are_named_together(pair: tuple[str, str]) -> None:
    one, two = ([g for g in GAUGES if g.startswith(corner)] for corner in pair)

    def spoil(raw: np.ndarray) -> None:
        for first, second in zip(one, two, strict=True):
            exchange(GAUGES.index(first), GAUGES.index(second))(raw)

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.corners) == ("exchanged", pair)
    assert doubt.channels == (*one, *two)
    assert f"All plugs of {pair[0]} and {pair[1]} seem exchanged" in doubt.do
    lines = [f'{a} = {{ exchanged_with = "{b}" }}' for a, b in zip(one, two, strict=True)]
    assert doubt.do.splitlines()[-len(one) :] == lines


@pytest.mark.slow(5)
def test_an_examination_ends_soon_whatever_is_wrong() -> None:
    shuffled = np.random.default_rng(3).permutation(len(GAUGES))

    def spoil(raw: np.ndarray) -> None:
        raw[:] = raw[:, shuffled]

    start = time.process_time()
    doubts = examined(spoil).doubts
    assert time.process_time() - start < 10.0  # s
    assert {corner for doubt in doubts for corner in doubt.corners} == {"FL", "FR", "RL", "RR"}


def test_a_zero_that_jumps_is_named_with_its_time() -> None:
    start = len(day().log["elapsed_time"]) // 3
    raw = day().log["indication"].to_numpy()

    step = 0.6 * float(np.ptp(raw[:, 0]))

    def spoil(raw: np.ndarray) -> None:
        raw[start:, 0] += step

    (doubt,) = examined(spoil).doubts
    moved = re.search(r"moved by (\S+),", doubt.do)
    assert moved
    assert float(moved[1]) == pytest.approx(step, rel=0.02)
    assert (doubt.cause, doubt.channels) == ("zero shifted", (GAUGES[0],))
    assert doubt.start == pytest.approx(float(day().log["elapsed_time"][start]), abs=0.1)


def test_what_a_hub_accelerates_is_expected_of_its_gauges() -> None:
    corner, residuals, shown = exact(), [], []
    force = np.outer(np.sin(np.arange(60.0)), [300, 900, 500]) + np.array([0, 0, 2500])
    for more in (np.zeros(3), np.array([4.0, -8.0, 20.0])):
        felt = np.tile(more + np.array([0, 0, STANDARD_GRAVITY]), (60, 1, 1))
        log, tares, _ = exact_log(corner, states("FL", force, specific_force=felt))
        with unwarned():
            made = condition(log, corner.car, tares)
            part = view_of(prepare(corner.calibration, corner.car, made), made).parts["FL"]
        residuals.append(part.residual)
        shown.append(part.samples.indication.T)
    slope = part.solver.estimator.calibration.main_slope
    assert np.abs((shown[1] - shown[0]) / slope).max() > 200.0  # N of a link
    np.testing.assert_allclose(residuals[1] / slope, residuals[0] / slope, atol=5.0)  # N


def test_a_turn_asks_more_load_of_the_outer_wheels() -> None:
    """Of a car whose body is said to be pushed to the left all the time, then to the right."""
    errors = []
    for aside in (5.0, -5.0):  # m/s2
        log = day().conditioned.copy(deep=True)
        log["acceleration"].values[:] = [0.0, aside, STANDARD_GRAVITY]
        view = view_of(prepare(day().calibration, day().car, log), log)
        errors.append([mean_forces(view, part).error[0, 2] for part in view.parts.values()])
    car, more = day().car, np.subtract(*errors)
    for found, corner in zip(more, car.corners.values(), strict=True):
        _, y, z = corner.wheel.centre
        height = car.centre_of_mass[2] - (z - corner.wheel.loaded_radius)
        # Each axle bears half of the moment; errors are forces less what is expected.
        expected = np.sign(y) * 10.0 * car.mass * height / (4.0 * abs(y))
        assert found == pytest.approx(expected, rel=0.1)  # roll of the body turns some of it


def test_two_faults_are_both_found() -> None:
    def spoil(raw: np.ndarray) -> None:
        exchange(0, 1)(raw)
        scale(len(GAUGES) - 1, -1.0)(raw)

    found = {(d.cause, frozenset(d.channels)) for d in examined(spoil).doubts}
    wanted = ("exchanged", frozenset(GAUGES[:2])), ("inverted", frozenset(GAUGES[-1:]))
    assert found == set(wanted)


def test_a_contradiction_without_a_known_cause_is_marked_without_one() -> None:
    t = np.linspace(0, 1, len(day().log["elapsed_time"]))

    def spoil(raw: np.ndarray) -> None:
        for i in range(3):
            raw[:, i] += 0.3 * np.sin(40 * (i + 1) * t + i)

    doubts = examined(spoil).doubts
    assert doubts
    assert doubts[-1].cause == NO_CAUSE or "more than one fault" in doubts[0].do
    assert {corner for doubt in doubts for corner in doubt.corners} == {"FL"}


def test_doubted_forces_are_marked_and_unchanged(tmp_path: Path) -> None:
    log = spoiled_log(exchange(0, 1))
    plain = prepare(day().calibration, day().car, log).solve
    with unwarned(), pytest.warns(DoubtWarning, match=f"exchanged .{GAUGES[0]} and {GAUGES[1]}"):
        forces = reconstruct(log, day().calibration, day().car)
    with unwarned():
        np.testing.assert_array_equal(forces["tyre_force"], plain(log)["tyre_force"])
    flagged = (forces["status"].to_numpy() & BIT["doubted"]) > 0
    assert flagged[:, 0].all()
    assert not flagged[:, 1:].any()
    again = read_result(write_result(forces, tmp_path / "forces.nc"))
    assert doubts_in(again) == doubts_in(forces)
    assert doubts_in(day().forces) == ()


def test_half_a_doubt_in_a_file_is_refused(tmp_path: Path) -> None:
    doubt = Doubt(("FL",), NO_CAUSE, (), float("nan"), 0.0, 1.0, "Two numbers differ.", "Look.")
    spoiled = with_doubts(day().forces, [doubt]).drop_vars("doubt_found")
    path = write_result(spoiled, tmp_path / "forces.nc")
    with pytest.raises(DataError, match="without doubt_found"):
        read_result(path)


def test_doubts_in_words_and_on_pictures() -> None:
    doubt = Doubt(("FL", "RR"), "inverted", ("a",), 0.97, 0.0, 1.0, "Found this.", "Do that.")
    first, *rest = doubt_lines([doubt])
    assert first.startswith("DOUBTED: FL, RR.")
    words = " ".join(line.strip() for line in rest)
    assert words == "FL, RR: inverted (a), probability 0.97. Found this. Do that."
    assert doubt_lines([]) == ()
    figure = drawn_with_doubts(lambda: new_sheet((4, 3), "", (), "")[0], [doubt])
    assert "DOUBTED: FL, RR" in [text.get_text() for text in figure.texts]
    plain = drawn_with_doubts(lambda: new_sheet((4, 3), "", (), "")[0], [])
    assert len(plain.texts) == len(figure.texts) - 1


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_rack_that_nobody_knows_is_no_other_gain() -> None:
    """It turns as the side force changes, and only a lone front wheel has nobody to tell."""
    fitted = replace(day().calibration, corners={"FR": day().calibration.corners["FR"]})
    log = day().log.isel(elapsed_time=slice(2400)).sel(gauge=list(fitted.corners["FR"].gauges))
    kept = log[["indication", "wheel_speed", "hub_acceleration", "brake_pressure"]]
    with unwarned():
        conditioned = condition(kept.assign_attrs(log.attrs), day().car, day().tares)
    assert examination_of(conditioned, fitted).doubts == ()
    worse = conditioned.copy(deep=True)
    worse["indication"][:, 2] *= 2.0
    assert examination_of(worse, fitted).doubts != ()


@pytest.mark.slow(4)
def test_a_mend_that_takes_the_forces_away_explains_nothing() -> None:
    """A height of the centre of mass that nobody can believe: load and acceleration disagree.

    Travels taken ten times as large leave their range, so that hardly a force is left to disagree.
    """
    x, y, _ = day().car.centre_of_mass
    car = replace(day().car, centre_of_mass=(x, y, 0.09))
    with unwarned(), pytest.warns(DoubtWarning):
        forces = reconstruct(condition(day().log, car, day().tares), day().calibration, car)
    found = doubts_in(forces)
    assert found
    assert {doubt.cause for doubt in found} == {NO_CAUSE}


def test_brakes_that_are_on_throughout_explain_nothing() -> None:
    """Without a torque per bar a pressure that is always there leaves all hubs' moments open."""
    corners = {
        name: replace(
            corner, brake=replace(corner.brake, torque_per_pressure=np.nan, u_torque_per_pressure=0)
        )
        for name, corner in day().car.corners.items()
    }
    log, car = spoiled_log(scale(0, 1.2)), replace(day().car, corners=corners)
    with unwarned():
        view = view_of(prepare(day().calibration, car, log), log)
    braked = log["brake_pressure"].to_numpy() > 1e5
    assert 0.02 < braked.mean() < 0.5

    def always(view: View) -> View:
        return view.with_log(view.log.assign(brake_pressure=3e6 + view.log["brake_pressure"]))

    cause = Candidate("other unit", CORNERS, ("brake_pressure",), always, "")
    judge = replace(JUDGE, proposals=(lambda *_: [cause],))
    (doubt, *_) = judge.doubts(view, judge.terms(view))
    assert doubt.cause == NO_CAUSE


def test_a_brake_asks_nothing_of_a_tyre_that_is_pushed_aside() -> None:
    """Without its speed nobody knows whether such a wheel locks: it then holds less than asked."""
    raw = day().log.drop_vars("wheel_speed").copy(deep=True)
    _, aside, up = day().forces["tyre_force"].sel(corner="FL").transpose("component", ...).values
    wheel = day().car.corners["FL"]
    asked = 0.5 * up * wheel.wheel.loaded_radius / wheel.brake.torque_per_pressure
    hard = np.interp(raw["elapsed_time"], day().forces["elapsed_time"], np.abs(aside) > 0.7 * up)
    held = np.interp(raw["elapsed_time"], day().forces["elapsed_time"], asked) * (hard > 0.5)
    for corner in ("FL", "FR"):
        line = raw["brake_pressure"].sel(corner=corner).to_numpy()
        raw["brake_pressure"].loc[{"corner": corner}] = np.maximum(line, held)
    assert examination_of(condition(raw, day().car, day().tares), day().calibration).doubts == ()
