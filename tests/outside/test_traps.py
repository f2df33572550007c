"""Slips that spoil an answer without any gauge complaining, in newtons on one invented corner.

A left corner of our own invention, in mm with the contact at the origin and the hub 300 mm above
it: two wishbones whose legs meet at a joint, a tie rod ahead of the axle, and a rod from the
upright up to the chassis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.optimize import brentq

from recon.car.linkage import lone
from recon.car.vehicle import Corner
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import Pose, pose
from recon.mechanics.statics import member_matrix, road_columns
from recon.planning.knowledge import Question, judge

Floats = NDArray[np.float64]
Builder = Callable[..., Corner]
Differ = Callable[..., bool]
MILLIMETRES = {
    "upper front": ((-15, -100, 440), (140, -360, 420)),
    "upper rear": ((-15, -100, 440), (-160, -360, 410)),
    "lower front": ((10, -60, 170), (170, -460, 160)),
    "lower rear": ((10, -60, 170), (-190, -460, 150)),
    "tie rod": ((120, -70, 200), (110, -440, 185)),
    "rod": ((0, -75, 190), (0, -360, 480)),
}
UPPER_FRONT, UPPER_REAR, LOWER_FRONT, LOWER_REAR = range(4)
UNKNOWNS = ("Fx", "Fy", "Fz", "Mx", "T", "Mz")
FORCES, WITH_MZ = [0, 1, 2], [0, 1, 2, 5]


@pytest.fixture(scope="module")
def corner(links_corner: Builder) -> Corner:
    lines = {
        name: tuple(tuple(0.001 * np.array(end)) for end in ends)
        for name, ends in MILLIMETRES.items()
    }
    made = links_corner(lines, (0.0, 0.0, 0.3), radius=0.3)
    steered = tuple(
        replace(s, inner=replace(s.inner, rack=s.name == "tie rod")) for s in made.supports
    )
    return replace(made, supports=steered)


def loads(at: Pose, *, braked: bool = True) -> Floats:
    """Members' loads per unit of the six unknowns; `braked` by an outboard brake."""
    return member_matrix(at) @ road_columns(at, hub_passes_spin=braked)


def asked(rows: Floats, names: tuple[str, ...], nuisance: float = 1e6) -> Question:
    """All members as candidates at 10 N; nuisances beside the forces are of that size."""
    forces = tuple(n for n in names if n.startswith("F"))
    return Question(
        rows=rows,
        candidates=tuple(MILLIMETRES),
        unknowns=names,
        prior=np.array([1e6 if n in forces else nuisance for n in names]),
        noise=np.full(6, 10.0),
        forces=forces,
        scale=np.array([1.0 if n in forces else 0.1 for n in names]),
    )


def picked(rows: Floats, columns: list[int], nuisance: float = 1e6) -> Question:
    return asked(rows[:, columns], tuple(UNKNOWNS[k] for k in columns), nuisance)


def read_back(map_of: Floats, true: Floats) -> Floats:
    """Forces (read, true) per newton if the loads `true` are read with another map."""
    return np.linalg.lstsq(map_of, true, rcond=None)[0][:3]


PER_NEWTON = [
    [0.66, -0.61, -1.82, 2.16, -0.31, 0.03],  # Fx braked by an outboard brake
    [-0.43, 0.51, -0.30, 0.98, -0.70, 0.04],  # Fx driven by a half-shaft
    [-0.34, -0.35, 1.09, 0.91, -0.23, 0.00],  # Fy
    [-0.11, -0.11, 0.76, 0.64, -0.13, -1.37],  # Fz
    [-0.68, -0.46, -4.23, -4.33, 8.81, -0.04],  # Mz, per N m
]


@pytest.mark.source("TRAPS: link loads")
def test_loads_of_the_links(corner: Corner, far_apart: Differ) -> None:
    at = pose(mechanism_of(lone(corner)), 0.0)
    braked, rolling = loads(at), loads(at, braked=False)
    found = np.array([braked[:, 0], rolling[:, 0], *braked[:, [1, 2, 5]].T])
    assert_allclose(found, PER_NEWTON, rtol=0, atol=0.0055)  # given to 0.01, ties either way
    assert far_apart(rolling[:, 0], PER_NEWTON[0])


@pytest.mark.source("TRAPS: launch read with the map of braking")
def test_a_launch_read_as_braking(corner: Corner) -> None:
    """The half-shaft's torque as an unknown that was left out."""
    at = pose(mechanism_of(lone(corner)), 0.0)
    torque = loads(at, braked=False)[:, [0]] - loads(at)[:, [0]]  # per newton of drive
    rows = np.hstack([loads(at)[:, :3], torque])
    bias = judge(asked(rows, ("Fx", "Fy", "Fz", "torque"), 3000.0), tuple(MILLIMETRES)).bias
    assert 3000 + bias["torque"][0] == pytest.approx(762, abs=0.5)  # given to 1 N
    assert bias["torque"][1] == pytest.approx(900, abs=0.5)  # given to 1 N


