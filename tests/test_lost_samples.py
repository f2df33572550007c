"""Lost samples that were written as a number, and coarse numbers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.base.errors import DataWarning
from recon.conditioning.condition import condition
from recon.conditioning.constants_for_lost_samples import lost_in, resolution_of
from tests.raw_logs import ZERO, log_of, noisy
from tests.small_car import small_car

N = 4000
LONGEST = 100  # samples
TIME = np.arange(N) / 200.0  # s


def swings() -> np.ndarray:
    """A load that swings slowly and passes zero, with noise, (sample,) [mV/V]."""
    return 0.2 * np.sin(2 * np.pi * 0.4 * TIME) + noisy(N)[:, 0]


def test_lost_samples_are_empty_cells_and_are_told() -> None:
    values = np.column_stack([swings()] * 4)
    lost = np.arange(30, N, 97)
    values[lost, 2] = 0.0
    far = lost[np.abs(swings()[lost]) > 0.1]
    told = r"drive\.csv: numbers that stand alone.* G3 39 times 0\."
    with (
        pytest.warns(DataWarning, match=told),
        pytest.warns(DataWarning, match=r"39 samples \(0\.97 %\) were dropped"),
    ):
        out = condition(log_of(values), small_car(), ZERO)
    clean = condition(log_of(np.column_stack([swings()] * 4)), small_car(), ZERO)
    assert_allclose(out["indication"][far, 2], clean["indication"][far, 2], atol=6e-3)
    assert_allclose(out["indication"][:, 3], clean["indication"][:, 3])


@pytest.mark.parametrize("constant", [0.0, 0.35])
def test_what_is_found_stands_alone(constant: float) -> None:
    values = swings() + 0.5
    lost = np.arange(40, N, 211)
    lost = lost[values[lost] > 0.45]
    values[lost] = constant
    found = lost_in(values, LONGEST)
    assert found is not None
    assert set(np.flatnonzero(found)) == set(lost)
    held = np.arange(1000, 1000 + LONGEST)
    values[held] = constant  # a channel that stands still is another matter
    again = lost_in(values, LONGEST)
    assert again is not None
    assert not again[held].any()


def test_sound_channels_lose_nothing() -> None:
    """Also those of few digits, those that pass zero, and those that reach the end of a range."""
    kerb = swings()
    kerb[::400] += 1.0
    for values in (swings(), swings().round(2), np.abs(swings()), kerb, kerb.clip(-0.3, 0.3)):
        assert lost_in(values, LONGEST) is None


def test_coarse_numbers_err_as_much_as_they_are_rounded() -> None:
    slow = 0.2 * np.sin(2 * np.pi * 0.05 * TIME)
    values = np.column_stack([slow + 1e-5 * noisy(N)[:, 0]] * 4)
    values[:, 1] = values[:, 1].round(2)
    out = condition(log_of(values), small_car(), ZERO)
    error = (out["indication"][:, 1] - out["indication"][:, 0]).to_numpy()
    assert_allclose(out["noise"][1], np.std(error), rtol=0.1)
    assert_allclose(out["noise"][1], 0.01 / np.sqrt(12), rtol=0.01)
    assert out["noise"][0] < 1e-4
    assert resolution_of(values[:, 1]) == pytest.approx(0.01)
    assert resolution_of(values[:, 0]) == 0.0
