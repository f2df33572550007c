"""Pull sheets of wheels that hang: pads below them, stops, and the other wheel of a tied axle."""

import warnings
from dataclasses import replace

import pytest

from recon.base.errors import DataWarning
from recon.car.vehicle import Attachment, Axle, Support
from recon.records.pulls import read_pulls
from tests.small_car import small_car
from tests.written_pulls import save, sheet


def hanging(pad_z, travel):
    """Pad loads on the small car's wheel at a travel [mm]."""
    rows = sheet()
    for row in rows:
        row |= {"travel [mm]": travel, "pad_x [mm]": "0", "pad_y [mm]": "700"}
        row["partner_travel [mm]"] = travel
        row |= {"pad_z [mm]": pad_z, "pad_load [kg]": "40" if row["phase"] != "tare" else ""}
    return rows


def test_the_ground_under_a_hanging_wheel_is_lower_by_its_travel(tmp_path):
    car = small_car()
    assert read_pulls(save(tmp_path, hanging("-80", "-80")), car).setting.travel[0] == -0.08
    told = r"line 3: pull 1 of FL has its pad at z = -80 mm and a travel of 0 mm, at which the tyre"
    with pytest.warns(DataWarning, match=told) as said:
        read_pulls(save(tmp_path, hanging("-80", "0")), car)
    assert len(said) == 1
    # Twin: a tyre gives way, and a floor is not level.
    assert read_pulls(save(tmp_path, hanging("-15", "0")), car).setting.travel[0] == 0.0


def test_a_pad_written_once_for_half_of_the_rise_is_not_odd(tmp_path):
    rows = hanging("-30", "-60")
    rows[2] |= {"travel [mm]": "0"}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_pulls(save(tmp_path, rows), small_car())


def tied_by(kind):
    """The small car with its two front wheels tied by a support of that kind."""
    car = small_car()
    at = [Attachment(f"{c}.upright", (0.0, 0.1, 0.3), 0.002) for c in ("FL", "FR")]
    return replace(car, axles={"front": Axle("front", (), (Support("bar", kind, *at),))})


@pytest.mark.parametrize(("held", "risen"), [(620.0, "12.5"), (505.0, "-31.0")])
def test_a_wheel_that_hung_on_its_stop_under_load_is_noted(tmp_path, held, risen):
    rows = [row | {"G3 [mV/V]": "0", "G4 [mV/V]": "0"} for row in hanging("-40", "-50")]
    rows[1] |= {"pad_load [kg]": f"{held / 9.80665}"}
    rows[2] |= {"pad_load [kg]": "200", "travel [mm]": risen}
    told = rf"line 3: pull 1 of FL does not lift the wheel with {held:.0f} N on the pad, but does"
    with pytest.warns(DataWarning, match=told):
        read_pulls(save(tmp_path, rows), tied_by("torsion"))
    # Twins: no bar shares the load; a wheel that rises with every load; one that never does.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_pulls(save(tmp_path, rows), tied_by("link"))
        read_pulls(
            save(tmp_path, [rows[0], rows[1] | {"travel [mm]": "-45"}, rows[2]]), tied_by("torsion")
        )
        read_pulls(save(tmp_path, rows[:2]), tied_by("torsion"))


def test_a_wheel_that_straps_left_on_its_stop_is_noted(tmp_path):
    other = {"G3 [mV/V]": "0", "G4 [mV/V]": "0", "partner_travel [mm]": "-50"}
    pad = [row | other | {"pull": "up"} for row in hanging("-40", "-50")]
    for row in pad[1:]:
        row |= {"strap_load [kgf]": "", "pad_load [kg]": "30", "travel [mm]": "-38"}
    straps = [
        row | other | {"pull": name, "travel [mm]": "-50"} for name in "abc" for row in sheet()
    ]
    for row in straps:
        if row["phase"] != "tare":
            row |= {"strap_load [kgf]": "150"}
    told = r"pulls a, b, c of FL do not move the wheel, .* a pad lifts it by 12 mm: it rested on"
    with pytest.warns(DataWarning, match=told):
        read_pulls(save(tmp_path, [*pad, *straps]), tied_by("torsion"))
    # Twins: one pull lowers the wheel; no bar shares the load; straps too slack to tell.
    lower = [*straps[:-1], straps[-1] | {"travel [mm]": "-54"}]
    slack = [row | ({"strap_load [kgf]": "90"} if row["phase"] != "tare" else {}) for row in straps]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_pulls(save(tmp_path, [*pad, *lower]), tied_by("torsion"))
        read_pulls(save(tmp_path, [*pad, *straps]), tied_by("link"))
        read_pulls(save(tmp_path, [*pad, *slack]), tied_by("torsion"))


@pytest.mark.parametrize(("partner", "notes"), [("", 1), ("-80", 0)])
def test_the_other_wheel_of_a_tied_axle_needs_a_travel_of_its_own(tmp_path, partner, notes):
    """The pulled wheel rises from -80 mm by 30 mm under the first load."""
    other = {"G3 [mV/V]": "0", "G4 [mV/V]": "0", "partner_travel [mm]": partner}
    rows = [row | other | {"travel [mm]": "-80"} for row in sheet()]
    rows[1]["travel [mm]"] = "-50"
    told = "line 2: partner_travel is not written in pulls of FL, whose travel changes by 30 mm"
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", DataWarning)
        read_pulls(save(tmp_path, rows), tied_by("torsion"))
    assert sum(told in str(w.message) for w in said) == notes
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", DataWarning)
        read_pulls(save(tmp_path, rows), small_car())  # no axle ties it
    assert not any("partner_travel" in str(w.message) for w in said)
