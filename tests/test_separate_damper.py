"""A damper on a line of its own: a spring of rate 0."""

import warnings
from dataclasses import fields, replace

import numpy as np
import pytest
import xarray as xr

import recon
from recon.analysis.link_loads import link_loads
from recon.base.errors import PriorWarning, VehicleError
from recon.car.vehicle import DAMPER as DAMPER_COMPLIANCE
from recon.conditioning.filters import low_pass
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import damper_loads, member_matrix
from tests.calibrated_corners import fitted, pulled
from tests.days import VEHICLES, day, unwarned
from tests.suspension_days import unit_day

DAMPER = """
[[corner.FL.support]]
name = "damper"
kind = "spring"
outer = { on = "upright", point_mm = [-30, 640, 230] }
inner = { on = "chassis", point_mm = [-60, 470, 600] }
rate_N_per_mm = RATE

[[corner.FL.gauge]]
name = "FL_damper"
on = "damper"
unit = "mV/V"
bridge = "full_axial"
sign = "tension_positive"
bench_slope_per_kN = 0.05

[corner.FR]
"""


def _car(tmp_path, rate):
    text = (VEHICLES / "anti_roll_bar.toml").read_text()
    path = tmp_path / "car.toml"
    path.write_text(text.replace("\n[corner.FR]\n", DAMPER.replace("RATE", rate), 1))
    with warnings.catch_warnings():
        warnings.simplefilter("error", recon.ReconWarning)
        return recon.read_vehicle(path)


def test_a_damper_carries_nothing_at_rest_and_is_not_called_a_soft_spring(tmp_path):
    assembly = assembly_of(_car(tmp_path, "0"), "front")
    at = pose(assembly.mechanism, 0.0)
    loads = dict(zip(assembly.mechanism.member_names, member_matrix(at), strict=True))
    assert np.abs(loads["FL.damper"][2]) < 1e-3
    assert np.abs(loads["FL.coil_over"][2]) > 0.5
    known = assembly_of(recon.read_vehicle(VEHICLES / "anti_roll_bar.toml"), "front")
    alone = member_matrix(pose(known.mechanism, 0.0))
    others = np.array([loads[name] for name in known.mechanism.member_names])
    assert others == pytest.approx(alone, abs=1e-3)


def test_a_damper_without_a_rate_is_asked_for_one(tmp_path):
    text = (VEHICLES / "anti_roll_bar.toml").read_text()
    without = DAMPER.replace("rate_N_per_mm = RATE\n", "")
    path = tmp_path / "car.toml"
    path.write_text(text.replace("\n[corner.FR]\n", without, 1))
    (group,) = assembly_of(recon.read_vehicle(path), "front").mechanism.redundant
    assert group.reason.startswith(
        "no compliance or rate is stated for FL.damper, FR.damper (a damper is a spring of rate 0)"
    )


def test_its_force_is_held_by_the_spring_beside_it(tmp_path):
    assembly = assembly_of(_car(tmp_path, "0"), "front")
    loads = damper_loads(pose(assembly.mechanism, 0.0))
    by = dict(zip(assembly.mechanism.member_names, loads, strict=True))
    own = int(np.argmax(np.abs(by["FL.damper"])))
    # The wheel takes one newton off its spring, and the road feels nothing.
    assert abs(by["FL.damper"][own]) > 1.0
    assert by["FL.coil_over"][own] * by["FL.damper"][own] < -0.5


def test_what_a_damper_carries_is_not_told_by_the_forces():
    front = unit_day("anti_roll_bar", "FL", 0)
    left = front.described.corners["FL"]
    supports = tuple(
        replace(s, compliance=DAMPER_COMPLIANCE, u_compliance=0.0) if s.name == "coil_over" else s
        for s in left.supports
    )
    corners = {**front.described.corners, "FL": replace(left, supports=supports)}
    answer = link_loads(front.forces, vehicle=replace(front.described, corners=corners))
    assert answer["peak_load"].sel(link="FL coil_over").isnull().all()
    assert (
        answer["peak_load"]
        .sel(link=["FR coil_over", "FL tie_rod"])
        .notnull()
        .any("direction")
        .all()
    )
    assert "load of FL coil_over: it is a damper (rate 0)" in answer.attrs["not_given"]


def test_a_rate_below_zero_is_refused(tmp_path):
    with pytest.raises(VehicleError, match=r"rate_N_per_mm: found -1; need a number .*0"):
        _car(tmp_path, "-1")


