"""From the rows of a pull sheet to lines of action, wrenches and tared indications."""

from __future__ import annotations

import dataclasses
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DataWarning
from recon.calibration.applied import Pull, pulls_of
from recon.calibration.lines_of_action import Line, off_line, strap_line, swing_of
from recon.car.linkage import lone
from recon.mechanics.assembly import assembly_of
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import pose, rack_of_steer
from recon.mechanics.statics import member_matrix
from recon.records.sheets import PullSheet
from tests.days import exact
from tests.pull_sheets import rewritten

ATTACH = np.array([0.1, 0.7, 0.02])
ALONG = np.array([2.0, 1.0, 0.5]) / np.linalg.norm([2.0, 1.0, 0.5])
MARKS = ATTACH + 0.3 * ALONG, ATTACH + 1.4 * ALONG
U = (0.002, 0.003)  # m, attachment point and marks


def rows(sheet: PullSheet, chosen: np.ndarray, **changed: object) -> PullSheet:
    """The sheet with some columns changed in the chosen rows."""
    new = {}
    for name, value in changed.items():
        column = sheet.column(name).copy()
        column[chosen] = value
        new[name] = column
    return rewritten(sheet, **new)


def pull_named(sheet: PullSheet, name: str) -> Pull:
    car = exact().car
    return next(p for p in pulls_of(sheet, car, assembly_of(car, "FL"), "fit") if p.name == name)


def test_points_on_a_line_give_that_line() -> None:
    line = strap_line(ATTACH, *MARKS, *U)
    assert_allclose(line.direction, ALONG, rtol=0, atol=1e-14)  # rounding of double precision
    assert_allclose(line.point, ATTACH, rtol=0, atol=1e-14)  # the same
    axes = np.vstack([line.direction, line.across])
    assert_allclose(axes @ axes.T, np.eye(3), rtol=0, atol=1e-14)  # the same


@pytest.mark.parametrize(("u", "follows"), [((1e-6, 0.003), True), ((0.003, 1e-6), False)])
def test_best_line_trusts_the_better_point(u: tuple[float, float], follows: bool) -> None:
    """A sure attachment point holds the line; sure marks leave it aside."""
    aside = np.array([0.0, 0.0, 0.01])
    line = strap_line(ATTACH + aside, *MARKS, *u)
    # Weights of one to nine million: the better point is met to a millionth of 10 mm.
    assert (off_line(line.point, *MARKS) > 0.009) == follows
    if follows:
        distance = np.linalg.norm(np.cross(ATTACH + aside - line.point, line.direction))
        assert distance < 1e-7  # m
    else:
        assert_allclose(line.direction, ALONG, rtol=0, atol=1e-7)  # 1e-6 of 10 mm on 1 m


def test_covariance_of_the_line_against_monte_carlo() -> None:
    rng, n = np.random.default_rng(3), 4000
    line = strap_line(ATTACH, *MARKS, *U)
    seen = []
    for _ in range(n):
        noise = rng.standard_normal((3, 3)) * np.array([[U[0]], [U[1]], [U[1]]])
        drawn = strap_line(ATTACH + noise[0], MARKS[0] + noise[1], MARKS[1] + noise[2], *U)
        # Where the drawn line passes the plane across the true one at the attachment point.
        reach = ((ATTACH - drawn.point) @ ALONG) / (drawn.direction @ ALONG)
        offset = line.across @ (drawn.point + reach * drawn.direction - ATTACH)
        seen.append([*offset, *(line.across @ drawn.direction)])
    sample, scale = np.cov(np.array(seen).T), np.sqrt(np.diag(line.covariance))
    # Standard error of a variance is sqrt(2/n) = 2.2 % and of a correlation at most 1.6 %; four.
    assert_allclose(
        sample / np.outer(scale, scale), line.covariance / np.outer(scale, scale), rtol=0, atol=0.09
    )
    assert_allclose(np.mean(seen, axis=0) / scale, 0, atol=0.07)  # 1/sqrt(n), four times


@pytest.mark.parametrize("name", ["fore", "pad", "rim top inward"])
@pytest.mark.parametrize("held", ["brake", "half-shaft"])
def test_columns_are_wrench_and_its_derivatives(name: str, held: str) -> None:
    """Moving the line along each of its unsure parts changes the wrench as the columns say."""
    sheet = exact().pulls
    pull = pull_named(rows(sheet, sheet.pull == name, wheel_held_by=held), name)
    line, h = pull.lines[0], 1e-6
    moves = [(line.across[0], 0), (line.across[1], 0), (line.across[0], 1), (line.across[1], 1)]
    columns = pull.columns(line)
    for k, (way, turns) in enumerate(moves):
        both = []
        for sign in (1.0, -1.0):
            point = line.point + (0 if turns else sign * h) * way
            direction = line.direction + (sign * h if turns else 0) * way
            both.append(pull.columns(Line(point, direction, line.across, line.covariance))[:, 0])
        slope = (both[0] - both[1]) / (2 * h)
        assert_allclose(columns[:, 1 + k], slope, rtol=0, atol=1e-9)  # 1e-16 / 1e-6, per N or N m


