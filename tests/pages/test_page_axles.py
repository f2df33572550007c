"""Axles, largest forces, lines in brief and the way back to the pulls, on a page."""

from __future__ import annotations

import re

import numpy as np
import pytest
import xarray as xr

from recon.analysis.braking import braking
from recon.answers import BY_NAME
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.sections.wheel_lifts import LIGHT, OFF
from recon.pages.brief import brief, lifted, locked, unused
from recon.pages.interval_causes import causes_over_time
from recon.pages.peaks import BANDWIDTH, largest_forces
from recon.pages.shown_answers import Shown
from recon.pages.story import facts
from recon.reconstruction.result.signed_errors import signed_errors
from tests.days import day
from tests.made_car import G, MadeCar
from tests.pages.browser import Opened

AXLE = """([name, at]) => Axles.rows(Strips.current()).find((one) => one.name === name)
  .forces.map((force) => [force.value(at), ...force.limits(at)])"""


@pytest.mark.parametrize(("axle", "left"), [("front", 0), ("rear", 2)])
def test_an_axle_is_the_sum_of_its_tyres_with_shared_errors(
    drive: Opened, axle: str, left: int
) -> None:
    forces = day().forces
    for at in (431, 700, 1203):
        found = np.array(drive.ask(AXLE, [axle, at]), dtype=float)
        both = slice(left, left + 2)
        value = forces["tyre_force"].to_numpy()[at, both].sum(axis=0)
        fixed = signed_errors(forces, np.array([at]), "tyre")[:, 0, both].sum(axis=1)
        noise = forces["u_tyre_force_random"].to_numpy()[at, both].astype(float)
        half = COVERAGE_FACTOR * np.sqrt(np.sum(fixed**2, axis=0) + np.sum(noise**2, axis=0))
        steps = [
            float(drive.ask("(n) => State.heads('force', n)[0].step", f"FL.{x}")) for x in "xyz"
        ]
        np.testing.assert_allclose(found[:, 0], value, atol=2 * max(steps))
        # widths are rounded to 2 N for each tyre, correlations interpolated
        np.testing.assert_allclose((found[:, 2] - found[:, 1]) / 2, half, rtol=0.03, atol=2.0)


def test_largest_forces_are_found_at_their_place_with_their_interval() -> None:
    forces = day().forces
    peaks = {(p.of, p.way): p for p in largest_forces(forces)}
    left = peaks["front axle", "to the left"]
    time = forces["elapsed_time"].to_numpy()
    at = int(np.argmin(np.abs(time - left.time)))
    around = slice(max(at - 3, 0), at + 4)
    lateral = forces["tyre_force"].to_numpy()[:, :2, 1].sum(axis=1)
    u = forces["u_tyre_force"].to_numpy()[at, :2, 1].astype(float)
    assert left.size == pytest.approx(float(lateral[around].mean()), abs=float(u.max()))
    assert left.size <= float(lateral.max()) + u.max()
    # noise is smaller at the low bandwidth, what the tyres share is not
    assert 0.4 * np.hypot(*u) < left.half / COVERAGE_FACTOR < 1.05 * np.hypot(*u)
    alone = largest_forces(forces.sel(corner=["RR"]).assign(partner=("corner", [-1])))
    assert {p.of for p in alone} == {"RR"}
    assert float(forces.attrs["bandwidth_Hz"]) > BANDWIDTH


def test_wheels_off_the_ground_are_counted_and_the_longest_named() -> None:
    forces = day().forces
    times = {"start": [1.0, 2.0, np.nan, 3.0], "end": [1.05, 2.4, 0.2, 3.1]}
    lifts = {f"lift_{n}": ("lift", np.array(v)) for n, v in times.items()}
    lifts["lift_corner"] = ("lift", np.array(["FL", "RR", "FL", "FL"]))
    lifts["lift_kind"] = ("lift", np.array([OFF, OFF, LIGHT, OFF]))
    some = xr.Dataset(lifts)
    line = lifted(forces, some)
    assert line["words"].startswith("FL 2 times, RR once; once a wheel was so light")
    assert line["jumps"][0] == {"words": "RR for 0.40 s", "time": 2.0, "force": ""}
    none = lifted(forces, xr.Dataset())
    load = forces["tyre_force"].to_numpy()[:, :, 2]
    assert none["words"] == "None. Least load:"
    assert none["jumps"][0]["words"].startswith(f"{load.min():.0f} +-")
    blind = forces.copy(deep=True)
    blind["tyre_force"].values[:, 1, 2] = np.nan
    assert "Not known at FR" in lifted(blind, xr.Dataset())["words"]
    blind["tyre_force"].values[:, :, 2] = np.nan
    assert "Not known at FL, FR, RL, RR" in lifted(blind, xr.Dataset())["words"]


