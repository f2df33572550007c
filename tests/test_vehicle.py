"""The vehicle file: what is read, what is assumed, and what each fault says."""

import re
from dataclasses import replace
from math import isnan, pi, radians
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import VehicleError, VehicleWarning
from recon.car.motion import pose_corner
from recon.car.reader import read_vehicle, require_supported_kind
from recon.car.statics import member_matrix
from recon.car.vehicle import Sensors, Tyre

VEHICLES = Path(__file__).parents[1] / "vehicles"
EXAMPLE = re.search(
    r"```toml\n(.*?)```", (VEHICLES / "README.md").read_text(encoding="utf-8"), re.DOTALL
)[1]
MIRROR = (
    '\n[corner.FR]\nmirror_of = "FL"\n[[corner.FR.gauge]]\nname = "FR_push_rod"\non = "push_rod"\n'
)
MIRROR += 'unit = "counts"\nbridge = "quarter"\n'


@pytest.fixture
def written(tmp_path):
    """Write the example with some of its text exchanged; return the file's name."""

    def write(*changes, more=""):
        text = EXAMPLE
        for old, new in changes:
            assert text.count(old) > 0, f"the example holds no {old!r}"
            text = text.replace(old, new, 1)
        path = tmp_path / "car.toml"
        path.write_text(text + more, encoding="utf-8")
        return path

    return write


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


# --- what is read -----------------------------------------------------------------------------


def test_example_in_si(written):
    car = read_vehicle(written())
    corner = car.corners["FL"]
    assert car.mass == 742
    # rtol everywhere here: rounding of the unit factors
    assert_allclose(car.centre_of_mass, (-1.29, 0, 0.43), rtol=1e-12)
    assert_allclose(car.steering.rack_range, (-0.04, 0.04), rtol=1e-12)
    assert_allclose(corner.wheel.centre, (0, 0.71, 0.285), rtol=1e-12)
    assert_allclose(corner.wheel.camber, radians(-1.8), rtol=1e-12)
    assert_allclose((*corner.travel_range, corner.droop_travel), (-0.06, 0.06, -0.05), rtol=1e-12)
    assert [s.name for s in corner.supports if s.inner.rack] == ["tie_rod"]
    assert isnan(corner.supports[0].limit)
    assert isnan(corner.brake.torque_per_pressure)
    pivot = corner.supports[corner.support_index("rocker_pivot")]
    assert pivot.inner.point == pivot.outer.point
    assert_allclose(pivot.axis_point, (-0.03, 0.3, 0.43), rtol=1e-12)


def test_checksum_and_path_are_those_of_the_file(written):
    path = written()
    car = read_vehicle(str(path))
    assert car.path == str(path)
    assert re.fullmatch("[0-9a-f]{64}", car.checksum)
    assert read_vehicle(written(("742", "743"))).checksum != car.checksum


def test_units_of_optional_keys(written):
    car = read_vehicle(
        written(
            ("rack_mm = [-40, 40]", "rack_mm = [-40, 40]\nrack_mm_per_turn = 52"),
            ("unsprung", "brake_torque_Nm_per_bar = 10\nu_brake_torque_Nm_per_bar = 2\nunsprung"),
            (
                "[corner.FL]",
                "[tyre]\npatch_shift_mm_per_kN = 6.5\n\n[sensors]\nu_travel_percent = 0.8\n"
                "u_steer_deg = 0.3\n\n[corner.FL]",
            ),
        )
    )
    brake = car.corners["FL"].brake
    # rtol: rounding of the unit factors
    assert_allclose(car.steering.rack_per_angle, 0.052 / (2 * pi), rtol=1e-12)
    assert_allclose(
        (brake.torque_per_pressure, brake.u_torque_per_pressure), (1e-4, 2e-5), rtol=1e-12
    )
    assert_allclose(car.tyre.shift_per_force, 6.5e-6, rtol=1e-12)
    assert_allclose(car.sensors.u_travel_share, 0.008, rtol=1e-12)
    assert_allclose(car.sensors.u_steer, radians(0.3), rtol=1e-12)
    assert car.tyre.floor_moment == Tyre().floor_moment


