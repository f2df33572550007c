"""Logs: variables in SI, missing samples, time, and what is refused."""

import warnings

import numpy as np
import pytest

from recon.base.errors import DataError, DataWarning
from recon.records.logs import read_log
from tests.raw_logs import save
from tests.small_car import small_car

CORNERS = ("FL", "FR", "RL", "RR")
DEGREE = np.pi / 180
TENTHS = (0.0, 0.1, 0.2)
EXACT = {"rtol": 1e-12, "atol": 0}  # a few roundings of double precision


def log(folder, time=("0", "0.01", "0.02"), **columns):
    """Write a log of our own form; a value is one column's cells."""
    columns = {"elapsed_time [s]": time, "G1 [mV/V]": ("0.1", "0.2", "0.3"), **columns}
    rows = zip(*columns.values(), strict=True)
    return save(folder, "\n".join([",".join(columns), *map(",".join, rows)]) + "\n")


def test_every_known_column_becomes_si(tmp_path):
    units = {
        "steer [deg]": DEGREE,
        "rack [mm]": 1e-3,
        "steering_wheel_angle [deg]": DEGREE,
        "roll [deg]": DEGREE,
        "pitch [rad]": 1.0,
        "speed [km/h]": 1 / 3.6,
        "yaw_rate [deg/s]": DEGREE,
        "throttle [%]": 0.01,
        "gear": 1.0,
    }
    columns = {key: (str(i), str(i + 1), str(i + 2)) for i, key in enumerate(units)}
    read = read_log(log(tmp_path, **columns), small_car())
    for i, (key, factor) in enumerate(units.items()):
        variable = read[key.split(" ")[0]]
        assert variable.dims == ("elapsed_time",)
        np.testing.assert_allclose(variable, np.array([i, i + 1, i + 2]) * factor, **EXACT)
    assert read["yaw_rate"].attrs["units"] == "rad/s"
    assert read["indication"].dims == ("elapsed_time", "gauge")
    assert read["gauge"].values.tolist() == ["G1"]


def test_corners_and_components_stand_in_their_places(tmp_path):
    names = [f"hub_acceleration_{c}_{k} [g]" for c in CORNERS for k in "xyz"]
    columns = {name: (str(i),) * 3 for i, name in enumerate(names)}
    columns |= {f"wheel_speed_{c} [rpm]": ("60",) * 3 for c in reversed(CORNERS)}
    columns |= {"brake_pressure_front [bar]": ("20",) * 3, "brake_pressure_rear [bar]": ("9",) * 3}
    columns |= {"travel_RL [mm]": ("7",) * 3, "acceleration_z [m/s2]": ("9.8",) * 3}
    columns |= {f"gauge_temperature_{c} [degF]": ("68",) * 3 for c in CORNERS}
    read = read_log(log(tmp_path, **columns), small_car(corners=CORNERS)).isel(elapsed_time=1)
    expected = np.arange(12.0).reshape(4, 3) * 9.80665
    np.testing.assert_allclose(read["hub_acceleration"], expected, **EXACT)
    np.testing.assert_allclose(read["wheel_speed"], 2 * np.pi, **EXACT)
    np.testing.assert_allclose(read["brake_pressure"], [2e6, 2e6, 9e5, 9e5], **EXACT)
    np.testing.assert_allclose(read["travel"], [np.nan, np.nan, 0.007, np.nan], **EXACT)
    np.testing.assert_allclose(read["acceleration"], [np.nan, np.nan, 9.8], **EXACT)
    np.testing.assert_allclose(read["gauge_temperature"], 20.0, **EXACT)
    assert read["corner"].values.tolist() == list(CORNERS)


