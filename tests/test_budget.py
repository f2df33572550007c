"""Budget of a force: its causes in newtons, largest first, that add up to its uncertainty."""

from __future__ import annotations

import re

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

import recon
from recon.analysis.budget import MOST_SAMPLES, OWNERS, budget
from recon.base.errors import DataError
from recon.conditioning.condition import condition
from recon.evaluation.sections.find_sections import find_sections
from recon.reconstruction.causes.cures import UNKNOWN, description_of
from recon.reconstruction.prepare import prepare
from recon.records.forces import NO_GAUGE
from recon.records.sheets import GivenSection
from recon.report.answers.budget import budget_summary, plot_budget
from recon.report.common.looks import PART_LOOKS
from tests.days import day
from tests.slow_repeats import some_quick
from tests.suspension_days import ALL, KINDS, LOST, axle_day, unit_day

# Forces and their uncertainties are in single precision, and sums run over some hundred causes.
ROUNDING = 2e-6
# Some stand for all others on ordinary days: tied by a bar, and with forces that are not known.
QUICK = (("strut", "RL"), ("solid_axle", "RL"))  # the axles that several tests share


def stated_variance(forces: xr.Dataset, at: int) -> np.ndarray:
    return forces["u_tyre_force"].to_numpy()[at].astype(float) ** 2


def test_the_causes_of_a_sample_add_up_to_its_stated_variance() -> None:
    forces = day().forces
    time = forces["elapsed_time"].to_numpy()
    for at in range(0, len(time), 311):
        found = budget(forces, time=time[at])
        total = (found["contribution"] ** 2).sum("cause")
        assert_allclose(total, stated_variance(forces, at), rtol=ROUNDING)
        assert_allclose(found["share_of_variance"].sum("cause"), 1.0, rtol=1e-12)  # double sums


def test_the_parts_of_a_budget_are_those_of_the_result() -> None:
    forces = day().forces
    time = forces["elapsed_time"].to_numpy()
    found = budget(forces, time=time[1500])
    for part in PART_LOOKS:
        own = found["contribution"].to_numpy()[found["cause_part"].to_numpy() == part]
        stated = forces[f"u_tyre_force_{part}"].to_numpy()[1500].astype(float)
        assert_allclose(np.sum(own**2, axis=0), stated**2, rtol=ROUNDING)


def test_forces_beyond_the_pulls_are_a_cause_of_their_own() -> None:
    forces = day().forces.copy(deep=True)
    first = budget(forces, corner="FL", component="y", time=5.17)
    assert "force beyond the largest pull" not in first["cause_words"].to_numpy()
    forces["largest_pull"].values[:] = 1000.0
    found = budget(forces, corner="FL", component="y", time=5.17)
    row = list(found["cause_words"].to_numpy()).index("force beyond the largest pull")
    at = int(np.argmin(np.abs(forces["elapsed_time"].to_numpy() - 5.17)))
    force = forces["tyre_force_vehicle"].to_numpy()[at, 0].astype(float)
    excess = 0.005 * np.maximum(np.abs(force) - 1.02 * 1000, 0.0)
    heading = float(forces["heading"].to_numpy()[at, 0])
    wanted = np.hypot(excess[1] * np.cos(heading), excess[0] * np.sin(heading))
    assert_allclose(found["contribution"].to_numpy()[row, 0, 0], wanted, rtol=ROUNDING)
    assert "pull this wheel further" in str(found["cause_cure"].to_numpy()[row])


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize("unit", some_quick(ALL, *QUICK), ids="-".join)
def test_causes_of_every_suspension_add_up_and_have_words(unit: tuple[str, str]) -> None:
    forces = axle_day(unit[0]).forces if unit in QUICK else unit_day(*unit, seed=1).forces
    for at in (100, 700):
        found = budget(forces, time=float(forces["elapsed_time"].to_numpy()[at]))
        total = (found["contribution"] ** 2).sum("cause").to_numpy()
        stated = stated_variance(forces, at)
        known = np.isfinite(stated)
        assert known.any()
        # A force that is not known has no known effect on the others: 2e-4 were found.
        rounding = ROUNDING if known.all() else 1e-3
        assert_allclose(total[known], stated[known], rtol=rounding)
    for name, part in zip(forces["cause_name"], forces["cause_part"], strict=True):
        described = description_of(str(name.item()), str(part.item()), OWNERS)
        assert described.of != UNKNOWN, f"{name.item()} [{part.item()}]"


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
@pytest.mark.parametrize(
    "lacks",
    [
        ("hub_acceleration",),
        ("hub_acceleration", "acceleration", "yaw_rate"),
        ("travel", "roll", "pitch"),
        ("steer", "brake_pressure", "gauge_temperature"),
    ],
)
def test_causes_of_channels_that_are_not_logged_name_the_channel(lacks: tuple[str, ...]) -> None:
    made = day()
    conditioned = condition(made.log.drop_vars(list(lacks)), made.car, made.tares)
    causes = [c for s in prepare(made.calibration, made.car, conditioned).solvers for c in s.causes]
    described = {description_of(c.source.name, c.part, OWNERS) for c in causes}
    assert UNKNOWN not in {d.of for d in described}
    named = " ".join(d.cure for d in described)
    assert lacks[0].split("_")[-1] in named
    assert "log " in named


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_forces_that_no_gauge_sees_are_a_cause_of_those_that_are_known() -> None:
    unit = ("club_racer", "RL")
    assert LOST[unit] == ("Fz",)
    forces = unit_day(*unit, seed=4, without=KINDS[unit]).forces
    found = budget(forces, time=float(forces["elapsed_time"].to_numpy()[300]))
    total = (found["contribution"] ** 2).sum("cause").to_numpy()[0]
    assert_allclose(total[:2], stated_variance(forces, 300)[0, :2], rtol=ROUNDING)
    assert "forces that the gauges do not see" in found["cause_words"].to_numpy()
    assert "RL Fz: not known" in "\n".join(budget_summary(found))