def test_slope_of_tube_bench_pull_and_neither(written):
    def gauge(*changes):
        return read_vehicle(written(*changes)).corners["FL"].gauges[0]

    tube = gauge()
    # GF 2.09, 18 x 2 mm, 205 GPa, nu 0.29: 1000 * 2.09/4 * 2.58 / (205e9 * 1.00531e-4) mV/V per N
    assert_allclose(tube.slope, 6.5411e-5, rtol=2e-5)  # rtol: five digits of the hand's result
    assert 0.02 < tube.u_slope / tube.slope < 0.05
    bench = gauge(
        ("gauge_factor", "bench_slope_per_kN = 0.07\nu_bench_slope_per_kN = 0.002\ngauge_factor")
    )
    assert_allclose((bench.slope, bench.u_slope), (7e-5, 2e-6), rtol=1e-12)  # rounding
    assert isnan(gauge(('unit = "mV/V"', 'unit = "V"')).slope)
    strain = gauge(('unit = "mV/V"', 'unit = "microstrain"'))
    assert_allclose(strain.slope, 0.048523, rtol=2e-5)  # 1e6 / (205e9 * 1.00531e-4), five digits
    without = (("tube_outside_diameter_mm = 18\n", ""), ("tube_wall_mm = 2\n", ""))
    assert isnan(gauge(*without).slope)


@pytest.mark.parametrize(
    ("written_sign", "sign"),
    [("unknown", 0), ("tension_positive", 1), ("tension_negative", -1)],
)
def test_sign(written, written_sign, sign):
    path = written(('unit = "mV/V"', f'unit = "mV/V"\nsign = "{written_sign}"\nfull_scale = 3'))
    gauge = read_vehicle(path).corners["FL"].gauges[0]
    assert (gauge.sign, gauge.full_scale) == (sign, 3)


def test_mirror_turns_y_and_keeps_toe_and_camber(written):
    car = read_vehicle(written(more=MIRROR))
    left, right = car.corners["FL"], car.corners["FR"]
    for a, b in zip(left.supports, right.supports, strict=True):
        assert b.outer.point == (a.outer.point[0], -a.outer.point[1], a.outer.point[2])
        assert b.inner.point == (a.inner.point[0], -a.inner.point[1], a.inner.point[2])
        assert b.inner.rack == a.inner.rack
    assert right.wheel == replace(left.wheel, centre=(0.0, -0.71, left.wheel.centre[2]))
    assert [g.name for g in right.gauges] == ["FR_push_rod"]


def test_a_mirror_may_stand_before_its_original(written):
    car = read_vehicle(written(("[corner.FL]\n", MIRROR + "\n[corner.FL]\n")))
    assert list(car.corners) == ["FL", "FR"]


# --- what is assumed --------------------------------------------------------------------------


def test_each_default_has_its_sentence(written):
    car = read_vehicle(written(more=MIRROR))
    corner = car.corners["FL"]
    told = "\n".join(car.assumed)
    # rtol: rounding of the unit factors; the numbers are those of vehicles/README.md
    assert_allclose(car.u_mass, 7.42, rtol=1e-12)
    assert_allclose(corner.u_unsprung_mass, 0.08 * 24.5, rtol=1e-12)
    assert_allclose(corner.supports[0].outer.u, 0.003, rtol=1e-12)
    assert_allclose(corner.supports[5].inner.u, 0.005, rtol=1e-12)
    assert (corner.wheel.spin_inertia, corner.wheel.u_spin_inertia) == (1.0, 0.3)
    assert_allclose(corner.wheel.u_loaded_radius, 0.003, rtol=1e-12)
    for sentence in (
        "car: u_total_kg not stated, taken as 1 %, 7.42 kg",
        "corner FL: u_unsprung_mass_kg not stated, taken as 8 %, 1.96 kg",
        "corner FL: u_mm of upper_front outer, upper_front inner, upper_rear outer and 12 more",
        "corner FL: spin_inertia_kg_m2 not stated, taken as 1.0",
        "corner FL: u_gauge_factor of FL_push_rod not stated, taken as 2 %",
        "car: u_steer_deg not stated, taken as 0.2",
    ):
        assert sentence in told
    assert "corner FR" not in told
    assert len(set(car.assumed)) == len(car.assumed)


def test_defaults_of_tyre_and_sensors_are_those_of_the_dataclasses(written):
    car = read_vehicle(written())
    for given, default in ((car.tyre, Tyre()), (car.sensors, Sensors())):
        for name in default.__slots__:
            # rtol: the default goes to the file's unit and back
            assert_allclose(getattr(given, name), getattr(default, name), rtol=1e-12)


def test_droop_and_brake_torque_uncertainty_assumed(written):
    car = read_vehicle(written(("droop_travel_mm = -50", "brake_torque_Nm_per_bar = 10")))
    assert_allclose(car.corners["FL"].droop_travel, -0.06, rtol=1e-12)  # rounding
    assert_allclose(car.corners["FL"].brake.u_torque_per_pressure, 1.8e-5, rtol=1e-12)  # rounding
    assert "droop_travel_mm not stated, taken as the lower end of travel_mm, -60 mm" in " ".join(
        car.assumed
    )