@pytest.mark.source("TRAPS: aligning moment of 100 N m left out")
def test_an_aligning_moment_left_out(corner: Corner, far_apart: Differ) -> None:
    rows = loads(pose(mechanism_of(lone(corner)), 0.0))
    bias = judge(picked(rows, WITH_MZ, 100.0), tuple(MILLIMETRES)).bias["Mz"]
    assert abs(bias[1]) == pytest.approx(430, abs=0.5)  # given to 1 N
    assert abs(bias[1]) / 5000 == pytest.approx(0.086, abs=5e-4)  # given to 0.1 %
    spoiled = rows.copy()
    spoiled[:, 5] *= 0.001  # per N mm instead of per N m
    assert far_apart(judge(picked(spoiled, WITH_MZ, 100.0), tuple(MILLIMETRES)).bias["Mz"], bias)


@pytest.mark.source("TRAPS: contact 20 mm to the side, 100 N m left out")
@pytest.mark.parametrize(
    ("also", "braked", "newtons"), [([], False, 290), ([5], True, 305), ([4, 5], False, 305)]
)
def test_an_overturning_moment_left_out(
    corner: Corner, also: list[int], braked: bool, newtons: float
) -> None:
    """290 N where forces only are solved for, 305 N where the other moments are too."""
    rows = loads(pose(mechanism_of(lone(corner)), 0.0), braked=braked)
    question = picked(rows, [*FORCES, 3, *also])
    prior = np.where(np.array(question.unknowns) == "Mx", 100.0, 1e6)
    bias = judge(replace(question, prior=prior), question.candidates).bias["Mx"]
    assert bias[1] == pytest.approx(newtons, abs=0.5)  # given to 1 N


@pytest.mark.source("TRAPS: no gauge in the path of the spring")
def test_a_rod_without_a_gauge(corner: Corner) -> None:
    rows = loads(pose(mechanism_of(lone(corner)), 0.0))
    five = tuple(MILLIMETRES)[:5]
    forces = judge(picked(rows, FORCES), five)
    assert forces.u[2] == pytest.approx(56, abs=0.5)  # given to 1 N
    assert forces.with_["rod"][2] == pytest.approx(7, abs=0.5)  # given to 1 N
    tilted = judge(picked(rows, [*FORCES, 3]), five)
    assert tilted.rank == 3
    assert [lost.name for lost in tilted.lost] == ["Fy", "Fz"]
    assert tilted.cure == ("rod",)


@pytest.mark.source("TRAPS: points off by 2 mm and by 5 mm")
@pytest.mark.parametrize(("u", "low", "high"), [(0.002, 0.6, 1.4), (0.005, 1.4, 3.6)])
def test_points_that_were_measured_badly(corner: Corner, u: float, low: float, high: float) -> None:
    """Gains and cross-talk in percent of the load; the legs of a wishbone share their joint."""
    mechanism = mechanism_of(lone(corner))
    true = loads(pose(mechanism, 0.0))[:, FORCES]
    draw = np.random.default_rng(11)
    off = draw.normal(0.0, u, (1500, *mechanism.points.shape))
    off[:, UPPER_REAR, 0] = off[:, UPPER_FRONT, 0]
    off[:, LOWER_REAR, 0] = off[:, LOWER_FRONT, 0]
    at = pose(mechanism, 0.0, points=mechanism.points + off)
    found = np.linalg.pinv(loads(at)[..., WITH_MZ]) @ true
    spread = 100 * np.std(found[:, :3] - np.eye(3), axis=0)
    # Given to 0.1 %; 1500 draws know a spread to 2 %.
    assert spread.min() == pytest.approx(low, abs=0.05 + 0.05 * low)
    assert spread.max() == pytest.approx(high, abs=0.05 + 0.05 * high)


@pytest.mark.source("TRAPS: map of standing height at 40 mm of travel")
@pytest.mark.parametrize("travel", [0.04, -0.04])
def test_the_map_of_standing_height_in_bump_and_droop(corner: Corner, travel: float) -> None:
    mechanism = mechanism_of(lone(corner))
    at_rest, moved = (loads(pose(mechanism, z))[:, FORCES] for z in (0.0, travel))
    into_fz = read_back(at_rest, moved)[2, 1]
    assert 0.06 <= abs(into_fz) <= 0.07  # 6 to 7 % of Fy appear as Fz
    assert np.sign(into_fz) == -np.sign(travel)


@pytest.mark.source("TRAPS: map of straight ahead at 15 degrees of steer")
def test_the_map_of_straight_ahead_in_a_bend(corner: Corner) -> None:
    mechanism = mechanism_of(lone(corner))
    rack = brentq(lambda r: np.degrees(pose(mechanism, 0.0, r).wheels[0].heading) + 15, -0.08, 0.0)
    ahead, turned = (loads(pose(mechanism, 0.0, r))[:, FORCES] for r in (0.0, rack))
    assert abs(read_back(ahead, turned)[0, 2]) == pytest.approx(0.057, abs=5e-4)  # to 0.1 %