def test_a_cause_of_another_version_describes_itself() -> None:
    assert description_of("FL phase of the moon", "session", OWNERS) == (
        "phase of the moon", UNKNOWN, UNKNOWN
    )  # fmt: skip


def test_by_default_the_largest_force_of_each_kind_is_asked() -> None:
    forces = day().forces
    found = budget(forces)
    largest = np.abs(forces["tyre_force"].to_numpy()).max(axis=0)
    assert_allclose(np.abs(found["force"]), largest)
    size = found["contribution"].to_numpy().sum(axis=(1, 2))
    assert len(size) > 10
    squares = (found["contribution"].to_numpy() ** 2).sum(axis=(1, 2))
    assert np.all(np.diff(squares) <= 0)


def test_a_window_is_the_root_mean_square_of_its_samples() -> None:
    forces = day().forces
    found = budget(forces, corner="RR", component="z", start=2.0, end=4.0)
    part = forces["u_tyre_force"].sel(corner="RR", component="z", elapsed_time=slice(2.0, 4.0))
    assert part.size < MOST_SAMPLES
    assert_allclose(found["u_force"].item() ** 2, np.mean(part.astype(float) ** 2), rtol=1e-6)
    assert np.isnan(found["sample_time"].item())
    assert "RR Fz, single samples: u = " in "\n".join(budget_summary(found))


def test_a_section_is_a_window_by_its_name() -> None:
    forces = day().forces
    found = budget(forces, section="slalom 1")
    start, end = map(float, re.findall(r"slalom 1, from (\S+) to (\S+) s", found.attrs["where"])[0])
    assert 0.0 < start < end < 20.0
    window = budget(forces, start=start, end=end)
    xr.testing.assert_equal(found, window)
    left = find_sections(forces, [GivenSection("sweeper (left)", "part", start, end)])
    by_hand = budget(forces, section="sweeper", sections=left)
    assert by_hand.attrs["where"].startswith("in sweeper (left), from")
    xr.testing.assert_equal(by_hand, window)


def test_an_open_window_reaches_to_the_end_of_the_log_and_is_thinned(monkeypatch) -> None:
    forces = day().forces
    whole = budget(forces, corner="FL", start=10.0)
    monkeypatch.setattr("recon.analysis.budget.MOST_SAMPLES", 100)
    thinned = budget(forces, corner="FL", start=10.0)
    assert whole.attrs["where"] == thinned.attrs["where"]
    assert_allclose(thinned["u_force"], whole["u_force"], rtol=0.02)  # 1 of 11 samples
    assert "at most 100 of them" in thinned.attrs["comment"]


def test_words_name_size_share_part_and_cure() -> None:
    lines = "\n".join(budget_summary(budget(day().forces, corner="FL", component="y")))
    assert re.search(r"FL Fy -?\d+ \+-\d+ N \(95 %\) at [\d.]+ s, u = [\d.]+ N from", lines)
    assert re.search(r"[\d.]+ N +[\d.]+ %  noise of single samples \[random\]", lines)
    assert re.search(r"zeros of the gauges \(.*\): take tares right before", lines)


