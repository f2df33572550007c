"""How often the truth lies in the intervals, over virtual cars drawn anew each time.

Every repeat draws the car (facts, compliance, bushes, friction, creep, warming, cross-talk), its
pulls with everything that goes wrong, the session's zeros and sensors, and unrelated samples.
Samples have nothing to do with each other, so nothing is filtered and the noise of the hub
accelerometer is that of its sensor, not found from differences of neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from recon.analysis.slalom import slalom
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.base.threads import one_thread
from recon.calibration.calibrate import calibrate
from recon.conditioning.condition import condition
from recon.reconstruction.prepare import prepare
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from recon.virtual.drive import NOISE, virtual_drive
from tests.days import club_car, peaks_of, report, solved, unwarned
from tests.random_states import random_states
from tests.slalom_course import slalom_states

SAMPLES = 60
REPEATS, FEW = 200, 12
DAYS = 24


@dataclass(frozen=True, slots=True)
class Repeats:
    """Per repeat: share inside (repeat, 3), mean squared error over u (repeat, 3)."""

    inside: np.ndarray
    square: np.ndarray

    @property
    def coverage(self) -> np.ndarray:
        return np.mean(self.inside, axis=0)

    @property
    def standard_error(self) -> np.ndarray:
        return np.std(self.inside, axis=0, ddof=1) / np.sqrt(len(self.inside))

    def __str__(self) -> str:
        lines = [
            f"  F{axis}: coverage {c:.4f} +- {s:.4f}, rms of error over u {r:.3f}"
            for axis, c, s, r in zip(
                "xyz",
                self.coverage,
                self.standard_error,
                np.sqrt(self.square.mean(axis=0)),
                strict=True,
            )
        ]
        return "\n".join(lines)


def one_repeat(corner: str, seed: int) -> np.ndarray:
    """Errors over their standard uncertainty (sample, 3), level axes, samples not at the bound."""
    car, rng = club_car(corner), np.random.default_rng([7, seed])
    drawn = draw_car(car, rng)
    with unwarned():
        calibration = calibrate(virtual_pulls(drawn, None, rng, corners=(corner,)), car)
        through = random_states(drawn, SAMPLES, rng, corners=(corner,), locked_share=0.1)
        log, tares, truth = virtual_drive(drawn, through, rng)
        conditioned = condition(log, car, tares, bandwidth=1e9)
        conditioned["noise_hub_acceleration"].values[:] = NOISE["hub_acceleration"]
        # Not examined: states drawn at random follow no law of motion.
        found = prepare(calibration, car, conditioned).solve(conditioned)
    held = (found["status"].to_numpy()[:, 0] & BIT["bound_active"]) > 0
    error = found["tyre_force_intermediate"] - truth["tyre_force_intermediate"]
    z = (error / found["u_tyre_force_intermediate"]).to_numpy()[:, 0]
    return z[~held]


def repeated(repeats: int, *corners: str) -> Repeats:
    """Repeats of the corners in turn."""
    inside, square = [], []
    with one_thread():
        for seed in range(repeats):
            z = one_repeat(corners[seed % len(corners)], seed)
            inside.append(np.mean(np.abs(z) < COVERAGE_FACTOR, axis=0))
            square.append(np.mean(z**2, axis=0))
    return Repeats(np.array(inside), np.array(square))


def test_a_few_repeats_have_errors_as_large_as_they_say() -> None:
    found = repeated(FEW, "FL", "RL")
    report(f"FL and RL in turn, {FEW} repeats of {SAMPLES} samples\n{found}")
    rms = np.sqrt(found.square.mean(axis=0))
    # Half of the variance is systematic: 12 repeats know the mean square to some 20 %, its root
    # to 10 %; two of that downwards, three upwards.
    assert np.all(rms > 0.8)
    assert np.all(rms < 1.3)


@pytest.mark.slow(45)
@pytest.mark.parametrize("corner", ["FL", "RL"])
def test_intervals_hold_their_share(corner: str) -> None:
    found = repeated(REPEATS, corner)
    report(f"{corner}, {REPEATS} repeats of {SAMPLES} samples\n{found}")
    mean, se = found.coverage, found.standard_error
    # Between 0.93 and 0.97 is promised.  Samples of a repeat share its systematic errors, so the
    # standard error is that over repeats; two of it.
    assert np.all(mean + 2 * se > 0.93)
    assert np.all(mean - 2 * se < 0.97)
    assert np.all(mean > 0.925)
    assert np.all(mean < 0.975)


@pytest.mark.slow(30)
def test_slalom_peaks_hold_their_share() -> None:
    """Peaks of whole days: at 8 Hz hardly any noise is left and systematic errors stand alone."""
    car, inside, outward = club_car(), [], []
    for seed in range(DAYS):
        rng = np.random.default_rng([19, seed])
        drawn = draw_car(car, rng)
        with unwarned(), one_thread():
            calibration = calibrate(virtual_pulls(drawn, None, rng), car)
            log, tares, truth = virtual_drive(drawn, slalom_states(drawn, rng, rate=100.0), rng)
            found = slalom(solved(condition(log, car, tares), calibration, car))
        z = (found["peak_lateral_force"].to_numpy() - peaks_of(truth, found)) / found[
            "u_peak_lateral_force"
        ].to_numpy()
        inside.append(np.mean(np.abs(z) < COVERAGE_FACTOR))
        outward.append(np.mean(z * found["side"].to_numpy()[:, None]))
    mean, se = np.mean(inside), np.std(inside, ddof=1) / np.sqrt(DAYS)
    report(
        f"slalom, {DAYS} days: peaks inside {mean:.3f} +- {se:.3f}, "
        f"outward {np.mean(outward):.2f} u"
    )
    assert mean + 2 * se > 0.93
    assert mean - 2 * se < 0.97
    assert abs(np.mean(outward)) < 1.0  # peaks may read low or high by part of an interval
