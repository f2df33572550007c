"""Launch and shift of the case car against figures worked out from its truth.

Definitions and code of the truth are those of `tests/launch_truth.py`, which takes nothing from
the package.  Limits are those that were promised: hop +-0.2 Hz, 10 % and 40 ms, shift and catch
20 ms; or the value inside its own 95 % interval where that is wider.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.errors import ReconWarning
from tests.days import report
from tests.launch_truth import Floats, gap, pull, smooth, waves
from tests.outside.case_drives import WINDOWS, case_calibration, case_car, case_forces, case_log

pytestmark = pytest.mark.source("CASE-CAR: launch, wheel hop and shift of a car with truth")

REAR = [2, 3]
PUSHES, SHIFT = (0.6, 4.0), (4.0, 4.28)  # s, as the case states them
ALL_OF_IT = 240.0  # Hz, nearly half the rate of the truth: times are those of the force as it is
QUANTITIES = {
    "peak": "peak_drive_force",
    "plateau": "plateau_drive_force",
    "rise": "rise_time",
    "slipping": "time_in_slip",
}


class Compared(NamedTuple):
    """A figure of the answer beside the true one."""

    name: str
    true: float
    found: float
    u: float

    @property
    def over_u(self) -> float:
        return (self.found - self.true) / self.u


def forces() -> xr.Dataset:
    return case_forces("launch")


@cache
def truth(bandwidth: float = 30.0) -> tuple[Floats, Floats, Floats]:
    """Times, forces (sample, corner, xyz) at a bandwidth [Hz], and slip (sample, corner)."""
    with xr.open_dataset(WINDOWS / "launch_truth.nc") as of:
        force = of["force_road"].transpose("time", "corner", "axis").to_numpy().astype(float)
        slip = of["kappa"].to_numpy().astype(float)
        return of["time"].to_numpy(), smooth(force, 500.0, bandwidth), slip


def beside(
    answer: xr.Dataset, name: str, place: tuple[int, ...], what: str, true: float
) -> Compared:
    return Compared(
        what, true, float(answer[name].values[place]), float(answer[f"u_{name}"].values[place])
    )


@cache
def launched() -> list[Compared]:
    answer = recon.launch(forces())
    time, force, slip = truth()
    start = pull(time, force[:, REAR, 0].sum(axis=1), slip[:, REAR], *PUSHES).start
    out = [beside(answer, "launch_start", (0,), "start", start)]
    for name, of, place in (("RL", [2], 0), ("RR", [3], 1), ("rear", REAR, 0)):
        true = pull(time, force[:, of, 0].sum(axis=1), slip[:, of], *PUSHES)
        prefix = "axle_" if len(of) == 2 else ""
        for key, variable in QUANTITIES.items():
            words = f"{name} {key}"
            out.append(beside(answer, prefix + variable, (0, place), words, getattr(true, key)))
        catch = true.start + true.catch - start
        out.append(beside(answer, prefix + "catch_time", (0, place), f"{name} catch", catch))
    return out


@cache
def without_sensors_of_hop() -> xr.Dataset:
    log, tares = case_log("launch")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        less = log.drop_vars(["hub_acceleration", "travel"])
        conditioned = recon.condition(less, case_car(), tares)
        return recon.reconstruct(conditioned, case_calibration(), case_car())


@cache
def hopping(of: Callable[[], xr.Dataset] = forces) -> list[Compared]:
    answer = recon.launch(of())
    time, force, _ = truth()
    out = []
    for k, corner in enumerate(("RL", "RR")):
        for j, axis in enumerate((0, 2)):
            signal = force[:, 2 + k, axis]
            found = waves(time, signal - (smooth(signal, 500.0, 4.0) if axis else 0.0))
            for event, some in enumerate(
                ([w for w in found if w.end < 4], [w for w in found if w.start > 4])
            ):
                name, place = f"{corner} F{'xz'[j]} hop {event + 1}", (event, k, j)
                longest = max(some, key=lambda w: w.cycles)
                for variable, what, true in (
                    ("hop_begin", "start", some[0].start),
                    ("hop_finish", "end", some[-1].end),
                    ("hop_frequency", "frequency", longest.frequency),
                    ("hop_amplitude", "amplitude", max(w.largest for w in some)),
                    ("hop_cycles", "cycles", sum(w.cycles for w in some)),
                ):
                    out.append(beside(answer, variable, place, f"{name} {what}", true))
    return out


@cache
def shifted() -> list[Compared]:
    answer = recon.shifts(forces())
    true, sharp = (
        gap(time, force[:, REAR, 0].sum(axis=1), *SHIFT)
        for time, force, _ in (truth(), truth(ALL_OF_IT))
    )
    times = {"start": "gap_start", "end": "gap_end", "below_half": "time_below_half"}
    read = {"before": "force_before", "after": "force_after", "lost": "impulse_lost"}
    return [
        beside(answer, variable, (0,), f"shift {key}", getattr(of, key))
        for of, names in ((sharp, times), (true, read))
        for key, variable in names.items()
    ]


def test_the_launch_is_that_of_the_truth() -> None:
    for one in launched():
        assert abs(one.over_u) < 3, one  # 99.7 %; the share inside 95 % is tested below
        if one.name.endswith(("catch", "start", "rise")):
            assert one.found == pytest.approx(one.true, abs=0.020), one


def test_hop_is_that_of_the_truth() -> None:
    answer = recon.launch(forces())
    assert answer.sizes["hop"] == 2
    # The case states 11.8 Hz.
    assert answer["hop_event_frequency"].to_numpy() == pytest.approx(11.8, abs=0.2)
    for one in hopping():
        inside = abs(one.over_u) < 1.96
        if one.name.endswith("frequency"):
            assert one.found == pytest.approx(one.true, abs=0.2), one
            assert abs(one.over_u) < 3, one  # 99.7 %; Fx of either side is no even wave
        elif one.name.endswith("cycles"):
            # Counted in half cycles they were 0.5 off.
            assert one.found == pytest.approx(one.true, abs=0.4), one
            assert inside, one
        elif one.name.endswith("amplitude"):
            assert one.found == pytest.approx(one.true, rel=0.1), one
        elif one.name.endswith(("start", "end")):
            assert inside or one.found == pytest.approx(one.true, abs=0.040), one


def test_hop_that_no_sensor_shows_is_within_its_wide_intervals() -> None:
    """Of Fz a share is missing: the whole wave is too small, and begins late and ends early."""
    every = [one for one in hopping(without_sensors_of_hop) if "Fz" in one.name]
    assert len(every) == 20  # five quantities of two tyres and two events
    for one in every:
        assert abs(one.over_u) < 1.96, one
    # Two thirds of the largest amplitude are seen.
    worst = min(every, key=lambda one: one.found / one.true)
    assert worst.found < 0.7 * worst.true


def test_the_shift_is_that_of_the_truth() -> None:
    answer = recon.shifts(forces())
    ends = [float(answer[name].values[0]) for name in ("gap_start", "gap_end")]
    assert ends == pytest.approx(SHIFT, abs=0.020)
    assert str(answer["oscillation"].values[0]) == "hop"
    for one in shifted():
        assert abs(one.over_u) < 3, one


def test_intervals_hold_the_truth() -> None:
    every = launched() + hopping() + shifted()
    over_u = np.array([one.over_u for one in every])
    lines = [f"{o.name}: true {o.true:.4g}, found {o.found:.4g}, u {o.u:.2g}" for o in every]
    report("\n".join(lines))
    assert np.mean(np.abs(over_u) < 1.96) >= 0.9
    # Some twenty independent errors: their rms scatters by a sixth, two of which are allowed.
    assert 0.5 < np.sqrt(np.mean(over_u**2)) < 1.3


def test_forces_without_the_inertia_of_the_wheels_would_be_noticed() -> None:
    """The twin: hub accelerations that are a third too small move hop out of its limits."""
    spoiled = forces().copy(deep=True)
    hub = spoiled["hub_acceleration"].to_numpy()[..., 2] - 9.81
    mass = spoiled["unsprung_mass"].to_numpy()
    for name in ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle"):
        spoiled[name].values[..., 2] -= 0.33 * mass * hub
    wrong = recon.launch(spoiled)["hop_amplitude"].values[0, :, 1]
    right = [one.true for one in hopping() if "Fz hop 1 amplitude" in one.name]
    assert np.all(np.abs(wrong / right - 1) > 0.1)
