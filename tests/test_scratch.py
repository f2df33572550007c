"""Long logs: large arrays live in memory or in unnamed files, and nothing else changes."""

from __future__ import annotations

import errno
import os
import time
from pathlib import Path
from weakref import WeakSet

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose, assert_array_equal
from scipy import signal

import recon
from recon.base.errors import OutputError
from recon.conditioning import filters
from recon.reconstruction import prepare
from recon.records import scratch
from recon.records.scratch import keeper, room
from tests.days import day, unwarned

DEMO = Path(__file__).parents[1] / "demo_data"


@pytest.fixture
def files_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """No memory for large arrays."""
    monkeypatch.setattr(keeper, "most", 0)


def test_large_arrays_are_in_memory_up_to_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper, "held", WeakSet())
    monkeypatch.setattr(keeper, "spare", [])
    monkeypatch.setattr(keeper, "most", 2 * scratch.LARGE)
    in_files = len(keeper.mapped)
    first, second = (room((2, scratch.LARGE // 16)) for _ in range(2))
    view = first[0]
    assert len(keeper.mapped) == in_files
    beyond = room((scratch.LARGE // 8,))
    assert len(keeper.mapped) == in_files + 1
    del first, second
    again = room((scratch.LARGE // 8,))  # there is room again for one of them, not for two
    more = room((scratch.LARGE // 8,))
    assert len(keeper.mapped) == in_files + 2
    assert view.size < beyond.size == again.size == more.size  # all are alive until here


def test_memory_serves_again_when_the_last_view_of_an_array_is_gone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(keeper, "held", WeakSet())
    monkeypatch.setattr(keeper, "spare", [])
    monkeypatch.setattr(keeper, "most", 2 * scratch.LARGE)
    in_files = len(keeper.mapped)
    first = room((2, scratch.LARGE // 16))
    first[:] = 7.0
    address = first.ctypes.data
    views = [np.moveaxis(first, -1, 0)[::3].T, memoryview(first[1]), xr.Variable("x", first[0])]
    del first
    while views:
        other = room((scratch.LARGE // 8,))
        assert other.ctypes.data != address
        other[:] = 0.0
        assert np.all(np.asarray(views.pop()) == 7.0)  # nobody else wrote there
        del other
    pair = [room((scratch.LARGE // 8,)) for _ in range(2)]
    assert address in [one.ctypes.data for one in pair]
    del pair
    # For an array of another size both are given up, so that it needs no file.
    whole = room((2 * scratch.LARGE,), np.uint8)
    assert not keeper.spare
    assert len(keeper.mapped) == in_files
    assert whole.size == 2 * scratch.LARGE


@pytest.mark.usefixtures("files_only")
def test_a_large_array_keeps_its_numbers_when_its_memory_is_given_back() -> None:
    large = room((3, scratch.LARGE // 8))
    large[:] = np.arange(3.0)[:, None]
    keeper.give_back()
    assert_array_equal(large[:, ::1000], np.repeat(np.arange(3.0)[:, None], 2098, axis=1))


@pytest.mark.usefixtures("files_only")
def test_no_room_for_a_long_log_is_said_with_size_and_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full)
    with pytest.raises(
        OutputError, match=r"no room for 34 MB of a long log: No space(.|\n)*TMPDIR"
    ):
        room((2, scratch.LARGE // 8))


def test_a_drive_in_files_and_in_sections_has_the_forces_of_one_in_memory(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with unwarned():
        expected = forces_of_the_demo()
        monkeypatch.setattr(scratch, "LARGE", 1)
        monkeypatch.setattr(keeper, "most", 0)
        monkeypatch.setattr(prepare, "SECTION", 1000)
        found = forces_of_the_demo()
    assert found.sizes == expected.sizes
    for name, variable in expected.variables.items():
        if variable.dtype.kind == "f":
            # Products of other shapes round singles of 5 kN otherwise.
            assert_allclose(found[name], variable, rtol=3e-6, atol=1e-3, err_msg=str(name))
        else:
            assert_array_equal(found[name], variable, err_msg=str(name))


def forces_of_the_demo() -> xr.Dataset:
    """The demo's slalom, read, conditioned, prepared and solved with the car of the day."""
    car = day().car
    log = recon.read_log(DEMO / "day.csv.gz", car)
    conditioned = recon.condition(log, car, recon.read_tares(DEMO / "tares.csv", car))
    return recon.prepare(day().calibration, car, conditioned).solve(conditioned)


@pytest.mark.usefixtures("files_only")
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="nobody says how much it is")
def test_memory_of_arrays_in_files_stays_small_while_they_are_filled() -> None:
    size = 4 * scratch.KEPT
    large = room((16, size // 128))
    for row in large:
        row[:] = 1.0
        time.sleep(2 * scratch.PAUSE)
    assert keeper.in_memory() < 1.5 * scratch.KEPT  # and the row that is filled
    assert large.sum() == large.size


@pytest.mark.parametrize("bandwidth", [175.0, 8.0, 0.5])
@pytest.mark.parametrize("more", [1, 40, 70_000])
def test_a_filter_in_pieces_is_the_filter_of_the_whole(bandwidth: float, more: int) -> None:
    """A random walk of large steps, the hardest for the ends of pieces; against scipy's own."""
    column = np.cumsum(np.random.default_rng(3).normal(size=2 * filters.PIECE + more))
    sections = signal.butter(4, bandwidth, fs=500.0, output="sos")
    expected = signal.sosfiltfilt(sections, column)
    found = filters.zero_phase(sections, column)
    # Ends of pieces have decayed to 1e-13 of their size, and there are two passes.
    assert_allclose(found, expected, rtol=0, atol=1e-11 * np.ptp(column))
