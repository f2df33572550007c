"""Grip: envelopes of known tyres, what is only demonstrated, and what is refused."""

from __future__ import annotations

import re

import numpy as np
import pytest
import xarray as xr

from recon.analysis.grip import grip
from recon.base.errors import DataError
from recon.base.status import BIT
from recon.evaluation.sections.find_sections import find_sections
from recon.records.sheets import GivenSection
from recon.report.answers.grip import grip_summary, plot_grip
from tests.made_tyres import driven, limit, made

RATE = 200.0
LOADS = (1500.0, 2000.0, 3000.0, 4000.0, 5000.0)


def at(answer: xr.Dataset, name: str, load: float, direction: str = "left") -> float:
    return float(answer[name].sel(corner="FL", direction=direction, load=load))


@pytest.mark.parametrize("kind", ["always at the limit", "one sample in five", "a weave"])
@pytest.mark.parametrize("seed", range(3))
def test_the_envelope_of_a_tyre_with_five_percent_of_noise(kind: str, seed: int) -> None:
    answer = grip(driven(seed, kind))
    for load in LOADS:
        found = at(answer, "demonstrated_force", load)
        assert found == pytest.approx(float(limit(load)), rel=0.04)  # what is promised
    assert at_exponent(answer) == pytest.approx(0.8, abs=0.04)  # 4 % over a factor of 3 in load


def at_exponent(answer: xr.Dataset) -> float:
    return float(answer["exponent"].sel(corner="FL", direction="left"))


def test_the_largest_sample_is_no_envelope() -> None:
    """Twin: the noise lifts the largest sample, and a plain quantile, out of the 4 %."""
    forces = driven(0, "always at the limit")
    force = forces["tyre_force"].to_numpy()[:, 0]
    ratio = force[:, 1] / limit(force[:, 2])
    assert ratio.max() > 1.14
    assert np.quantile(ratio, 0.975) > 1.08


def test_loads_at_which_the_limit_was_not_worked_do_not_bend_it() -> None:
    answer = grip(driven(1, "heavy loads only"))
    for load in (4000.0, 4500.0, 5000.0):
        assert at(answer, "demonstrated_force", load) == pytest.approx(float(limit(load)), rel=0.04)
    lowest = float(answer["lowest_load"].sel(corner="FL", direction="left"))
    assert lowest > 2500.0  # nothing is claimed where less was used


def seventy_percent(seeds: range) -> None:
    for seed in seeds:
        answer = grip(with_slip(driven(seed, "a weave", most=0.68, noise=0.01, n=4000), 0.68))
        assert answer["available_force"].isnull().all()
        assert (answer["evidence"] == "").all()
        highest = at(answer, "demonstrated_force_upper", 3000.0)
        assert highest < 0.75 * float(limit(3000.0))
        assert "not shown to be its limit" in grip_summary(answer)[0]


def with_slip(forces: xr.Dataset, most: float) -> xr.Dataset:
    """The same with channels from which the slip angle of the tyre follows.

    The tyre gives tanh(angle / 3 deg) of its limit; a straight stretch stands at both ends.
    """
    n = forces.sizes["elapsed_time"]
    force = forces["tyre_force"].to_numpy()[:, 0]
    use = np.clip(force[:, 1] / limit(force[:, 2]), 0, max(most, 0.99) - 1e-3)
    angle = np.radians(3.0) * np.arctanh(np.minimum(use, 0.999))
    out = forces.copy()
    out["heading"] = forces["heading"].copy(data=angle[:, None])
    dims = "elapsed_time"
    still = np.zeros(n)
    out["speed"] = (dims, still + 15.0, {"units": "m/s"})
    out["yaw_rate"] = (dims, still, {"units": "rad/s"})
    sideways = np.zeros((n, 3))
    out["acceleration"] = ((dims, "component"), sideways, {"units": "m/s2"})
    out["contact_point"] = (("corner", "component"), np.array([[1.2, 0.7, 0.0]]), {"units": "m"})
    out["centre_of_mass"] = ("component", np.array([0.0, 0.0, 0.3]), {"units": "m"})
    return out


def test_a_tyre_far_from_its_limit_is_demonstrated_only() -> None:
    seventy_percent(range(10))


@pytest.mark.slow(12)
def test_a_tyre_far_from_its_limit_is_demonstrated_only_in_200_seeds() -> None:
    seventy_percent(range(10, 200))  # the first ten are those above


