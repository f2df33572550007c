"""Grip over several runs of one set-up: scatter of runs, hot against cold tyres, shared errors."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from recon.analysis.grip import grip
from recon.base.errors import DataError
from recon.evaluation.sections.find_sections import find_sections
from recon.records.results import read_result, write_result
from recon.records.run_list import TEMPERATURE, read_same_set_up
from recon.records.sheets import GivenSection
from recon.report.answers.grip import grip_summary, plot_grip
from tests.made_tyres import driven, limit, made
from tests.test_grip import at

SCATTER = 0.02  # of the grip from run to run


def as_run(forces: xr.Dataset, number: int, scope: str = "calibration") -> xr.Dataset:
    """A run with a log of its own, whose causes keep their value for a `scope`."""
    out = forces.copy()
    out["cause_scope"] = ("cause", np.full(forces.sizes["cause"], scope))
    out["cause_name"] = ("cause", [f"cause {k}" for k in range(forces.sizes["cause"])])
    sources = {"calibration_created": "one", "log_checksum": f"log {number}"}
    out.attrs |= {"title": f"run_{number}.nc", **sources}
    return out


def several(
    seed: int, count: int, *, grips: Sequence[float] | None = None, n: int = 2500,
    kind: str = "one sample in five",
) -> list[xr.Dataset]:  # fmt: skip
    """Runs with the grip of the tyre scattered, or as stated relative to its mean."""
    rng = np.random.default_rng([7, seed])
    drawn = 1 + SCATTER * rng.standard_normal(count) if grips is None else grips
    every = [driven(100 * seed + k, kind, most=f, n=n) for k, f in enumerate(drawn)]
    return [as_run(forces, k) for k, forces in enumerate(every)]


def warmed(runs: list[xr.Dataset], temperatures: Sequence[float]) -> list[xr.Dataset]:
    pairs = zip(runs, temperatures, strict=True)
    return [run.assign_attrs({TEMPERATURE: t}) for run, t in pairs]


def test_the_interval_of_several_runs_holds_the_grip_of_the_set_up() -> None:
    inside, half = [], []
    for seed in range(6):
        first, *others = several(seed, 4)
        answer = grip(first, others=others)
        for load in (1500.0, 3000.0, 5000.0):
            value, u = (at(answer, f"{n}demonstrated_force", load) for n in ("", "u_"))
            inside.append(abs(value - float(limit(load))) < 1.96 * u)
            half.append(1.96 * u / value)
    assert np.mean(inside) > 0.85  # 6 days, whose three loads err alike
    # Student's 3.18 for 4 runs, over root 4, of a scatter of 2 %, and the envelope's own 2.5 %.
    assert 0.025 < np.mean(half) < 0.06
    assert answer.attrs["runs"] == "run_0.nc | run_1.nc | run_2.nc | run_3.nc"
    assert grip_summary(answer)[0].startswith("Grip of 4 runs: FL held 1.")


def test_runs_that_lie_apart_widen_the_interval_and_two_runs_do_not_tell() -> None:
    near, far = (several(1, 4, grips=g) for g in ([1.0, 1.0, 1.0, 1.0], [0.94, 1.06, 0.95, 1.05]))
    u = [at(grip(r[0], others=r[1:]), "u_demonstrated_force", 3000.0) for r in (near, far)]
    assert u[1] > 1.5 * u[0]
    two = grip(near[0], others=near[1:2])
    assert two["demonstrated_force_spread"].isnull().all()
    assert "where fewer than 3 runs came near it" in two.attrs["not_given"]


def test_hot_tyres_against_cold_ones() -> None:
    grips = [1.0, 1.06, 1.0, 1.06, 1.0, 1.06]
    runs = warmed(several(3, 6, grips=grips), [60, 80, 61, 82, 62, 81])
    answer = grip(runs[0], others=runs)  # a run list holds this drive, too
    assert len(answer.attrs["runs"].split(" | ")) == 6
    lower, upper = (
        float(answer[f"hot_over_cold_{end}"].sel(corner="FL", direction="left"))
        for end in ("lower", "upper")
    )
    assert lower < 1.06 < upper
    assert upper - lower < 0.2
    text = " ".join(" ".join(grip_summary(answer)).split())
    assert "hot (3 runs, 81 degC) against cold (3 runs, 61 degC): FL left turn +" in text
    panels = plot_grip(runs[0], answer).axes
    assert panels[-1].get_ylabel() == "change of grip [%]"


@pytest.mark.parametrize(
    ("temperatures", "words"),
    [([60, 61, 62], "all runs within 1.5 K; it needs 5 K"), ([60, np.nan, 80], "not stated")],
)
def test_without_hot_and_cold_runs_they_are_not_compared(
    temperatures: list[float], words: str
) -> None:
    runs = warmed(several(4, 3), temperatures)
    answer = grip(runs[0], others=runs[1:])
    assert "hot_over_cold" not in answer
    assert words in answer.attrs["not_given"]


@pytest.mark.parametrize(("scope", "shared"), [("calibration", True), ("session", False)])
def test_a_gain_that_runs_share_cancels_between_hot_and_cold(scope: str, shared: bool) -> None:
    grips = [1.0, 1.0, 1.0, 1.0]
    off = []
    for u in (0.0, 0.03):
        runs = [as_run(gained(r, u), k, scope) for k, r in enumerate(several(5, 4, grips=grips))]
        runs = warmed(runs, [60, 80, 60, 80])
        answer = grip(runs[0], others=runs[1:])
        of = answer.sel(corner="FL", direction="left")
        relative = of["u_demonstrated_force"] / of["demonstrated_force"]
        off.append((float(relative.sel(load=3000.0)), float(of["u_hot_over_cold"])))
    (before, ratio_before), (after, ratio_after) = off
    # Sessions of their own: 3 % over root 4 of the mean, 3 % of a difference of two and two.
    assert np.sqrt(after**2 - before**2) == pytest.approx(0.03 if shared else 0.015, rel=0.15)
    added = np.sqrt(max(ratio_after**2 - ratio_before**2, 0.0))
    assert added == pytest.approx(0.0 if shared else 0.03, abs=0.003)


def test_a_run_list_names_the_runs_of_a_set_up_with_their_temperatures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / ("deep" * 30) / ("deeper" * 20)  # no message shows such a name in full
    folder.mkdir(parents=True)
    monkeypatch.chdir(folder)
    for k, run in enumerate(several(8, 3, n=40)):
        write_result(run, folder / f"run_{k}.nc")
    rows = ("run_0.nc,soft,60", "run_1.nc,hard,70", "run_2.nc,soft,80")
    path = folder / "runs.csv"
    path.write_text("\n".join(["file,set_up,tyre_temperature [degC]", *rows]), encoding="utf-8")
    of = {k: read_result(folder / f"run_{k}.nc") for k in range(3)}
    runs = read_same_set_up(path, of[2])
    assert [Path(run.encoding["source"]).name for run in runs] == ["run_0.nc", "run_2.nc"]
    assert [run.attrs[TEMPERATURE] for run in runs] == [60.0, 80.0]
    assert len(read_same_set_up(path, of[1])) == 1  # one run is a set-up, too
    path.write_text("\n".join(["file,set_up", *rows[:1]]).replace(",60", ""), encoding="utf-8")
    assert TEMPERATURE not in read_same_set_up(path, of[0])[0].attrs
    with pytest.raises(DataError, match=r"runs\.csv: no row for run_1\.nc;"):
        read_same_set_up(path, of[1])


def gained(forces: xr.Dataset, share: float) -> xr.Dataset:
    """The same with an uncertain gain of the lateral force."""
    out = forces.copy(deep=True)
    out["loading"].values[0, :, 0, 1, 2] = share
    return out


def test_other_runs_that_do_not_fit_are_refused() -> None:
    first, other = several(6, 2, n=400)
    again = other.assign_attrs(title="copy.nc")
    with pytest.raises(DataError, match=r"copy\.nc: made from the same log as run_1\.nc"):
        grip(first, others=[other, again])
    with pytest.raises(DataError, match=r"run_1\.nc: the car: 'another'"):
        grip(first, others=[other.assign_attrs(vehicle="another")])
    with pytest.raises(DataError, match=r"run_1\.nc: sampling rate: 100 Hz"):
        grip(first, others=[other.assign_attrs(rate_Hz=100.0)])
    part = [GivenSection("half", "part", 0.0, 1.0)]
    with pytest.raises(DataError, match=r"run_0\.nc: parts of this drive by a table of sections"):
        grip(first, sections=find_sections(first, part), others=[other])


def combined(
    seed: int, power: float, *, n: int = 12_000, most: float = 1.0, apart: bool = False
) -> xr.Dataset:
    """Braking and left turns together, at a limit |x/X|^p + |y/Y|^p = 1 with X = 0.9 Y.

    Where `apart`, both together are hard at light loads only, each alone at heavy ones only.
    """
    rng = np.random.default_rng(seed)
    load = rng.uniform(2000.0, 4000.0, n)
    angle = rng.uniform(0, np.pi / 2, n)
    x, y = np.cos(angle) / 0.9, np.sin(angle)
    radius = limit(load) / (x**power + y**power) ** (1 / power)
    between = np.abs(angle - np.pi / 4) < np.pi / 12
    use = np.where(rng.random(n) < 0.3, 1.0, rng.random(n)) * np.where(between, most, 1.0)
    hard = np.where(between, load < 2500.0, load > 3500.0) | (not apart)
    use = np.where(hard, use, 0.45 * use)
    flat = use * radius
    force = np.column_stack([-flat * np.cos(angle), flat * np.sin(angle), load])
    u = np.column_stack([0.02 * flat, 0.02 * flat, np.full(n, 1.0)])
    forces = made(force + u * rng.standard_normal((n, 3)))
    forces["u_tyre_force_random"].values[:, 0] = u
    return forces


def test_braking_and_cornering_together_as_one_envelope() -> None:
    half = float(np.cos(np.pi / 4))
    for power in (1.6, 2.0, 2.5):
        answer = grip(combined(1, power)).sel(corner="FL", pair="brake-left")
        true = ((half / 0.9) ** power + half**power) ** (-1 / power)
        for load in (2500.0, 3000.0, 3500.0):
            lower, upper = (
                float(answer[f"combined_force_{end}"].sel(load=load)) for end in ("lower", "upper")
            )
            assert lower < true * float(limit(load)) < upper
            assert upper / lower < 1.06
        # Forces within 30 degrees of a direction are its envelope, so a bulge lifts that, too.
        share = float(answer["ellipse_share"].sel(load=3000.0))
        low, high = {1.6: (0.9, 0.95), 2.0: (0.985, 1.015), 2.5: (1.01, 1.08)}[power]
        assert low < share < high


def test_what_was_not_worked_between_two_directions_is_neither_given_nor_drawn() -> None:
    forces, spared = combined(2, 2.0, n=6000), combined(2, 2.0, n=6000, most=0.45)
    drawn = []
    for one in (forces, spared):
        answer = grip(one)
        drawn.append(
            sum(len(line.get_xdata()) > 50 for line in plot_grip(one, answer).axes[0].lines)
        )
    assert drawn == [3, 0]
    assert answer["combined_force"].isnull().all()
    reason = answer.attrs["not_given"]
    assert (
        "less than 1 s of hard work between both directions (FL braking in a left turn 0." in reason
    )
    assert "brake into corners" in reason


def test_hard_work_between_two_directions_at_other_loads_is_not_called_too_short() -> None:
    reason = grip(combined(2, 2.0, apart=True)).attrs["not_given"]
    found = re.search(
        r"combined envelopes: none at loads .* \(FL braking in a left turn (.*) s\)", reason
    )
    assert found, reason
    assert float(found[1]) > 1.0