def test_wrench_is_force_and_moment_about_the_hub_at_the_pose() -> None:
    """Statics by hand; travel and steer move the hub."""
    sheet, car = exact().pulls, exact().car
    moved = rows(sheet, sheet.pull == "fore", travel=0.02, steer=0.05)
    pull = pull_named(moved, "fore")
    rack = float(rack_of_steer(car, 0.05))
    at = pose(mechanism_of(lone(car.corners["FL"])), 0.02, rack)
    assert (pull.travel, pull.rack) == (pytest.approx(0.02), pytest.approx(rack))
    line = pull.lines[0]
    force = pull.load[0][:, None] * line.direction
    hub = at.wheels[0].hub
    expected = np.column_stack([force, np.cross(line.point - hub, force)])
    assert_allclose(pull.wrench(), expected, rtol=1e-12, atol=1e-9)  # rounding
    assert abs(hub[2] - pull_named(sheet, "fore").wheel.hub[2] - 0.02) < 1e-9  # m, Newton's end


def test_only_an_outboard_brake_passes_the_moment_about_the_spin_axis() -> None:
    sheet = exact().pulls
    car = exact().car
    held = pull_named(sheet, "fore")
    free = pull_named(rows(sheet, sheet.pull == "fore", wheel_held_by="half-shaft"), "fore")
    about = free.wrench()[:, 3:] @ free.wheel.spin
    assert_allclose(about, 0, atol=1e-9)  # N m, rounding of 900 N m
    lost = held.wrench()[:, 3:] @ held.wheel.spin
    assert np.min(np.abs(lost)) > 100  # N m; 600 N or more on nearly 0.28 m
    back = held.wrench()[:, 3:] - lost[:, None] * held.wheel.spin
    assert_allclose(free.wrench()[:, 3:], back, rtol=0, atol=1e-9)  # rounding
    corner = car.corners["FL"]
    inboard = dataclasses.replace(corner, brake=dataclasses.replace(corner.brake, place="inboard"))
    other = dataclasses.replace(car, corners={"FL": inboard})
    through_shaft = pulls_of(sheet, other, assembly_of(other, "FL"), "fit")[0]
    assert through_shaft.wrench()[:, 3:] @ through_shaft.wheel.spin == pytest.approx(0, abs=1e-9)


def test_devices_in_use_and_their_loads() -> None:
    sheet = exact().pulls
    both = pull_named(sheet, "outward on the pad")
    assert both.devices == ("strap", "pad")
    chosen = (sheet.pull == "outward on the pad") & (sheet.phase != "tare")
    assert np.array_equal(both.load, [sheet.strap.load[chosen], sheet.pad.load[chosen]])
    assert pull_named(sheet, "fore").devices == ("strap",)
    pad = pull_named(sheet, "pad")
    assert pad.devices == ("pad",)
    assert np.array_equal(pad.lines[0].direction, [0, 0, 1])
    loaded = (sheet.pull == "pad") & (sheet.phase != "tare")
    assert np.array_equal(pad.line_of_file, sheet.line[loaded])
    assert pad.falling.tolist() == [False] * 5 + [True] * 3


def test_a_written_direction_stands_for_the_marks() -> None:
    sheet = exact().pulls
    chosen = sheet.pull == "fore"
    away = np.array([1.0, 0.2, 0.1]) / np.linalg.norm([1.0, 0.2, 0.1])
    pull = pull_named(rows(sheet, chosen, direction=away, u_direction=0.02), "fore")
    # The mean of equal rows, to rounding.
    assert_allclose(pull.lines[0].direction, away, rtol=0, atol=1e-15)
    attach = sheet.strap.point[np.flatnonzero(chosen)[0]]
    assert_allclose(pull.lines[0].point, attach, rtol=0, atol=1e-15)
    assert_allclose(
        np.sqrt(np.diag(pull.lines[0].covariance)), [0.002, 0.002, 0.02, 0.02], rtol=1e-12
    )  # the stated figures