def test_the_gauge_whose_zero_matters_most_is_named() -> None:
    forces = day().forces.copy(deep=True)
    rows = (forces["cause_name"] == "FL zeros").to_numpy()
    gauges = forces["cause_gauge"].to_numpy()
    assert set(gauges[rows]) == {g for g in map(str, forces["gauge"].to_numpy()) if "FL" in g}
    assert set(gauges[(forces["cause_name"] == "FL pulls").to_numpy()]) == {NO_GAUGE}
    forces["loading"].values[rows & (gauges == "FL_tie_rod")] *= 50
    found = budget(forces, corner="FL", component="y")
    row = list(found["cause_words"].to_numpy()).index("zeros of the gauges")
    assert str(found["main_gauge"].to_numpy()[row, 0, 0]) == "FL_tie_rod"
    assert "zeros of the gauges [session], most from FL_tie_rod" in "\n".join(budget_summary(found))


def test_one_force_names_every_cause_and_many_forces_only_the_largest() -> None:
    forces = day().forces
    one = budget_summary(budget(forces, corner="FL", component="y"))
    many = budget_summary(budget(forces))
    assert sum("[" in line and "%" in line for line in one) > 15
    assert sum("[" in line and "%" in line for line in many) <= 2 * 12
    assert len(many) <= 50  # a screen
    few = budget_summary(budget(forces, corner="FL"))
    assert 2 * 3 < sum("[" in line and "%" in line for line in few) <= 4 * 3


def test_the_picture_has_a_panel_for_each_force_and_bars_that_add_up() -> None:
    forces = day().forces
    found = budget(forces, corner="FL")
    figure = plot_budget(forces, found)
    assert len(figure.axes) == 3
    for panel, u in zip(figure.axes, found["u_force"].to_numpy()[0], strict=True):
        widths = [bar.get_width() for bar in panel.patches]
        assert_allclose(np.sum(np.square(widths)), u**2, rtol=1e-9)  # the rest is a bar too
        assert panel.get_xlabel().endswith("[N]")
    legend = " ".join(t.get_text() for t in figure.legends[0].get_texts())
    assert all(words in legend for _, _, words in PART_LOOKS.values())


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ({"corner": "LF"}, r"no corner 'LF'; need .*FL"),
        ({"component": "Fy"}, r"no component 'Fy'; need 'y'"),
        ({"time": 99.0}, r"time = 99 s; need a time within the log, 0 to 15\.\d+ s"),
        ({"time": float("nan")}, r"time = nan s"),
        ({"start": 7.0, "end": 6.0}, r"start = 7 s and end = 6 s; need a window with samples"),
        ({"time": 3.0, "end": 6.0}, r"time = 3 s and end = 6 s; need either a time"),
        ({"section": "corner 77"}, r"no section 'corner 77'; need .*slalom 1"),
        ({"section": "slalom 1", "end": 6.0}, r"end = 6 s and the section 'slalom 1'; need eit"),
    ],
)  # fmt: skip
def test_options_that_make_no_sense_are_refused(options: dict, found: str) -> None:
    forces = day().forces.assign_attrs(path="noon/forces.nc")
    with pytest.raises(DataError, match=f"noon/forces.nc: {found}"):
        budget(forces, **options)


def test_a_time_without_any_known_force_is_refused() -> None:
    forces = day().forces.copy(deep=True)
    forces["tyre_force"].values[100] = np.nan
    time = float(forces["elapsed_time"].to_numpy()[100])
    with pytest.raises(DataError, match=rf"no known force at {time:.3f} s"):
        budget(forces, time=time)


def test_forces_of_an_older_version_are_refused_by_name() -> None:
    with pytest.raises(DataError, match="without largest_pull"):
        recon.budget(day().forces.drop_vars("largest_pull"))


def test_the_first_line_names_the_widest_force_and_its_largest_cause() -> None:
    found = budget(day().forces)
    u = found["u_force"].to_numpy()
    k, i = np.unravel_index(int(np.argmax(u)), u.shape)
    corner, axis = found["corner"].to_numpy()[k], found["component"].to_numpy()[i]
    share = found["share_of_variance"].to_numpy()[:, k, i]
    words = found["cause_words"].to_numpy()[int(np.argmax(share))]
    first = budget_summary(found)[0]
    assert first.startswith(
        f"The widest force is {corner} F{axis}, known to +-{1.96 * u[k, i]:.0f} N"
    )
    assert first.endswith(f"{100 * share.max():.0f} % of its variance comes from: {words}")
    one = budget(day().forces, corner="RL", component="x")  # no other force is compared with it
    known = one["u_force"].item()
    assert budget_summary(one)[0].startswith(f"RL Fx is known to +-{1.96 * known:.0f} N")
    title = plot_budget(day().forces, one).texts[0].get_text()
    assert title == f"Causes of the uncertainty: u = {known:.0f} N (RL Fx)"
