"""A tare that is wrong is marked and named; sound tares pass."""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from recon.base.doubt import Doubt
from recon.base.errors import DataError, ReconWarning
from recon.base.quantities import POUND_FORCE
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.calibration.same_car import facts_of
from recon.conditioning.condition import condition
from recon.examination.examine import JUDGE, Examination
from recon.examination.mass_causes import POUND
from recon.examination.pull_causes import pull_causes
from recon.examination.tares import tares_agree
from recon.examination.view import view_of
from recon.mechanics.assembly import assembly_of
from recon.planning.unknowns import reference_of
from recon.reconstruction.estimator.session import Tare
from recon.reconstruction.estimator.tare_load import hanging_at_pulls, standing, tare_load
from recon.reconstruction.prepare import prepare
from recon.records.sheets import Tares
from recon.virtual.drive import virtual_drive
from tests import spoiled_days
from tests.calibrated_corners import without_slopes
from tests.days import day, states
from tests.spoiled_days import examination_of

GAUGES = tuple(map(str, day().log["gauge"].to_numpy()))
OF_FL = tuple(g for g in GAUGES if g.startswith("FL"))
PAD = 1800.0  # N, near the static share of a corner
Spoil = Callable[[dict[str, np.ndarray]], None]  # indications of each gauge, before and after


def spoiled(spoil: Spoil) -> Tares:
    """The day's tares, changed in place by `spoil`."""
    tares = day().tares
    by_gauge = {g: tares.indication[tares.gauge == g].copy() for g in GAUGES}
    spoil(by_gauge)
    changed = tares.indication.copy()
    for gauge, values in by_gauge.items():
        changed[tares.gauge == gauge] = values
    return replace(tares, indication=changed)


def examined(tares: Tares) -> Examination:
    return with_calibration(tares, day().calibration)


def with_calibration(tares: Tares, calibration: Calibration) -> Examination:
    return examination_of(condition(day().log, day().car, tares), calibration)


@cache
def standing_more(corner: str) -> dict[str, float]:
    """What each gauge shows more with its wheel on the ground than hanging, by the true car."""
    through = states(corner, np.tile([0.0, 120.0, PAD], (100, 1)))
    log, tares, _ = virtual_drive(day().drawn, through, np.random.default_rng(3))
    seen = log["indication"].mean("elapsed_time")
    before = {
        g: float(i)
        for g, i, w in zip(tares.gauge, tares.indication, tares.when, strict=True)
        if w == "before"
    }
    return {str(g): float(seen.sel(gauge=g)) - before[str(g)] for g in seen["gauge"].to_numpy()}


def stand(*corners: str) -> Spoil:
    def spoil(tares: dict[str, np.ndarray]) -> None:
        for corner in corners:
            for gauge, more in standing_more(corner).items():
                tares[gauge] += more

    return spoil


def exchange(one: str, two: str) -> Spoil:
    def spoil(tares: dict[str, np.ndarray]) -> None:
        tares[one], tares[two] = tares[two], tares[one]

    return spoil


def times(factor: float, *gauges: str) -> Spoil:
    def spoil(tares: dict[str, np.ndarray]) -> None:
        for gauge in gauges:
            tares[gauge] *= factor

    return spoil


def add(shift: float, gauge: str) -> Spoil:
    def spoil(tares: dict[str, np.ndarray]) -> None:
        tares[gauge] += shift

    return spoil


def test_sound_tares_are_compared_and_pass() -> None:
    found = examined(day().tares)
    assert found.doubts == ()
    for name in (
        "tares against those of the pulls",
        "tare after the drive against",
        "zero against tares",
    ):
        assert name in found.compared


@pytest.mark.parametrize(
    ("spoil", "cause", "channels", "do"),
    [
        pytest.param(
            *(stand("FL"), "standing tare", OF_FL, "state 'pads' and pad_load"),
            marks=pytest.mark.slow(6),
        ),
        (stand("FL", "FR", "RL", "RR"), "standing tare", GAUGES, "Lift the wheels of FL, FR, RL"),
        (times(1e-3, *GAUGES), "tare in another unit", GAUGES, "1000 times too small"),
        (times(-1.0, "FR_lower_front"), "inverted tare", ("FR_lower_front",), "sign of FR_lower"),
        pytest.param(
            exchange("RL_lower_aft", "RL_toe_link"),
            "exchanged tares",
            ("RL_lower_aft", "RL_toe_link"),
            "Compare the rows of RL_lower_aft and RL_toe_link in the tare table",
            marks=pytest.mark.slow(4),
        ),
        (times(0.0, *GAUGES), "shifted tare", GAUGES, "all of them are zero"),
    ],
)
def test_a_wrong_tare_is_named(
    spoil: Spoil, cause: str, channels: tuple[str, ...], do: str
) -> None:
    (doubt,) = examined(spoiled(spoil)).doubts
    assert (doubt.cause, set(doubt.channels)) == (cause, set(channels))
    assert doubt.probability > 0.9
    assert do in doubt.do


