"""Masses and sizes of a whole car: what is refused and what is noted."""

import re
import warnings

import pytest

from recon.base.errors import VehicleError, VehicleWarning
from recon.records.vehicles import read_vehicle
from tests.example_car import VEHICLES


@pytest.fixture
def written(tmp_path):
    """Write the whole invented car with some of its text exchanged; return the file's name."""

    def write(*changes):
        text = (VEHICLES / "club_racer.toml").read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, f"the car holds no {old!r}"
            text = text.replace(old, new)
        path = tmp_path / "car.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def line_of(path, words):
    lines = path.read_text(encoding="utf-8").splitlines()
    return 1 + next(i for i, line in enumerate(lines) if line.startswith(words))


SPRING = '[[corner.FL.support]]\nname = "spring"\nkind = "spring"\n'
CENTRE = "centre_of_mass_mm = [-1290, 0, 430]"


@pytest.mark.parametrize("x", [1290, 30, -2600])
def test_a_centre_of_mass_outside_the_axles(written, x):
    path = written((CENTRE, f"centre_of_mass_mm = [{x}, 0, 430]"))
    line = line_of(path, "centre_of_mass_mm")
    told = (
        f"car\\.toml, line {line}: mass: centre of mass at x = {x} mm; need .* at -2400 mm .* 0 mm"
    )
    with pytest.raises(VehicleError, match=told):
        read_vehicle(path)


@pytest.mark.parametrize("unit", [("-129, 0, 43", "43"), ("-1.29, 0, 0.43", "0.43")])
def test_a_centre_of_mass_in_another_unit_is_refused(written, unit):
    """It would be noticed on the drive only, and there looks like wrong travels."""
    text, height = unit
    path = written((CENTRE, f"centre_of_mass_mm = [{text}]"))
    found = rf"line {line_of(path, 'centre_of_mass_mm')}: mass: centre of mass at z = {height} mm"
    with pytest.raises(VehicleError, match=rf"{found}; need a height .* more than 50 mm"):
        read_vehicle(path)


def test_a_centre_of_mass_ahead_of_a_front_axle_that_is_not_described(written):
    path = written((CENTRE, "centre_of_mass_mm = [1290, 0, 430]"))
    text = path.read_text(encoding="utf-8")
    rear = text.index("[corner.RL]")
    front = text.index("[corner.FL]")
    path.write_text(text[:front] + text[rear:], encoding="utf-8")
    told = "at x = 1290 mm; need x between the rear wheels at -2400 mm and the front axle at 0 mm"
    with pytest.raises(VehicleError, match=told):
        read_vehicle(path)


def test_wheels_heavier_than_the_car(written):
    path = written(("total_kg = 742", "total_kg = 105"))
    told = "line 10: mass: unsprung masses of 105 kg at FL, FR, RL, RR in a car of 105 kg"
    with pytest.raises(VehicleError, match=told):
        read_vehicle(path)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("total_kg = 742", "total_kg = 250", "are 42 % of 250 kg, usually 7 to 19 %. Is unsprung"),
        (
            "total_kg = 742",
            "total_kg = 1636",
            "6.4 % of 1636 kg, usually 7 to 19 %. Is total_kg in kg (1636 lb would be 742 kg)",
        ),
        (CENTRE, "centre_of_mass_mm = [-1290, 0, 75]", "centre of mass 75 mm, usually 150 to"),
        (CENTRE, "centre_of_mass_mm = [-1290, 0, 1300]", "centre of mass 1300 mm, usually 150 to"),
    ],
)
def test_unusual_masses_are_noted(written, old, new, told):
    path = written((old, new))
    with pytest.warns(VehicleWarning, match=re.escape(told)) as noted:
        car = read_vehicle(path)
    assert len(noted) == 1
    assert f"{path}, line " in str(noted[0].message)
    assert len(car.corners) == 4


FRONT, REAR = ("unsprung_mass_kg = 24.5", "unsprung_mass_kg = 28.0")


@pytest.mark.parametrize(
    ("pounds", "share", "told"),
    [({FRONT: 54, REAR: 62}, 31, "RL in kg (62"), ({FRONT: 54}, 22, "FL in kg (54")],
)
def test_unsprung_masses_in_pounds_are_noted(written, pounds, share, told):
    path = written(("total_kg", "total_kg"))
    text = path.read_text("utf-8")
    for old, new in pounds.items():
        text = text.replace(old, f"unsprung_mass_kg = {new}")
    path.write_text(text)
    told = (
        f"are {share} % of 742 kg, usually 7 to 19 %. Is unsprung_mass_kg of {told} lb would be 2"
    )
    with pytest.warns(VehicleWarning, match=re.escape(told)):
        read_vehicle(path)


def test_one_wheel_in_pounds_is_noted(tmp_path):
    text = (VEHICLES / "case_car.toml").read_text("utf-8")
    path = tmp_path / "car.toml"
    path.write_text(text.replace("unsprung_mass_kg = 33.13", "unsprung_mass_kg = 73.04", 1))
    told = (
        r"car\.toml, line 33: corner FL: unsprung_mass_kg is 73\.04, 2\.2 times that of FR, "
        r"33\.13\. Are both in kg \(73\.04 lb would be 33\.1 kg\)"
    )
    with pytest.warns(VehicleWarning, match=told):
        read_vehicle(path)