def _with_damper_behind(tmp_path):
    """The club racer with a gauged damper of its own beside the spring of the left rear wheel."""
    damper = DAMPER.replace("RATE", "0").replace("FL", "RL").replace("FR", "RR")
    damper = damper.replace("[-30,", "[-2440,").replace("[-60,", "[-2470,")
    text = (VEHICLES / "club_racer.toml").read_text()
    seat = 'inner = { on = "chassis", point_mm = [-2398, 420, 560], u_mm = 2 }\n'
    text = text.replace(seat, seat + "rate_N_per_mm = 45\n")
    path = tmp_path / "car.toml"
    path.write_text(text.replace("\n[corner.RR]\n", damper, 1))
    return recon.read_vehicle(path)


def _noise(count):
    return np.random.default_rng(3).normal(0, 1e-4, count)


def _with_idle_gauge(sheet):
    gauges = (*sheet.gauges, "RL_damper")
    seen = np.column_stack([sheet.indication, _noise(len(sheet.indication))])
    return replace(sheet, gauges=gauges, indication=seen)


def test_a_gauge_that_no_pull_loads_does_not_spoil_the_others(tmp_path):
    car = _with_damper_behind(tmp_path)
    drawn, sheet = pulled("RL", 40)
    alone, beside = fitted(sheet, drawn.car), fitted(_with_idle_gauge(sheet), car)
    assert beside.noise[:-1] == pytest.approx(alone.noise, rel=0.2)
    own = range(len(alone.K))
    assert beside.K[own, own] == pytest.approx(alone.K[own, own], rel=2e-3)


def test_a_gauge_of_a_damper_whose_sign_is_not_stated_is_not_called_exchanged(tmp_path):
    car = _with_damper_behind(tmp_path)
    rear = car.corners["RL"]
    gauges = tuple(replace(g, sign=0) if g.name == "RL_damper" else g for g in rear.gauges)
    unsigned = replace(car, corners={**car.corners, "RL": replace(rear, gauges=gauges)})
    with pytest.warns(PriorWarning, match="gauge RL_damper: the vehicle file states no sign"):
        found = fitted(_with_idle_gauge(pulled("RL", 40)[1]), unsigned)
    assert "RL_damper" not in found.verdict.words
    assert found.main_slope[-1] == pytest.approx(0.05e-3, rel=0.05)  # bench slope, per N


def test_a_spring_is_not_called_early_for_what_the_damper_beside_it_carries(tmp_path):
    car, drive = _with_damper_behind(tmp_path), day()
    with unwarned():
        calibration = recon.calibrate(_with_idle_gauge(drive.pulls), car)
    rear = calibration.corners["RL"]
    held = damper_loads(pose(assembly_of(car, "RL").mechanism, 0.0))[:, 0]
    rise = np.gradient(drive.log["travel"].sel(corner="RL").to_numpy())
    quick = low_pass(rise[:, None], 8.0, 200.0) * 200.0
    # 3 N s/mm along the damper, and what takes it off spring and links.
    more = 3e3 * quick * (rear.K @ (held / held[rear.members.index("damper")]))
    indication = drive.log["indication"].copy()
    indication.loc[{"gauge": list(rear.gauges[:-1])}] += more[:, :-1]
    own = (more[:, -1] + _noise(len(more)))[:, None]
    damper = xr.DataArray(own, coords={"gauge": ["RL_damper"]}, dims=("elapsed_time", "gauge"))
    seen = xr.concat([indication, damper], "gauge")
    log = drive.log.drop_vars(["indication", "gauge"]).assign(indication=seen)
    log.attrs = drive.log.attrs
    with unwarned():
        conditioned = recon.condition(log, car, _tared(drive.tares))
        forces = recon.reconstruct(conditioned, calibration, car)
    assert "doubt_cause" not in forces


def _tared(tares):
    """The tares with those of the damper's gauge beside another's."""
    like = np.flatnonzero(tares.gauge == "RL_coil_over")
    rows = np.concatenate([np.arange(len(tares.gauge)), like])
    own = {f.name: getattr(tares, f.name) for f in fields(tares)}
    more = {k: v[rows] for k, v in own.items() if isinstance(v, np.ndarray)}
    more["gauge"] = more["gauge"].astype("<U20")
    more["gauge"][-len(like) :], more["indication"][-len(like) :] = "RL_damper", 0.0
    return replace(tares, **more)
