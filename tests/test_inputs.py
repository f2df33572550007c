"""What the log does not say: the best stand-in, a sentence, and wider intervals."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import ExtrapolationWarning, PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.base.status import BIT
from recon.calibration.same_car import facts_of
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import assemblies_of
from recon.mechanics.axes import attitude_matrix
from recon.mechanics.motion import rack_of_steer, steer_to_rack
from recon.reconstruction.estimator.session import Session
from recon.reconstruction.inputs.attitude import attitude_of
from recon.reconstruction.inputs.samples import Body, body_of
from recon.reconstruction.inputs.steering import steer_of
from recon.records.vehicles import read_vehicle
from recon.virtual.states import level_to_vehicle
from tests.days import VEHICLES, day, exact, exact_log, states, unwarned


def short(names: tuple[str, ...] = ()) -> xr.Dataset:
    """A hundred samples of the day's conditioned log without some channels."""
    return day().conditioned.isel(elapsed_time=slice(600, 700)).drop_vars(names)


def prepared_for(log: xr.Dataset, car: Vehicle) -> Session:
    """Attitude and steer of a log, without any corner."""
    return Session(attitude_of(log, car), steer_of(log, car, assemblies_of(car)), {})


def body(log: xr.Dataset, car: Vehicle) -> Body:
    """Inputs that all corners share."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        session = prepared_for(log, car)
    return body_of(log, car, session, steer_to_rack(car, assemblies_of(car)))


@cache
def without(*names: str) -> tuple[xr.Dataset, list[str]]:
    """Forces of the short log without some channels, and what was said of them."""
    return solved(short(names))


def whole() -> xr.Dataset:
    """Forces where every channel is there."""
    return without()[0]


def solved(log: xr.Dataset) -> tuple[xr.Dataset, list[str]]:
    """Forces and what was said of channels that are not logged."""
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        found = reconstruct(log, day().calibration, day().car)
    return found, [str(w.message) for w in said if w.category is PriorWarning]


def mean_u(forces: xr.Dataset, name: str = "u_tyre_force") -> np.ndarray:
    """Root of the mean variance by component, front left."""
    return np.sqrt(np.mean(np.square(forces[name].to_numpy()[:, 0].astype(float)), axis=0))


def test_all_channels_nothing_to_say() -> None:
    assert without()[1] == []


@pytest.mark.parametrize(
    ("channel", "sentences", "grows"),
    [
        (("travel",), ["corner FL: travel is not logged; it is calculated from the logged roll and "
                       "pitch, with a standard uncertainty of 5 mm"], "y"),
        (("hub_acceleration", "noise_hub_acceleration"),
         ["corner RR: hub_acceleration is not logged; body acceleration is used, with a "
          "standard uncertainty of 4 m/s2"], "xyz"),
        (("steer",), ["virtual log: steer is not logged; it is calculated from its accelerations "
                      "by the gauges, with a standard uncertainty of"], "x"),
        (("roll", "pitch"), ["virtual log: roll and pitch are not logged; they are taken from the "
                             "four travels, with standard uncertainties of"], ""),
        (("roll", "pitch", "travel"), ["virtual log: roll and pitch are not logged; they are "
                                       "estimated from the acceleration of the body, with"],
         "yz"),
        (("roll", "pitch", "travel", "acceleration"),
         ["virtual log: acceleration is not logged; it is inferred from the gauges, with standard "
          "uncertainties of 0.3, 0.3, 0.3 m/s2 (x, y, z).",
          "virtual log: roll and pitch are not logged; they are estimated from the"], "yz"),
    ],
)  # fmt: skip
def test_a_missing_channel_is_told_and_widens(
    channel: tuple[str, ...], sentences: list[str], grows: str
) -> None:
    found, said = without(*channel)
    for sentence in sentences:
        assert any(sentence in text for text in said), said
    more, less = mean_u(found), mean_u(whole())
    for axis in grows:
        k = "xyz".index(axis)
        assert more[k] > 1.02 * less[k], axis
    # Nothing becomes surer but for what hung on the travel that is no longer there.
    assert np.all(more > 0.98 * less)
    # The widening is an assumption or noise, never part of session or calibration.
    assert_allclose(
        mean_u(found, "u_tyre_force_calibration"),
        mean_u(whole(), "u_tyre_force_calibration"),
        rtol=0.1,  # loads at other poses
    )


def test_steer_beyond_the_rack_is_flagged_and_not_known() -> None:
    log = short()
    steer = log["steer"].to_numpy().copy()
    steer[40:45] = 1.2
    turned = log.assign(steer=log["steer"].copy(data=steer))
    with unwarned(), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ExtrapolationWarning)
        found = reconstruct(turned, day().calibration, day().car)
    said = [str(one.message) for one in caught if one.category is ExtrapolationWarning]
    for corner, words in zip(("FL", "FR"), said, strict=True):
        assert re.search(rf"{corner}: .*rack's shift up to \d+ mm, stated -40", words)
    flagged = (found["status"].to_numpy() & BIT["beyond_pose"]) > 0
    assert np.flatnonzero(flagged[:, 0]).tolist() == [40, 41, 42, 43, 44]
    assert not np.any(flagged[:, 2:])  # the rear does not steer
    assert np.all(np.isnan(found["tyre_force"].to_numpy()[40:45, 0]))


def test_one_axis_of_the_hub_is_told_and_widened_alone() -> None:
    log = short()
    hub = log["hub_acceleration"].copy()
    hub.loc[{"corner": "FL", "component": "y"}] = np.nan
    found, said = solved(log.assign(hub_acceleration=hub))
    sentence, worth = said
    assert sentence == (
        "virtual log, corner FL: hub_acceleration (y) is not logged; body acceleration is used, "
        "with a standard uncertainty of 4 m/s2."
    )
    assert "hub_acceleration would narrow the intervals most: Fy of FL from " in worth
    assert mean_u(found)[1] > 1.1 * mean_u(whole())[1]
    assert_allclose(mean_u(found)[2], mean_u(whole())[2], rtol=0.05)
    other = [np.sqrt(np.mean(f["u_tyre_force"].to_numpy()[:, 1, 1] ** 2)) for f in (found, whole())]
    assert_allclose(other[0], other[1], rtol=1e-6)  # the other corners keep their own


def two_corners(*gone: str) -> xr.Dataset:
    """The short log with three gauges of each front corner alone: FR does not show its load."""
    log = short(tuple(name for name in gone if name in day().conditioned))
    gauges = [str(g) for g in log["gauge"].to_numpy() if str(g).startswith("F")]
    return log.sel(gauge=[g for g in gauges if g.endswith(("_front", "lower_rear"))])


@pytest.mark.filterwarnings("ignore:.*is calibrated but not in the log")
def test_no_acceleration_at_all_is_one_error_shared_by_the_corners() -> None:
    found, said = solved(two_corners("hub_acceleration", "noise_hub_acceleration", "acceleration"))
    assert any(
        "gravity alone is used, with a standard uncertainty of 10 m/s2" in text for text in said
    )
    names = found["cause_name"].to_numpy().tolist()
    assert names.count("body acceleration y") == 1
    loading = found["loading"].to_numpy()[names.index("body acceleration y"), 0, :, 1, 0]
    assert np.all(np.sign(loading) == np.sign(loading[0]))  # all corners are wrong the same way
    assert "FL hub acceleration y" not in names


@pytest.mark.filterwarnings("ignore:.*is calibrated but not in the log")
def test_a_corner_whose_load_is_not_known_shows_neither_attitude_nor_travel() -> None:
    log = two_corners("roll", "pitch", "travel", "acceleration")
    _, said = solved(log.sel(gauge=[g for g in log["gauge"].to_numpy() if g.startswith("FR")]))
    for sentence in (
        "roll and pitch are not logged; the body is taken as level within 2.0 degrees.",
        "corner FR: travel is not logged; intervals allow for a standard uncertainty of 15 mm",
    ):
        assert any(sentence in text for text in said), said


def test_tyre_axes_are_wider_where_the_steer_is_not_logged() -> None:
    log = short(("steer",))
    front = log.sel(gauge=[name for name in log["gauge"].to_numpy() if str(name)[0] == "F"])
    truth = day().truth.isel(elapsed_time=slice(600, 700))
    force, angle = truth["tyre_force_intermediate"].to_numpy()[:, :2], whole()["heading"][:, :2]
    c, s = np.cos(angle.to_numpy()), np.sin(angle.to_numpy())
    true_x = c * force[..., 0] + s * force[..., 1]  # the full log knows the heading
    ratios = []
    answers = [without("steer"), solved(front)]
    for found, _ in answers:
        z = (found["tyre_force"].to_numpy()[:, :2, 0] - true_x) / found["u_tyre_force"][:, :2, 0]
        assert np.sqrt(np.mean(np.square(z))) < 1.6  # as below
        ratios.append(mean_u(found)[0] / mean_u(whole())[0])
    assert any(
        "virtual log: steer is not logged; the rack is taken as straight within 10 mm. Log steer, "
        "rack or steering_wheel_angle." in text
        for text in answers[1][1]
    )
    assert ratios[1] > 3.0  # twin: 10 mm of rack turn 3 kN of side force by several degrees
    assert ratios[0] < 2.0  # gauges of four corners show the steer


def test_stand_ins_stay_within_their_intervals() -> None:
    """The truth behind the log is still met where a channel was taken away."""
    hub = ("hub_acceleration", "noise_hub_acceleration")
    for channel in ((), ("travel",), hub, ("steer",), ("roll", "pitch")):
        found, _ = without(*channel)
        truth = day().truth.isel(elapsed_time=slice(600, 700))
        z = (found["tyre_force_intermediate"] - truth["tyre_force_intermediate"]) / found[
            "u_tyre_force_intermediate"
        ]
        # One day's systematic errors: each a few draws, so 1.5 rather than 1.0 in the mean square.
        assert np.sqrt(np.mean(np.square(z))) < 1.6, channel
        assert np.max(np.abs(z)) < 6.0, channel


def test_four_travels_give_roll_and_pitch() -> None:
    log = short(("roll", "pitch"))
    shared, given = body(log, day().car), body(short(), day().car)
    with pytest.warns(PriorWarning, match=r"taken from the four travels, with standard unc"):
        found = prepared_for(log, day().car).attitude
    known = prepared_for(short(), day().car).attitude
    down, flat = (s.turn[2].T for s in (shared, given))
    # Largest of 300 differences, with the noise of roll and pitch, 0.7 mrad.
    assert np.max(np.abs(down - flat)) < 3 * np.hypot(found.u_roll, 0.0007)
    assert found.u_roll < 0.003  # rad; tyres lean by 5 mrad at 8 m/s2, which the body's shows
    assert np.std(down[:, 1]) > 0.5 * np.std(flat[:, 1]) > 0.002  # twin: roll is there
    assert found.part == "assumption"
    assert known.part == "session"
    lifted = log.copy(deep=True)
    lifted["acceleration"].values[:] = [0.0, 0.0, STANDARD_GRAVITY]  # no lean on the tyres
    rise = {"FL": -0.02, "FR": 0.02, "RL": -0.02, "RR": 0.02}
    lifted["travel"].values[:] = [rise[str(c)] for c in lifted["corner"].to_numpy()]
    turn = body(lifted, day().car).turn[..., 0]
    track = np.mean([2 * abs(day().car.corners[c].wheel.centre[1]) for c in ("FL", "RL")])
    # Left wheels hang out, so the left side is up: a right-handed turn about x.
    assert turn[2, 1] == pytest.approx(np.sin(0.04 / track), rel=1e-9)
    assert turn[0, 0] == pytest.approx(1.0, abs=1e-12)
    rise = {"FL": -0.02, "FR": 0.02, "RL": 0.02, "RR": -0.02}  # axles that contradict each other
    lifted["travel"].values[:] = [rise[str(c)] for c in lifted["corner"].to_numpy()]
    with pytest.warns(PriorWarning, match=r"four travels, .* uncertainties of 1\.\d and"):
        assert attitude_of(lifted, day().car).u_roll == pytest.approx(0.04 / track, rel=0.05)


def test_attitude_turns_as_the_virtual_car_does() -> None:
    roll, pitch = np.array([0.05, -0.02]), np.array([0.01, 0.03])
    both = attitude_matrix(roll, pitch) @ level_to_vehicle(roll, pitch)
    assert_allclose(both, np.tile(np.eye(3), (2, 1, 1)), rtol=0, atol=1e-15)  # rounding


@pytest.mark.parametrize("file", ["club_racer.toml", "strut.toml"])  # ahead, behind the axle
def test_rack_steering_wheel_and_steer_say_the_same(file: str) -> None:
    car = read_vehicle(VEHICLES / file)
    steer = np.linspace(-0.1, 0.1, 100)
    rack = rack_of_steer(car, steer)
    log = short(("steer",))
    sources = {
        "steer": steer,
        "rack": rack,
        "steering_wheel_angle": np.sign(steer) * np.abs(rack) / car.steering.rack_per_angle,
    }
    for name, values in sources.items():
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            some = log.assign({name: ("elapsed_time", values)})
            assert prepared_for(some, car).steer.source == name
        found = body(some, car).rack
        assert_allclose(found, rack, rtol=0, atol=1e-12, err_msg=name)  # rounding


def test_a_wheel_angle_without_a_stated_ratio_is_no_steer() -> None:
    car = day().car
    silent = replace(car, steering=replace(car.steering, rack_per_angle=np.nan))
    log = short(("steer",)).assign(steering_wheel_angle=("elapsed_time", np.ones(100)))
    told = "within 10 mm. steering_wheel_angle is logged, .* per turn: state rack_mm_per_turn"
    with pytest.warns(PriorWarning, match=told):
        assert prepared_for(log, silent).steer.source == "none"
    assert np.all(body(log, silent).rack == 0)


def test_without_pressure_the_hubs_moment_is_open() -> None:
    """Nobody knows when the brake was on: every sample of an outboard brake may be braked."""
    found, _ = solved(short(("brake_pressure",)))
    assert np.all(found["hub_mode"] == 1)
    assert np.all(whole()["hub_mode"] == 0)
    assert mean_u(found)[0] > mean_u(whole())[0]
    truth = day().truth.isel(elapsed_time=slice(600, 700))["tyre_force_intermediate"]
    z = (found["tyre_force_intermediate"] - truth) / found["u_tyre_force_intermediate"]
    assert np.sqrt(np.mean(np.square(z))) < 1.6  # as above


def test_gaps_in_a_needed_channel_are_missing_input() -> None:
    log = short().copy(deep=True)
    log["travel"].values[10, 0] = np.nan
    log["hub_acceleration"].values[20, 1, 2] = np.nan
    found, _ = solved(log)
    missing = (found["status"].to_numpy() & BIT["missing_input"]) > 0
    assert np.argwhere(missing).tolist() == [[10, 0], [20, 1]]
    assert np.array_equal(np.isnan(found["tyre_force"].to_numpy()).all(axis=2), missing)


def test_a_channel_of_nothing_but_gaps_is_not_logged() -> None:
    log = short().copy(deep=True)
    log["travel"].values[:, 2] = np.nan
    found, said = solved(log)
    assert any("corner RL: travel is not logged" in text for text in said)
    assert not np.any(found["status"])


def test_the_bodys_acceleration_stands_in_for_a_hubs() -> None:
    """A turn at 8 m/s2 with 24.5 kg of wheel: 200 N sideways, met by the body's sensor."""
    n = 4
    force = np.tile([0.0, 1500, 2500], (n, 1))
    specific = np.tile([0.0, 8.0, STANDARD_GRAVITY], (n, 1))
    through = states("FL", force, acceleration=specific, specific_force=specific[:, None])
    log, tares, _ = exact_log(exact(), through)
    blind = log.drop_vars("hub_acceleration")
    sideways = []
    for given in (log, blind, blind.drop_vars("acceleration")):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", PriorWarning)
            found = reconstruct(
                condition(given, exact().car, tares, bandwidth=1e9),
                exact().calibration,
                exact().car,
            )
        sideways.append(float(found["tyre_force_intermediate"].to_numpy()[0, 0, 1]))
    assert sideways[1] == pytest.approx(sideways[0], abs=0.01)  # N, single precision
    assert sideways[0] == pytest.approx(1500, abs=30)  # as in test_reconstruct
    # Without any accelerometer the links say how hard the car turns: their side force over load.
    links = (1500 - 24.5 * 8.0) / (2500 - 24.5 * STANDARD_GRAVITY)
    left = 24.5 * (8.0 - STANDARD_GRAVITY * links)
    assert sideways[0] - sideways[2] == pytest.approx(left, rel=0.02)


