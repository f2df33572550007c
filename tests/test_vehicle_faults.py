"""The vehicle file: what each fault says, and that it names file, line, key and value."""

import re
from functools import partial

import pytest

from recon.base.errors import VehicleError, VehicleWarning
from recon.records.vehicles import read_vehicle
from tests.example_car import EXAMPLE, MIRROR, write_example


@pytest.fixture
def written(tmp_path):
    """Write the example with some of its text exchanged; return the file's name."""
    return partial(write_example, tmp_path)


def line_of(path, words, nth=1):
    """Number of the nth line that begins with `words`."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [i for i, line in enumerate(lines, 1) if line.startswith(words)][nth - 1]


def refused(path):
    """Message of the refusal."""
    with pytest.raises(VehicleError, match=re.escape(str(path))) as caught:
        read_vehicle(path)
    assert caught.value.exit_code == 2
    return str(caught.value)


# --- files that are no vehicle files ----------------------------------------------------------


@pytest.mark.parametrize("path", ["https://example.org/car.toml", "file:///car.toml", "s3://a/b"])
def test_addresses_are_refused(path):
    with pytest.raises(VehicleError, match=re.escape(path) + ": a network address"):
        read_vehicle(path)


def test_missing_file_and_folder(tmp_path):
    path = tmp_path / "nowhere.toml"
    with pytest.raises(VehicleError, match=re.escape(str(path)) + ": no such file"):
        read_vehicle(path)
    with pytest.raises(VehicleError, match=re.escape(str(tmp_path)) + ": a folder"):
        read_vehicle(tmp_path)


def test_bytes_that_are_not_utf8(tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes(b'format = 1\nname = "Caf\xe9"\n')
    with pytest.raises(VehicleError, match=r"car\.toml, line 2: the byte 0xe9"):
        read_vehicle(path)


def test_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(EXAMPLE, encoding="utf-8-sig")
    assert read_vehicle(path).mass == 742


def test_not_toml(written):
    path = written(("driven = false", "driven = flase"))
    line = line_of(path, "driven")
    with pytest.raises(VehicleError, match=rf"car\.toml, line {line}, column 10: not TOML"):
        read_vehicle(path)


def test_newer_format(written):
    with pytest.raises(VehicleError, match=r"car\.toml: format = 2; need format = 1, the newest"):
        read_vehicle(written(("format = 1", "format = 2\nfuture = true")))


# --- faults of keys, types, ranges ------------------------------------------------------------

UPPER = 'outer = { on = "upright", point_mm = [-14, 640, 405] }'


@pytest.mark.parametrize(
    ("old", "new", "line", "told"),
    [
        ("format = 1", "format = 0", "format", "format: found 0; need 1"),
        (
            "driven",
            "drivn",
            "drivn",
            "corner.FL.drivn: found unknown key 'drivn'; need 'driven' (did",
        ),
        (
            "driven = false\n",
            "",
            "[corner.FL]",
            "corner.FL.driven: found no such key; need the key",
        ),
        (
            "total_kg = 742",
            "total_kg = -742",
            "total_kg",
            "mass.total_kg: found -742; need a number gr",
        ),
        (
            "total_kg = 742",
            "total_kg = nan",
            "total_kg",
            "mass.total_kg: found nan; need a finite num",
        ),
        (
            "total_kg = 742",
            'total_kg = "742"',
            "total_kg",
            "mass.total_kg: found '742'; need a number",
        ),
        (
            "total_kg = 742",
            "total_kg = true",
            "total_kg",
            "mass.total_kg: found True; need a number",
        ),
        (
            "total_kg = 742",
            "total_kg = inf",
            "total_kg",
            "mass.total_kg: found inf; need a finite num",
        ),
        ("driven = false", "driven = 0", "driven", "corner.FL.driven: found 0; need true or false"),
        (
            'name = "One front corner"',
            'name = ""',
            "name",
            "name: found ''; need a text that is not",
        ),
        ('name = "One front corner"', "name = 3", "name", "name: found 3; need a text in quotes"),
        (
            "[-60, 60]",
            "[60, -60]",
            "travel_mm",
            "corner.FL.travel_mm: found 60 before -60; need the l",
        ),
        ("[-60, 60]", "60", "travel_mm", "corner.FL.travel_mm: found 60; need a list in brackets"),
        (
            "[-40, 40]",
            "[40, 40]",
            "rack_mm",
            "steering.rack_mm: found 40 before 40; need the lower",
        ),
        ("[-60, 60]", "[-60, 0, 60]", "travel_mm", "corner.FL.travel_mm: found 3 entries; need 2"),
        (
            "[0, 710, 285]",
            "[0, 710]",
            "centre_mm",
            "corner.FL.wheel.centre_mm: found 2 entries; need",
        ),
        (
            "= -50",
            "= -61",
            "droop_travel_mm",
            "corner.FL.droop_travel_mm: found -61 mm; need a trav",
        ),
        (
            '"outboard"',
            '"outbord"',
            "brake",
            "corner.FL.brake: found 'outbord'; need 'outboard' (did",
        ),
        (
            "[-14, 640, 405]",
            '[-14, "640", 405]',
            "outer",
            "corner.FL.support[1].outer.point_mm[2]: f",
        ),
        ("[mass]", "mass = 3\n[mass2]", "mass =", "mass: found 3; need a table"),
        (
            'kind = "link"',
            'kind = "rod"',
            "kind",
            "corner.FL.support[1].kind: found 'rod'; need one",
        ),
        (
            'inner = { on = "rocker", point_mm = [-4, 365, 480], u_mm = 5 }',
            'inner = { on = "rocker", point_mm = [-4, 365, 480], moves_with_rack = true }',
            'inner = { on = "rocker"',
            "corner.FL.support[6].inner.moves_with_rack: found true for a point on 'rocker'; need",
        ),
        (
            "axis_point_mm = [-30, 300, 430]\n",
            "",
            '[[corner.FL.support]]\nname = "rocker_pivot"',
            "corner.FL.support[7].axis_point_mm: found none on a pivot; need",
        ),
        (
            'name = "push_rod"',
            'name = "push_rod"\naxis_point_mm = [0, 0, 1]',
            "axis_point_mm",
            "corner.FL.support[6].axis_point_mm: found one on a link; need",
        ),
        (
            "tube_wall_mm = 2\n",
            "",
            "[[corner.FL.gauge]]",
            "corner.FL.gauge[1].tube_wall_mm: found no",
        ),
        (
            "tube_outside_diameter_mm = 18\n",
            "",
            "[[corner.FL.gauge]]",
            "corner.FL.gauge[1].tube_outside_diameter_mm: found no such key; need outside",
        ),
        (
            "tube_wall_mm = 2",
            "tube_wall_mm = 2\nyoungs_modulus_GPa = 205e9",
            "youngs_modulus_GPa",
            "corner.FL.gauge[1].youngs_modulus_GPa: found 205000000000.0; need a number less than",
        ),
        (
            "tube_wall_mm = 2",
            "tube_wall_mm = 10",
            "tube_wall_mm",
            "corner.FL.gauge[1].tube_wall_mm: found 10 mm in a tube of 18 mm; need",
        ),
    ],
)
def test_faults_name_line_key_and_value(written, old, new, line, told):
    path = written((old, new))
    text = path.read_text(encoding="utf-8")
    number = text[: text.index("\n" + line) + 1].count("\n") + 1 if line != "format" else 1
    assert f"car.toml, line {number}: {told}" in refused(path)


def test_all_faults_at_once_in_the_order_of_lines(written):
    path = written(
        ("total_kg = 742", "total_kg = 0"),
        ("driven = false", "drivn = 1"),
        ("[0, 710, 285]", "[0]"),
    )
    message = refused(path)
    places = [int(n) for n in re.findall(r"car\.toml, line (\d+): ", message)]
    assert places == sorted(places)
    assert len(places) == 3  # the misspelled key stands for the true one
    for told in ("total_kg: found 0", "drivn: found unk", "found 1 entries"):
        assert told in message


def test_a_table_named_by_its_children_only_has_a_line(written):
    path = written(("[corner.FL]\n", "[corner.FLL]\n"))
    line = line_of(path, "[corner.FL.wheel]")
    assert f"line {line}: corner.FL.bodies: found no such key" in refused(path)
    assert "corner.FLL: found unknown key 'FLL'; need 'FL' (did you mean that?)" in refused(path)


def test_a_misspelled_mirror_is_taken_for_one(written):
    words = refused(written(more='[corner.FR]\nmiror_of = "FL"\n'))
    assert "FR.miror_of: found unknown key 'miror_of'; need 'mirror_of' (did you mean" in words
    assert "travel_mm" not in words


def test_no_corner(written):
    path = written()
    path.write_text(EXAMPLE[: EXAMPLE.index("[corner.FL]")] + "[corner]\n", encoding="utf-8")
    line = line_of(path, "[corner]")
    assert f"line {line}: corner: found no corner; need at least one" in refused(path)


# --- faults of names, lengths, sides, units ---------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("285.5", "0.2855", "loaded_radius_mm = 0.2855 (metres?); need more than 50 mm"),
        ("285.5", "11.24", "corner FL: loaded_radius_mm = 11.24 (inches?); need more than 50 mm"),
        ("285.5", "28.55", "corner FL: loaded_radius_mm = 28.55 (cm?); need more than 50 mm"),
        ("[0, 710, 285]", "[0, 0.71, 0.285]", "centre |y| in mm = 0.71 (metres?); need more than"),
        (
            '"chassis", point_mm = [110',
            '"chasis", point_mm = [110',
            "corner FL: on = 'chasis', a body that is not there; need 'chassis' (did you mean",
        ),
        (
            'on = "upright"\ncentre',
            'on = "uprite"\ncentre',
            "on = 'uprite', a body that is not there; need 'upright' (did you mean that?)",
        ),
        ('["upright", "rocker"]', "[]", "body that is not there; need a listed name, but none is"),
        ('["upright", "rocker"]', '["upright", "upright"]', "the name 'upright' twice"),
        ('["upright", "rocker"]', '["upright", "chassis"]', "the name 'chassis' twice"),
        ('name = "upper_rear"', 'name = "upper_front"', "FL: the name 'upper_front' twice"),
        ("[0, 710, 285]", "[0, -710, 285]", "wheel centre y = -710 mm; need y > 0 for a wheel on"),
        ("[0, 710, 285]", "[0, 710, 301]", "wheel centre 301.0 mm high, but 285.4 mm by the"),
        (
            "[112, 297, 192]",
            "[105, 655, 205]",
            'FL, link "tie_rod": length 0.0 mm; need more than 1',
        ),
        ("[-30, 300, 430]", "[22, 300, 430.5]", 'pivot "rocker_pivot": length 0.5 mm; need'),
        (
            'on = "push_rod"',
            'on = "push_rd"',
            "gauge 'FL_push_rod': on = 'push_rd', no support of this corner; need 'push_rod' (did",
        ),
        (
            'on = "push_rod"',
            'on = "rocker_pivot"',
            "gauge 'FL_push_rod': on = 'rocker_pivot', a pivot of this corner; need",
        ),
        ("rack_mm = [-40, 40]\n", "", "steering: no rack_mm, though points of FL have moves_with"),
        (
            ", moves_with_rack = true",
            "",
            "steering: rack_mm = [-40, 40], though no point of FL moves with the rack",
        ),
    ],
)
def test_faults_of_sense(written, old, new, told):
    assert told in refused(written((old, new)))


def test_a_rear_wheel_beside_the_front_axle_is_refused(written):
    path = written()
    text = path.read_text(encoding="utf-8").replace("corner.FL", "corner.RL")
    path.write_text(text, encoding="utf-8")
    assert "RL: wheel centre x = 0 mm; need x < 0 for a rear wheel" in refused(path)


def test_links_in_inches(written):
    """Radius and wheel in mm, points in inches."""
    path = written()
    text = path.read_text(encoding="utf-8")

    def inches(match):
        numbers = [float(n) / 25.4 for n in match[1].split(",")]
        return f"point_mm = [{', '.join(f'{n:.3f}' for n in numbers)}]"

    path.write_text(re.sub(r"point_mm = \[(.*?)\]", inches, text), encoding="utf-8")
    # 457.5 mm from (6, 668, 165) to (-190, 255, 146) are 18.01 inches
    assert "longest link in mm = 18.01" in (message := refused(path))
    assert "(inches?); need more than 20 mm" in message


def test_faults_of_sense_name_the_line(written):
    path = written(("[112, 297, 192]", "[105, 655, 205]"))
    line = line_of(path, "[[corner.FL.support]]", nth=5)
    assert f'line {line}: corner FL, link "tie_rod"' in refused(path)
    path = written(('on = "push_rod"', 'on = "push_rd"'))
    line = line_of(path, 'on = "push_rd"')
    assert f"line {line}: corner FL, gauge 'FL_push_rod'" in refused(path)


def test_hub_height_within_measuring_error_is_no_fault(written):
    corner = read_vehicle(written(("[0, 710, 285]", "[0, 710, 299]"))).corners["FL"]
    assert corner.wheel.centre[2] > 0.298


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (
            '[corner.FR]\nmirror_of = "RL"\n',
            "corner FR: mirror_of = 'RL', which is not the other wheel",
        ),
        (
            '[corner.RL]\nmirror_of = "FL"\n',
            "corner RL: mirror_of = 'FL', which is not the other wheel",
        ),
        (
            '[corner.RR]\nmirror_of = "RL"\n',
            "corner RR: mirror_of = 'RL', which the file does not descr",
        ),
        (
            '[corner.RL]\nmirror_of = "RR"\n[corner.RR]\nmirror_of = "RL"\n',
            "which is itself a mirror",
        ),
    ],
)
def test_mirrors_of_nothing(written, more, told):
    assert told in refused(written(more=more))


def test_gauge_names_are_those_of_one_column(written):
    path = written(more=MIRROR.replace("FR_push_rod", "FL_push_rod"))
    assert "corner FR: gauge 'FL_push_rod', a name that corner FL uses already" in refused(path)


def test_trailing_link_is_warned_about(written):
    path = written(("[145, 250, 155]", "[545, 690, 155]"))
    with pytest.warns(VehicleWarning, match='link "lower_front": inner end 22 mm farther out'):
        car = read_vehicle(path)
    assert car.corners["FL"].supports[2].inner.point[1] == pytest.approx(0.69)
