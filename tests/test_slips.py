"""Slips of the pen in one point of a vehicle file are named; the shipped cars have none."""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import pytest

from recon.base.errors import ReconError, VehicleWarning
from recon.records.vehicles import read_vehicle
from tests.example_car import VEHICLES

CLUB, CASE = "club_racer", "case_car"


def said_of(folder: Path, file: str, old: str, new: str) -> list[str]:
    """Warnings about a shipped car in which one text is exchanged."""
    text = (VEHICLES / f"{file}.toml").read_text(encoding="utf-8")
    assert text.count(old) >= 1, f"the car holds no {old!r}"
    path = folder / "car.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", VehicleWarning)
        read_vehicle(path)
    return [str(w.message) for w in said]


@pytest.mark.parametrize("file", [path.stem for path in sorted(VEHICLES.glob("*.toml"))])
def test_the_shipped_cars_have_no_slip(file: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", VehicleWarning)
        read_vehicle(VEHICLES / f"{file}.toml")


UPPER = 'inner = { on = "chassis", point_mm = [110, 340, 388]'


@pytest.mark.parametrize(
    ("point", "odd", "slip", "right"),
    [
        ("[11, 34, 38.8]", "y = 34 mm, z = 38.8 mm", "a tenth", "y = 340 mm, z = 388 mm"),
        ("[110, 34, 388]", "y = 34 mm", "a tenth", "y = 340 mm"),
        ("[110, 340, -388]", "z = -388 mm", "a turned sign", "z = 388 mm"),
        ("[1100, 340, 388]", "x = 1100 mm", "ten times too much", "x = 110 mm"),
    ],
)
def test_a_slip_is_named_with_what_would_fit(
    point: str, odd: str, slip: str, right: str, tmp_path: Path
) -> None:
    said = said_of(tmp_path, CLUB, UPPER, UPPER.replace("[110, 340, 388]", point))
    told = re.compile(
        rf"car\.toml, line \d+: FL, upper_front, inner point: {re.escape(odd)}, where the other "
        rf"points on chassis have .* mm\. Is it {re.escape(slip)}.*\? {re.escape(right)} would fit"
    )
    assert any(told.search(text) for text in said), said


def test_an_arm_without_a_base_is_named(tmp_path: Path) -> None:
    said = said_of(tmp_path, CLUB, UPPER, UPPER.replace("[110,", "[-110,"))
    told = (
        "FL, upper_front, inner point: x = -110 mm, beside upper_rear, inner point at x = -135 mm"
    )
    assert any(told in text for text in said), said


def test_sides_that_differ_by_a_slip_are_named(tmp_path: Path) -> None:
    text = (VEHICLES / f"{CASE}.toml").read_text(encoding="utf-8")
    found = re.search(r"(?s)corner\.FL\.support\]\].*?inner = \{[^}]*point_mm = \[([^\]]*)\]", text)
    assert found
    x, y, z = found[1].split(", ")
    said = said_of(tmp_path, CASE, f"[{found[1]}]", f"[{-float(x):g}, {y}, {z}]")
    told = re.compile(
        rf"FL, \w+, inner point: x = {-float(x):g} mm, .* but x = .* mirrored from the"
    )
    assert any(told.search(text) for text in said), said


def test_sides_that_differ_by_decimetres_are_named_without_a_usual_slip(tmp_path: Path) -> None:
    text = (VEHICLES / f"{CASE}.toml").read_text(encoding="utf-8")
    point = re.search(
        r"corner\.FL\.support\]\].*?outer = \{[^}]*point_mm = \[([^\]]*)\]", text, re.S
    )
    assert point
    x, y, z = point[1].split(", ")
    said = said_of(tmp_path, CASE, f"[{point[1]}]", f"[{x}, {float(y) + 360:g}, {z}]")
    told = re.compile(rf"FL, \w+, outer point: x = .*y = {float(y) + 360:g} mm, .* 3\d\d mm apart")
    assert any(told.search(text) for text in said), said


@pytest.mark.parametrize(("off", "noted"), [(50.0, True), (53.7, False), (20.0, False)])
def test_sides_that_differ_by_one_digit_are_named(tmp_path: Path, off: float, noted: bool) -> None:
    """A written 330 for 380; other differences of that size are those of two real sides."""
    text = (VEHICLES / f"{CASE}.toml").read_text(encoding="utf-8")
    inner = r"(?s)corner\.{}\.support\]\].*?inner = \{{[^}}]*point_mm = \[([^\]]*)\]"
    left, right = (re.search(inner.format(corner), text) for corner in ("FL", "FR"))
    assert left
    assert right
    x, _, z = right[1].split(", ")
    y = -float(right[1].split(", ")[1])
    said = said_of(tmp_path, CASE, f"[{left[1]}]", f"[{x}, {y - off:g}, {z}]")
    told = re.compile(
        rf"FL, \w+, inner point: .*y = {y - off:g} mm, .* {off:.0f} mm apart: a digit"
    )
    assert any(told.search(text) for text in said) == noted, said


def test_most_slips_in_any_point_of_a_corner_are_noticed(tmp_path: Path) -> None:
    """What is left are points whose place nothing else in the file fixes."""
    text = (VEHICLES / f"{CLUB}.toml").read_text(encoding="utf-8")
    noticed, tried = 0, 0
    for place in re.finditer(r"point_mm = \[ *([-\d.]+), *([-\d.]+), *([-\d.]+)\]", text):
        numbers = [float(place[i]) for i in (1, 2, 3)]
        every = [
            [0.1 * v for v in numbers],
            [numbers[0], -numbers[1], numbers[2]],
            [numbers[0], numbers[1], 0.1 * numbers[2]],
        ]
        for other in every:
            new = f"point_mm = [{', '.join(f'{v:g}' for v in other)}]"
            tried += 1
            try:
                noticed += bool(said_of(tmp_path, CLUB, place[0], new))
            except ReconError:
                noticed += 1
    assert tried > 60
    assert noticed >= 0.85 * tried


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        (
            "anti_roll_bar",
            '"bar_left", point_mm = [55, 560, 215]',
            '"bar_left", point_mm = [5.5, 56, 21.5]',
            "front, drop_link_left, inner point: x = 5.5 mm, y = 56 mm, z = 21.5 mm, but x = "
            "55 mm, y = 560 mm, z = 215 mm mirrored from drop_link_right, inner point. Is one of "
            "them a tenth",
        ),
        (
            "anti_roll_bar",
            '"FL.upright", point_mm = [40, 640, 330]',
            '"FL.upright", point_mm = [4, 64, 33]',
            "front, drop_link_left, outer point: y = 64 mm, z = 33 mm, where the other points on "
            "FL.upright have y = 650 to 676 mm. Is it a tenth",
        ),
        (
            "solid_axle",
            "[-2600, 440, 345]",
            "[-260, 44, 34.5]",
            "rear, cross_link, inner point: x = -260 mm, z = 34.5 mm, where the other points on "
            "chassis",
        ),
    ],
)
def test_slips_in_what_ties_two_wheels_are_named(
    file: str, old: str, new: str, told: str, tmp_path: Path
) -> None:
    said = said_of(tmp_path, file, old, new)
    assert len(said) == 1
    assert told in said[0]