def test_tare_follows_time_within_the_pull() -> None:
    """A zero that drifts evenly between the two tares leaves nothing; its change is told."""
    sheet = exact().pulls
    chosen = sheet.pull == "fore"
    clock = sheet.clock[chosen] - sheet.clock[chosen][0]
    drift = np.linspace(0.2, 0.7, 6)  # mV/V each
    zeros = drift * (1 + clock[:, None] / clock[-1])
    clean = pull_named(sheet, "fore")
    pull = pull_named(
        rows(sheet, chosen, indication=sheet.indication[chosen] + zeros), "fore"
    )  # fmt: skip
    assert_allclose(pull.indication, clean.indication, rtol=0, atol=1e-12)  # rounding of 1 mV/V
    assert_allclose(pull.taring.change - clean.taring.change, drift, rtol=0, atol=1e-12)  # the same


def test_a_lone_tare_before_the_loads_is_enough() -> None:
    sheet = exact().pulls
    chosen = np.flatnonzero(sheet.pull == "fore")
    pull = pull_named(rows(sheet, chosen[-1:], phase="falling", strap_load=100.0), "fore")
    first = sheet.indication[chosen[0]]
    assert_allclose(pull.indication, sheet.indication[chosen[1:]] - first, rtol=0, atol=1e-15)
    assert np.all(pull.taring.change == 0)


@pytest.mark.parametrize("where", [0, slice(None)])
def test_a_missing_tare_is_told_by_pull_and_line(where: object) -> None:
    """No tare before the loads (one after them is not enough), or none at all."""
    sheet = exact().pulls
    tares = np.flatnonzero((sheet.pull == "aft") & (sheet.phase == "tare"))[where]
    spoiled = rows(sheet, tares, phase="rising", strap_load=50.0)
    with pytest.raises(DataError, match=r"line 12, corner FL, pull aft: no tare row"):
        pull_named(spoiled, "aft")


def test_an_attachment_far_off_the_strap_is_told_in_millimetres() -> None:
    sheet = exact().pulls
    chosen = sheet.pull == "outward"
    spoiled = rows(sheet, chosen, attach=sheet.strap.point[chosen] + [0.06, 0, 0])
    with pytest.warns(DataWarning, match=r"line 23.*pull outward.*lies 59 mm off.*than 25 mm"):
        pull_named(spoiled, "outward")


def test_distance_from_the_line_through_the_marks() -> None:
    assert off_line(ATTACH, *MARKS) == pytest.approx(0, abs=1e-15)
    aside = np.cross(ALONG, [0, 0, 1.0])
    aside = aside / np.linalg.norm(aside)
    assert off_line(ATTACH + 0.01 * aside + 0.2 * ALONG, *MARKS) == pytest.approx(0.01, rel=1e-12)


def test_a_lone_wheel_that_rises_in_a_pull_is_followed() -> None:
    """At the travel of each step, loads are those of the geometry there; 20 mm are not nothing."""
    sheet, car = exact().pulls, exact().car
    chosen = np.flatnonzero((sheet.pull == "fore") & (sheet.phase != "tare"))
    along = sheet.strap.mark2[chosen[0]] - sheet.strap.mark1[chosen[0]]  # of a strap that stays so
    tared = rows(sheet, sheet.pull == "fore", travel=0.0, direction=along / np.linalg.norm(along))
    risen = rows(tared, chosen[-1:], travel=0.02)
    still, pull = pull_named(tared, "fore"), pull_named(risen, "fore")
    assert np.all(still.moved == 0.0)
    mechanism = mechanism_of(lone(car.corners["FL"]))
    wrench = pull.wrench()[-1]
    here, mean = (
        member_matrix(pose(mechanism, travel, 0.0))[:, :6] for travel in (0.02, 0.02 / len(chosen))
    )
    # Strap and wheel's weight turn with the wheel too: less than a third of the change, by hand.
    turned = (here - mean) @ wrench
    assert np.linalg.norm(pull.moved[-1] - turned) < np.linalg.norm(turned)
    assert np.linalg.norm(turned) > 1.0  # N; twin: links that turn carry other loads


