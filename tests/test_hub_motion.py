"""Acceleration of the wheel centres where no sensor is at the hub: physics, noise, bandwidth."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from functools import cache, partial

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.signal import butter, sosfiltfilt

from recon.base.errors import DataWarning, PriorWarning
from recon.conditioning.condition import condition
from recon.conditioning.derivative import derivative, differences
from recon.conditioning.filters import Band, low_pass
from recon.conditioning.hub_motion import road_spectrum, side_spectrum, unseen_share
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import assemblies_of
from recon.mechanics.motion import pose
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from tests.days import day, standardised, unwarned

RATE, SECONDS = 200.0, 60.0


def band(bandwidth: float, samples: int = int(RATE * SECONDS)) -> Band:
    return Band(bandwidth, RATE, [slice(0, samples)])


def blind(*names: str) -> xr.Dataset:
    """The day's log without some channels."""
    return day().log.drop_vars(names)


@cache
def without_hub(bandwidth: float | None = None) -> tuple[xr.Dataset, xr.Dataset, list[str]]:
    """Conditioned log and forces without accelerometers at the hubs, and what was said."""
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        log = condition(blind("hub_acceleration"), day().car, day().tares, bandwidth=bandwidth)
        forces = reconstruct(log, day().calibration, day().car)
    return log, forces, [str(w.message) for w in said if w.category is PriorWarning]


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("noise", [1e-5, 2e-4, 2e-3])
@pytest.mark.parametrize("bandwidth", [4.0, 20.0, 90.0])
def test_a_derivative_is_as_wrong_as_it_says(order: int, noise: float, bandwidth: float) -> None:
    """A wheel's position, or its rate: slow motion, and a road; acceleration falls above 10 Hz."""
    rng = np.random.default_rng(3)
    time = np.arange(int(RATE * SECONDS)) / RATE
    frequency = np.fft.rfftfreq(len(time), 1 / RATE)
    road = np.fft.rfft(rng.standard_normal(len(time)))
    road *= 1.0 / np.maximum(frequency, 1.0) ** order / (1 + (frequency / 10.0) ** 1.5)
    turn = 2j * np.pi * frequency
    body = 0.01 * np.sin(2 * np.pi * 0.7 * time)
    wheel = np.fft.irfft(road, len(time))
    scale = 1e-3 / np.std(wheel)
    true = scale * np.fft.irfft(road * turn**order, len(time))
    true += np.fft.irfft(np.fft.rfft(body) * turn**order, len(time))
    seen = body + scale * wheel + noise * rng.standard_normal(len(time))
    found = derivative(seen, order, band(bandwidth))
    assert found is not None
    inner = slice(200, -200)
    error = found.values - low_pass(true[:, None], bandwidth, RATE)[:, 0]
    # Below 12 Hz the road falls off where it is assumed not to: a factor of two at most.
    floor = 0.01 * np.std(true)  # central differences
    assert np.std(error[inner]) < 1.25 * np.hypot(found.u, floor)
    assert found.u < 2.0 * np.hypot(np.std(error[inner]), floor)


def test_what_passes_of_a_hop_above_the_bandwidth_is_in_the_derivative() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(int(RATE * SECONDS)) / RATE
    hop = 0.006 * np.sin(2 * np.pi * 11.8 * time) * ((time > 20.0) & (time < 22.0))
    body = 0.01 * np.sin(2 * np.pi * 0.7 * time)
    found = derivative(body + hop + 1e-4 * rng.standard_normal(len(time)), 2, band(8.0))
    assert found is not None
    true = low_pass(differences(body + hop, 2, band(90.0))[:, None], 8.0, RATE)[:, 0]
    in_hop = (time > 20.5) & (time < 21.5)
    assert np.std(true[in_hop]) > 2.0  # m/s2, a tenth of the hop itself
    assert np.std((found.values - true)[in_hop]) < 0.1 * np.std(true[in_hop])