@pytest.mark.parametrize(
    ("unit", "factor"), [("km/h", 3.6), ("kph", 3.6), ("m/s", 1.0), ("mph", 1 / 0.44704)]
)
def test_wheel_speeds_may_be_those_of_the_tread(tmp_path, unit, factor):
    radius = small_car().corners["FR"].wheel.loaded_radius
    turning = ("0", "10", "20")
    ours = "km/h" if factor == 3.6 else unit
    tread = [f"{float(one) * radius * factor:.9f}" for one in turning]
    with pytest.warns(DataWarning, match=rf"wheel_speed_FR in {ours}: divided by loaded_radius_mm"):
        written = read_log(log(tmp_path, **{f"wheel_speed_FR [{unit}]": tread}), small_car())
    found = written["wheel_speed"].sel(corner="FR").to_numpy()
    np.testing.assert_allclose(found, [float(one) for one in turning], atol=1e-6)


def test_an_unknown_unit_of_a_wheel_speed_is_offered_both_kinds(tmp_path):
    path = log(tmp_path, **{"wheel_speed_FL [kms/h]": ("0", "1", "2")})
    message = (
        r"unit 'kms/h' for .*; need 'km/h' \(did you mean that\?\) or one of rad/s, deg/s, rpm"
    )
    with pytest.raises(DataError, match=message):
        read_log(path, small_car())


def test_unknown_columns_and_corners_are_left_out_by_name(tmp_path):
    columns = {"note": ("x",) * 3, "travel_RL [mm]": ("1",) * 3, "travel_FL [mm]": ("2",) * 3}
    read = read_log(log(tmp_path, **columns), small_car())
    assert read.attrs["not_used"] == ["note", "travel_RL"]
    assert read.attrs["encoding"] == "utf-8-sig"
    assert len(read.attrs["checksum"]) == 64
    np.testing.assert_allclose(read["travel"].isel(elapsed_time=0), [0.002, np.nan], **EXACT)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Steering Wheel-Angle [deg]", "steering_wheel_angle"),
        ("Brake Pressure Front [bar]", "brake_pressure_front"),
        ("yaw.rate [deg/s]", "yaw_rate"),
    ],
)
def test_a_name_whose_words_are_divided_otherwise_is_offered(tmp_path, written, meant):
    with pytest.warns(DataWarning, match=f"is not used; was '{meant}' meant"):
        read_log(log(tmp_path, **{written: ("1", "2", "3")}), small_car())


def test_empty_cells_are_missing_samples_and_told(tmp_path):
    path = log(tmp_path, **{"G2 [mV/V]": ("", "nan", "0.5"), "roll [deg]": ("1", "", "3")})
    with pytest.warns(DataWarning, match=r"log.csv: .* of 3: G2 2, roll 1") as told:
        read = read_log(path, small_car())
    assert [one.filename for one in told] == [__file__]  # the line that called the package
    assert np.isnan(read["indication"].sel(gauge="G2")).values.tolist() == [True, True, False]


def test_gap_in_time_is_kept_and_told(tmp_path):
    time = tuple(f"{t:.2f}" for t in (0, 0.01, 0.02, 0.08, 0.09))
    cells = ("1",) * 5
    with pytest.warns(DataWarning, match=r"one gap in time, 0\.06 s after 0\.02 s \(usual step 0"):
        read = read_log(log(tmp_path, time, **{"G1 [mV/V]": cells}), small_car())
    assert read.attrs["gaps"] == ["0.02 s: 0.06 s"]
    assert read.sizes["elapsed_time"] == 5


def test_long_lists_of_gaps_are_cut_short(tmp_path):
    time = np.cumsum(np.where(np.arange(500) % 3 == 0, 0.03, 0.01))
    text = "elapsed_time [s],G1 [mV/V]\n" + "".join(f"{t:.2f},1\n" for t in time)
    with pytest.warns(DataWarning, match="log.csv: 166 gap"):
        read = read_log(save(tmp_path, text), small_car())
    assert read.attrs["gaps"][-1] == "and 66 more"


