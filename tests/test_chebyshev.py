"""Products of Chebyshev polynomials, against their definition."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from recon.mechanics.chebyshev import products


def test_products_are_those_of_chebyshev() -> None:
    unit = np.random.default_rng(73).uniform(-1, 1, (3, 50))
    powers = np.array([[0, 0, 0], [5, 0, 1], [0, 0, 4], [2, 0, 6]])
    expected = np.prod(np.cos(powers[..., None] * np.arccos(unit)), axis=1)
    assert_allclose(products(unit, powers), expected, rtol=0, atol=1e-13)  # rounding
    assert products(unit.astype(np.float32), powers).dtype == np.float32
    assert_allclose(products(unit, powers[:1]), 1.0)
