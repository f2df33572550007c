"""A damper on a line of its own: a spring of rate 0."""

import warnings

import numpy as np
import pytest

import recon
from recon.base.errors import VehicleError
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import damper_loads, member_matrix
from tests.days import VEHICLES

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


def test_its_force_is_held_by_the_spring_beside_it(tmp_path):
    assembly = assembly_of(_car(tmp_path, "0"), "front")
    loads = damper_loads(pose(assembly.mechanism, 0.0))
    by = dict(zip(assembly.mechanism.member_names, loads, strict=True))
    own = int(np.argmax(np.abs(by["FL.damper"])))
    # The wheel takes one newton off its spring, and the road feels nothing.
    assert abs(by["FL.damper"][own]) > 1.0
    assert by["FL.coil_over"][own] * by["FL.damper"][own] < -0.5


def test_a_rate_below_zero_is_refused(tmp_path):
    with pytest.raises(VehicleError, match=r"rate_N_per_mm: found -1; need a number .*0"):
        _car(tmp_path, "-1")