def test_a_small_tare_that_lost_its_sign_may_as_well_have_shifted() -> None:
    """Twice a tare of 0.026 mV/V is a usual shift; the sign stays the first answer."""
    (doubt,) = examined(spoiled(times(-1.0, "FR_lower_rear"))).doubts
    assert doubt.cause == "inverted tare"
    assert doubt.probability < 0.9
    both = "inverted tare (FR_lower_rear) or shifted tare (FR_lower_rear)"
    assert f"Two causes fit equally well: {both}." in doubt.do


@pytest.mark.slow(3)
def test_signs_that_a_table_lost_are_one_fault() -> None:
    """A tare near zero may have either sign, which hardly matters."""

    def lose_signs(tares: dict[str, np.ndarray]) -> None:
        for values in tares.values():
            np.abs(values, out=values)

    (doubt,) = examined(spoiled(lose_signs)).doubts
    assert doubt.cause == "inverted tare"
    assert "none of its tares has one" in doubt.do
    tare = {g: day().tares.indication[day().tares.gauge == g][0] for g in GAUGES}
    lost = {g for g in GAUGES if tare[g] < 0}
    assert len(lost) > 6
    assert all(abs(tare[g]) < 0.02 for g in lost ^ set(doubt.channels))  # mV/V


def test_a_table_of_zeros_is_one_fault_of_all_corners() -> None:
    """The rear zeros are so small that nothing else speaks against them."""
    rear = [g for g in GAUGES if g.startswith("R")]
    tares, log = day().tares, day().log.copy(deep=True)
    for gauge in rear:
        log["indication"].loc[{"gauge": gauge}] -= 0.9 * tares.indication[tares.gauge == gauge][0]
    empty = spoiled(times(0.0, *GAUGES))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        conditioned = condition(log, day().car, empty)
    (doubt,) = examination_of(conditioned, day().calibration).doubts
    assert (doubt.cause, set(doubt.channels)) == ("shifted tare", set(GAUGES))
    assert doubt.do.endswith("(all of them are zero).")


def test_a_logger_that_set_itself_to_zero_after_the_tares_is_named() -> None:
    """Its numbers agree with tares that are nearly nothing; the wheels carried their loads then."""

    def set_to_zero(raw: np.ndarray) -> None:
        raw -= raw[:100].mean(axis=0)

    (doubt,) = spoiled_days.examined(set_to_zero).doubts
    assert (doubt.cause, set(doubt.channels)) == ("shifted tare", set(GAUGES))
    assert "The logger seems to have set the channels of FL, FR, RL, RR to zero" in doubt.do


@pytest.mark.slow(2)
def test_tares_whose_numbers_are_in_another_unit_are_no_such_logger() -> None:
    def in_microvolts(tares: dict[str, np.ndarray]) -> None:
        for values in tares.values():
            values[:] += 999.0 * values[0]  # 1000 times the change of a zero would be refused

    (doubt,) = examined(spoiled(in_microvolts)).doubts
    assert (doubt.cause, set(doubt.channels)) == ("tare in another unit", set(GAUGES))
    assert "their numbers are 1000 times too large." in doubt.do


def test_a_tare_that_is_off_where_the_zero_is_none_is_in_no_other_unit() -> None:
    """A thousandth of it would fit as well, but tares in uV/V are far larger than the drive."""
    tares = day().tares
    assert abs(tares.indication[tares.gauge == "RR_coil_over"].mean()) < 0.01
    (doubt,) = examined(spoiled(add(0.05, "RR_coil_over"))).doubts
    assert (doubt.cause, doubt.channels) == ("shifted tare", ("RR_coil_over",))
    assert doubt.probability > 0.9


def test_one_tare_that_is_off_is_found() -> None:
    """0.05 mV/V; whether the zero moved or the tare was wrong looks alike."""
    (doubt,) = examined(spoiled(add(0.05, "FL_lower_rear"))).doubts
    assert doubt.cause in ("shifted tare", "zero shifted")
    assert doubt.channels == ("FL_lower_rear",)
    assert "Tare FL_lower_rear again" in doubt.do


