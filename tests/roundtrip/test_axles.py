"""How often truth lies in the intervals of braking and balance, over errors drawn anew.

A made-up car brakes and corners.  Every repeat draws all causes of error and the noise of every
sample, so what is tested is the way from stated errors of forces to those of the answers, with all
their gates, thresholds and ratios.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from recon.analysis.balance import balance
from recon.analysis.braking import braking
from tests.days import report
from tests.made_car import CONSTANT, FX, FY, FZ, G, MadeCar
from tests.made_forces import ALL

REPEATS = 200
NOISE = 60.0  # N
# Of 200 independent repeats with 95 % inside, one series in a thousand has fewer or more.
INSIDE = stats.binom.ppf([0.001, 0.999], REPEATS, 0.95) / REPEATS
SIZE = np.sqrt(stats.chi2.ppf([0.001, 0.999], REPEATS) / REPEATS)
BRAKING = ("front_share", "ideal_front_share", "front_share_over_ideal", "unused_force")
BALANCE = ("use_difference", "front_lateral_share", "highest_use_difference", "axle_use")


def true_car() -> MadeCar:
    """The car without errors; each tyre has zeros in three axes and gains of its own."""
    car = MadeCar(12.0, noise=NOISE)
    car.brake(1.0, 3.0, 0.8 * G, 0.70)
    car.corner(4.0, 7.0, 8.0, 0.60)
    car.corner(8.0, 11.0, -8.5, 0.58)
    for corner in ALL:
        for component, size in enumerate((25.0, 40.0, 50.0)):
            car.cause(f"{corner} zeros", corner, component, CONSTANT, size)
        for component, feature in enumerate((FX, FY, FZ)):
            car.cause(f"{corner} linearity", corner, component, feature, 0.008)
    return car


def drawn(true: xr.Dataset, rng: np.random.Generator) -> xr.Dataset:
    """The same forces with every error drawn: causes fixed over the drive, noise by sample."""
    out = true.copy(deep=True)
    force = true["tyre_force_intermediate"].to_numpy()
    ones = np.ones((*force.shape[:2], 1))
    features = np.concatenate([ones, force], axis=2)  # constant, Fx, Fy, Fz
    loading = true["loading"].to_numpy()[:, 0, :, :, :4]
    z = rng.standard_normal(len(loading))
    error = np.einsum("a,acxf,ncf->ncx", z, loading, features)
    error += NOISE * rng.standard_normal(force.shape)
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        out[name].values[:] = force + error
    return out


@cache
def over_u() -> dict[str, np.ndarray]:
    """Error over its uncertainty of each metric in every repeat, (repeat,)."""
    car = true_car()
    true, rng = car.forces(), np.random.default_rng(46)
    quiet = true.copy(deep=True)
    quiet["u_tyre_force_random"] *= 0.0
    answers = {braking: {"friction": 1.0}, balance: {}}
    exact = {answer: answer(quiet, **options) for answer, options in answers.items()}
    out: dict[str, list[float]] = {name: [] for name in (*BRAKING, *BALANCE)}
    for _ in range(REPEATS):
        forces = drawn(true, rng)
        for answer, names in ((braking, BRAKING), (balance, BALANCE)):
            found = answer(forces, **answers[answer])
            for name in names:
                error = (found[name] - exact[answer][name]).to_numpy().ravel()
                u = found[f"u_{name}"].to_numpy().ravel()
                out[name].append(float(error[-1] / u[-1]))
    return {name: np.array(values) for name, values in out.items()}


@pytest.mark.slow(20)
@pytest.mark.parametrize("name", [*BRAKING, *BALANCE])
def test_intervals_hold_the_truth_as_often_as_they_say(name: str) -> None:
    z = over_u()[name]
    inside, size = np.mean(np.abs(z) < 1.96), np.sqrt(np.mean(z**2))
    report(f"{name}: inside {inside:.3f}, rms of error over u {size:.2f}")
    assert INSIDE[0] <= inside <= INSIDE[1]
    assert SIZE[0] <= size <= SIZE[1]
    # Twins: intervals that are a quarter too narrow or too wide are seen.
    assert np.sqrt(np.mean((z / 0.75) ** 2)) > SIZE[1]
    assert np.sqrt(np.mean((z / 1.25) ** 2)) < SIZE[0]