def plateau(seed: int = 5, n: int = 8000) -> xr.Dataset:
    """A tyre whose slip angle swings to 12 degrees, four times that of tanh's knee."""
    rng = np.random.default_rng(seed)
    load = 3000.0 + 1500.0 * np.sin(np.linspace(0, 9, n))
    angle = np.radians(12.0) * np.abs(np.sin(np.linspace(0, 40 * np.pi, n)))
    side = limit(load) * np.tanh(angle / np.radians(3.0))
    force = np.column_stack([np.zeros(n), side, load]) + 10.0 * rng.standard_normal((n, 3))
    forces = made(force, noise=10.0)
    out = with_slip(forces, 1.0)
    out["heading"] = forces["heading"].copy(data=angle[:, None])
    return out


def test_a_force_that_no_longer_rises_with_slip_is_available() -> None:
    answer = grip(plateau())
    shown = str(answer["evidence"].sel(corner="FL", direction="left").item())
    assert "slip angle grew from" in shown
    for load in (2000.0, 3000.0, 4000.0):
        lower, upper = (at(answer, f"available_force_{e}", load) for e in ("lower", "upper"))
        assert lower < float(limit(load)) < upper
        # A plateau may rise by 7 %, and its force repeats as well as it scatters here.
        names = ("u_available_force", "available_force", "u_demonstrated_force",
                 "demonstrated_force_spread")  # fmt: skip
        u, force, *others = (at(answer, name, load) for name in names)
        assert u == pytest.approx(np.linalg.norm([0.07 / 2 * force, *np.nan_to_num(others)]))
    assert grip_summary(answer)[0].startswith("Grip: the limit of FL is 1.")
    assert "times its load in a left turn" in grip_summary(answer)[0]
    assert "slip angle grew from" in grip_summary(answer)[0]


def test_without_the_channels_of_slip_there_is_no_evidence() -> None:
    answer = grip(plateau().drop_vars("yaw_rate"))
    assert answer["available_force"].isnull().all()
    assert "the limit of cornering could not be seen: log yaw rate" in answer.attrs["not_given"]


def braked(slip: float, lasts: float = 0.4) -> xr.Dataset:
    """A straight stop whose wheel turns slower than the road by a share `slip` for a while [s]."""
    n = 1600
    load = np.full(n, 3000.0) + 5.0 * np.sin(np.arange(n))
    force = np.column_stack([-0.97 * limit(load), np.zeros(n), load])
    out = made(force, noise=10.0)
    turning = np.full(n, 20.0 / 0.3)
    turning[800 : 800 + round(lasts / 0.005)] *= 1.0 - slip
    out["wheel_speed"] = (("elapsed_time", "corner"), turning[:, None], {"units": "rad/s"})
    out["speed"] = ("elapsed_time", np.full(n, 20.0), {"units": "m/s"})
    out["loaded_radius"] = ("corner", np.array([0.3]), {"units": "m"})
    return out


def test_a_locked_wheel_is_evidence_and_one_that_turns_is_not() -> None:
    answer = grip(braked(0.95))
    shown = str(answer["evidence"].sel(corner="FL", direction="brake").item())
    assert shown == "wheel locked or nearly so at 4.00 s for 0.40 s (95 % slip)"
    assert np.isfinite(at(answer, "available_force", 3000.0, "brake"))
    rolling = grip(braked(0.05))
    assert rolling["available_force"].isnull().all()


@pytest.mark.parametrize(("slip", "u_clock", "shown"), [
    (0.25, 0.0, True), (0.25, 0.1, False), (0.95, 0.1, True), (0.95, 1.0, False),
])  # fmt: skip
def test_a_slip_that_a_clock_may_feign_is_no_evidence(
    slip: float, u_clock: float, shown: bool
) -> None:
    """Wheel speeds of another logger whose clock is known roughly, on a car that slows down."""
    forces = braked(slip)
    slows = np.tile([-9.0, 0.0, 9.8], (forces.sizes["elapsed_time"], 1))
    forces["acceleration"] = (("elapsed_time", "component"), slows, {"units": "m/s2"})
    forces["wheel_speed"].attrs["u_clock"] = u_clock
    assert bool(grip(forces)["available_force"].notnull().any()) == shown
    if u_clock:  # nobody knows what the clock feigns
        assert grip(forces.drop_vars("acceleration"))["available_force"].isnull().all()


@pytest.mark.parametrize(("u_clock", "shown"), [(0.0, True), (0.1, False)])
def test_a_plateau_within_what_a_clock_may_feign_is_no_evidence(
    u_clock: float, shown: bool
) -> None:
    """Launches of a car at 0.86 of its grip had slips of 2 to 4 %, by clocks known to 0.1 s."""
    forces = braked(0.0)
    forces["wheel_speed"].values *= np.linspace(1.0, 0.9, forces.sizes["elapsed_time"])[:, None]
    slows = np.tile([-9.0, 0.0, 9.8], (forces.sizes["elapsed_time"], 1))
    forces["acceleration"] = (("elapsed_time", "component"), slows, {"units": "m/s2"})
    forces["wheel_speed"].attrs["u_clock"] = u_clock
    evidence = str(grip(forces)["evidence"].sel(corner="FL", direction="brake").item())
    assert ("slip grew" in evidence) == shown


