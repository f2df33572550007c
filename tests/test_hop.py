"""What the quantities of an event of hop are made of, and how unsure reading them is."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.analysis.launch import launch
from recon.analysis.shifts import shifts
from recon.conditioning.filters import low_pass
from recon.evaluation.common.estimate import independent
from recon.evaluation.launch import hop, hop_errors
from recon.evaluation.launch.drive_force import U_TIME
from recon.evaluation.launch.oscillation import Band, oscillations
from recon.report.answers.launch import launch_summary, sides
from recon.virtual.phases import Hop
from tests.campaign.closed_forms import largest_wave
from tests.launch_days import launch_day

COUNT = len(hop.QUANTITIES) + len(hop.SHAPE)


def signal(frequency: float, cycles: float, amplitude: float) -> np.ndarray:
    """A row of quantities of hop that grows and dies away slowly."""
    row = dict.fromkeys((*hop.QUANTITIES, *hop.SHAPE), 0.0) | {
        "frequency": frequency, "cycles": cycles, "mean": amplitude, "largest": 1.5 * amplitude,
        "growth": 0.25, "decay": 0.2, "first": 310.0, "last": 320.0, "rising": 0.2, "falling": 0.2,
    }  # fmt: skip
    return np.array(list(row.values()))


def test_reading_a_wave_that_is_fitted_adds_nothing_to_the_errors_of_the_force() -> None:
    """Amplitudes are read from all half-waves, cycles from end to end."""
    row, quiet = signal(12.0, 9.0, 800.0), np.zeros(2)
    u = dict(zip(hop.QUANTITIES, hop.u_reading(row, hop.LEAST, quiet), strict=False))
    assert u["mean"] == u["largest"] == 0.0
    assert u["cycles"] == pytest.approx(12.0 * np.hypot(u["start"], u["end"]))
    assert hop.u_frequency(5.0, 1.5, 0.0) > 0.05  # the slope through three reversals


def test_the_frequency_of_an_event_does_not_hang_on_which_side_has_one_more_cycle() -> None:
    longer = np.array([signal(12.30, 9.0, 650.0), signal(12.20, 8.5, 650.0)])
    shorter = np.array([signal(12.30, 8.5, 650.0), signal(12.20, 9.0, 650.0)])
    found = [hop.shared_frequency(rows) @ rows[:, 2] for rows in (longer, shorter)]
    assert found == pytest.approx([12.25, 12.25], abs=0.01)
    # A short, small one says little; one without hop nothing.
    rows = np.array([signal(12.0, 10.0, 1000.0), signal(13.0, 3.0, 400.0), np.full(COUNT, np.nan)])
    assert hop.shared_frequency(rows) == pytest.approx([1.0, 0.0, 0.0], abs=0.005)


def test_the_latest_of_alike_ends_is_mostly_one_that_is_too_late() -> None:
    rng, true, u = np.random.default_rng(2), 3.7, np.full(2, 0.04)
    found = true + u * rng.standard_normal((400, 2))
    too_late = found.max(axis=1) - true
    mended = [late - hop.by_chance(ends, u)[0] for late, ends in zip(too_late, found, strict=True)]
    assert np.mean(too_late) > 0.5 * 0.04
    assert abs(np.mean(mended)) < 0.4 * 0.04
    assert hop.by_chance(np.array([3.2, 3.7, np.nan]), np.full(3, 0.02))[0] == pytest.approx(
        0, abs=2e-3
    )


def test_the_latest_end_is_as_unsure_as_one_that_may_be_later() -> None:
    rng, true, u = np.random.default_rng(4), 8.5, np.array([0.012, 0.097])
    found = true + u * rng.standard_normal((400, 2))
    latest = [hop.outermost(independent(ends, u), 1.0) for ends in found]
    z = np.array([(float(of.value[0]) - true) / float(of.u[0]) for of in latest])
    assert np.max(np.abs(z)) < 3.5
    assert np.mean(np.abs(z) < 1.96) > 0.93


def test_hop_that_stops_at_full_size_ends_there() -> None:
    steady = signal(10.4, 16.5, 600.0)
    steady[-5:] = 590.0, 590.0, 0.03, 0.01, 0.0
    u = {road: hop.u_reading(steady, hop.LEAST, np.full(2, road))[1] for road in (30.0, 150.0)}
    assert u[30.0] == pytest.approx(0.25 / 10.4)  # part of a wave may have been cut off
    assert u[150.0] > 0.8 / 10.4  # such a road may have cancelled the waves that followed
    steady[-5:-3] = 610.0
    assert hop.u_reading(steady, hop.LEAST, np.full(2, 30.0))[1] == pytest.approx(0.125 / 10.4)
    steady[-5:-3] = 590.0
    steady[hop.QUANTITIES.index("largest")] = 1500.0  # it died away, and the road lifted the last
    assert hop.u_reading(steady, hop.LEAST, np.full(2, 30.0))[1] > 0.8 / 10.4


def hop_on_a_road(rng: np.random.Generator) -> tuple[list[float], list[float]]:
    """Errors of begin and end of hop on a road, over u; none where its end is another one."""
    time = np.arange(0.0, 5.0, 0.01)
    growth, decay = rng.uniform(3.0, 8.0, 2)
    own = Hop(2.5, rng.uniform(10.5, 13.0), 1.0, growth, decay, 0.0)
    envelope = rng.uniform(700.0, 2000.0) * own.envelope(time - 2.5)
    there = time[envelope >= hop.LEAST]
    road = low_pass(rng.standard_normal((len(time), 1)), 30.0, 100.0)
    road *= 45.0 / np.std(low_pass(road, hop.HIGH, 100.0) - low_pass(road, hop.LOW, 100.0))
    wave = envelope * np.cos(2 * np.pi * own.frequency * (time - 2.5))
    signals = np.stack([0 * wave, wave + road[:, 0]], axis=-1)[:, None]
    found = hop.found_in(time, signals, np.full((1, 2), hop.LEAST))
    event = max(hop.events(found), key=lambda e: e.end - e.start)
    row = hop.measured(found, event, [(0, 1)])[0]
    busy = (time > event.start - hop.SAME) & (time < event.end + hop.SAME)
    beside = hop.road_beside(time, signals, event, busy)[:, 0, 1]
    away = (row[:2] - there[[0, -1]]) / hop.u_reading(row, hop.LEAST, beside)[:2]
    return away[:1].tolist(), away[1:].tolist()


def test_a_road_makes_begin_and_end_of_hop_unsure() -> None:
    rng = np.random.default_rng(11)
    z = np.abs(np.concatenate([np.ravel(hop_on_a_road(rng)) for _ in range(150)]))
    assert np.mean(z < 1.96) == pytest.approx(0.95, abs=0.04)


def test_hop_that_is_gone_while_it_is_large_may_have_died_away_later() -> None:
    falling = signal(12.0, 9.0, 800.0)
    falling[-4:] = 650.0, 0.02, 0.2, 0.25
    steady = falling.copy()
    steady[-1] = 0.0
    dying, cut = (hop.u_reading(row, hop.LEAST, np.full(2, 30.0))[1] for row in (falling, steady))
    assert cut == pytest.approx(0.125 / 12.0)
    assert dying == pytest.approx(1.0 / 12.0, rel=0.02)  # the most; 3 cycles until 300 N
    # 5 % per cycle leave 618 N of another cycle, which no road of 30 N cancels.
    falling[-1] = 0.05
    assert hop.u_reading(falling, hop.LEAST, np.full(2, 30.0))[1] == pytest.approx(cut)


def test_the_road_is_judged_at_either_end_of_hop() -> None:
    time, rng = np.arange(0.0, 4.0, 0.01), np.random.default_rng(3)
    size = np.where(time < 2.0, 20.0, 60.0)[:, None, None]
    signals = size * rng.standard_normal((len(time), 1, 2))
    event, free = hop.Hop(1.5, 2.5, (0, 1), 12.0, np.array([2.0])), np.zeros(len(time), dtype=bool)
    before, after = hop.road_beside(time, signals, event, free)
    assert (after > 2.0 * before).all()
    alone = hop.road_beside(time, signals, event, time > 2.5)  # a shift follows
    assert alone[1] == pytest.approx(before)
    neither = hop.road_beside(time, signals, event, ~free)
    assert neither == pytest.approx(hop.LEAST / hop.ABOVE_ROAD)


def test_a_fit_and_a_periodogram_differ_by_as_much_as_is_allowed() -> None:
    """On waves without any error that grow and die away beside a slope of the force."""
    rng, time, apart = np.random.default_rng(5), np.arange(0.0, 4.0, 0.005), []
    for _ in range(60):
        growth, decay = rng.uniform(3.0, 8.0, 2)
        frequency, size = rng.uniform(10.0, 14.0), rng.uniform(450.0, 1800.0)
        envelope = size * Hop(2.0, frequency, 1.0, growth, decay, 0.0).envelope(time - 2.0)
        force = envelope * np.cos(2 * np.pi * frequency * time + rng.uniform(0.0, 2 * np.pi))
        force += rng.uniform(-300.0, 300.0) * np.clip((time - 2.0) / 0.5, -1.0, 1.0)
        for wave in oscillations(time, force, Band(hop.LOW, hop.HIGH, hop.LEAST, hop.CYCLES)):
            inside = (time >= wave.start) & (time <= wave.end)
            other = largest_wave(time[inside], force[inside])
            apart.append((wave.frequency - other) / hop.u_frequency(other, wave.cycles, 0.0))
    assert len(apart) > 50
    assert np.sqrt(np.mean(np.square(apart))) == pytest.approx(1.0, abs=0.2)


@pytest.fixture(scope="module")
def answer() -> xr.Dataset:
    return launch(launch_day()[0])


def test_an_event_has_the_frequency_and_the_ends_of_all_its_tyres(answer: xr.Dataset) -> None:
    each = answer["hop_frequency"].to_numpy()[0].ravel()
    event = float(answer["hop_event_frequency"][0])
    assert each.min() < event < each.max()
    assert not np.isclose(event, each).any()
    assert float(answer["hop_end"][0]) < float(answer["hop_finish"][0].max())
    assert float(answer["hop_start"][0]) > float(answer["hop_begin"][0].min())


def test_elapsed_times_are_as_unsure_as_the_clock_of_the_gauges(answer: xr.Dataset) -> None:
    """All gauges late alike: that moves elapsed times, but no time between two of them."""
    found = shifts(launch_day()[0])
    assert float(answer["u_launch_start"][0]) > U_TIME
    assert (found["u_gap_start"] > U_TIME).all()
    assert (found["u_gap_end"] > U_TIME).all()
    assert (found["u_time_below_half"] < U_TIME).all()


def test_a_larger_wave_has_more_small_half_waves() -> None:
    """A wave that grows and dies evenly between `LEAST` and its top P has the mean M.

    M = (P - LEAST) / ln(P / LEAST), and (P - M) / ln(P / LEAST) is its change per share of P.
    """
    time = np.arange(0.0, 6.0, 0.005)
    top, slow = 1500.0, 1.0
    signal = top * np.exp(-np.abs(time - 3.0) / slow) * np.sin(2 * np.pi * 11.3 * time)
    (event,) = hop.events(hop.found_in(time, signal[:, None, None], np.full((1, 1), hop.LEAST)))
    span = np.log(top / hop.LEAST)
    mean = (top - hop.LEAST) / span
    start, end, mean_place = (hop.QUANTITIES.index(n) for n in ("start", "end", "mean"))
    u = hop_errors.u_of_size(time, signal, event, 0.1)
    assert u[mean_place] == pytest.approx(0.1 * (top - mean) / span, rel=0.05)
    # It passes `LEAST` slow * ln(1.1) earlier and later; half-waves are 0.044 s long.
    assert u[[start, end]] == pytest.approx([0.1, 0.1], abs=0.022)
    assert (top - mean) / span < 0.75 * mean
    gone = hop_errors.u_of_size(time, signal, event, 0.9)[
        mean_place
    ]  # 0.1 of it is no hop: the other way counts
    assert gone == pytest.approx((1.9 * top - hop.LEAST) / (span + np.log(1.9)) - mean, rel=0.05)
    assert not hop_errors.u_of_size(time, 0.0 * signal, event, 0.1).any()


def test_friction_delays_one_side_of_a_hop() -> None:
    """By 4 w / (pi A) for a loop of half-width w, whose error at the tare lies anywhere in it."""
    forces = launch_day()[0].copy(deep=True)
    names = forces["cause_name"].to_numpy()
    rows = np.flatnonzero([str(name).endswith("friction") for name in names])
    for name in ("loading", "loading_added_intermediate", "loading_added_tyre"):
        forces[name].values[rows] = 0.0
    without = launch(forces)
    forces["loading"].values[rows[0], :, 2, 0, 0] = 10.0  # N of Fx of the left tyre, at all times
    found = launch(forces)
    u = [one["u_hop_phase"].to_numpy()[0, 0] for one in (without, found)]
    height = float(found["hop_mean_amplitude"][0, 0, 0])
    expected = 4 / np.pi * np.sqrt(3.0) * 10.0 / height
    assert np.sqrt(u[1][0] ** 2 - u[0][0] ** 2) == pytest.approx(expected, rel=0.03)
    assert u[1][1] == pytest.approx(u[0][1], rel=0.02)  # of Fz


def test_a_force_that_does_not_hop_has_no_phase_between_its_sides() -> None:
    forces = launch_day()[0].copy(deep=True)
    up = forces["tyre_force_intermediate"].values[..., 2]
    up[:] = low_pass(up, hop.RIDE, float(forces.attrs["rate_Hz"]))
    found = launch(forces)
    along, up = found["hop_phase"].values[0, 0]
    assert np.isfinite(along)
    assert np.isnan(up)
    words = " ".join(" ".join(launch_summary(found)).split())
    assert sides(float(along)) in words


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_body_that_squats_makes_hop_by_travel_no_less_sure() -> None:
    forces, _ = launch_day(without=("hub_acceleration",))
    squat = 0.015 * np.sin(2 * np.pi * 0.5 * forces["elapsed_time"])  # m, slower than any hop
    moved = forces["travel"].copy(data=forces["travel"] + squat)
    plain, squatting = (
        launch(one)["u_hop_amplitude"].sel(component="z").to_numpy()
        for one in (forces, forces.assign(travel=moved))
    )
    assert np.isfinite(plain).any()
    assert squatting == pytest.approx(plain, rel=0.1, nan_ok=True)


def with_and_without_hubs(component: str, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Standard uncertainties of a quantity of hop with hub accelerometers and without.

    Both are within their intervals of each other.
    """
    seen, unseen = (launch_day(without=gone)[0] for gone in ((), ("hub_acceleration",)))
    true, found = (launch(one).sel(component=component) for one in (seen, unseen))
    u_true, u_found = (one[f"u_{name}"].to_numpy() for one in (true, found))
    away = (found[name] - true[name]).to_numpy()
    known = np.isfinite(away)
    assert known.any()
    assert np.all(np.abs(away[known]) < 1.96 * np.hypot(u_true, u_found)[known])
    return u_true[known], u_found[known]


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize("name", ["hop_amplitude", "hop_mean_amplitude"])
def test_motion_that_no_accelerometer_shows_may_be_part_of_hop(name: str) -> None:
    """Without hub accelerometers amplitudes of Fx were 1 to 4 % off, and stated within 1 %."""
    u_true, u_found = with_and_without_hubs("x", name)
    assert np.all(u_found > 1.3 * u_true)


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize("name", ["hop_growth", "hop_decay"])
def test_such_motion_may_grow_and_die_away_otherwise(name: str) -> None:
    """Of Fz without hub accelerometers, growth was 1 to 9 % per cycle off, stated within 0.4 %."""
    u_true, u_found = with_and_without_hubs("z", name)
    assert np.max(u_found / u_true) > 1.3
