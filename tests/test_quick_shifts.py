"""Shifts as quick as a sequential box makes them, on made-up forces whose gaps are stated."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.analysis.shifts import shifts
from recon.conditioning.filters import low_pass
from recon.report.answers.shifts import shifts_summary
from tests.made_drives import MadeDrive

FINE, EVERY = 1600.0, 8  # Hz, samples: forces are low-passed and then sampled as a logger does it
BEFORE = 4000.0  # N
START = 4.0  # s, middle of the fall


def drive(
    lasts: float,
    after: float,
    ramp: float,
    until: float = 3.0,
    bandwidth: float = 70.0,
    left: float = -0.1,
) -> xr.Dataset:
    """Forces of a shift that `lasts` [s], then a stop; `after` is a share of the force before.

    Falls and rises take `ramp` [s], the force after lasts `until` [s]; forces have a `bandwidth`
    [Hz], and a share `left` of the force before is there in the gap.
    """
    time = np.arange(0.0, 9.0, 1 / FINE)
    total = np.zeros(len(time))
    back = START + lasts
    changes = {1.0: 1.0, START: left - 1.0, back: after - left, back + until: -after - 2.0}
    for when, change in changes.items():
        total += BEFORE * np.interp(time, [when - ramp / 2, when + ramp / 2], [0.0, change])
    total[time > back + until + 1.5] = 0.0
    seen = low_pass(total[:, None], bandwidth, FINE)[::EVERY, 0]
    force = np.zeros((len(seen), 4, 3))
    force[:, 2:, 0], force[..., 2] = seen[:, None] / 2, 2500.0
    gear = np.where(time[::EVERY] < START + lasts / 2, 2.0, 3.0)
    speed = 8.0 + np.cumsum(seen) * EVERY / FINE / 1000.0
    return MadeDrive(force, channels={"gear": gear, "speed": speed}).forces.assign_attrs(
        bandwidth_Hz=bandwidth
    )


def below_half(lasts: float, after: float, ramp: float) -> float:
    """Time [s] in which the force is below half of that before."""
    return lasts + ramp * (0.6 / (after + 0.1) - 0.5 / 1.1)


@pytest.mark.parametrize("lasts", [0.045, 0.12])
@pytest.mark.parametrize("after", [0.6, 0.75, 1.0])
@pytest.mark.parametrize("ramp", [0.002, 0.015, 0.03])
def test_a_filter_does_not_make_a_quick_shift_longer(
    lasts: float, after: float, ramp: float
) -> None:
    found = shifts(drive(lasts, after, ramp))
    fall = (START - ramp / 2, ramp / 1.1)  # where it begins, and how long a force of `BEFORE` takes
    rise = (START + lasts - ramp / 2, ramp / (after + 0.1))
    true = {
        "gap_start": fall[0] + 0.1 * fall[1],
        "gap_end": rise[0] + (0.1 + 0.1 * after) * rise[1],
        "time_below_half": below_half(lasts, after, ramp),
    }
    for name, value in true.items():
        best, u = (float(found[n].values[0]) for n in (name, f"u_{name}"))
        assert abs(best - value) < 1.96 * u, name
        assert u < 0.002


@pytest.mark.parametrize("after", [0.75, 1.0])
@pytest.mark.parametrize("ramp", [0.002, 0.015])
def test_a_shift_that_is_quick_for_its_bandwidth_has_a_wider_interval(
    after: float, ramp: float
) -> None:
    """20 Hz pass a step within the time that the gap lasts: its ends reach into each other."""
    left = 0.2
    found = shifts(drive(0.045, after, ramp, bandwidth=20.0, left=left), bandwidth=20.0)
    best, u = (float(found[n].values[0]) for n in ("time_below_half", "u_time_below_half"))
    true = 0.045 + ramp * ((0.5 - left) / (after - left) - 0.5 / (1.0 - left))
    assert abs(best - true) < 1.96 * u
    assert u > 0.1 / 20.0


def test_a_shift_just_before_a_stop_has_a_time_but_no_cost() -> None:
    found = shifts(drive(0.12, 0.75, 0.015, until=0.08))
    best, u = (float(found[n].values[0]) for n in ("time_below_half", "u_time_below_half"))
    assert abs(best - below_half(0.12, 0.75, 0.015)) < 1.96 * u
    assert np.isnan(found["impulse_lost"].values[0])
    assert np.isnan(found["gap_end"].values[0])
    text = " ".join(" ".join(shifts_summary(found)).split())
    assert "cost and end of shift 1: the drive does not last 0.1 s after it" in text
    assert " nan" not in text


def test_a_stop_that_follows_a_shift_is_no_force_after_it() -> None:
    found = shifts(drive(0.12, 0.75, 0.015, until=0.25))
    best, u = (float(found[n].values[0]) for n in ("force_after", "u_force_after"))
    assert best == pytest.approx(0.75 * BEFORE, abs=3 * u)