def test_nothing_assumed_where_all_is_stated():
    assert read_vehicle(VEHICLES / "club_racer.toml").assumed == ()


# --- files that are no vehicle files ----------------------------------------------------------


@pytest.mark.parametrize("path", ["https://example.org/car.toml", "file:///car.toml", "s3://a/b"])
def test_addresses_are_refused(path):
    with pytest.raises(VehicleError, match=re.escape(path) + ": an address of the network"):
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

PUSH = 'outer = { on = "upright", point_mm = [2, 632, 195] }'
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
    assert len(places) == 4  # the misspelled key is unknown and the true one lacking
    for told in (
        "total_kg: found 0",
        "driven: found no such",
        "drivn: found unk",
        "found 1 entries",
    ):
        assert told in message


def test_a_table_named_by_its_children_only_has_a_line(written):
    path = written(("[corner.FL]\n", "[corner.FX]\n"))
    line = line_of(path, "[corner.FL.wheel]")
    assert f"line {line}: corner.FL.bodies: found no such key" in refused(path)
    assert "corner.FX: found unknown key 'FX'; need 'FL' (did you mean that?)" in refused(path)


def test_no_corner(written):
    path = written()
    path.write_text(EXAMPLE[: EXAMPLE.index("[corner.FL]")] + "[corner]\n", encoding="utf-8")
    line = line_of(path, "[corner]")
    assert f"line {line}: corner: found no corner; need at least one" in refused(path)


# --- faults of names, lengths, sides, units ---------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("285.5", "0.2855", "corner FL: loaded_radius_mm = 0.2855; need more than 50 mm; were these metr"),
        ("285.5", "11.24", "corner FL: loaded_radius_mm = 11.24; need more than 50 mm; were these inches"),
        ("[0, 710, 285]", "[0, 0.71, 0.285]", "wheel centre |y| in mm = 0.71; need more than 50 mm; were"),
        ('"chassis", point_mm = [112, 297, 192]', '"chasis", point_mm = [112, 297, 192]',
         "corner FL: on = 'chasis', a body that is not there; need 'chassis' (did you mean"),
        ('on = "upright"\ncentre', 'on = "uprite"\ncentre', "on = 'uprite', a body that is not there; need 'upr"),
        ('["upright", "rocker"]', '["upright", "upright"]', "the name 'upright' twice"),
        ('["upright", "rocker"]', '["upright", "chassis"]', "the name 'chassis' twice"),
        ('name = "upper_rear"', 'name = "upper_front"', "corner FL: the name 'upper_front' twice"),
        ("[0, 710, 285]", "[0, -710, 285]", "wheel centre y = -710 mm; need y > 0 for a wheel on the left (ax"),
        ("[0, 710, 285]", "[0, 710, 301]", "wheel centre 301.0 mm high, but 285.4 mm by the loaded"),
        ("[112, 297, 192]", "[105, 655, 205]", 'corner FL, link "tie_rod": length 0.0 mm; need more than 1'),
        ("[-30, 300, 430]", "[22, 300, 430.5]", 'corner FL, pivot "rocker_pivot": length 0.5 mm; need'),
        ('on = "push_rod"', 'on = "push_rd"',
         "gauge 'FL_push_rod': on = 'push_rd', no support of this corner; need 'push_rod' (did"),
        ('on = "push_rod"', 'on = "rocker_pivot"',
         "gauge 'FL_push_rod': on = 'rocker_pivot', a pivot of this corner; need"),
        ("[steering]\nrack_mm = [-40, 40]\n", "", "steering: no rack_mm, though points of FL have moves_with"),
    ],
)  # fmt: skip
def test_faults_of_sense(written, old, new, told):
    assert told in refused(written((old, new)))


def test_links_in_inches(written):
    """Radius and wheel in mm, points in inches."""
    path = written()
    text = path.read_text(encoding="utf-8")

    def inches(match):
        numbers = [float(n) / 25.4 for n in match[1].split(",")]
        return f"point_mm = [{', '.join(f'{n:.3f}' for n in numbers)}]"

    path.write_text(re.sub(r"point_mm = \[(.*?)\]", inches, text), encoding="utf-8")
    longest = np.linalg.norm(np.subtract((6, 668, 165), (-190, 255, 146))) / 25.4
    message = refused(path)
    assert f"longest link in mm = {longest:.3f}" in message
    assert "inches?" in message