@pytest.mark.parametrize("seconds", [0.75, 1.5, 3.0])
def test_noise_of_a_short_drive_is_not_taken_for_signal(seconds: float) -> None:
    """Few windows: the median of their spectrum is down to 0.7 of the noise."""
    time = np.arange(int(RATE * seconds)) / RATE
    true = 0.01 * np.sin(2 * np.pi * 0.7 * time)
    u, error = [], []
    for seed in range(40):
        noise = 2e-4 * np.random.default_rng(seed).standard_normal(len(time))
        found = derivative(true + noise, 2, band(70.0, len(time)))
        assert found is not None
        u.append(found.u)
        error.append(np.std((found.values + (2 * np.pi * 0.7) ** 2 * true)[8:-8]))
    # m/s2 in 90 % of drives, of 6 m/s2 that a filter at the bandwidth passes.
    assert np.quantile(u, 0.9) < 0.6
    assert np.quantile(error, 0.9) < 0.6


@pytest.mark.parametrize("every", [2, 5])
@pytest.mark.parametrize("order", [1, 2])
def test_noise_of_a_slow_channel_is_not_taken_for_signal(order: int, every: int) -> None:
    """A curve through noisy samples holds less than all of their noise between them."""
    rng = np.random.default_rng(7)
    rate = RATE * every
    time = np.arange(int(rate * SECONDS)) / rate
    true, noise = 0.01 * np.sin(2 * np.pi * 0.7 * time), 1e-4
    own = time[::every]
    samples = true[::every] + noise * rng.standard_normal(len(own))
    filled = PchipInterpolator(own, samples)(np.minimum(time, own[-1]))
    parts = [slice(0, len(time))]
    found = derivative(filled, order, Band(0.35 * rate, rate, parts), every / rate)
    known = derivative(samples, order, Band(0.35 * RATE, RATE, [slice(0, len(own))]))
    assert found is not None
    assert known is not None
    inner = slice(200 * every, -200 * every)
    wave = 0.01 * (2 * np.pi * 0.7) ** order * np.sin(2 * np.pi * 0.7 * time + order * np.pi / 2)
    assert np.std((found.values - wave)[inner]) < 1.25 * found.u
    assert found.u < 2.0 * known.u


def test_travel_that_is_slower_than_the_log_does_not_show_wheel_hop() -> None:
    log, every = blind("hub_acceleration").copy(deep=True), 10
    time = log["elapsed_time"].to_numpy()
    slow = CubicSpline(time[::every], log["travel"].to_numpy()[::every])(time)
    log["travel"].values[:] = slow
    log["travel"].attrs["own_step"] = every / RATE
    with unwarned():
        filled = condition(log, day().car, day().tares, bandwidth=20.0)
    u, fast = (
        data["u_relative_acceleration"].to_numpy()[:, 2] for data in (filled, without_hub(20.0)[0])
    )
    assert np.all(u > 1.2 * fast)
    found = (filled["relative_acceleration"] + filled["acceleration"]).transpose(..., "component")
    true = day().truth["hub_acceleration"].to_numpy()[:, :, 2]
    error = np.std((found.to_numpy()[:, :, 2] - low_pass(true, 20.0, RATE))[200:-200], axis=0)
    assert np.all(error < 2.3 * u)  # 3 m/s2 on the virtual road, 1.7 on the stated smooth one


def interpolated(log: xr.Dataset) -> xr.Dataset:
    time = log["elapsed_time"].to_numpy()
    return log.interp(elapsed_time=np.linspace(time[0], time[-1], 2 * len(time) - 1))


def filtered(log: xr.Dataset, share: float) -> xr.Dataset:
    """The log of a logger that filters at a `share` of its rate."""
    filter_ = butter(8, share * RATE, fs=RATE, output="sos")
    log = log.copy(deep=True)
    for name in ("indication", "acceleration", "travel", "roll", "pitch", "yaw_rate", "speed"):
        log[name].values[:] = sosfiltfilt(filter_, log[name].to_numpy(), axis=0)
    return log