@pytest.mark.slow(8)
def test_one_row_of_two_that_is_off_is_found() -> None:
    """Only the tare before the drive is wrong by 0.05 mV/V: the zero seems to drift."""
    wrong = spoiled(times(1.0))
    row = int(np.flatnonzero((wrong.gauge == "FL_push_rod") & (wrong.when == "before"))[0])
    wrong.indication[row] += 0.05
    doubt = examined(wrong).doubts[0]
    assert (doubt.cause, doubt.channels) == ("shifted tare", ("FL_push_rod",))
    assert "Compare the two rows of FL_push_rod in the tare table: the one before" in doubt.do


def test_only_the_load_that_the_pulls_did_not_hang_by_is_taken_off() -> None:
    """Wheels that hang as at the pulls change no zero; on pads they do, by their load there."""
    corner = day().calibration.corners["FL"]
    droop = day().car.corners["FL"].hanging_travel
    fitted = replace(corner, conditions=replace(corner.conditions, travel=droop, rack=0.0))
    assembly = assembly_of(day().car, "FL")
    usual = (reference_of(day().car, day().car.corners["FL"]).vertical,)
    hanging, pads = (
        tare_load(assembly, fitted, Tare(*state), usual).beyond_pulls
        for state in (("hanging",), ("pads", PAD))
    )
    np.testing.assert_allclose(hanging / fitted.main_slope, 0.0, atol=1e-6)  # N
    weight = hanging_at_pulls(assembly, fitted)
    assert np.abs(fitted.K @ weight / fitted.main_slope).max() > 50.0
    np.testing.assert_allclose(
        pads, fitted.K @ (standing(assembly, np.array([PAD])) - weight), rtol=1e-9
    )


@pytest.mark.slow(5)
def test_a_calibration_without_tares_says_what_cannot_be_known() -> None:
    """Weight still finds a wheel that stood, for a thousand newtons are more than a tenth."""
    corners = {
        name: replace(
            c, conditions=replace(c.conditions, tare=np.full_like(c.conditions.tare, np.nan))
        )
        for name, c in day().calibration.corners.items()
    }
    bare = replace(day().calibration, corners=corners)
    found = with_calibration(spoiled(stand("FL")), bare)
    assert any("cannot be known from the tares of its pulls" in text for text in found.not_compared)
    assert found.doubts[0].cause == "standing tare"
    assert found.doubts[0].corners == ("FL",)


def test_two_tares_that_differ_by_more_than_the_drive_are_refused() -> None:
    wrong = spoiled(times(1.0))
    row = int(np.flatnonzero((wrong.gauge == "FL_tie_rod") & (wrong.when == "after"))[0])
    wrong.indication[row] = 7.7
    match = rf"line {wrong.line[row]}: a tare of FL_tie_rod of 7\.7, and one of .* a change of"
    with pytest.raises(DataError, match=match):
        condition(day().log, day().car, wrong)


def test_a_doubt_about_many_channels_counts_them() -> None:
    names = tuple(f"G{k}" for k in range(7))
    words = [
        str(Doubt(("FL",), "standing tare", names[:count], 1.0, 0.0, 9.0, "Found.", "Do."))
        for count in (2, 7)
    ]
    assert words == [
        "FL: standing tare (G0 and G1). Found. Do.",
        "FL: standing tare (7 channels, G0 to G6). Found. Do.",
    ]


def standing_fl() -> np.ndarray:
    """What FL's gauges show more with the wheel on the ground than hanging as at the pulls."""
    corner, assembly = day().calibration.corners["FL"], assembly_of(day().car, "FL")
    static = np.array([reference_of(day().car, day().car.corners["FL"]).vertical])
    return np.asarray(corner.K @ (standing(assembly, static) - hanging_at_pulls(assembly, corner)))


def test_wheels_that_stood_at_the_tares_of_the_pulls_are_named_in_words() -> None:
    """No force depends on it, and no other zero of the day would explain it."""
    corner = day().calibration.corners["FL"]
    for more, named in ((standing_fl(), True), (standing_fl()[::-1], False)):
        conditions = replace(corner.conditions, tare=corner.conditions.tare + more)
        corners = day().calibration.corners | {"FL": replace(corner, conditions=conditions)}
        calibration = replace(day().calibration, corners=corners)
        view = view_of(prepare(calibration, day().car, day().conditioned), day().conditioned)
        (term,) = (t for t in tares_agree(view) if t.place == "FL")
        assert term.contradicts
        assert ("stood on the ground at the tares of the pulls" in term.found) == named


@pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")
def test_pulls_tared_in_another_state_than_they_were_loaded_are_not_to_be_used() -> None:
    sheet = day().pulls
    indication = sheet.indication.copy()
    columns = [list(sheet.gauges).index(g) for g in OF_FL]
    tares = np.flatnonzero((sheet.corner == "FL") & (sheet.phase == "tare"))
    indication[np.ix_(tares, columns)] += standing_fl()
    made = calibrate(replace(sheet, indication=indication), day().car)
    verdict = made.corners["FL"].verdict
    assert verdict is not None
    assert re.search(
        r"FL_push_rod would show -0\.\d+ in its unit in each of 13 pulls", verdict.words
    )
    assert made.unusable == ("FL",)


def test_unsprung_masses_in_pounds_are_named() -> None:
    heavy = {
        name: replace(corner, unsprung_mass=corner.unsprung_mass / POUND)
        for name, corner in day().car.corners.items()
    }
    car = replace(day().car, corners=heavy)
    made = calibrate(day().pulls, car, verification=day().checks)
    made = replace(made, corners={name: made.corners[name] for name in ("RL", "RR")})
    log = condition(day().log, car, day().tares)
    log = log.sel(gauge=[g for corner in made.corners.values() for g in corner.gauges])
    view = view_of(prepare(made, car, log), log)
    (doubt,) = JUDGE.doubts(view, JUDGE.terms(view))
    assert doubt.cause == "other unit"
    assert doubt.channels == ("unsprung_mass_RL", "unsprung_mass_RR")
    assert "unsprung_mass_kg of RL and RR in the vehicle file: it seems to be in lb" in doubt.do
    assert doubt.probability > 0.9


WHOLE = pytest.param(("FL", "FR", "RL", "RR"), marks=pytest.mark.slow(6), id="car")


@pytest.mark.parametrize("corners", [WHOLE, ("RL", "RR")])
def test_a_car_weighed_in_pounds_is_named(corners: tuple[str, ...]) -> None:
    """The mass enters no force: weight and mass times acceleration are what contradict it."""
    car = replace(day().car, mass=day().car.mass / POUND)
    made = {name: day().calibration.corners[name] for name in corners}
    gauges = [gauge for corner in made.values() for gauge in corner.gauges]
    log = day().conditioned.sel(gauge=gauges)
    view = view_of(prepare(replace(day().calibration, corners=made), car, log), log)
    (doubt,) = JUDGE.doubts(view, JUDGE.terms(view))
    assert (doubt.cause, doubt.channels) == ("other unit", ("total_kg",))
    assert f"total_kg in the vehicle file: {car.mass:g} seems to be lb (742 kg)." in doubt.do
    assert doubt.probability > 0.9


@pytest.mark.parametrize("corners", [WHOLE, ("FL",)])
def test_pulls_in_another_unit_show_in_the_drive_where_no_bridge_tells(
    corners: tuple[str, ...],
) -> None:
    """A slope per newton that is 4.4 times too large: loads in lbf were taken as newtons."""
    car = without_slopes(day().car)
    made = {
        name: replace(corner, K=POUND_FORCE * corner.K, facts=facts_of(car, name))
        for name, corner in day().calibration.corners.items()
        if name in corners
    }
    gauges = [gauge for corner in made.values() for gauge in corner.gauges]
    log = day().conditioned.sel(gauge=gauges)
    view = view_of(prepare(replace(day().calibration, corners=made), car, log), log)
    doubt = JUDGE.doubts(view, JUDGE.terms(view))[0]
    assert (doubt.cause, doubt.channels) == ("other unit", ("strap_load", "pad_load"))
    assert "loads in lbf seem to be written as N, so that forces are to be multip" in doubt.do
    assert doubt.corners == corners
    # A kilogram's weight is nearly ten newtons, which other sheets call a decanewton.
    for one in pull_causes(view, corners):
        assert ("loads in daN, which nothing here tells from kgf" in one.do) is ("kgf" in one.do)
    # Twin: with bridges the verdict on the calibration has said it, and no drive is asked.
    assert not list(
        pull_causes(replace(view, prepared=replace(view.prepared, car=day().car)), corners)
    )
