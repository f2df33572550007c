"""Faults that a drive does not show are stated beforehand, with the error that they may hide."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from recon.base.doubt import UNSEEN
from recon.examination import unseen_channels
from recon.examination.examine import JUDGE
from recon.examination.lateness import all_later, delays_of, gauges_on_time
from recon.examination.term import FOUND
from recon.examination.unseen import MOST_DELAY, Fault, common_delays, faults, unseen
from recon.examination.unseen_channels import channel_faults
from recon.examination.view import Part, View, view_of
from recon.examination.wheels import wheels_agree
from recon.reconstruction.prepare import prepare
from recon.records.results import read_result, write_result
from recon.report.drive.doubt_list import unseen_lines
from tests.days import day, unwarned
from tests.spoiled_days import sound


@pytest.mark.parametrize("kind", ["zero", "jump", "gain", "late gauge"])
def test_a_fault_of_the_size_stated_is_seen_and_half_of_it_often_is_not(kind: str) -> None:
    view, silent = sound(), 0
    tried = [fault for fault in faults(view) if fault.kind == kind][::7]
    for fault in tried:
        assert sees(fault, 1.0), fault.part.gauges[fault.i]
        assert sees(fault, -1.0), fault.part.gauges[fault.i]
        silent += not sees(fault, 0.5)
    assert silent >= len(tried) / 2


def sees(fault: Fault, share: float) -> bool:
    """Whether the drive with this share of a fault contradicts itself."""
    return any(term.contradicts for term in JUDGE.terms(sound().with_part(spoiled(fault, share))))


def spoiled(fault: Fault, share: float = 1.0) -> Part:
    """The assembly with this share of a fault."""
    y = fault.part.samples.indication.copy()
    y[fault.i] += share * fault.change
    return fault.part.with_indication(y)


@cache
def rear_alone() -> View:
    view = sound()
    return replace(view, parts={name: view.parts[name] for name in ("RL", "RR")}, kept={})


@pytest.mark.parametrize("of", [sound, rear_alone])
def test_a_common_delay_of_the_size_stated_is_seen_and_a_third_of_it_is_not(
    of: Callable[[], View],
) -> None:
    view = of()
    stated = [(names, delay) for names, delay in common_delays(view) if delay < MOST_DELAY]
    assert bool(stated) == (of is sound)  # one axle has nothing that is exact enough
    if found := delays_of(view):  # what this very drive shows by chance is taken off
        for name, own in zip(found.names, found.of(found.names)[0].tolist(), strict=True):
            view = all_later(view, names=(name,), delay=own)
    for names, delay in stated:
        seen = [
            any(term.contradicts for term in gauges_on_time(all_later(view, names=names, delay=d)))
            for d in (delay, -delay, delay / 3)
        ]
        assert seen == [True, True, False], names


def test_where_nothing_is_known_of_a_hub_a_delay_may_be_as_long_as_any() -> None:
    """A travel that stands still, or a slow log: accelerations of hubs are not bounded then."""
    log = sound().log.assign(
        u_relative_acceleration=(("corner", "component"), np.full((4, 3), np.inf))
    )
    delays = [delay for _, delay in common_delays(replace(sound(), log=log, kept={}))]
    assert delays == [MOST_DELAY] * len(delays)


def test_a_constant_force_ahead_at_one_wheel_shows_on_one_axle_alone() -> None:
    """Its gauges agree about it, and without the front wheels there is no sum."""
    view = rear_alone()
    part = view.parts["RL"]
    change = 800.0 * np.linalg.pinv(part.leverage[0])[:, :1]  # N
    spoiled = view.with_part(part.with_indication(part.samples.indication + change))
    assert not any(term.contradicts for term in wheels_agree(view))
    found = {term.name for term in wheels_agree(spoiled) if term.contradicts}
    assert "Fx of the left rear tyre against that of the right one" in found
    assert all("Fx" in name for name in found)


def test_the_error_stated_is_that_of_the_largest_hidden_fault() -> None:
    view = sound()
    (zero,) = (one for one in unseen(view, day().conditioned) if one.kind == "zero")
    largest = np.zeros(3)
    for fault in faults(view):
        if fault.kind == "zero" and fault.part.name == "FL":
            # A constant in one gauge moves forces by what the calibration says, nearly a constant.
            move = np.abs(spoiled(fault).force[0] - fault.part.force[0])
            largest = np.fmax(largest, np.quantile(move, 0.95, axis=1))
    np.testing.assert_allclose(zero.error[0], largest, rtol=1e-4)  # single precision
    assert zero.gauge[0] == "FL_push_rod"  # five links check each other, and none of them it


def test_a_gain_or_zero_of_a_channel_of_the_size_stated_is_seen_and_a_third_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(unseen_channels, "MOST_GAIN", 3.0)
    large = {"angle": 0.15, "length": 1e-4, "acceleration": 10.0}  # rad, m, m/s2
    monkeypatch.setattr(unseen_channels, "MOST_ZERO", large)
    view, tried = sound(), set()
    for fault in channel_faults(view):
        title = fault.channels.title
        if fault.kind not in STATED or (fault.kind, title) in tried or title.startswith("travel_"):
            continue
        if fault.size in (3.0, *large.values()):  # seen by nothing
            continue
        tried.add((fault.kind, title))
        for share in (1.0, -1.0, 0.3):
            faulty = fault.channels.with_fault(view, **STATED[fault.kind](share * fault.size))
            seen = any(term.contradicts for term in JUDGE.terms(faulty))
            assert seen == (abs(share) == 1.0), (title, fault.kind, share)
            if title == "steer" and abs(share) * fault.size > 1.0:
                continue  # so wrong a steer turns forces out of proportion
            change = changes(fault.part, faulty.parts[fault.part.name])
            most, stated = (
                np.quantile(np.abs(of), 0.95, axis=2) for of in (change, share * fault.change)
            )
            np.testing.assert_allclose(most, stated, rtol=0.2, atol=10.0)  # N
    assert len(tried) == 13


def changes(before: Part, after: Part) -> np.ndarray:
    """Changes (w, 3, n) [N] of forces, the larger ones of those in level and in tyre axes."""

    def turned(part: Part) -> np.ndarray:
        spin = Rotation.from_euler("z", -part.heading.reshape(-1, 1)).as_matrix()
        shape = (*part.heading.shape, 3, 3)
        return np.einsum("wnij,wjn->win", spin.reshape(shape), part.force)

    both = np.array([after.force - before.force, turned(after) - turned(before)])
    return np.asarray(np.abs(both).max(axis=0))


STATED: dict[str, Callable[[float], dict[str, float]]] = {
    "channel gain": lambda size: {"factor": 1.0 + size},
    "channel zero": lambda size: {"zero": size},
}


@pytest.mark.filterwarnings("ignore::recon.base.errors.PriorWarning")
def test_a_sign_that_nothing_contradicts_is_stated_with_the_error_of_the_forces() -> None:
    """Without accelerations only travel says on one axle which way the nose dives."""
    own = {c: day().calibration.corners[c] for c in ("FL", "FR")}
    log = day().conditioned.sel(gauge=[g for c in own.values() for g in c.gauges])
    log = log.drop_vars(["yaw_rate", "acceleration", "hub_acceleration", "steer"])
    view = view_of(prepare(replace(day().calibration, corners=own), day().car, log), log)
    hidden = {one.kind: one for one in unseen(view, log)}["channel inverted"]
    assert hidden.gauge == ("pitch", "pitch")
    faulty = view.with_log(view.log.assign(pitch=-view.log["pitch"]))
    excess = [np.sqrt(t.size) - np.sqrt(t.limit) for t in JUDGE.terms(faulty) if t.contradicts]
    assert max(excess, default=0.0) < FOUND  # seen in less than 95 % of such drives
    for error, corner in zip(hidden.error, own, strict=True):
        change = np.quantile(np.abs(faulty.force[corner] - view.force[corner]), 0.95, axis=1)
        np.testing.assert_allclose(error[[0, 2]], change[[0, 2]], rtol=0.05)
    faults = {(f.kind, f.channels.title) for f in channel_faults(view)}
    assert ("channel inverted", "roll") not in faults


def test_a_steer_that_nothing_checks_is_stated_by_what_it_turns_the_axes_of_the_tyres() -> None:
    log = day().conditioned.drop_vars(["speed", "wheel_speed", "yaw_rate"])
    view = view_of(prepare(day().calibration, day().car, log), log)
    faults = {(f.kind, f.channels.title, f.part.name): f for f in channel_faults(view)}
    gain = faults["channel gain", "steer", "FL"]
    faulty = gain.channels.with_fault(view, factor=1.0 + gain.size)
    true = changes(view.parts["FL"], faulty.parts["FL"])
    level = np.abs(faulty.parts["FL"].level - view.parts["FL"].level)
    assert np.quantile(true[0, 0], 0.95) > 5 * np.quantile(level[0, 0], 0.95)
    stated = np.quantile(np.abs(gain.change[0]), 0.95, axis=1)
    np.testing.assert_allclose(stated, np.quantile(true[0], 0.95, axis=1), rtol=0.1, atol=3.0)


def test_it_is_kept_and_said(tmp_path: Path) -> None:
    again = read_result(write_result(day().forces, tmp_path / "forces.nc"))
    assert list(again["unseen_fault"].to_numpy()) == list(UNSEEN)
    lines = unseen_lines(again)
    assert lines[0].startswith("cannot be known here")
    most = again["unseen_error"].to_numpy()[0].max(axis=0)
    newtons = " / ".join(f"{value:.0f}" for value in most)
    assert f"a tare that is off: up to {newtons} N (most: " in " ".join(lines)
    wide = again.assign(u_tyre_force=again["u_tyre_force"] * 1e3)
    assert unseen_lines(wide) == ()
    assert unseen_lines(again.drop_vars("unseen_error")) == ()


def test_a_log_without_sums_hides_more() -> None:
    """One corner alone has neither sums nor an axle to be compared with."""
    own = ["FL"]
    alone = replace(day().calibration, corners={c: day().calibration.corners[c] for c in own})
    log = day().conditioned.sel(gauge=list(alone.corners["FL"].gauges))
    with unwarned():
        view = view_of(prepare(alone, day().car, log), log)
    few, all_four = (
        {one.kind: one.error[0] for one in unseen(v, of)}
        for v, of in ((view, log), (sound(), day().conditioned))
    )
    assert few["gain"].max() > all_four["gain"].max()
    assert np.all(few["zero"] >= 0.99 * all_four["zero"])