def test_faults_of_sense_name_the_line(written):
    path = written(("[112, 297, 192]", "[105, 655, 205]"))
    assert (
        f'line {line_of(path, "[[corner.FL.support]]", 5)}: corner FL, link "tie_rod"'
        in refused(path)
    )
    path = written(('on = "push_rod"', 'on = "push_rd"'))
    assert f"line {line_of(path, 'on = ' + chr(34) + 'push_rd')}: corner FL, gauge" in refused(path)


def test_hub_height_within_measuring_error_is_no_fault(written):
    assert (
        read_vehicle(written(("[0, 710, 285]", "[0, 710, 299]"))).corners["FL"].wheel.centre[2]
        > 0.298
    )


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


# --- kinds of suspension ----------------------------------------------------------------------


def test_supported_kinds():
    car = read_vehicle(VEHICLES / "club_racer.toml")
    for corner in car.corners.values():
        require_supported_kind(corner)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        # A link written the wrong way round
        (
            'outer = { on = "upright", point_mm = [105, 655, 205] }\n'
            'inner = { on = "chassis", point_mm = [112, 297, 192], moves_with_rack = true }',
            'outer = { on = "chassis", point_mm = [112, 297, 192] }\n'
            'inner = { on = "upright", point_mm = [105, 655, 205] }',
            "not understood: 1 link chassis to upright (tie_rod); lacking: 1 link upright to chassis",
        ),
        # A spring on the upright beside the rocker
        (
            'outer = { on = "rocker", point_mm = [-4, 286, 505] }',
            'outer = { on = "upright", point_mm = [2, 632, 295] }',
            "not understood: 1 spring upright to chassis (spring); lacking: 1 spring rocker to chas",
        ),
        # A third body
        (
            '["upright", "rocker"]',
            '["upright", "rocker", "bar"]',
            "bodies upright, rocker, bar; not",
        ),
        # A push rod on the chassis: six links to the chassis
        (
            'inner = { on = "rocker", point_mm = [-4, 365, 480], u_mm = 5 }',
            'inner = { on = "chassis", point_mm = [-4, 365, 480], u_mm = 5 }',
            "lacking: 1 link upright to rocker",
        ),
    ],
)
def test_other_suspensions_are_refused(written, old, new, told):
    path = written((old, new))
    message = refused(path)
    assert f"{path}: corner FL: bodies" in message
    assert told in message
    assert "a spring from upright to chassis, or a link from upright to one rocker" in message


def test_kind_of_a_corner_made_in_code():
    corner = read_vehicle(VEHICLES / "club_racer.toml").corners["RL"]
    with pytest.raises(VehicleError, match="corner RL: bodies upright; .*lacking: 1 link upright"):
        require_supported_kind(replace(corner, supports=corner.supports[1:]))


# --- the cars that are shipped ----------------------------------------------------------------


@pytest.mark.parametrize("name", ["club_racer", "case_car"])
def test_shipped_cars_move_and_stand(name):
    """Every link is needed and none overloaded over the stated ranges."""
    car = read_vehicle(VEHICLES / f"{name}.toml")
    assert len(car.gauges) == 24
    assert "invented" in car.source
    scale = 1 / np.array([1, 1, 1, 0.3, 0.3, 0.3])  # moments as forces on an arm of 0.3 m
    for corner in car.corners.values():
        rack = car.steering.rack_range if corner.steered else (0.0, 0.0)
        travel, shift = np.meshgrid(np.linspace(*corner.travel_range, 7), np.linspace(*rack, 5))
        at = pose_corner(corner, travel, shift)
        members = member_matrix(at)
        # A well set out corner has about 100 here, one near a dead centre thousands.
        assert np.max(np.linalg.cond(members * scale)) < 200
        # No member sees more than 1.6 times the force at the hub: short, square links do so.
        assert np.max(np.abs(members[..., :3])) < 1.6
        heading = np.degrees(at.heading)
        if corner.steered:
            assert heading.max() > 12
            assert heading.min() < -12
        # Bump steer of a sound axle stays below 3 degrees over the whole travel.
        straight = np.degrees(pose_corner(corner, travel[0], 0.0).heading)
        assert np.ptp(straight) < 3
        assert {g.on for g in corner.gauges} <= {s.name for s in corner.supports}


def test_club_racer_gauges_all_that_holds_the_upright():
    car = read_vehicle(VEHICLES / "club_racer.toml")
    for corner in car.corners.values():
        on_upright = [s.name for s in corner.supports if s.outer.on == corner.wheel.on]
        assert [g.on for g in corner.gauges] == on_upright
        assert all(g.slope > 0 for g in corner.gauges)
    text = (VEHICLES / "club_racer.toml").read_text(encoding="utf-8")
    assert "Invented for this project; no real car" in text