@pytest.mark.parametrize(
    ("unit", "time", "expected"),
    [
        ("s", ("5", "5.1", "5.2"), (5.0, 5.1, 5.2)),
        ("ms", ("0", "10", "20"), (0.0, 0.01, 0.02)),
        ("min", ("0", "0.001", "0.002"), (0.0, 0.06, 0.12)),
        ("us", ("0", "2000", "4000"), (0.0, 0.002, 0.004)),
        ("s", ("10:41:07.318", "10:41:07.320", "10:41:07.322"), (0.0, 0.002, 0.004)),
        ("s", ("23:59:59.9", "24:00:00", "24:00:00.1"), (0.0, 0.1, 0.2)),
        ("s", ("23:59:59.9", "00:00:00", "00:00:00.1"), (0.0, 0.1, 0.2)),
        ("s", ("2031-05-12T23:59:59.9", "2031-05-13T00:00:00", "2031-05-13T00:00:00.1"), TENTHS),
        ("s", ("2031-05-12 10:41:07.318Z", "2031-05-12 10:41:07.418Z"), TENTHS[:2]),
        ("s", ("2031-05-12T10:41:07+02:00", "2031-05-12T10:41:07.1+02:00"), TENTHS[:2]),
        ("s", ("2031-10-26T02:59:59.9+02:00", "2031-10-26T02:00:00.0+01:00"), TENTHS[:2]),
    ],
)
def test_time_in_every_form(tmp_path, unit, time, expected):
    header = {f"elapsed_time [{unit}]": time, "G1 [mV/V]": ("1", "2", "3")[: len(time)]}
    rows = "\n".join(map(",".join, zip(*header.values(), strict=True)))
    read = read_log(save(tmp_path, ",".join(header) + "\n" + rows + "\n"), small_car())
    # stamps of a day are known to 1e-11 s in double precision
    np.testing.assert_allclose(read["elapsed_time"], expected, rtol=1e-12, atol=2e-11)
    dated = "-" in time[0]
    assert read.attrs["date"] == (time[0][:10] if dated else "")


@pytest.mark.parametrize(
    ("time", "message"),
    [
        (("0", "0.01", "0.01"), r"log.csv, line 4, .*: 0.01 s after 0.01 s"),
        (("0", "0.02", "0.01"), r"line 4, column 'elapsed_time \[s\]': 0.01 s after 0.02 s"),
        (("0", "", "0.01"), r"line 3, .*: nan s after 0 s"),
    ],
)
def test_time_must_increase(tmp_path, time, message):
    with pytest.raises(DataError, match=message):
        read_log(log(tmp_path, time), small_car())


def test_empty_lines_count_in_the_line_told(tmp_path):
    path = save(tmp_path, "elapsed_time [s],G1 [mV/V]\n0,1\n\n1,2\n\n1,3\n")
    with pytest.raises(DataError, match=r"log.csv, line 6, .*: 1 s after 1 s"):
        read_log(path, small_car())


def test_a_single_sample_is_no_log(tmp_path):
    path = save(tmp_path, "elapsed_time [s],G1 [mV/V]\n0,1\n")
    with pytest.raises(DataError, match=r"log.csv, line 2, .*: a single sample"):
        read_log(path, small_car())


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("time [s],G1 [mV/V]\n0,1\n1,2\n", r"log.csv: no column elapsed_time; .*time"),
        ("elapsed_time,G1 [mV/V]\n0,1\n1,2\n", r"column 'elapsed_time': no unit .*s, ms, min"),
        ("elapsed_time [s],H1 [mV/V]\n0,1\n1,2\n", r"no column of any gauge among .*H1.*G1, G2"),
        ("elapsed_time [s],G1 [mV/V]\n0,1\n1,OVERLOAD\n", r"line 3, column 'G1 .*: 'OVERLOAD'"),
        ("elapsed_time [s],G1 [mV/V]\n0,1\n1,inf\n", r"line 3, column 'G1 .*: 'inf'"),
        ("elapsed_time [s],G1 [V]\n0,1\n1,2\n", r"G1 in 'V'; need .*vehicle file says mV/V"),
        ("elapsed_time [s],G1 [mV/V]\n0:00,1\n,2\n", r"line 3, .*: '' where .*'0:00'"),
    ],
)
def test_logs_refused(tmp_path, content, message):
    with pytest.raises(DataError, match=message):
        read_log(save(tmp_path, content), small_car())