@pytest.mark.parametrize("droop", ["-5", "50"])
def test_a_wheel_that_hangs_far_above_its_travel_is_noted(written, droop):
    path = written(("droop_travel_mm = -50", f"droop_travel_mm = {droop}"))
    line = line_of(path, "droop_travel_mm")
    told = f"line {line}: corner FL: the hanging wheel is at {droop} mm, but travel_mm goes down to"
    with pytest.warns(VehicleWarning, match=re.escape(told)):
        read_vehicle(path)


def test_a_range_for_pulls_without_dampers_is_not_odd(written):
    path = written(("travel_mm = [-60, 60]", "travel_mm = [-95, 60]"))
    with warnings.catch_warnings():
        warnings.simplefilter("error", VehicleWarning)
        assert read_vehicle(path).corners["FL"].travel_range[0] == -0.095


def test_a_spring_in_another_unit_is_noted(written):
    path = written((SPRING, f"{SPRING}rate_N_per_mm = 26000\n"))
    told = "spring of 26000 N/mm gives way by 0.07 mm under a quarter of the car, usually by 2 to"
    with pytest.warns(VehicleWarning, match=re.escape(told)):
        read_vehicle(path)


@pytest.mark.parametrize("factor", ["207", "20.9", "0.209"])
def test_a_gauge_factor_of_no_kind_of_gauge_is_noted(written, factor):
    path = written(("gauge_factor = 2.09", f"gauge_factor = {factor}"))
    line = line_of(path, "gauge_factor")
    told = f"line {line}: corner FL: FL_upper_front (and 21 more) has a gauge factor of {factor}, "
    with pytest.warns(VehicleWarning, match=re.escape(told)) as noted:
        read_vehicle(path)
    assert len(noted) == 1


@pytest.mark.parametrize("factor", ["2.2", "130"])
def test_gauges_of_foil_and_of_semiconductor_are_usual(written, factor):
    read_vehicle(written(("gauge_factor = 2.09", f"gauge_factor = {factor}")))  # a note is an error


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("bush_rate_N_per_mm = 0.48", "bush_rate_N_per_mm = 480", "corner FL: bush_rate_N_per_mm"),
        ("toe_in_deg = -0.1", "toe_in_deg = -10", "corner FL: toe_in_deg"),
        ("camber_deg = -1.8", "camber_deg = -18", "corner FL: camber_deg"),
        ("rack_mm_per_turn = 52", "rack_mm_per_turn = 5.2", "steering: rack_mm_per_turn"),
        ("bench_slope_per_kN = 0.052", "bench_slope_per_kN = 0.000052", "corner RL: bench_slope_"),
    ],
)
def test_a_number_that_is_usual_in_another_unit_is_noted(written, old, new, told):
    path = written((old, new))
    key, value = (part.strip() for part in new.split("="))
    line = line_of(path, new)
    with pytest.warns(VehicleWarning) as noted:
        read_vehicle(path)
    words = [
        str(w.message) for w in noted if f"{key} = {float(value):g}, usually" in str(w.message)
    ]
    assert len(words) == 1  # once, not for each wheel
    assert f"line {line}: {told}" in words[0]


def test_unusual_sizes_are_noted(written):
    """Every y and x of the points and masses tripled: no such car stands on a road."""

    def threefold(match):
        x, y, z = (float(n) for n in match[2].split(","))
        return f"{match[1]}[{3 * x:g}, {3 * y:g}, {z:g}]"

    path = written()
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"((?:point|centre)_mm = |centre_of_mass_mm = )\[(.*?)\]", threefold, text)
    path.write_text(text, encoding="utf-8")
    with pytest.warns(VehicleWarning) as noted:
        read_vehicle(path)
    words = [str(w.message) for w in noted]
    assert any("wheelbase 7200 mm, usually 1000 to 5000 mm" in w for w in words)
    for corner in ("FL", "FR", "RL", "RR"):
        assert any(f"{corner}: wheel centre beside the middle of the car" in w for w in words)


def test_shipped_cars_are_usual():
    for name in ("club_racer.toml", "case_car.toml"):
        read_vehicle(VEHICLES / name)  # a note would be an error here


FRONT_ALONE = "u_total_kg = 2\n"


def test_a_stated_wheelbase_is_that_of_the_wheels(written):
    path = written((FRONT_ALONE, f"{FRONT_ALONE}wheelbase_mm = 2100\n"))
    line = line_of(path, "wheelbase_mm")
    told = (
        f"line {line}: mass: wheelbase_mm = 2100, but the wheel centres are 2400 mm apart; need "
        "the two within 30 mm"
    )
    with pytest.raises(VehicleError, match=told):
        read_vehicle(path)
    same = written((FRONT_ALONE, f"{FRONT_ALONE}wheelbase_mm = 2410\n"))
    assert read_vehicle(same).wheelbase == pytest.approx(2.4)


@pytest.mark.parametrize(
    ("wheelbase", "told"),
    [
        (1280, "centre of mass at x = -1290 mm; need x between the rear wheels at -1280 mm and"),
        (5100, "wheelbase 5100 mm, usually 1000 to 5000 mm"),
    ],
)
def test_the_wheelbase_of_a_front_axle_alone(written, wheelbase, told):
    path = written((FRONT_ALONE, f"{FRONT_ALONE}wheelbase_mm = {wheelbase}\n"))
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: text.index("[corner.RL]")], encoding="utf-8")
    if wheelbase < 1290:
        with pytest.raises(VehicleError, match=told):
            read_vehicle(path)
    else:
        with pytest.warns(VehicleWarning, match=told):
            assert read_vehicle(path).wheelbase == pytest.approx(5.1)