def half_a_sample_late(log: xr.Dataset, channel: str) -> xr.Dataset:
    """A channel between its samples, as of a device with a clock of its own: means of two."""
    log = log.copy(deep=True)
    own = log[channel].values
    own[1:] = 0.5 * (own[1:] + own[:-1])
    return log


@pytest.mark.parametrize(
    "logged",
    [
        interpolated,
        partial(filtered, share=0.4),
        partial(filtered, share=0.3),
        partial(half_a_sample_late, channel="pitch"),
        partial(half_a_sample_late, channel="travel"),
    ],
)
def test_noise_is_not_taken_for_motion_where_a_logger_took_its_quick_part_off(
    logged: Callable[[xr.Dataset], xr.Dataset],
) -> None:
    bandwidth, true = 60.0, day().truth["hub_acceleration"].to_numpy()
    with unwarned():
        log = condition(
            logged(blind("hub_acceleration")), day().car, day().tares, bandwidth=bandwidth
        )
    found = (log["relative_acceleration"] + log["acceleration"]).transpose(..., "component")
    every = round(log.attrs["rate"] / RATE)
    passed = low_pass(true.reshape(len(true), -1), bandwidth, RATE).reshape(true.shape)
    error = np.std((found.to_numpy()[::every] - passed)[200:-200], axis=0)
    u, plain = (
        one["u_relative_acceleration"].to_numpy() for one in (log, without_hub(bandwidth)[0])
    )
    assert np.all(error < 1.5 * u)  # the quick part taken for all of it: 100 times as large
    assert np.all(u < 4.0 * plain)  # or with 40 times the uncertainty


def test_motion_of_wheels_that_hides_their_loads_leaves_the_other_forces() -> None:
    """Gauges show the body's acceleration until what wheels do beside it is counted."""
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        less = blind("hub_acceleration", "acceleration", "yaw_rate", "steer")
        log = condition(less, day().car, day().tares)
        log["u_relative_acceleration"].values[:] = [30.0, 30.0, 100.0]  # m/s2
        forces = reconstruct(log, day().calibration, day().car)["tyre_force"].to_numpy()
    assert np.isnan(forces).all(axis=(0, 1)).tolist() == [False, False, True]


def test_only_hubs_of_wheels_with_gauges_need_an_accelerometer() -> None:
    log, car = day().log, day().car
    one = log.sel(gauge=[gauge.name for corner, gauge in car.gauges if corner == "FL"])
    alone = one["hub_acceleration"].where(one["corner"] == "FL")
    lacking = one["hub_acceleration"].where(one["corner"] != "FL")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DataWarning)  # no tares are wanted of the other corners
        found = [
            condition(
                one.assign(hub_acceleration=channel.transpose(*log["hub_acceleration"].dims)),
                car,
                day().tares,
            )
            for channel in (alone, lacking)
        ]
    assert ["relative_acceleration" in log for log in found] == [False, True]


@pytest.mark.parametrize("order", [1, 2])
def test_differences_follow_a_wave_of_fifteen_hertz_at_a_hundred(order: int) -> None:
    time, rate = np.arange(200) / 100.0, 2 * np.pi * 15.0
    exact = rate**order * (np.cos(rate * time) if order == 1 else -np.sin(rate * time))
    found = differences(np.sin(rate * time), order, Band(1e9, 100.0, [slice(0, 200)]))
    # Of five samples 2.4 and 0.8 % are missing, of three 14 and 7 %.
    assert_allclose(found[2:-2], exact[2:-2], rtol=0, atol=0.03 * rate**order)


def test_a_derivative_needs_some_seconds() -> None:
    assert derivative(np.zeros(40), 2, band(20.0, 40)) is None
    assert derivative(np.full(2000, np.nan), 2, band(20.0, 2000)) is None