def test_a_strap_that_swings_within_a_pull_pulls_as_its_rows_say() -> None:
    """The far end stays, the wheel rises by 40 mm: 1.5 degrees, and 2.6 % of the load upwards."""
    sheet, car = exact().pulls, exact().car
    corner = replace(car.corners["FL"], bush_rate=0.0)  # twisted bushes have tests of their own
    car = replace(car, corners={**car.corners, "FL": corner})
    loaded = np.flatnonzero((sheet.pull == "fore") & (sheet.phase != "tare"))
    rise = 0.04 * sheet.strap.load[loaded] / sheet.strap.load[loaded].max()
    travel = sheet.setting.travel.copy()
    travel[loaded] = rise
    attach, mark1, mark2 = (
        of.copy() for of in (sheet.strap.point, sheet.strap.mark1, sheet.strap.mark2)
    )
    mechanism = mechanism_of(lone(corner))
    at = pose(mechanism, rise[:, None], 0.0)
    mean = pose(mechanism, rise.mean(), 0.0)
    turn = at.rotation[:, mechanism.wheels[0].body] @ mean.rotation[mechanism.wheels[0].body].T
    end = at.wheels[0].hub + turn @ (attach[loaded[0]] - mean.wheels[0].hub)
    along = attach[loaded[0]] + [1.5, 0.0, 0.0] - end
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    attach[loaded], mark1[loaded], mark2[loaded] = end, end + 0.25 * along, end + 1.25 * along
    written = {"attach": attach, "mark1": mark1, "mark2": mark2, "travel": travel}
    every = pulls_of(rewritten(sheet, **written), car, assembly_of(car, "FL"), "fit")
    pull = next(p for p in every if p.name == "fore")
    force = pull.load[0][:, None] * along
    wrench = np.hstack([force, np.cross(end - at.wheels[0].hub, force)])
    expected = np.einsum("smi,si->sm", member_matrix(at)[..., :6], wrench)
    found = pull.loads(pull.wrench())
    tare = member_matrix(pose(mechanism, sheet.setting.travel[loaded[0] - 1], 0.0))[:, :6]
    heavy = -corner.unsprung_mass * 9.80665
    weight = heavy * (member_matrix(at)[..., 2] - tare[:, 2])
    # N of 6700: the line over travel leaves this.
    assert_allclose(found, expected + weight, rtol=0, atol=6.0)


def test_a_strap_that_is_written_once_swings_about_its_far_mark() -> None:
    sheet = exact().pulls
    loaded = np.flatnonzero((sheet.pull == "fore") & (sheet.phase != "tare"))
    end = np.tile(sheet.strap.point[loaded[0]], (len(loaded), 1))
    end[:, 2] += np.linspace(-0.02, 0.02, len(loaded))
    far = sheet.strap.mark2[loaded[0]]
    swing = swing_of(sheet.strap, loaded, end[:, 2], end)
    reach = np.linalg.norm(far - end, axis=1)
    assert_allclose(swing[:, 2], -(end[:, 2] - end[:, 2].mean()) / reach, atol=2e-4)  # cosines
    stays = replace(sheet.strap, direction=np.tile(swing[0] + [1.0, 0, 0], (len(sheet.pull), 1)))
    assert_allclose(swing_of(stays, loaded, end[:, 2], end), 0.0, atol=1e-12)  # rounding


def test_points_that_change_within_a_pull_are_those_of_their_rows() -> None:
    """A pad row by row: loads at every step are those of a vertical force at its own point."""
    sheet, car = exact().pulls, exact().car
    name = next(
        p
        for p in np.unique(sheet.pull)
        if np.all(np.nan_to_num(sheet.strap.load[sheet.pull == p]) == 0)
    )
    loaded = np.flatnonzero((sheet.corner == "FL") & (sheet.pull == name) & (sheet.phase != "tare"))
    point = sheet.pad.point.copy()
    point[loaded, 1] += np.linspace(0.0, 0.012, len(loaded))  # m, outwards under the load
    travel = np.where(np.isin(np.arange(len(sheet.pull)), loaded), 0.01, sheet.setting.travel)
    travel[loaded[-1]] += 0.02
    corner = replace(car.corners["FL"], bush_rate=0.0)  # twisted bushes have tests of their own
    car = replace(car, corners={**car.corners, "FL": corner})
    moved = rewritten(sheet, pad=point, travel=travel)
    pull = next(p for p in pulls_of(moved, car, assembly_of(car, "FL"), "fit") if p.name == name)
    mechanism = mechanism_of(lone(corner))
    at = pose(
        mechanism, np.append(travel[loaded], sheet.setting.travel[loaded[0] - 1])[:, None], 0.0
    )
    force = pull.load[0][:, None] * [0.0, 0.0, 1.0]
    moment = np.cross(point[loaded] - at.wheels[0].hub[:-1], force)
    if not pull.wheel.turns_hub:
        moment -= np.outer(moment @ pull.wheel.spin, pull.wheel.spin)
    members = member_matrix(at)[..., :6]
    weight = -corner.unsprung_mass * 9.80665 * (members[:-1] - members[-1])[..., 2]
    expected = np.einsum("smi,si->sm", members[:-1], np.hstack([force, moment])) + weight
    # The spin axis is that of the mean pose: a few tenths of a newton of 3 kN.
    assert_allclose(pull.loads(pull.wrench()), expected, rtol=0, atol=1.0)
    assert np.max(np.abs(pull.lines[0].point - point[loaded[0]])) > 0.005  # twin: not the first row
