"""Certified regressions run through the fit that the calibration uses.

`joint_fit` has no polynomials: it fits indications to loads.  Each regressor of a data set is
therefore one device that pulls along its own axis on its own member, of one gauge, with nothing
unsure about it.  Regressors are first brought to one size, as the loads of a car's members are;
what is checked is the joint least squares, its rank tolerance and its covariance, not a feature
of fitting curves.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.calibration.applied import Pull, PulledWheel
from recon.calibration.crosstalk_fit import joint_fit
from recon.calibration.lines_of_action import Line
from recon.calibration.noise import PullNoise
from recon.calibration.prior import BridgePrior
from recon.calibration.taring import Taring
from recon.calibration.unsure_geometry import UnsureGeometry

Floats = NDArray[np.float64]
Differ = Callable[..., bool]
DATA = Path(__file__).parent / "data"
# N; the size every regressor is brought to.  The fit takes readings of load as good to 0.5 N,
# which at this size is nothing beside the data's own scatter (1e-5 of it).
SIZE = 1e9
CERTAIN = 1e-12  # relative gain, m and rad: as good as exact


def table(name: str) -> tuple[Floats, Floats]:
    """The columns y and x of one data set."""
    y, x = np.loadtxt(DATA / name, delimiter=",", comments=("#", "y"), unpack=True)
    return y, x


def as_pull(y: Floats, regressors: list[Floats]) -> Pull:
    """One pull: device k loads member k along axis k with regressor k; one gauge says y."""
    n, axes = len(regressors), np.eye(3)
    lines = tuple(
        Line(np.zeros(3), axes[k], np.delete(axes, k, axis=0), CERTAIN**2 * np.eye(4))
        for k in range(n)
    )
    return Pull(
        corner="FL",
        name="regression",
        line_of_file=np.arange(len(y)),
        devices=tuple(f"device {k}" for k in range(n)),
        lines=lines,
        load=np.array(regressors),
        u_step=np.zeros(len(y)),
        u_gain=np.full(n, CERTAIN),
        falling=np.zeros(len(y), dtype=bool),
        indication=y[:, None],
        taring=Taring(
            np.zeros((0, 1)), np.zeros(0), np.arange(float(len(y))), np.zeros((len(y), 0))
        ),
        wheel=PulledWheel(np.zeros(3), 0.0, np.zeros(3), axes[1], turns_hub=True, outboard=True),
        members=np.eye(6)[:n],
        own=np.ones((1, n)),
        travel=0.0,
        rack=0.0,
        force_limit=np.inf,
        temperature=20.0,
        moved=np.zeros((len(y), n)),
        geometry=UnsureGeometry.nothing(len(y), n),
    )


def regression(y: Floats, regressors: list[Floats]) -> Floats:
    """Coefficients, their standard deviations and the residual one, as the data sets give them."""
    n = len(regressors)
    units = np.array([SIZE / np.max(np.abs(r)) for r in regressors])
    pull = as_pull(y, [r * u for r, u in zip(regressors, units, strict=True)])
    noise = np.array([np.std(y)])
    nothing_known = BridgePrior(np.zeros((1, n)), np.full((1, n), np.inf), np.zeros((0, 1, n)))
    fit = joint_fit([pull], nothing_known, PullNoise.white(noise))
    scatter = np.sqrt(np.sum((fit.rows[0].residual * noise) ** 2) / (len(y) - n))
    # The fit takes the noise as stated; the certified figures take it from the residuals.
    sd = np.sqrt(np.diag(fit.K_covariance)) * units * scatter / noise
    return np.concatenate([fit.K[0] * units, sd, [scatter]])


PONTIUS = [
    0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14,
    0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16,
    0.205177424076185e-03,
]  # fmt: skip
NORRIS = [
    -0.262323073774029, 1.00211681802045, 0.232818234301152, 0.429796848199937e-03,
    0.884796396144373,
]  # fmt: skip
NOINT1 = [2.07438016528926, 0.165289256198347e-01, 3.56753034006338]


def pontius(y: Floats, x: Floats) -> Floats:
    return regression(y, [np.ones_like(x), x, x**2])


def straight(y: Floats, x: Floats) -> Floats:
    return regression(y, [np.ones_like(x), x])


def spoiled(y: Floats, x: Floats) -> list[tuple[Floats, Floats]]:
    """The same data with one sign, the unit of x, or one pair of rows wrong."""
    sign, swap = y.copy(), y.copy()
    sign[-1] = -sign[-1]
    swap[[1, -1]] = swap[[-1, 1]]
    return [(sign, x), (y, 4.4482216 * x), (swap, x)]


@pytest.mark.source("B1: load-cell calibration, quadratic")
def test_load_cell_calibration(far_apart: Differ) -> None:
    y, x = table("pontius.csv")
    # Certified to 15 digits; scaled columns have condition 24, so rounding stays far below.
    assert_allclose(pontius(y, x), PONTIUS, rtol=1e-9)
    for twin in spoiled(y, x):
        assert far_apart(np.divide(pontius(*twin), PONTIUS), np.ones(7))


@pytest.mark.source("B2: straight line")
def test_straight_line(far_apart: Differ) -> None:
    y, x = table("norris.csv")
    assert_allclose(straight(y, x), NORRIS, rtol=1e-9)  # certified digits
    for twin in spoiled(y, x):
        assert far_apart(np.divide(straight(*twin), NORRIS), np.ones(5))


@pytest.mark.source("B3: line through the origin")
def test_line_through_the_origin(far_apart: Differ) -> None:
    y, x = table("noint1.csv")
    assert_allclose(regression(y, [x]), NOINT1, rtol=1e-9)  # certified digits
    for twin in spoiled(y, x):
        assert far_apart(np.divide(regression(twin[0], [twin[1]]), NOINT1), np.ones(3))
    with_intercept = straight(y, x)
    assert far_apart(with_intercept[1], NOINT1[0])  # a line that need not pass the origin


@pytest.mark.source("B1: columns of one size but nearly alike")
def test_rank_tolerance_keeps_a_weak_direction() -> None:
    """A regressor that differs from another by a thousandth keeps its own coefficient and spread.

    The answer for 1, x, x + share x^2 follows from the certified one for 1, x, x^2 by algebra.
    """
    y, x = table("pontius.csv")
    share = 1e-3 * np.max(x) / np.max(x**2)
    found = regression(y, [np.ones_like(x), x, x + share * x**2])
    b0, b1, b2, sd0, _, sd2, scatter = PONTIUS
    assert_allclose(found[:3], [b0, b1 - b2 / share, b2 / share], rtol=1e-6)  # condition 1e4
    # The covariance comes from the normal matrix, whose condition is the square: 1e8.
    assert_allclose(found[[3, 5, 6]], [sd0, sd2 / share, scatter], rtol=1e-6)