def test_a_wheel_centre_moves_as_a_rigid_body_takes_it() -> None:
    """Against positions in space, differentiated: a car that turns, rolls, pitches and bumps."""
    n = 4000
    t = np.arange(n) / RATE
    yaw = 0.25 * np.sin(2.0 * t)
    roll, pitch = 0.01 * np.sin(5.0 * t), 0.006 * np.sin(7.0 * t + 1.0)
    rise = 0.004 * np.sin(12.0 * t + 0.5)
    car = day().car
    of = {"roll": roll, "pitch": pitch, "yaw_rate": np.gradient(yaw, 1 / RATE)}
    log = day().log.isel(elapsed_time=slice(0, 1)).drop_vars("hub_acceleration")
    log = log.isel(elapsed_time=np.zeros(n, dtype=int)).assign_coords(
        elapsed_time=("elapsed_time", t, {"units": "s"})
    )
    log = log.copy(deep=True)
    for name, values in of.items():
        log[name].values[:] = values
    log["travel"].values[:] = rise[:, None]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # gauges that stand still are flagged
        out = condition(log, car, day().tares, bandwidth=30.0)
    found = out["relative_acceleration"].sel(corner="RL").to_numpy()
    arm = np.array(car.corners["RL"].wheel.centre) - np.array(car.centre_of_mass)
    assembly = assemblies_of(car)["RL"]
    hubs = pose(assembly.mechanism, np.array([[-0.004], [0.004]])).wheels[0].hub
    aside = (hubs[1, 1] - hubs[0, 1]) / 0.008
    # Small angles: where the wheel centre is, in level axes that turn with the car.
    x = arm[0] + pitch * arm[2]
    y = arm[1] - roll * arm[2] + aside * rise
    z = rise + roll * arm[1] - pitch * arm[0]
    c, s = np.cos(yaw), np.sin(yaw)
    ahead, left, up = (np.gradient(np.gradient(p, t), t) for p in (c * x - s * y, s * x + c * y, z))
    true = np.column_stack([c * ahead + s * left, c * left - s * ahead, up])
    inner = slice(400, -400)
    # Products of small angles, speeds across turning axes, and the filter's ends: some percent.
    assert np.all(np.std(true[inner], axis=0) > [0.05, 0.3, 0.3])  # m/s2, so it is no idle test
    assert_allclose(found[inner] - true[inner], 0.0, atol=0.06 * np.std(true[inner], axis=0).max())


def test_forces_without_hub_accelerometers_are_nearly_as_good() -> None:
    _, forces, said = without_hub(8.0)
    z = standardised(forces, day().truth)
    # One day's systematic errors, as in test_inputs; stated spectra are wide for this smooth car.
    assert np.sqrt(np.mean(np.square(z))) < 1.4
    assert np.sqrt(np.mean(np.square(z))) > 0.5
    u = np.sqrt(np.mean(np.square(forces["u_tyre_force"].to_numpy().astype(float)), axis=(0, 1)))
    assert np.all(u < 45.0)  # N; 4 m/s2 of 24.5 kg alone were 98 N
    assert any(
        "it is inferred from body acceleration and the motion of the wheel against the body, with "
        "a standard uncertainty of" in text
        for text in said
    )


def test_a_log_without_any_channel_of_a_corner_gives_the_same_as_one_that_lost_them() -> None:
    """Gauges and what one box in the car logs: a file has no corners then, but the car has."""
    log = day().log
    bare = log.drop_vars([name for name, of in log.variables.items() if "corner" in of.dims])
    lost = bare.assign_coords(corner=log["corner"])
    forces = []
    for kept in (bare, lost):
        with unwarned(), warnings.catch_warnings():
            warnings.simplefilter("ignore", PriorWarning)
            conditioned = condition(kept, day().car, day().tares, bandwidth=8.0)
            forces.append(reconstruct(conditioned, day().calibration, day().car))
    assert "corner" not in bare.dims
    u = forces[0]["u_tyre_force"]
    assert float(np.sqrt((u**2).mean())) < 60.0  # N; 130 N if nothing is inferred
    xr.testing.assert_equal(u, forces[1]["u_tyre_force"])