@pytest.mark.parametrize("micro", ["u", "\u00b5", "\u03bc"])
def test_micro_may_be_written_by_its_sign(tmp_path, micro):
    text = f"elapsed_time [{micro}s],G1 [{micro}V/V]\n0,1\n10000,2\n"
    log = read_log(save(tmp_path, text), small_car())
    np.testing.assert_allclose(log["elapsed_time"], [0.0, 0.01], **EXACT)
    np.testing.assert_allclose(log["indication"].sel(gauge="G1"), [0.001, 0.002], **EXACT)
    text = f"elapsed_time,G1\n{micro}s,{micro}V/V\n0,1\n10000,2\n"
    of_row = read_log(save(tmp_path, text), small_car())["elapsed_time"]
    np.testing.assert_allclose(of_row, [0.0, 0.01], **EXACT)


def test_a_name_that_is_nearly_right_hides_in_no_long_list(tmp_path):
    others = ",".join(f"channel_{k} [V]" for k in range(60))
    path = save(tmp_path, f"elapsed_time (s),{others}\n0{',1' * 60}\n1{',1' * 60}\n")
    words = r"'elapsed_time \(s\)' \(did you mean that\?\).*channel_11, 48 more"
    with pytest.raises(DataError, match=words) as caught:
        read_log(path, small_car())
    assert "with its unit in square brackets" in str(caught.value)


def test_a_clean_log_gives_no_warning(tmp_path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert read_log(log(tmp_path), small_car()).attrs["gaps"] == []


@pytest.mark.parametrize(
    ("unit", "step", "message"),
    [
        ("s", 10.0, r"times 10 s apart, .* 0\.1 samples per second, .*'s'.*\n.*likely .* in ms:"),
        ("ms", 0.002, r"5e\+05 samples per second, .*'ms'.*\n.*time is in s:"),
        ("min", 0.01, r"times 0\.6 s apart, .*'min'.*\n.*time is in s:"),
        ("s", 5000.0, r"times 5000 s apart, .*\n.*time is in us:"),
        ("s", 1e7, r"times 1e\+07 s apart, .*\n.*Correct its unit"),
    ],
)
def test_a_rate_that_cannot_be_names_the_likely_unit(tmp_path, unit, step, message):
    rows = "".join(f"{i * step:.6g},1\n" for i in range(5))
    path = save(tmp_path, f"elapsed_time [{unit}],G1 [mV/V]\n{rows}")
    with pytest.raises(DataError, match=rf"log.csv, line 1, .*{message}"):
        read_log(path, small_car())


@pytest.mark.parametrize(
    ("first", "later", "message"),
    [
        ("2031-05-12 10:41:07", "10:41:08", r"line 3, .*'10:41:08' where .*'2031-05-12 10:41:07'"),
        ("10:41:07", "2031-05-12 10:41:08", r"line 3, .*'2031-05-12 10:41:08' where .*ISO 8601"),
        ("2031-05-12 10:41:07", "2031-13-12 10:41:08", r"line 3, .*'2031-13-12 10:41:08'"),
        ("12.05.2031 10:41:07", "12.05.2031 10:41:08", r"line 2, .*'12.05.2031 10:41:07'"),
        ("2031-05-12 10:41:07", "2031-05-12 10:41:06", r"line 3, .*: -1 s after 0 s"),
    ],
)
def test_times_in_another_form_are_refused(tmp_path, first, later, message):
    path = save(tmp_path, f"elapsed_time [s],G1 [mV/V]\n{first},1\n{later},2\n")
    with pytest.raises(DataError, match=message):
        read_log(path, small_car())
