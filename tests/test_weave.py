"""Lag of the rear in a weave, mean cycle, rise and crests: closed forms and made-up faults."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure

from recon.analysis.slalom import slalom
from recon.base.errors import DataError
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.sections.stated_sections import GivenSection
from recon.evaluation.slalom.rear_lag import SINE_CREST, Weave
from recon.report.answers.slalom import plot_lateral_force, slalom_summary
from recon.report.answers.slalom_weave import draw_crests
from tests.days import day
from tests.made_drives import MadeDrive
from tests.made_forces import RATE

CONES = 10
MASS, INERTIA, AHEAD, BEHIND = 1150.0, 1600.0, 1.2, 1.25  # kg, kg m2, m
REAR_STIFFNESS, RELAXATION = 100e3, 0.4  # N/rad, m


def rear_over_front(speed: float, frequency: float) -> complex:
    """Lateral force of the rear axle over that of the front one, linear single-track model.

    From m v (beta' + r) = F + R, I r' = a F - b R and R = -C (beta - b r / v), with a relaxation
    length of the tyre; the front axle's stiffness drops out.
    """
    s = 2j * np.pi * frequency
    stiffness = REAR_STIFFNESS / (1 + RELAXATION / speed * s)
    drift = 1 / (MASS * speed * s)
    turned = 1 / (INERTIA * s**2)
    arm = turned + BEHIND / (speed * INERTIA * s)
    return stiffness * (AHEAD * arm - drift) / (1 + stiffness * (drift + BEHIND * arm))


def weaving(
    speed: float = 15.0,
    pitch: float = 18.0,
    *,
    late: float = 0.0,
    front_limit: float = np.inf,
    steer: bool = False,
) -> MadeDrive:
    """Forces of a car that weaves through cones `pitch` m apart; rear gauges come `late` [s]."""
    frequency = speed / (2 * pitch)
    time = np.arange(int((CONES / 2 / frequency + 1.0) * RATE)) / RATE
    ratio = rear_over_front(speed, frequency)
    angle = 2 * np.pi * frequency * (time - 0.5)
    on = np.clip(np.minimum(time - 0.5, time[-1] - 0.5 - time) / 0.5, 0.0, 1.0)[:, None]
    front = 5000 * np.clip(np.sin(angle), -front_limit, front_limit)
    shift = np.angle(ratio) - 2 * np.pi * frequency * late
    rear = 5000 * np.abs(ratio) * np.sin(angle + shift)
    force = np.zeros((len(time), 4, 3))
    force[..., 1] = np.column_stack([0.4 * front, 0.6 * front, 0.4 * rear, 0.6 * rear]) * on
    force[..., 2] = 2800.0
    channels = {"steer": 0.05 * np.sin(angle) * on[:, 0]} if steer else {}
    return MadeDrive(force, noise=20.0, channels=channels)


@pytest.mark.parametrize(
    ("speed", "pitch", "lag"), [(15.0, 18.0, 0.154), (12.0, 15.0, 0.187), (20.0, 30.0, 0.117)]
)
def test_the_lag_of_a_linear_single_track_car(speed: float, pitch: float, lag: float) -> None:
    frequency = speed / (2 * pitch)
    closed = -np.angle(rear_over_front(speed, frequency)) / (2 * np.pi * frequency)
    assert closed == pytest.approx(lag, abs=0.0005)
    answer = slalom(weaving(speed, pitch).forces)
    assert float(answer["rear_lag"]) == pytest.approx(closed, abs=0.002)
    assert float(answer["rear_lag_lower"]) < closed < float(answer["rear_lag_upper"])
    assert float(answer["rear_lag_by_slopes"]) == pytest.approx(closed, abs=0.004)
    assert 0.001 <= float(answer["u_rear_lag"]) < 0.004  # gauges within 1 ms, and noise


def test_rear_gauges_that_are_late_are_in_the_lag_and_a_doubt_widens_it() -> None:
    made = weaving(late=0.010)
    sound = slalom(made.forces)
    assert float(sound["rear_lag"]) == pytest.approx(0.164, abs=0.002)
    doubted = made.forces.assign(
        doubt_cause=("doubt", ["late"]),
        doubt_found=("doubt", ["The gauges come late by +10.0 ms (RL)."]),
    )
    answer = slalom(doubted)
    assert float(answer["rear_lag_lower"]) < 0.154 < float(answer["rear_lag_upper"])
    assert "+10.0 ms (RL)" in answer.attrs["remarks"]
    assert not sound.attrs["remarks"]


def test_two_loggers_bring_the_uncertainty_of_their_clocks() -> None:
    forces = weaving(steer=True).forces
    forces["steer"].attrs["u_clock"] = 0.005  # no gauge is in the log of the steer
    own = float(slalom(forces)["u_rear_lag"])
    none = np.zeros((forces.sizes["elapsed_time"], 1), dtype=np.uint16)
    status = (("elapsed_time", "gauge"), none, {"u_clock": 0.005})
    forces = forces.assign_coords(gauge=["FL_push_rod"]).assign(gauge_status=status)
    both = float(slalom(forces)["u_rear_lag"])
    assert own == pytest.approx(0.001, rel=0.1)
    assert both == pytest.approx(np.hypot(0.005, own), rel=0.01)


def test_the_rise_is_told_with_its_interval() -> None:
    answer = slalom(weaving().forces)
    rise, u = (answer[n].mean("cone").to_numpy() / 1e3 for n in ("rate_of_rise", "u_rate_of_rise"))
    (line,) = (line for line in slalom_summary(answer) if "steepest rise" in line)
    numbers = [float(n) for n in re.findall(r"\d+\.\d+", line)]
    expected = [rise[0], 1.96 * u[0], rise[1], 1.96 * u[1]]
    assert numbers == pytest.approx(expected, abs=0.051)


def test_cones_are_counted_in_whole_numbers() -> None:
    answer = slalom(weaving().forces)
    panel = Figure(figsize=(1.6, 1.2)).add_subplot()
    draw_crests(panel, answer)
    assert all(tick == round(tick) for tick in panel.get_xticks())


def test_front_and_rear_exchanged_are_noticed() -> None:
    made = weaving()
    swapped = replace(made, force=made.force[:, [2, 3, 0, 1]])
    answer = slalom(swapped.forces)
    assert float(answer["rear_lag_upper"]) < 0
    value, half = (1e3 * float(answer[n]) for n in ("rear_lag", "u_rear_lag"))
    said = f"The rear comes {-value:.0f} +-{1.96 * half:.0f} ms before the front: are the channels"
    assert f"{said} of front and rear exchanged?" in answer.attrs["remarks"]
    assert "exchanged?" in "\n".join(slalom_summary(answer))
    assert slalom_summary(answer)[0].startswith(
        "Slalom, 10 cones: the rear axle precedes the front"
    )


def test_noise_makes_forces_rise_less_steeply_than_its_steepest_slopes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A third of what noise adds is taken off where samples alone differ, more where waves do."""
    quiet = weaving().force
    noise = [np.random.default_rng(seed).normal(0.0, 150.0, quiet.shape) for seed in range(3)]
    true = slalom(MadeDrive(quiet, noise=1e-3).forces)["rate_of_rise"].to_numpy()[1:-1]

    def too_steep() -> float:
        found = [slalom(MadeDrive(quiet + n, noise=150.0).forces)["rate_of_rise"] for n in noise]
        return float(np.mean([one.to_numpy()[1:-1] / true - 1 for one in found]))

    mended = too_steep()
    monkeypatch.setattr(Alternatives, "raised", lambda _self, quantity: 0 * quantity(_self.best))
    plain = too_steep()
    assert plain > 0.06
    assert 0.0 < mended < 0.7 * plain


def test_rise_and_mean_cycle_are_those_of_a_sine() -> None:
    answer = slalom(weaving().forces)
    # Read over 0.16 s, a sine of 0.42 Hz loses 0.7 %; noise adds a little.
    rise = answer["rate_of_rise"].sel(axle="front").to_numpy()[1:-1]
    assert rise == pytest.approx(2 * np.pi * 15 / 36 * 5000, rel=0.03)
    cycle = answer["mean_cycle"].sel(axle="front")
    assert float(cycle.max()) == pytest.approx(5000, rel=0.02)
    assert float(answer["cycle_spread"].max()) < 25  # the edges hardly follow the noise
    crest = answer["crest_share"].to_numpy()[1:-1]
    assert crest == pytest.approx(SINE_CREST, abs=0.02)
    assert set(answer["saturates_first"].to_numpy()[1:-1]) == {0}


def test_edges_are_where_a_force_that_is_off_changes_sides() -> None:
    time, frequency, off = np.arange(0.0, 12.0, 0.04), 0.42, 150.0
    edges = np.arange(1, 10) / (2 * frequency)
    to_and_fro = (-1.0) ** np.arange(len(edges))
    total = 5000 * np.sin(2 * np.pi * frequency * time) + off
    found = Weave(time, edges - 0.013 * to_and_fro, 1).at_crossings(total).edges
    closed = np.arcsin(off / 5000) / (2 * np.pi * frequency)
    assert found - edges == pytest.approx(closed * to_and_fro, abs=0.0005)


def test_a_front_axle_that_stays_flat_while_the_steer_does_not_saturates_first() -> None:
    answer = slalom(weaving(front_limit=0.85, steer=True).forces)
    assert set(answer["saturates_first"].to_numpy()[1:-1]) == {1}
    assert "the force of the front flattens first at" in slalom_summary(answer)[0]


def test_a_pause_between_cones_ends_the_weave() -> None:
    made = weaving()
    half = len(made.force) // 2
    made.force[half : half + int(3 * RATE), :, 1] = 0.0
    whole = GivenSection("all", "slalom", 0.0, float(made.forces["elapsed_time"][-1]))
    answer = slalom(made.forces, sections=find_sections(made.forces, [whole]))
    known = np.isfinite(answer["rate_of_rise"].to_numpy()[:, 0])
    assert 0 < known.sum() < len(known)
    assert f"{known.sum()} of {len(known)} in a row" in answer.attrs["gate"]


def test_sections_by_hand_restrict_the_cones() -> None:
    forces = weaving().forces
    every = slalom(forces)
    some = find_sections(forces, [GivenSection("second half", "part", 6.5, 13.0)])
    half = slalom(forces, sections=some)
    assert 3 <= half.sizes["cone"] < every.sizes["cone"]
    assert float(half["cone_time"].min()) >= 6.5


def test_corners_without_a_slalom_are_no_cones() -> None:
    made = weaving()
    made.force[int(6.0 * RATE) :, :, 1] = 0.0  # four turns are left: corners
    forces = made.forces
    for sections in (None, find_sections(forces)):
        with pytest.raises(DataError, match=r"made-up drive: no slalom, but \d corners"):
            slalom(forces, sections=sections)


def test_the_virtual_day_lags_as_its_truth_does() -> None:
    """Own definition: phases of sines that are fitted to the true forces over whole cycles."""
    answer, truth = slalom(day().forces), day().truth
    time, lateral = truth["elapsed_time"].to_numpy(), truth["tyre_force_intermediate"].to_numpy()
    inside = (time > 2.2) & (time < 11.8)  # four periods of 2.4 s between fading in and out
    angle = 2 * np.pi * 15 / 36 * time[inside]
    columns = np.column_stack([np.sin(angle), np.cos(angle), np.ones_like(angle)])
    phases = []
    for pair in (slice(0, 2), slice(2, 4)):
        total = lateral[inside, pair, 1].sum(axis=1)
        sine, cosine, _ = np.linalg.lstsq(columns, total, rcond=None)[0]
        phases.append(np.arctan2(cosine, sine))
    true = (phases[0] - phases[1]) / (2 * np.pi * 15 / 36)
    assert float(answer["rear_lag"]) == pytest.approx(true, abs=0.008)
    assert float(answer["rear_lag_lower"]) < true < float(answer["rear_lag_upper"])


def test_the_picture_has_the_lag_as_a_bracket() -> None:
    forces = weaving().forces
    answer = slalom(forces)
    limits = {f"tyre_force_{end}": forces["tyre_force"] for end in ("lower", "upper")}
    figure = plot_lateral_force(forces.assign(limits), answer)
    named: dict[str, object] = {p.get_title(loc="left"): p for p in figure.axes}
    panel = named["mean cycle of both axles, shaded: standard deviation between cycles"]
    (bracket,) = (line for line in panel.lines if len(line.get_xdata()) == 4)
    assert np.ptp(bracket.get_xdata()) == pytest.approx(float(answer["rear_lag"]))
    assert any(f"{1e3 * float(answer['rear_lag']):.0f} ±" in t.get_text() for t in panel.texts)
    assert "follows the front by" in figure.texts[0].get_text()


def test_without_the_rear_there_is_no_lag() -> None:
    made = weaving()
    answer = slalom(replace(made, force=made.force[:, :2], corners=("FL", "FR")).forces)
    assert np.isnan(answer["rear_lag"])
    assert isinstance(answer, xr.Dataset)
    reason = "no two whole cycles in a row with all four tyres known; gauge RL, RR"
    assert reason in answer.attrs["not_given"]
    first = slalom_summary(answer)[0]
    assert re.fullmatch(
        r"Slalom, 10 cones: F[LR] up to \d+ \+-\d+ N at cone \d+; lag .* not known\.", first
    )