def test_its_uncertainty_grows_with_the_bandwidth() -> None:
    u = [without_hub(b)[0]["u_relative_acceleration"].to_numpy() for b in (2.0, 8.0, 30.0)]
    assert np.all(u[0][:, 1:] < 0.8 * u[1][:, 1:])
    assert np.all(u[1][:, 1:] < 0.8 * u[2][:, 1:])


def test_a_body_that_shakes_sideways_does_not_yaw() -> None:
    """Yaw from speed: wheel hop at the accelerometer is no turn, and a slow one is seen."""
    raw = blind("hub_acceleration", "yaw_rate")
    shaken = raw.copy(deep=True)
    time = raw["elapsed_time"].to_numpy()
    shaken["acceleration"][:, 1] += 1.5 * np.sin(2 * np.pi * 12.0 * time)
    with unwarned():
        calm, quick, logged = (
            condition(log, day().car, day().tares, bandwidth=30.0)
            for log in (raw, shaken, blind("hub_acceleration"))
        )
    one, other, true = (
        log["relative_acceleration"].to_numpy()[..., :2] for log in (calm, quick, logged)
    )
    assert np.std(other - one) < 0.02  # 12 Hz over 9 m/s and 1.3 m of arm would be 11 m/s2
    error, turning = np.std(true - one, axis=(0, 1)), np.std(true, axis=(0, 1))
    assert np.all(error < 0.5 * turning)
    u = calm["u_relative_acceleration"].to_numpy()[:, :2]
    assert np.all(u > logged["u_relative_acceleration"].to_numpy()[:, :2])
    assert np.all(error < 1.3 * np.mean(u, axis=0))


def test_a_rough_road_is_found_in_the_log_itself() -> None:
    rough = blind("hub_acceleration").copy(deep=True)
    rng = np.random.default_rng(8)
    shake = low_pass(rng.standard_normal(rough["travel"].shape), 25.0, RATE)
    rough["travel"].values[:] += 2e-3 * shake / np.std(shake)
    with unwarned():
        out = condition(rough, day().car, day().tares, bandwidth=30.0)
    smooth = without_hub(30.0)[0]
    more, less = (
        np.sqrt(np.mean(np.square(log["relative_acceleration"].to_numpy()[:, :, 2])))
        for log in (out, smooth)
    )
    assert more > 2 * less
    u, before = (log["u_relative_acceleration"].to_numpy() for log in (out, smooth))
    assert np.all(u[:, 1] > 1.5 * before[:, 1])  # what bushes and links make of it sideways


def test_blocks_of_a_log_without_hubs_equal_the_whole() -> None:
    log, forces, _ = without_hub()
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        whole = completed(log, day().calibration, day().car)
        prepared = prepare(day().calibration, day().car, whole)
        parts = list(prepared.blocks(whole, size=777))
    joined = np.concatenate([part["tyre_force"].to_numpy() for part in parts])
    assert_allclose(joined, forces["tyre_force"].to_numpy(), rtol=0, atol=0.02)  # float32


def test_logs_with_all_hubs_are_left_alone() -> None:
    assert "relative_acceleration" not in day().conditioned


def test_stated_spectra_have_the_sizes_that_their_comments_say() -> None:
    assert road_spectrum(8.0) == pytest.approx(0.60, abs=0.01)
    assert road_spectrum(30.0) == pytest.approx(1.65, abs=0.01)
    assert road_spectrum(1e6) == pytest.approx(np.sqrt(0.3 * 12 * (1 / 3 + 0.5)), rel=1e-6)
    assert unseen_share(30.0, 20.0) == 0.0
    assert unseen_share(30.0, 1e6) == pytest.approx(0.08 / (1 / 3 + 0.5 - 0.08), rel=1e-6)
    assert side_spectrum(1e6) == pytest.approx(np.sqrt(0.015 * 15 * np.pi / 2), rel=1e-4)
