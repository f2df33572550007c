"""Sums of forces against mass and acceleration, and ordinary channels against each other."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
import xarray as xr

from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.examination.comparison import INDEPENDENT, LIMIT, Comparison
from recon.examination.examine import Examination
from recon.examination.judge import Judge
from recon.examination.loads import loads_agree
from recon.examination.term import Candidate, Term
from recon.examination.view import View, view_of
from recon.reconstruction.prepare import prepare
from recon.report.drive.doubt_list import doubt_lines
from tests.days import day, unwarned
from tests.slow_repeats import some_quick
from tests.spoiled_days import examination_of

Spoil = Callable[[xr.Dataset], None]  # a raw log, changed in place
DEGREE = np.pi / 180


def examined(spoil: Spoil, corners: tuple[str, ...] = CORNERS) -> Examination:
    raw = day().log.copy(deep=True)
    spoil(raw)
    fitted = {corner: day().calibration.corners[corner] for corner in corners}
    calibration = replace(day().calibration, corners=fitted)
    with unwarned():
        log = condition(raw, day().car, day().tares)
    return examination_of(log, calibration)


def times(name: str, factor: float, **at: str) -> Spoil:
    """Multiply a channel, or the part of it at some labels."""

    def spoil(raw: xr.Dataset) -> None:
        raw[name].loc[at] = factor * raw[name].sel(at)

    return spoil


def plus(name: str, add: float) -> Spoil:
    def spoil(raw: xr.Dataset) -> None:
        raw[name] += add

    return spoil


def exchange(name: str, dimension: str, a: str, b: str) -> Spoil:
    def spoil(raw: xr.Dataset) -> None:
        kept = raw[name].sel({dimension: a}).copy(deep=True)
        raw[name].loc[{dimension: a}] = raw[name].sel({dimension: b})
        raw[name].loc[{dimension: b}] = kept

    return spoil


def without_gravity(name: str) -> Spoil:
    def spoil(raw: xr.Dataset) -> None:
        raw[name].loc[{"component": "z"}] -= STANDARD_GRAVITY

    return spoil


def of_hubs(*axes: str) -> set[str]:
    return {f"hub_acceleration_{corner}_{axis}" for corner in CORNERS for axis in axes}


def of_body(*axes: str) -> set[str]:
    return {f"acceleration_{axis}" for axis in axes}


TRAVELS = {f"travel_{corner}" for corner in CORNERS}
WHEELS = {f"wheel_speed_{corner}" for corner in CORNERS}
SLIPS = [
    (times("roll", -1.0), "inverted", {"roll"}),
    (times("roll", 1 / DEGREE), "other unit", {"roll"}),
    (times("pitch", 1 / DEGREE), "other unit", {"pitch"}),
    (times("steer", -1.0), "inverted", {"steer"}),
    (times("steer", DEGREE), "other unit", {"steer"}),
    (times("travel", -1.0, corner="FL"), "inverted", {"travel_FL"}),
    (times("travel", -1.0), "inverted", TRAVELS),
    (times("travel", 1e3), "other unit", TRAVELS),
    (times("travel", 1e-3), "other unit", TRAVELS),
    (exchange("travel", "corner", "RL", "RR"), "exchanged", {"travel_RL", "travel_RR"}),
    (plus("steer", 3.0 * DEGREE), "offset", {"steer"}),
    (times("yaw_rate", -1.0), "inverted", {"yaw_rate"}),
    (times("yaw_rate", 1 / DEGREE), "other unit", {"yaw_rate"}),
    (times("speed", 3.6), "other unit", {"speed"}),
    (times("wheel_speed", 30 / np.pi), "other unit", WHEELS),
    (times("wheel_speed", -1.0, corner="FR"), "inverted", {"wheel_speed_FR"}),
    (times("acceleration", -1.0, component="y"), "inverted", of_body("y")),
    (times("acceleration", 1 / STANDARD_GRAVITY), "other unit", of_body(*"xyz")),
    (exchange("acceleration", "component", "x", "z"), "exchanged", of_body("x", "z")),
    (without_gravity("acceleration"), "without gravity", of_body("z")),
    (without_gravity("hub_acceleration"), "without gravity", of_hubs("z")),
    (exchange("hub_acceleration", "component", "x", "z"), "exchanged", of_hubs("x", "z")),
    (times("hub_acceleration", -1.0, corner="RR", component="z"), "inverted",
     {"hub_acceleration_RR_z"}),
]  # fmt: skip


# Each takes seconds; one of each kind runs always.
QUICK = (0, 4, 5, 9, 10, 14, 19, 20)


@pytest.mark.parametrize("i", some_quick(range(len(SLIPS)), *QUICK))
def test_a_slip_in_an_ordinary_channel_is_named(i: int) -> None:
    spoil, cause, channels = SLIPS[i]
    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, set(doubt.channels)) == (cause, channels)
    assert doubt.probability > 0.5


def test_a_channel_that_enters_no_force_leaves_the_forces_alone() -> None:
    (doubt,) = examined(times("yaw_rate", -1.0)).doubts
    assert doubt.corners == ()
    assert str(doubt).startswith("log: inverted (yaw_rate)")
    assert doubt_lines([doubt])[0] == "DOUBTED in the log, in channels that enter no force:"


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_yaw_rate_enters_the_forces_where_no_hub_is_logged() -> None:
    """The acceleration of the hubs follows from it: one cause, and every corner is doubted."""

    def spoil(raw: xr.Dataset) -> None:
        del raw["hub_acceleration"]
        raw["yaw_rate"] *= -1.0

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("inverted", ("yaw_rate",))
    assert set(doubt.corners) == set(CORNERS)


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_speed_in_another_unit_is_named_where_roll_and_pitch_follow_from_the_travels() -> None:
    """They are compared with the channels that they follow from, and have no column to exchange."""

    def spoil(raw: xr.Dataset) -> None:
        for name in ("hub_acceleration", "wheel_speed", "roll", "pitch"):
            del raw[name]
        raw["speed"] /= 3.6

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("other unit", ("speed",))


def test_a_sound_drive_is_compared_with_the_motion_of_the_car() -> None:
    found = examined(times("roll", 1.0))
    assert found.doubts == ()
    sizes = {term.name: term.size / term.limit for term in found.terms}
    sums = [f"sum of F{axis} of all tyres against mass times acceleration" for axis in "xyz"]
    assert max(sizes[name] for name in sums) < 0.5


def test_what_a_log_does_not_hold_is_said_to_be_unknown() -> None:
    def spoil(raw: xr.Dataset) -> None:
        raw["acceleration"].to_numpy()[:] = np.nan

    found = examined(spoil)
    assert found.doubts == ()
    assert any(
        words.startswith("No redundancy: sum of Fy of all tyres") for words in found.not_compared
    )


def test_the_size_of_a_comparison_is_that_of_generalised_least_squares() -> None:
    rng = np.random.default_rng(3)
    n = 50
    effects = [np.ones(n), rng.standard_normal(n)]
    seen, spread = rng.standard_normal(n), 0.5 + rng.random(n)
    compared = Comparison("a law", "car", CORNERS, "N", seen, np.zeros(n), spread, effects)
    covariance = np.diag(spread**2) * n / INDEPENDENT + sum(np.outer(e, e) for e in effects)
    # Exact but for rounding of a well conditioned 50 by 50 system.
    assert compared.chi_square == pytest.approx(seen @ np.linalg.solve(covariance, seen), rel=1e-9)


def late(gauges: slice, delay: float) -> Spoil:
    """Gauges that show what happened a delay [s] ago."""

    def spoil(raw: xr.Dataset) -> None:
        time, values = raw["elapsed_time"].to_numpy(), raw["indication"].to_numpy()
        for g in range(*gauges.indices(values.shape[1])):
            values[:, g] = np.interp(time - delay, time, values[:, g])

    return spoil


@pytest.mark.parametrize("corners", [("FL", "FR", "RL", "RR"), ("FL",)], ids=["car", "corner"])
def test_one_gauge_with_a_slower_filter_is_named(corners: tuple[str, ...]) -> None:
    gauge = "FL_lower_front"
    (doubt,) = examined(late(slice(2, 3), 0.03), corners).doubts
    assert (doubt.cause, doubt.channels, doubt.corners) == ("late", (gauge,), ("FL",))
    delay = float(re.search(rf"{gauge} = {{ late_ms = (.*) }}", doubt.do)[1])
    assert abs(delay - 30.0) < 8.0  # ms; the slope of short means is less than that of the force


def test_what_a_lone_corner_shows_of_one_gauge_is_named() -> None:
    """Steps, and a gain that no sum of forces can show; both too small for the mean residual."""
    gauge, at = "FL_lower_front", 2
    newton = float(day().calibration.corners["FL"].main_slope[at])

    def steps(raw: xr.Dataset) -> None:
        n = raw.sizes["elapsed_time"]
        for start in (0.2, 0.5, 0.7):
            raw["indication"][int(start * n) : int((start + 0.08) * n), at] += 600.0 * newton

    def gain(raw: xr.Dataset) -> None:
        raw["indication"][:, at] *= 1.3

    for spoil, cause in ((steps, "jumping"), (gain, "gain changed")):
        (doubt,) = examined(spoil, ("FL",)).doubts
        assert (doubt.cause, doubt.channels, doubt.corners) == (cause, (gauge,), ("FL",))


def test_a_fault_at_another_wheel_does_not_mark_a_lone_corner() -> None:
    def spoil(raw: xr.Dataset) -> None:
        raw["hub_acceleration"].loc[{"corner": "FL"}] *= 1.0 / STANDARD_GRAVITY

    (doubt,) = examined(spoil, ("RR",)).doubts
    assert (doubt.cause, doubt.place, doubt.corners) == ("other unit", "log", ())


def test_an_unknown_fault_marks_every_wheel_that_it_may_spoil() -> None:
    rear = SimpleNamespace(corners=("RL", "RR"), gauges=("RL_spring",))
    view = cast(View, SimpleNamespace(parts={"rear": rear}, start=0.0, end=9.0))
    by_gauge = Term("RR", ("RR",), "a force of one wheel", 9.0, 1, 1.0, "It is off.")
    by_channel = replace(by_gauge, by_gauges=False)
    for term, corners, look in (
        (by_gauge, ("RR", "RL"), "Compare plugs, tares, units"),
        (by_channel, ("RR",), "Compare units, signs, plugs and delays of the channels"),
    ):
        (doubt,) = Judge(tests=(), proposals=()).doubts(view, (term,))
        assert doubt.corners == corners
        assert doubt.do.startswith(look)
    late = Term("car", CORNERS, "time", 60.0, 4, 5.0, "Late.", by_gauges=False)
    doubts = Judge(tests=(), proposals=()).doubts(view, (by_gauge, late))
    assert {corner for doubt in doubts for corner in doubt.corners} == set(CORNERS)
    of_sum = replace(late, by_gauges=True)  # a sum over a doubted wheel need not agree
    assert len(Judge(tests=(), proposals=()).doubts(view, (by_gauge, of_sum))) == 1
    hub = replace(by_gauge, by_gauges=False)  # says nothing about a gauge that others contradict
    spring = Term("RL_spring", ("RL", "RR"), "gain against other gauges", 9.0, 1, 1.0, "It is off.")
    doubts = Judge(tests=(), proposals=()).doubts(view, (hub, spring))
    assert [doubt.corners for doubt in doubts] == [("RR",), ("RL", "RR")]


@pytest.mark.parametrize(
    ("left", "words"),
    [
        ((0.5, 0.5), "Two causes fit equally well: inverted (roll) or exchanged (pitch)."),
        ((0.5, 0.65), "Two causes fit equally well: inverted (roll) or exchanged (pitch)."),
        ((0.5, 0.75), "Another cause fits nearly as well: exchanged (pitch)."),
        ((0.5, 0.5, 0.5), "nearly as well: exchanged (pitch) or other unit (steer)."),
        ((0.5, 8.0), "Look."),
    ],
)
def test_causes_that_fit_as_well_are_named_beside_the_best(
    left: tuple[float, ...], words: str
) -> None:
    term = Term("car", CORNERS, "roll", 9.0, 10, 2.0, "It is off.", by_gauges=False)
    view = cast(View, SimpleNamespace(size=9.0, parts={}, start=0.0, end=9.0))
    names = (("inverted", "roll"), ("exchanged", "pitch"), ("other unit", "steer"))

    def mended(_view: View, size: float) -> View:
        return cast(View, SimpleNamespace(size=size, parts={}, start=0.0, end=9.0))

    causes = [
        Candidate(cause, CORNERS, (channel,), partial(mended, size=size), "Look.")
        for (cause, channel), size in zip(names, left, strict=False)
    ]
    judge = Judge(
        tests=(lambda of: (replace(term, size=cast(SimpleNamespace, of).size),),),
        proposals=(lambda _view, _corners: causes,),
    )
    (doubt,) = judge.doubts(view, (term,))
    assert doubt.cause == "inverted"
    assert doubt.do.endswith(words)


@pytest.mark.filterwarnings("ignore:.*hub_acceleration", "ignore:All-NaN slice")
@pytest.mark.parametrize("hubs", [True, False], ids=["hubs logged", "hubs inferred"])
def test_the_gauges_of_a_late_logger_are_named(hubs: bool) -> None:
    rear = [str(g) for g in day().log["gauge"].to_numpy() if str(g).startswith("R")]

    def spoil(raw: xr.Dataset) -> None:
        late(slice(-len(rear), None), 0.012)(raw)
        if not hubs:
            raw["hub_acceleration"][:] = np.nan

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, list(doubt.channels)) == ("late", rear)
    assert set(doubt.corners) == {"RL", "RR"}
    shift = float(doubt.do.split("by ")[1].split(" ms")[0])
    assert shift == pytest.approx(-12.0, abs=4.0)  # ms; slopes over short means see most of it


def test_a_clock_that_is_known_roughly_makes_no_gauge_late() -> None:
    def second_logger(raw: xr.Dataset) -> None:
        late(slice(0, None), 0.012)(raw)
        raw["acceleration"].attrs |= {"u_clock": 0.01, "from_log": "second.csv"}  # s

    (doubt,) = examined(late(slice(0, None), 0.012)).doubts
    assert (doubt.cause, set(doubt.corners)) == ("late", set(CORNERS))
    assert examined(second_logger).doubts == ()


def test_exchanged_brake_lines_are_named() -> None:
    def spoil(raw: xr.Dataset) -> None:
        of = raw["brake_pressure"]
        of[:] = of.sel(corner=["RL", "RR", "FL", "FR"]).to_numpy()

    doubts = examined(spoil).doubts
    assert doubts
    assert doubts[0].cause == "exchanged" or "exchanged (brake" in doubts[0].do


@pytest.mark.parametrize(("column", "at"), [("front", slice(0, 2)), ("rear", slice(2, 4))])
def test_one_brake_line_in_psi_is_named_alone(column: str, at: slice) -> None:
    def spoil(raw: xr.Dataset) -> None:
        raw["brake_pressure"][:, at] *= 14.50377  # psi, read as bar

    doubt = examined(spoil).doubts[0]
    assert (doubt.cause, doubt.channels) == ("other unit", (f"brake_pressure_{column}",))
    assert f"brake_pressure_{column} = {{ factor = 0.0689476 }}" in doubt.do


def test_travel_of_a_lone_corner_is_held_against_its_load() -> None:
    """Even without other channels the spring shows the sign of travel."""
    raw = day().log.copy(deep=True)
    raw["travel"].loc[{"corner": "FL"}] *= -1.0
    with unwarned():
        log = condition(raw, day().car, day().tares)
        view = view_of(prepare(day().calibration, day().car, log), log)
    sizes = {term.place: term.size for term in loads_agree(view) if "travel" in term.name}
    assert sizes["FL"] > LIMIT
    assert all(sizes[corner] < 0.5 * LIMIT for corner in ("FR", "RL", "RR"))


def test_a_brake_is_judged_by_the_uncertainty_that_the_file_states() -> None:
    """A torque that is 60 % off contradicts 5 %, and not half of it."""
    found = []
    for share in (0.05, 0.5):
        corners = {
            name: replace(
                corner,
                brake=replace(
                    corner.brake,
                    torque_per_pressure=0.4 * corner.brake.torque_per_pressure,
                    u_torque_per_pressure=share * 0.4 * corner.brake.torque_per_pressure,
                ),
            )
            for name, corner in day().car.corners.items()
        }
        car = replace(day().car, corners=corners)
        with unwarned():
            view = view_of(prepare(day().calibration, car, day().conditioned), day().conditioned)
        terms = [t for t in loads_agree(view) if t.name.startswith("Fx of the FL tyre")]
        found.append([term.contradicts for term in terms])
    assert found == [[True], [False]]


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_sign_that_only_sums_of_forces_contradict_is_named() -> None:
    """Without yaw rate, roll and pitch no other channel shows which way the car leans."""

    def spoil(raw: xr.Dataset) -> None:
        for name in ("yaw_rate", "roll", "pitch", "wheel_speed", "hub_acceleration"):
            del raw[name]
        raw["acceleration"][:, 1] *= -1.0

    (doubt,) = examined(spoil).doubts
    assert (doubt.cause, doubt.channels) == ("inverted", ("acceleration_y",))
    assert doubt.probability > 0.95


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.slow(3)
def test_a_body_that_leans_on_soft_tyres_is_no_wrong_roll_where_no_acceleration_is_logged() -> None:
    """Travels show less than roll by what the tyres give, which roll itself tells roughly."""

    def spoil(raw: xr.Dataset, factor: float) -> None:
        for name in ("acceleration", "hub_acceleration", "pitch"):
            del raw[name]
        raw["travel"][:] = factor * raw["travel"]

    assert examined(partial(spoil, factor=0.75)).doubts == ()
    (doubt,) = examined(partial(spoil, factor=-1.0)).doubts
    assert doubt.cause == "inverted"
