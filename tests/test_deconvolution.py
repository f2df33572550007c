"""Noise taken off distributions: by rounds that are bolder than those of Richardson and Lucy."""

from __future__ import annotations

import numpy as np
from scipy.stats import norm

from recon.evaluation.grip.deconvolution import without_noise

STEP, NOISE, CELLS = 0.02, 0.05, 60


def test_ten_rounds_explain_what_is_seen_as_well_as_seventeen_plain_ones() -> None:
    true = np.zeros(CELLS)
    true[20:35] = np.linspace(0.2, 1.0, 15)  # a sharp upper end, as of a limit
    edges = STEP * (np.arange(CELLS + 1) - 0.5)
    cells = STEP * np.arange(CELLS)
    kernel = np.diff(norm.cdf(edges[None], cells[:, None], NOISE), axis=1)
    kernel /= kernel.sum(axis=1, keepdims=True)
    seen = true @ kernel

    def left(found: np.ndarray) -> float:
        """Deviance of what is seen by what was found [1]."""
        return float(np.sum(seen * np.log(np.maximum(seen, 1e-300) / (found @ kernel))))

    plain = [np.full(CELLS, seen.sum() / CELLS)]
    for _ in range(25):  # the published iteration
        plain.append(plain[-1] * (kernel @ (seen / (plain[-1] @ kernel))))
    found = without_noise(seen[None], np.array([NOISE]), STEP, 10)[0]
    assert abs(found.sum() - seen.sum()) < 1e-9
    assert left(plain[25]) < left(found) < left(plain[17])