def test_a_wheel_that_locks_while_the_car_moves_is_named() -> None:
    forces = day().forces.copy(deep=True)
    forces["status"].values[:] &= ~np.uint16(BIT["wheel_locked"])
    forces["status"].values[400:450, 1] |= BIT["wheel_locked"]
    time = forces["elapsed_time"].to_numpy()
    (jump,) = locked(forces)["jumps"]
    assert jump["words"] == f"FR for {time[449] - time[400]:.2f} s"
    assert jump["time"] == pytest.approx(time[400], abs=1e-4)
    forces["speed"].values[:] = 0.0
    assert locked(forces)["jumps"] == []


def test_lines_in_brief_lead_to_their_parts(drive: Opened) -> None:
    links = drive.page.locator("#brief a")
    names = links.all_text_contents()
    for name in ("Sections", "Largest forces", "Not known", "Channels missing", "Calibration"):
        assert name in names
    for n in range(len(names)):
        target = str(links.nth(n).get_attribute("href"))
        assert drive.page.locator(target).count() == 1
    button = drive.page.locator("#brief button").first
    words = str(button.text_content())
    button.click()
    assert drive.ask("() => State.force") in ("front.y", "front.x", "rear.y", "rear.x")
    time = drive.ask("() => State.time[State.cursor]")
    assert time == pytest.approx(float(re.findall(r"([\d.]+)\ss$", words)[0]), abs=0.01)


def test_the_largest_force_of_the_window_is_that_of_the_series(drive: Opened) -> None:
    drive.ask("() => State.show(300, 900)")
    drive.ask("() => Reading.largest()")
    force = day().forces["tyre_force"].to_numpy()[300:901, 3, 1]
    cell = drive.page.locator("#peaks tbody tr").nth(3).locator("td").nth(1)
    found = [
        float(t.replace("\u2212", "-").split(" ")[0])
        for t in cell.locator("button").all_text_contents()
    ]
    step = drive.ask("() => State.heads('force', 'RR.y')[0].step")
    np.testing.assert_allclose(found, [force.max(), force.min()], atol=step + 0.5)


def test_a_number_leads_to_its_causes_and_back_to_the_pulls_by_click_and_by_key(
    drive: Opened,
) -> None:
    page = drive.page
    page.locator("#reading tbody tr").nth(2).locator("button").nth(2).click()
    assert page.locator("#why-force").input_value() == "RL.z"
    assert "Fz of RL" in drive.text("#chosen")
    page.focus("#strips")
    page.keyboard.press("o")
    assert drive.ask("() => document.activeElement.id") == "origin"
    chain = drive.text("#chain")
    for pull in day().calibration.corners["RL"].quality.pulls:
        assert pull.name in chain
    assert "front" not in chain.lower().replace("rl front", "")
    page.keyboard.press("w")
    assert drive.ask("() => document.activeElement.id") == "why"
    page.locator("#reading tbody tr").nth(4).locator("button").nth(1).click()
    assert "front axle adds Fy of FL and FR" in drive.text("#why-words")
    assert "Map of FR" in drive.text("#chain")


