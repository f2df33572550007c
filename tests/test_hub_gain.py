"""A hub's accelerometer with a wrong gain: its error is in the intervals wherever the hub moves."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from recon.base.errors import PriorWarning
from recon.base.quantities import STANDARD_GRAVITY
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from recon.virtual.dampers import Damper
from tests.days import exact, exact_log, states
from tests.launch_days import launch_day

LOAD = 2500.0  # N
USUAL = Damper(1200.0, knee=0.12, beyond=0.5)  # invented
RATE = 200.0  # samples a second, of virtual drives


def test_a_wrong_gain_along_moves_a_braking_force_as_its_cause_says() -> None:
    of, n, share = exact(), 200, 0.02
    usual = of.car.mass * STANDARD_GRAVITY / 4
    along = np.linspace(-0.1, -0.8, n)  # of the load; a constant gauge would count as dead
    force = LOAD * np.column_stack([along, 0 * along, 1 + along / 10])
    level = STANDARD_GRAVITY * np.column_stack([along * LOAD / usual, 0 * along, 0 * along + 1])
    moved = level[:, None]
    log, tares, _ = exact_log(of, states("FL", force, specific_force=moved))
    found = []
    for gain in (1.0, 1.0 + share):
        log["hub_acceleration"].values[:, 0, 0] = gain * moved[:, 0, 0]
        conditioned = condition(log, of.car, tares, bandwidth=1e9)
        found.append(prepare(of.calibration, of.car, conditioned).solve(conditioned))
    names = found[0]["cause_name"].to_numpy()
    of_gain = np.flatnonzero(names == "FL hub acceleration x")[1]
    effect = signed_errors(found[0], np.array([n - 1]), "intermediate")[of_gain, 0, 0]
    off = [one["tyre_force_intermediate"].to_numpy()[n - 1, 0] for one in found]
    assert of.car.sensors.u_hub_acceleration_share == share
    assert abs(effect[0]) > 3.0  # N; 24.5 kg at 8 m/s2
    # The usual load of a front tyre is not quite a quarter of the car's.
    assert np.isclose(abs(off[1][0] - off[0][0]), abs(effect[0]), rtol=0.2)


@pytest.mark.parametrize("bandwidth", [8.0, None])
def test_without_hub_and_travel_a_vertical_force_is_uncertain_while_its_wheel_hops(
    bandwidth: float | None,
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        forces, truth = launch_day(6, ("hub_acceleration", "travel"), bandwidth, USUAL)
    at = {"corner": ["RL", "RR"], "component": "z"}
    u = forces["u_tyre_force_intermediate"].sel(at).to_numpy()
    true = truth["tyre_force_intermediate"].sel(at).to_numpy()
    if bandwidth:
        true = low_pass(true, bandwidth, RATE)
    error = forces["tyre_force_intermediate"].sel(at).to_numpy() - true
    hub = truth["hub_acceleration"].sel(at).to_numpy()
    shaken = np.square(hub - low_pass(hub, 3.0, RATE))
    shaken = uniform_filter1d(shaken, 41, axis=0)
    hops, calm = shaken > np.quantile(shaken, 0.95, axis=0), shaken < np.quantile(shaken, 0.3)
    assert np.mean((np.abs(error) < 1.96 * u)[hops]) > 0.93
    assert np.sqrt(np.mean((error / u)[hops] ** 2)) < 1.3
    assert np.all((np.abs(error) < 1.96 * u)[calm])
    assert u[calm].mean() < 0.6 * u[hops].mean()


def test_a_vertical_force_is_less_certain_while_its_wheel_hops() -> None:
    forces, _ = launch_day()
    u = forces["u_tyre_force_random"].sel(corner="RL", component="z").to_numpy()
    moved = forces["hub_acceleration"].sel(corner="RL", component="z").to_numpy()
    moved = moved - STANDARD_GRAVITY
    top = int(np.nanargmax(np.abs(moved)))
    mass = float(forces["unsprung_mass"].sel(corner="RL"))
    gain = float(forces["u_hub_acceleration_share"]) * mass * abs(moved[top])
    at_rest = u[10]
    assert gain > at_rest / 2  # so that the test cannot pass without it
    # A wheel that stands has another state of the hub, and so a little other noise.
    assert np.isclose(u[top], np.hypot(at_rest, gain), rtol=0.1)
