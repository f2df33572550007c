"""What is told of supports that hold too little, too much, twice, or on the wrong side."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recon.base.errors import VehicleError
from recon.car.linkage import lone
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import load_matrix
from recon.report.car.car_summary import car_summary
from recon.virtual.elements import Stiffness, elastic_assembly
from tests.example_car import refusal, write_example
from tests.shipped_mechanisms import SHIPPED, VEHICLES, shipped

TIE = """[[corner.FL.support]]
name = "tie_rod"
kind = "link"
outer = { on = "upright", point_mm = [105, 655, 205] }
inner = { on = "chassis", point_mm = [112, 297, 192], moves_with_rack = true }
"""
SPRING = """[[corner.FL.support]]
name = "spring"
kind = "spring"
outer = { on = "rocker", point_mm = [-4, 286, 505] }
"""


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        # the upright turns about the line through its ball joints: steering axis
        (
            TIE,
            "",
            r"corner FL, body 'upright': the upright can still turn about the line through "
            r"\(.*\) mm, direction \(-0\.0\d, -0\.1\d, 0\.99\).*; it is held by upper_front",
        ),
        (
            SPRING + 'inner = { on = "chassis", point_mm = [-4, 72, 520] }\n',
            "",
            r"corner FL: 1 wheel carried by no spring; need 1 more spring",
        ),
        ('"rocker"]', '"rocker", "bar"]', r"body 'bar': the bar can still .* held by nothing"),
        (
            "[112, 297, 192], moves_with_rack = true }",
            "[112, 297, 192], moves_with_rack = true }\n\n"
            + TIE.replace('"tie_rod"', '"second"').replace(", moves_with_rack = true", ""),
            r'link "second": the same two points and bodies as link "tie_rod"',
        ),
        (
            "point_mm = [112, 297, 192]",
            "point_mm = [112, -297, 192]",
            r'link "tie_rod": inner at y = -297 mm, 297 mm over the middle of the car; need y > 0',
        ),
        (
            "axis_point_mm = [-30, 300, 430]",
            "axis_point_mm = [-30, -300, 430]",
            r'pivot "rocker_pivot": axis point at y = -300 mm'
            r"(?s:.*)Turn the sign of y, or take another point of the same line;",
        ),
        (
            'inner = { on = "chassis" }\naxis',
            'inner = { on = "chassis", point_mm = [22, 300, 440] }\naxis',
            r"the point on 'chassis' 10\.0 mm from that on 'rocker'; need one place",
        ),
        (
            'inner = { on = "rocker", point_mm = [-4, 365, 480], u_mm = 5 }',
            'inner = { on = "upright", point_mm = [-4, 365, 480], u_mm = 5 }',
            r"link \"push_rod\": both ends on 'upright'",
        ),
        (
            SPRING,
            SPRING.replace('kind = "spring"', 'kind = "link"'),
            r"corner FL: .*spring keep the wheel from rising",
        ),
        (
            'outer = { on = "rocker", point_mm = [-4, 286, 505] }',
            'outer = { on = "rockr", point_mm = [-4, 286, 505] }',
            r"on = 'rockr', a body that is not there; need 'rocker' \(did you mean that\?\)",
        ),
    ],
)
def test_supports_that_do_not_hold(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert re.search(told, refusal(write_example(tmp_path, (old, new))))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            'kind = "spring"',
            'kind = "spring"\ncompliance_mm_per_kN = 1',
            "one on a spring; need ra",
        ),
        ('kind = "link"', 'kind = "link"\nrate_N_per_mm = 9', "one on a link; need compliance_mm_"),
        (
            'kind = "pivot"',
            'kind = "torsion"\nrate_Nm_per_deg = 2\nu_rate_N_per_mm = 1',
            "one on a torsion; need rate_Nm_per_deg on a torsion",
        ),
        (
            'bridge = "full_axial"\n',
            "",
            'bridge: found a gauge of axial load without this key; need bridge = "full_axial" or',
        ),
        (
            'bridge = "full_axial"\n',
            'measures = "torsion"\nbridge = "quarter"\n',
            "found 'quarter' where it measures torsion; need no bridge, which belongs to",
        ),
        (
            'bridge = "full_axial"\n',
            'measures = "bending"\nstation_mm = [0, 400, 300]\nalong = [0, 1, 0]\n',
            "across: found none for bending; need the direction 'across'",
        ),
        (
            'bridge = "full_axial"\n',
            'measures = "shear"\nstation_mm = [0, 4, 3]\nalong = [0, 1, 0]\nacross = [0, 2, 0]\n',
            "across: found [0.0, 2.0, 0.0]; need a direction that is not that of along",
        ),
        (
            'bridge = "full_axial"\n',
            'bridge = "quarter"\nstation_mm = [0, 4, 3]\n',
            "along: found no such key; need station_mm and along",
        ),
        (
            'bridge = "full_axial"\n',
            'bridge = "quarter"\nstation_mm = [0, 4, 3]\nalong = [0, 0, 0]\n',
            "along: found [0, 0, 0]; need a direction",
        ),
        (
            'bridge = "full_axial"\n',
            'bridge = "quarter"\nbench_slope_per_kNm = 2\n',
            "bench_slope_per_kNm: found one where it measures axial; need bench_slope_per_kN",
        ),
    ],
)
def test_keys_that_do_not_go_together(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert told in refusal(write_example(tmp_path, (old, new)))


def rewritten(tmp_path: Path, file: str, *changes: tuple[str, str]) -> Path:
    text = (VEHICLES / f"{file}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        (
            "wishbone_spring_on_arm",
            "station_mm = [6, 630, 195]",
            "station_mm = [6, 63, 195]",
            "gauge 'FL_arm_axial' on 'arm': station (6, 63, 195) mm outside the body",
        ),
        (
            "wishbone_spring_on_arm",
            "station_mm = [6, 630, 195]",
            "station_mm = [6, 700, 195]",
            "the cut at (6, 700, 195) mm leaves all of its joints before it",
        ),
        (
            "wishbone_spring_on_arm",
            'on = "arm"\nunit = "mV/V"\nmeasures = "axial"',
            'on = "arn"\nunit = "mV/V"\nmeasures = "axial"',
            "gauge 'FL_arm_axial': on = 'arn', no body of this corner; need 'arm' (did you mean",
        ),
        (
            "wishbone_spring_on_arm",
            'name = "FL_tie_rod"\non = "tie_rod"',
            'name = "FL_tie_rod"\non = "arm"',
            "on = 'arm', a body without station_mm and along",
        ),
        (
            "strut",
            'name = "FL_tie_rod"\non = "tie_rod"\nunit = "mV/V"\nbridge = "full_axial"',
            'name = "FL_tie_rod"\non = "tie_rod"\nunit = "mV/V"\nmeasures = "torsion"',
            "gauge 'FL_tie_rod': measures = 'torsion' on link 'tie_rod'; need measures = 'axial'",
        ),
        (
            "anti_roll_bar",
            'name = "F_drop_link_left"\non = "drop_link_left"',
            'name = "F_drop_link_left"\non = "bar_twist"',
            "measures = 'axial' on torsion 'bar_twist'; need measures = 'torsion'",
        ),
        (
            "strut",
            "station_mm = [-2.4, 632.5, 422]",
            "station_mm = [-12, 603, 580]",
            "gauge 'FL_tube_forward' on 'upright': the cut lies between the two points of "
            'slider "slider"',
        ),
        (
            "wishbone_spring_on_arm",
            "station_mm = [-2420, 640, 292]\nalong = [-0.55, 0.83, 0]",
            "station_mm = [-2060, 420, 286]\nalong = [0.25, 0.97, 0]",
            'pivot "arm_pivot"; need both points of a joint on one side of the cut.\n    Move '
            "station_mm past the joint. If the gauge is on a leg of an arm, describe the bushes",
        ),
        (
            "strut",
            'kind = "slider"',
            'kind = "pivot"',
            "corner FL: lower_front, lower_rear, tie_rod, slider, top_mount keep the wheel",
        ),
        (
            "anti_roll_bar",
            'on = "FL.upright"',
            'on = "FL.uprigt"',
            "axle front: on = 'FL.uprigt', a body that is not there; need 'FL.upright' (did you",
        ),
        ("anti_roll_bar", "F_drop_link_left", "FR_tie_rod", "a name that corner FR uses already"),
    ],
)
def test_faults_of_other_kinds(tmp_path: Path, file: str, old: str, new: str, told: str) -> None:
    assert told in refusal(rewritten(tmp_path, file, (old, new)))


def test_axle_wants_both_corners() -> None:
    car = shipped("solid_axle")
    left = {n: c for n, c in car.corners.items() if n != "RR"}
    with pytest.raises(VehicleError, match="axle rear: no corner RR; need both corners"):
        assembly_of(replace(car, corners=left), "RL")


def with_compliance(car: Vehicle, value: float) -> Vehicle:
    """The solid axle with that compliance of every link [m/N], NaN for none stated."""
    corners = {
        n: replace(
            c,
            supports=tuple(
                replace(s, compliance=value) if s.kind == "link" else s for s in c.supports
            ),
        )
        for n, c in car.corners.items()
    }
    axles = {
        n: replace(a, supports=tuple(replace(s, compliance=value) for s in a.supports))
        for n, a in car.axles.items()
    }
    return replace(car, corners=corners, axles=axles)


def test_axle_that_binds_without_compliance_is_refused_in_words() -> None:
    rigid = assembly_of(with_compliance(shipped("solid_axle"), np.nan), "RL").mechanism
    assert {s for r in rigid.redundant for s in r.supports} >= {"RL.lower_link", "RR.upper_link"}
    assert "no compliance or rate is stated for RL.lower_link" in rigid.redundant[0].reason
    told = r"axle rear: rigid supports bind by \d+\.\d+ mm at travel 40\.0 and -40\.0 mm"
    with pytest.raises(VehicleError, match=told):
        pose(rigid, np.array([[40e-3, -40e-3], [50e-3, 50e-3 - 1e-6]]))  # told where it binds most
    straight = pose(rigid, np.zeros((1, 2)))
    assert np.isnan(load_matrix(straight)).any()


def test_compliance_of_nothing_leaves_a_split_open() -> None:
    mechanism = assembly_of(with_compliance(shipped("anti_roll_bar"), 0.0), "FL").mechanism
    soft = np.where(mechanism.free, 0.0, mechanism.compliance)
    rigid = replace(mechanism, compliance=soft)
    told = r"axle front: a compliance of 0 for all of .*FL\.coil_over.*bar_twist"
    with pytest.raises(VehicleError, match=told):
        load_matrix(pose(rigid, np.zeros((1, 2))))


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("file", dict.fromkeys(f for f, _ in SHIPPED))
def test_every_shipped_file_is_told_in_words(file: str) -> None:
    told = "\n".join(car_summary(shipped(file)))
    assert "nan" not in told
    assert any(line.startswith("axle ") for line in told.splitlines()) == bool(shipped(file).axles)


def test_virtual_car_wants_one_spring_along_a_line() -> None:
    described = shipped("strut").corners["FL"]
    spring = described.supports[described.support_index("spring")]
    more = replace(described, supports=(*described.supports, replace(spring, name="helper")))
    bar = replace(spring, kind="torsion", name="bar", axis_point=(0.0, 0.3, 0.2))
    links = tuple(s for s in described.supports if s.kind != "spring")
    for corner, told in (
        (more, "springs spring, helper"),
        (replace(described, supports=(*links, bar)), "springs bar"),
        (replace(described, supports=links), "springs none"),
    ):
        n = len(corner.supports)
        with pytest.raises(VehicleError, match=f"corner FL: {told}"):
            elastic_assembly(lone(corner), Stiffness(np.ones(n), np.ones(n), np.ones(1)))