def test_a_log_too_short_to_show_hop_has_forces_all_the_same() -> None:
    log, tares, _ = exact_log(exact(), states("FL", np.tile([0.0, 1500, 2500], (4, 1))))
    blind = log.drop_vars(["hub_acceleration", "travel"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        given = condition(blind, exact().car, tares, bandwidth=1e9)
        found = reconstruct(given, exact().calibration, exact().car)
    u = found["u_tyre_force"].to_numpy()[:, 0]
    assert np.all((u > 20) & (u < 200))  # N


def test_a_tare_on_pads_gives_the_same_forces_and_says_that_it_is_less_sure() -> None:
    """Zero taken with the wheel standing on a pad whose load was written down."""
    pad = 1700.0
    force = np.array([[0, 0, 2500.0], [50, -1500, 3000], [0, 1200, 1500]])
    log, tares, _ = exact_log(exact(), states("FL", force))
    standing, _, _ = exact_log(exact(), states("FL", np.tile([0.0, 0, pad], (3, 1))))
    seen = standing["indication"].to_numpy()[0]
    on_pads = replace(
        tares, state=np.full(12, "pads"), pad_load=np.full(12, pad), indication=np.tile(seen, 2)
    )
    corner = replace(exact().car.corners["FL"], bush_rate=0.0, u_bush_rate=0.0)  # as the exact car
    car = replace(exact().car, corners={**exact().car.corners, "FL": corner})
    results = [
        reconstruct(condition(log, car, t, bandwidth=1e9), exact().calibration, car)
        for t in (tares, on_pads)
    ]
    hanging, pads = (r["tyre_force"].to_numpy()[:, 0] for r in results)
    # Last digits of two tares, and the map's 0.3 % of 1.7 kN on different lines.
    assert_allclose(pads[:, 2], hanging[:, 2], rtol=0, atol=10.0)
    assert_allclose(pads[:, :2], hanging[:, :2], rtol=0, atol=12.0)
    u_hanging, u_pads = (r["u_tyre_force_session"].to_numpy()[:, 0] for r in results)
    assert np.all(u_pads[:, :2] > 100.0)  # tyres on pads hold side forces, 200 N stated
    assert np.all(u_pads[:, :2] > 2 * u_hanging[:, :2])


def test_inboard_brakes_pass_nothing_about_the_spin_axis() -> None:
    car = exact("RL").car
    corner = car.corners["RL"]
    inboard = replace(
        car, corners={"RL": replace(corner, brake=replace(corner.brake, place="inboard"))}
    )
    log, tares, _ = exact_log(exact("RL"), states("RL", np.tile([0.0, 0, 2000], (3, 1))))
    log["brake_pressure"].values[:] = 3e6
    pulled = exact("RL").calibration  # with its outboard brake; the map itself is the same
    own = replace(pulled.corners["RL"], facts=facts_of(inboard, "RL"))
    found = reconstruct(
        condition(log, inboard, tares, bandwidth=1e9), replace(pulled, corners={"RL": own}), inboard
    )
    assert np.all(found["hub_mode"] == 0)