def test_a_wheel_that_slides_less_than_a_tyre_needs_for_its_force_is_no_evidence() -> None:
    """Spun for a moment at a standstill, a tyre seemed at its limit at 0.6 of its grip."""
    slips = [grip(braked(0.25, lasts)) for lasts in (0.055, 0.07)]  # s; 0.28 and 0.35 m
    assert [bool(one["available_force"].notnull().any()) for one in slips] == [False, True]


def test_a_friction_limit_below_the_truth_never_becomes_the_answer() -> None:
    forces = driven(3)
    force = forces["tyre_force"].to_numpy()[:, 0]
    use = force[:, 1] / force[:, 2]
    held = use > 0.9
    assert held.mean() > 0.1
    forces["tyre_force"].values[held, 0, 1] = 0.9 * force[held, 2]
    forces["status"].values[held, 0] = BIT["friction_limited"]
    forces["tyre_force"].values[::4, 0, 1] = -0.8 * force[::4, 2]  # right turns are sound
    forces["status"].values[::4] = 0
    answer = grip(forces)
    assert np.isnan(at_exponent(answer))
    assert "FL in a left turn:" in answer.attrs["not_given"]
    assert "held at the friction limit" in answer.attrs["not_given"]
    right = answer["demonstrated_force"].sel(corner="FL", direction="right")
    assert np.isfinite(right).any()


def test_too_little_hard_work_is_said_with_its_time() -> None:
    forces = driven(4, n=4000)
    forces["tyre_force"].values[80:, 0, 1] = 0.3 * forces["tyre_force"].values[80:, 0, 2]
    with pytest.raises(DataError, match=r"made-up drive: no tyre worked hard .* 0\.[0-4] s above"):
        grip(forces)


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [("low_load", -1.0, "-1 N"), ("least_use", 0.0, "0 N per N"), ("bandwidth", np.inf, "inf Hz")],
)
def test_a_gate_that_makes_no_sense_is_refused(name: str, value: float, shown: str) -> None:
    with pytest.raises(DataError, match=f"{name} = {shown} asked for"):
        grip(driven(0, n=2000), **{name: value})


def test_a_part_given_by_hand_restricts_the_samples() -> None:
    forces = driven(6)
    end = float(forces["elapsed_time"][-1])
    first = [GivenSection("first half", "part", 0.0, end / 2)]
    half = grip(forces, sections=find_sections(forces, first))
    whole = grip(forces)
    count = [int(a["samples_used"].sel(corner="FL", direction="left")) for a in (half, whole)]
    assert count[0] == pytest.approx(count[1] / 2, rel=0.05)  # samples below the gate differ


def test_the_interval_holds_a_gain_that_is_wrong() -> None:
    """Every force is off by one standard uncertainty of a gain: so is the envelope."""
    forces = made(driven(7, noise=0.002)["tyre_force"].to_numpy()[:, 0], noise=3.0)
    loading = np.zeros((1, 3, 1, 3, 14))
    loading[0, :, 0, 1, 2] = 0.02  # share of Fy
    forces = forces.drop_dims("cause")
    dims = ("cause", "mode", "corner", "component", "feature")
    forces["loading"] = (dims, loading, {"units": "N"})
    for name in ("loading_added_intermediate", "loading_added_tyre"):
        forces[name] = ((dims[0], *dims[2:]), 0 * loading[:, 0], {"units": "N"})
    answer = grip(forces)
    u = at(answer, "u_demonstrated_force", 3000.0) / at(answer, "demonstrated_force", 3000.0)
    assert u == pytest.approx(0.02, rel=0.1)  # beside a little noise


def in_left_turns(load: np.ndarray, power: float, share: np.ndarray | float = 1.0) -> np.ndarray:
    """Forces (sample, 3) [N] of a tyre at a share of its limit, a power of the load."""
    return np.column_stack([0 * load, share * 3700.0 * (load / 3000.0) ** power, load])


def test_an_exponent_is_not_known_better_than_the_cells_that_it_is_read_from() -> None:
    z = []
    for seed, power in enumerate(np.linspace(0.62, 0.95, 9)):
        load = np.random.default_rng(seed).uniform(2000.0, 3600.0, 2000)
        answer = grip(made(in_left_turns(load, power), noise=0.5))
        u = float(answer["u_exponent"].sel(corner="FL", direction="left"))
        z.append((at_exponent(answer) - power) / u)
    assert np.sqrt(np.mean(np.square(z))) < 1.5  # hundred times as much without cells


