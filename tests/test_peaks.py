"""Peaks of many half-waves at once are those of one half-wave alone."""

from __future__ import annotations

import numpy as np
import pytest

from recon.base.noise_corrected_quantile import noise_corrected_quantile
from recon.evaluation.slalom.noise_corrected_peaks import SHARE, peaks_of

RNG = np.random.default_rng(2)
LENGTHS = np.array([61, 120, 200])
NOISE = 40.0  # N


def test_heights_are_the_noise_corrected_quantiles_of_each_half_wave() -> None:
    there = np.arange(LENGTHS.max()) < LENGTHS[:, None]
    crest = np.sin(np.pi * np.arange(LENGTHS.max()) / LENGTHS[:, None])
    values = 2000.0 * crest + NOISE * RNG.standard_normal(crest.shape)
    values[~there] = np.nan
    noise = np.full(values.shape, NOISE)
    found = peaks_of(values, noise, there)
    alone = [
        noise_corrected_quantile(v[t], n[t], SHARE)
        for v, n, t in zip(values, noise, there, strict=True)
    ]
    assert found.height == pytest.approx(alone, abs=0.05)
    raw = [np.nanquantile(v, SHARE) for v in values]
    assert np.all(found.height < np.array(raw) - 0.2 * NOISE)  # noise alone lifts a quantile
