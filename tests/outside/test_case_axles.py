"""Braking and balance on the case car against its true forces.

The truth is worked out here with definitions, filter and loops of its own: a stop is where the
true forces brake the car, a corner where they turn it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import xarray as xr
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

import recon
from tests.outside.case_drives import WINDOWS, case_forces

pytestmark = pytest.mark.source("CASE-CAR: braking and balance of a car with truth")

Floats = NDArray[np.float64]
RATE, WEIGHT = 500.0, 1108.0 * 9.81  # Hz, N
# Zeros, map and points are one draw: metrics of a window share most of their errors, and all of
# them together are worth about eight independent numbers; 1/sqrt(16) = 25 %, two of which.  A draw
# may also be lucky, so only the upper end is held here; tests/roundtrip/test_axles.py holds both.
POOLED = 1.5
# Half-widths that are of use: a few percent of use, one percent of a share at the most.
OF_USE = {"use_difference": 0.025, "front_lateral_share": 0.008, "front_share": 0.01}


@dataclass(frozen=True)
class Metric:
    """One number of the answer with its uncertainty, and the truth."""

    name: str
    found: float
    u: float
    true: float

    @property
    def over_u(self) -> float:
        return (self.found - self.true) / self.u


def smooth(values: Floats, bandwidth: float) -> Floats:
    """Two passes of a fourth-order filter that lose 3 dB together at the bandwidth [Hz]."""
    design = bandwidth / (np.sqrt(2.0) - 1.0) ** 0.125
    return np.asarray(sosfiltfilt(butter(4, design, fs=RATE, output="sos"), values, axis=0))


def stretches(holds: NDArray[np.bool_], least: float) -> list[slice]:
    """Runs of samples that last so many seconds."""
    out, start = [], None
    for i, hold in enumerate([*holds, False]):
        if hold and start is None:
            start = i
        if not hold and start is not None:
            if i - start >= least * RATE:
                out.append(slice(start, i))
            start = None
    return out


@dataclass(frozen=True)
class Truth:
    """True forces of one drive: both axles at 8 Hz (sample, axle, 3), motion at 5 Hz in g."""

    time: Floats
    axle: Floats
    along: Floats
    aside: Floats
    lifted: NDArray[np.bool_]

    def stops(self) -> list[tuple[float, Floats]]:
        """Start of each stop, its front share, ideal share and the difference."""
        out = []
        for part in stretches((self.along < -0.3) & (np.abs(self.aside) < 0.2), 0.3):
            x, z = self.axle[part, :, 0], self.axle[part, :, 2]
            share = x[:, 0].sum() / x.sum()
            ideal = np.sum(x.sum(axis=1) * z[:, 0] / z.sum(axis=1)) / x.sum()
            out.append((self.time[part.start], np.array([share, ideal, share - ideal])))
        return out

    def visits(self) -> list[tuple[float, Floats]]:
        """Start of each corner; use of front and rear, their difference, front lateral share."""
        out = []
        for part in stretches(np.abs(self.aside) > 0.5, 0.4):
            axle = self.axle[part][~self.lifted[part]]
            use = np.sqrt(axle[..., 0] ** 2 + axle[..., 1] ** 2) / axle[..., 2]
            mean = use.mean(axis=0)
            share = axle[:, 0, 1].sum() / axle[..., 1].sum()
            out.append((self.time[part.start], np.array([*mean, mean[0] - mean[1], share])))
        return out


@pytest.fixture(scope="module")
def drives() -> dict[str, tuple[xr.Dataset, Truth]]:
    return {name: solved(name) for name in ("slalom", "braking", "lap")}


def solved(name: str) -> tuple[xr.Dataset, Truth]:
    """Forces of a window by the package, and its truth."""
    forces = case_forces(name)
    with xr.open_dataset(WINDOWS / f"{name}_truth.nc") as file:
        true = file["force_road"].transpose("time", "corner", "axis").to_numpy().astype(float)
        time = file["time"].to_numpy()
    motion = smooth(true.sum(axis=1), 5.0) / WEIGHT
    slow = smooth(true, 8.0)
    axle = np.stack([slow[:, :2].sum(axis=1), slow[:, 2:].sum(axis=1)], axis=1)
    return forces, Truth(time, axle, motion[:, 0], motion[:, 1], (true[..., 2] <= 0).any(axis=1))


def metrics_of_braking(forces: xr.Dataset, truth: Truth) -> list[Metric]:
    found, out = recon.braking(forces), []
    names = ("front_share", "ideal_front_share", "front_share_over_ideal")
    starts = found["stop_start"].to_numpy()
    for start, values in truth.stops():
        i = int(np.argmin(np.abs(starts - start)))
        assert abs(starts[i] - start) < 0.05  # s
        out += [
            Metric(name, float(found[name][i]), float(found[f"u_{name}"][i]), value)
            for name, value in zip(names, values, strict=True)
        ]
    return out


def metrics_of_balance(forces: xr.Dataset, truth: Truth) -> list[Metric]:
    found, out = recon.balance(forces), []
    starts = found["visit_start"].to_numpy()
    for start, values in truth.visits():
        i = int(np.argmin(np.abs(starts - start)))
        if abs(starts[i] - start) > 0.05:
            continue  # the window cuts it, or a flicker at the gate makes one visit of two
        one = found.isel(visit=i)
        names = ("front", "rear", "use_difference", "front_lateral_share")
        pairs = [(one["axle_use"][k], one["u_axle_use"][k]) for k in (0, 1)]
        pairs += [(one[name], one[f"u_{name}"]) for name in names[2:]]
        out += [
            Metric(name, float(v), float(u), true)
            for name, (v, u), true in zip(names, pairs, values, strict=True)
        ]
    return out


@pytest.fixture(scope="module")
def metrics(drives: dict[str, tuple[xr.Dataset, Truth]]) -> list[Metric]:
    out = metrics_of_braking(*drives["braking"])
    for name in ("slalom", "lap"):
        out += metrics_of_balance(*drives[name])
    return out


def test_the_front_share_is_right_within_one_percent(metrics: list[Metric]) -> None:
    shares = [m for m in metrics if m.name == "front_share"]
    assert len(shares) >= 2
    assert max(abs(m.found - m.true) for m in shares) < 0.01


def test_a_front_share_of_forces_that_are_ten_percent_off_is_not(
    drives: dict[str, tuple[xr.Dataset, Truth]],
) -> None:
    forces, truth = drives["braking"]
    spoiled = forces.copy(deep=True)
    spoiled["tyre_force_intermediate"].loc[{"corner": ["FL", "FR"], "component": "x"}] *= 1.10
    shares = [m for m in metrics_of_braking(spoiled, truth) if m.name == "front_share"]
    assert min(abs(m.found - m.true) for m in shares) > 0.01
    assert min(abs(m.over_u) for m in shares) > 1.96


def test_metrics_lie_inside_their_intervals(metrics: list[Metric]) -> None:
    assert len(metrics) >= 30
    over_u = np.array([m.over_u for m in metrics])
    assert np.mean(np.abs(over_u) < 1.96) >= 0.9
    assert np.sqrt(np.mean(over_u**2)) <= POOLED


def test_loads_that_are_five_percent_off_lie_outside(
    drives: dict[str, tuple[xr.Dataset, Truth]],
) -> None:
    forces, truth = drives["slalom"]
    spoiled = forces.copy(deep=True)
    spoiled["tyre_force_intermediate"].loc[{"corner": ["FL", "FR"], "component": "z"}] *= 1.05
    over_u = [m.over_u for m in metrics_of_balance(spoiled, truth) if m.name == "use_difference"]
    assert np.mean(np.abs(over_u) < 1.96) < 0.5


def test_intervals_are_narrow_enough_to_be_of_use(metrics: list[Metric]) -> None:
    for name, most in OF_USE.items():
        assert max(1.96 * m.u for m in metrics if m.name == name) < most, name


def test_the_axle_that_is_used_more_is_never_the_wrong_one(
    drives: dict[str, tuple[xr.Dataset, Truth]],
) -> None:
    """Where the answer names an axle, the truth's highest use over 0.25 s agrees."""
    length = np.ones(125) / 125
    named = 0
    for name in ("slalom", "lap"):
        forces, truth = drives[name]
        found = recon.balance(forces)
        for i, first in enumerate(found["used_more"].to_numpy()):
            if first not in ("front", "rear"):
                continue
            ends = (float(found[f"visit_{end}"][i]) for end in ("start", "end"))
            part = slice(*np.searchsorted(truth.time, list(ends)))
            axle = truth.axle[part][~truth.lifted[part]]
            use = np.hypot(axle[..., 0], axle[..., 1]) / axle[..., 2]
            held = [np.convolve(one, length, "valid").max() for one in use.T]
            assert ("front", "rear")[int(np.argmax(held))] == first
            named += 1
    assert named >= 5
