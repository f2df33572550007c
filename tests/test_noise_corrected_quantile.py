"""The high quantile of a noisy signal, corrected for what the noise adds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from recon.base.noise_corrected_quantile import fewest_samples, noise_corrected_quantile
from recon.base.quantities import COVERAGE_FACTOR

N = 240  # samples of a half-wave of 1.2 s at 200 Hz
HALF_SINE = 2000.0 * np.sin(np.pi * (np.arange(N) + 0.5) / N)


def test_coverage_factor_is_that_of_the_normal_distribution() -> None:
    assert pytest.approx(norm.ppf(0.975), abs=5e-7) == COVERAGE_FACTOR  # seven digits are written


def test_without_noise_it_is_the_plain_quantile() -> None:
    found = noise_corrected_quantile(HALF_SINE, np.zeros(N), 0.98)
    assert found == pytest.approx(np.quantile(HALF_SINE, 0.98), rel=2e-3)  # two definitions of one
    # Top 2 % of a half sine are within 1 % of its length of the top: cos(0.01 pi).
    assert found == pytest.approx(2000.0 * np.cos(0.01 * np.pi), rel=2e-3)


@pytest.mark.parametrize("share", [0.9, 0.98])
@pytest.mark.parametrize("u", [5.0, 20.0])
def test_mean_over_noise_is_the_quantile_without_it(u: float, share: float) -> None:
    """White noise of up to a hundredth of the height, 400 half-waves."""
    rng = np.random.default_rng(13)
    true = float(np.quantile(HALF_SINE, share))
    plain, corrected = [], []
    for _ in range(400):
        seen = HALF_SINE + u * rng.standard_normal(N)
        plain.append(np.quantile(seen, share))
        corrected.append(noise_corrected_quantile(seen, np.full(N, u), share))
    left, stretched = np.mean(corrected) - true, np.mean(plain) - true
    # Standard error of the means: 0.05 u.  First order in the variance, on 240 samples of which
    # five lie above the quantile: a third of the noise may be left, a tenth of a percent here.
    assert abs(left) < 0.3 * u
    if (u, share) == (20.0, 0.98):  # where the noise is wider than the top 2 % are high
        assert stretched > 0.4 * u  # twin: uncorrected peaks are too high
        assert abs(left) < 0.25 * stretched


@pytest.mark.parametrize(("share", "fewest"), [(0.9, 10), (0.98, 50), (0.99, 100), (0.999, 1000)])
def test_a_high_quantile_of_few_samples_is_not_defined(share: float, fewest: int) -> None:
    assert fewest_samples(share) == fewest
    values = np.linspace(0, 1, fewest)
    assert np.isnan(noise_corrected_quantile(values[1:], np.zeros(fewest - 1), share))
    assert np.isfinite(noise_corrected_quantile(values, np.zeros(fewest), share))


def test_each_sample_may_have_its_own_noise() -> None:
    """Noise only far below the top changes nothing up there."""
    u = np.where(HALF_SINE < 1000.0, 30.0, 0.0)
    rng = np.random.default_rng(14)
    seen = HALF_SINE + u * rng.standard_normal(N)
    quiet = noise_corrected_quantile(seen, np.zeros(N), 0.98)
    assert noise_corrected_quantile(seen, u, 0.98) == pytest.approx(quiet, abs=0.5)  # of 2000


def test_scale_and_shift_go_through() -> None:
    rng = np.random.default_rng(15)
    seen, u = HALF_SINE + 10 * rng.standard_normal(N), np.full(N, 10.0)
    one = noise_corrected_quantile(seen, u, 0.98)
    assert noise_corrected_quantile(3 * seen - 500, 3 * u, 0.98) == pytest.approx(
        3 * one - 500, abs=0.05
    )  # the search stops at a millionth