def test_what_is_not_known_and_not_logged_is_said_in_any_case() -> None:
    forces = day().forces
    why = causes_over_time(forces.isel(elapsed_time=slice(0, 200)))
    whole = facts(forces, why)
    assert whole["Not known"] == [
        "Nothing: all three forces of every tyre are known at every sample"
    ]
    less = forces.drop_vars("speed").copy(deep=True)
    less["tyre_force"].values[:141, 1] = np.nan
    share = 100 * 141 / forces.sizes["elapsed_time"]
    found = facts(less, why)
    assert found["Not known"] == [
        f"FR: {share:.3g} % of the samples (gaps, or a gauge without value)"
    ]
    assert "speed: not logged" in found["Channels missing"]
    less["status"].values[:141, 1] |= BIT["beyond_pose"]
    posed = facts(less, why)["Not known"]
    assert posed == [f"FR: {share:.3g} % of the samples (travel or steer beyond the stated range)"]
    assert "speed: not logged" not in whole["Channels missing"]
    wheel = facts(forces.rename(steer="steering_wheel_angle"), why)["Channels missing"]
    assert not [words for words in wheel if words.startswith("steer")]  # logged in another form


def test_a_click_pins_the_cursor_and_a_time_moves_it(drive: Opened) -> None:
    page = drive.page
    drive.ask("() => document.getElementById('strips').scrollIntoView()")
    box = page.locator("#strips").bounding_box()
    page.mouse.move(box["x"] + 300, box["y"] + 40)
    passed = drive.ask("() => State.cursor")
    page.mouse.move(box["x"] + 400, box["y"] + 40)
    assert drive.ask("() => State.cursor") > passed
    page.mouse.click(box["x"] + 500, box["y"] + 40)
    pinned = drive.ask("() => State.cursor")
    page.mouse.move(box["x"] + 200, box["y"] + 40)
    assert drive.ask("() => State.cursor") == pinned
    assert "pinned" in drive.text("#reading-name")
    page.fill("#time-at", "2.5")
    page.keyboard.press("Enter")
    assert drive.ask("() => State.time[State.cursor]") == pytest.approx(2.5, abs=0.006)
    page.focus("#strips")
    drive.ask("() => document.getElementById('strips').scrollIntoView()")
    page.keyboard.press("Escape")
    page.mouse.move(box["x"] + 250, box["y"] + 40)
    assert drive.ask("() => State.time[State.cursor]") != pytest.approx(2.5, abs=0.006)
    link = page.locator("#brief a", has_text="Channels missing")
    for _ in range(2):  # a second click leads there again
        drive.ask("() => window.scrollTo(0, 0)")
        link.click()
        assert drive.ask("() => document.activeElement.id") == "at-channels-missing"
        assert drive.ask("() => window.scrollY") > 0


@pytest.mark.parametrize(
    ("corners", "of"), [(("RL", "RR"), ", both tyres of an axle together"), (("RR",), "")]
)
def test_forces_of_a_lone_tyre_are_not_called_those_of_an_axle(
    corners: tuple[str, ...], of: str
) -> None:
    forces = day().forces.sel(corner=list(corners))
    limits = {"Channels missing": [], "Not known": []}
    lines = brief(forces, find_sections(forces), (), limits)
    (words,) = (line["words"] for line in lines if line["name"] == "Largest forces")
    assert words == f"at {BANDWIDTH:.0f} Hz{of}:"


@pytest.mark.parametrize("often", [4, 5])
def test_of_many_stops_those_that_left_most_unused_are_named(often: int) -> None:
    car = MadeCar(10.0)
    car.brake(2.0, 4.0, 0.9 * G, 0.8)
    car.brake(6.0, 8.0, 0.5 * G, 0.8)
    stops = braking(car.forces(), friction=1.0)
    many = stops.isel(stop=[0, 1] * often)
    found = unused([Shown(BY_NAME["braking"], many)])
    most = np.nanmax(stops["unused_force"].to_numpy(), axis=1)
    if often == 4:  # twin: all of a few, in their order
        assert "most in" not in found["words"]
        assert [j["time"] for j in found["jumps"][:2]] == pytest.approx([3.0, 7.0], abs=0.1)
    else:
        assert found["words"].endswith("most in these of 10 stops:")
        assert f" {most.max():.0f} +-" in found["jumps"][0]["words"]
    assert len(found["jumps"]) == 8