def test_errors_that_together_change_what_an_envelope_rests_on_are_in_its_exponent() -> None:
    """Heavy loads stayed so far below the limit that they count for some errors only."""
    rng, u = np.random.default_rng(3), 60.0
    load = np.concatenate([rng.uniform(1500.0, 2300.0, 1500), rng.uniform(3000.0, 4500.0, 1500)])
    force = in_left_turns(load, 0.8, np.where(load < 2600.0, 1.0, 0.93))
    moved = [
        at_exponent(grip(made(force + np.append(0.0, u * rng.standard_normal(2)), noise=0.5)))
        for _ in range(30)
    ]
    answer = grip(made(force, noise=0.5, u=(0.0, u, u)))
    stated = float(answer["u_exponent"].sel(corner="FL", direction="left"))
    assert stated == pytest.approx(np.std(moved), rel=0.3)


def test_errors_that_move_samples_into_another_band_of_load_are_in_its_exponent() -> None:
    """Few heavy loads, beside an edge between bands: an error of Fz decides which one counts."""
    u, scatter, stated = 60.0, [], []
    for seed in range(3, 6):
        rng = np.random.default_rng(seed)
        load = np.concatenate([rng.uniform(1620.0, 2440.0, 2400), rng.uniform(3250.0, 3330.0, 70)])
        force = in_left_turns(load, 0.7, np.where(load < 2600.0, 1.0, 1.06))
        upward = u * rng.standard_normal((30, 1)) * [0.0, 0.0, 1.0]
        scatter.append(np.std([at_exponent(grip(made(force + e, noise=0.5))) for e in upward]))
        answer = grip(made(force, noise=0.5, u=(0.0, 0.0, u)))
        stated.append(float(answer["u_exponent"].sel(corner="FL", direction="left")))
    # Two thirds of it with the samples in the bands where they are.
    assert np.linalg.norm(stated) == pytest.approx(np.linalg.norm(scatter), rel=0.2)


def test_an_envelope_without_a_band_says_nothing_of_the_force_there() -> None:
    """The envelope rests on a few samples; errors that leave too few rest it on other loads."""
    rng = np.random.default_rng(3)
    load = np.concatenate([rng.uniform(2850.0, 3200.0, 1200), rng.uniform(2500.0, 2790.0, 42)])
    force = in_left_turns(load, 0.85, np.where(load > 2820.0, 0.85, 1.0))
    answer = grip(made(force, noise=0.5, u=(0.0, 0.0, 40.0)))
    u = at(answer, "u_demonstrated_force", 2500.0) / at(answer, "demonstrated_force", 2500.0)
    assert u == pytest.approx(0.85 * 40.0 / 2650.0, rel=0.25)  # 0.08 with those other loads


def test_words_and_picture() -> None:
    forces = plateau()
    answer = grip(forces)
    lines = grip_summary(answer)
    assert lines[0].startswith("Grip: the limit of FL is 1.")
    known = grip_summary(grip(forces.drop_vars("yaw_rate")))
    assert known[0].startswith("Grip: FL held 1.")
    assert any("left turn" in line for line in lines[1:])
    assert not any("nan" in line for line in lines)
    figure = plot_grip(forces, answer)
    assert figure.axes[0].get_xlabel() == "longitudinal force Fx [N]"
    for shown, limits in ((answer, 1), (grip(forces.drop_vars("yaw_rate")), 0)):
        (legend,) = plot_grip(forces, shown).legends
        words = [text.get_text() for text in legend.get_texts()]
        assert words.count("thick: shown to be the limit") == limits
    assert not figure.axes[0].texts  # labels on envelopes would hide each other
    (title,) = {figure.axes[0].get_title(loc=side) for side in ("left", "center")} - {""}
    known = answer.sel(corner="FL", direction="left").dropna("load", subset=["demonstrated_force"])
    low, *_, high = known["load"].to_numpy() / 1000
    assert re.search(rf"left turn at {low:g}, [\d.]+, {high:g} kN", title.replace("\n", " "))


@pytest.mark.parametrize(
    ("by_engine", "cure"),
    [(1, "accelerate harder"), (0, "no engine drives this wheel; brake harder for its grip")],
)
def test_a_wheel_is_told_to_work_harder_in_what_it_can_do(by_engine: int, cure: str) -> None:
    forces = driven(0)
    forces["driven"].values[:] = by_engine
    reasons = grip(forces).attrs["not_given"]
    lacking = "only 0.0 s above 0.6 of its load, envelope not estimated; it needs 1 s"
    assert f"FL driving: {lacking}: {cure}" in reasons
    assert f"FL braking: {lacking}: brake harder" in reasons
