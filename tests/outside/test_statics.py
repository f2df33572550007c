"""Link loads against textbook joints, closed forms and one published suspension.

Every expected number has a twin: the same case with one sign, unit or point spoiled must miss
the number by far, so that no test passes by an insensitive comparison.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike, NDArray

from recon.car.linkage import lone
from recon.car.vehicle import Attachment, Corner, Support
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import Pose, pose
from recon.mechanics.rows import rows_of
from recon.mechanics.statics import load_matrix, member_matrix, road_columns
from recon.reconstruction.estimator.linear_estimator import estimator, loads_of

Floats = NDArray[np.float64]
Builder = Callable[..., Corner]
Differ = Callable[..., bool]

# Three links that hold a body's rotation about the origin and nothing else: their moments are
# independent, so a joint loaded through the origin leaves them at zero.
GUIDES = {
    "guide z": ((1.0, 0.0, 0.0), (1.0, 1.0, 0.0)),
    "guide x": ((0.0, 1.0, 0.0), (0.0, 1.0, 1.0)),
    "guide y": ((0.0, 0.0, 1.0), (1.0, 0.0, 1.0)),
}
ORIGIN = (0.0, 0.0, 0.0)


def at_design(corner: Corner) -> Pose:
    return pose(mechanism_of(lone(corner)), 0.0)


def joint_tensions(
    build: Builder, cords: dict[str, tuple], load: ArrayLike, *, free: str
) -> Floats:
    """Tensions of three cords that meet at the origin under `load`, the guides' loads behind."""
    lines = {n: (ORIGIN, tuple(map(float, way))) for n, way in cords.items()}
    corner = build(lines | GUIDES, ORIGIN, spring=free)
    return load_matrix(at_design(corner))[:, :3] @ np.asarray(load, dtype=float)


CRATE = {"B": (-3, -4, 8), "C": (-3, 4, 8), "D": (1, 0, 0)}
ANGLES = {"B": (1, 0, 0), "C": tuple(np.cos(np.radians([120, 135, 60]))), "D": (-1, 2, 2)}
CABLES = {"AB": (-450, 600, 0), "AC": (0, 600, -320), "AD": (500, 600, 360)}
TRUSS = {"up y": (0, 1, 0), "down z": (0, 0, -1), "slanted": (1, 1, -1)}


@pytest.mark.source("D1: three cords, 40 lb")
def test_three_cords_carry_a_crate(links_corner: Builder, far_apart: Differ) -> None:
    found = joint_tensions(links_corner, CRATE, [0, 0, -40.0], free="B")
    assert_allclose(found[:3], [23.6, 23.6, 15.0], rtol=0, atol=0.05)  # printed to three digits
    assert_allclose(found[:3], [23.584953, 23.584953, 15.0], rtol=1e-7)  # digits recomputed
    assert_allclose(found[3:], 0.0, rtol=0, atol=1e-12)  # through the joint: rounding only
    spoiled = CRATE | {"D": (-1, 0, 0)}
    twin = joint_tensions(links_corner, spoiled, [0, 0, -40.0], free="B")
    assert far_apart(twin[:3], found[:3])


@pytest.mark.source("D2: three cords, 981 N")
def test_three_cords_given_by_direction_angles(links_corner: Builder, far_apart: Differ) -> None:
    found = joint_tensions(links_corner, ANGLES, [0, 0, -981.0], free="C")
    assert_allclose(found[:3], [694, 813, 862], rtol=0, atol=0.5)  # printed to three digits
    assert_allclose(found[:3], [693.672, 812.687, 861.985], rtol=0, atol=1e-3)  # digits recomputed
    in_kilograms = joint_tensions(links_corner, ANGLES, [0, 0, -100.0], free="C")
    assert far_apart(in_kilograms[:3], found[:3])


@pytest.mark.source("D3: container on three cables")
def test_container_weight_from_one_cable(links_corner: Builder, far_apart: Differ) -> None:
    per_weight = joint_tensions(links_corner, CABLES, [0, -1.0, 0], free="AD")[:3]
    weight = 6.0 / per_weight[0]  # kN, with 6 kN in AB
    assert weight == pytest.approx(13.98, rel=1e-9)  # exact in decimal figures
    assert_allclose(weight * per_weight, [6.0, 5.508, 6.192], rtol=0, atol=5e-4)  # printed digits
    spoiled = CABLES | {"AC": (0, 600, 320)}
    twin = joint_tensions(links_corner, spoiled, [0, -1.0, 0], free="AB")[:3]
    assert far_apart(weight * twin, weight * per_weight)


@pytest.mark.source("D4: space truss joint")
def test_members_that_carry_nothing_stay_at_zero(links_corner: Builder, far_apart: Differ) -> None:
    found = joint_tensions(links_corner, TRUSS, [0, -4.0, 0], free="down z")
    assert_allclose(found[:3], [4.0, 0.0, 0.0], rtol=0, atol=1e-14)  # zero members: rounding only
    twin = joint_tensions(links_corner, TRUSS, [0, 4.0, 0], free="down z")
    assert far_apart(twin[:3], found[:3])


def struts(*, above: float = 1.0) -> dict[str, tuple]:
    """Three vertical struts, two sideways, one along; inner ends one metre off."""

    def strut(x: float, y: float, way: tuple) -> tuple:
        return (x, y, 0.0), tuple(np.add((x, y, 0.0), way).tolist())

    up, left, ahead = (0.0, 0.0, above), (0.0, 1.0, 0.0), (1.0, 0.0, 0.0)
    return {
        "z1": strut(0, 0, up),
        "z2": strut(1, 0, up),
        "z3": strut(0, 1, up),
        "y1": strut(0, 0, left),
        "y2": strut(1, 0, left),
        "x1": strut(0, 0, ahead),
    }


STRUT_TENSIONS = np.array(
    [[5, -5, 0, -4, 4, -10], [5, 0, -5, -7, -3, 0], [-3, -3, -4, 0, 0, 0]], dtype=float
)


@pytest.mark.source("D5: six struts, closed form")
def test_six_struts_by_hand_moments(links_corner: Builder, far_apart: Differ) -> None:
    corner = links_corner(struts(), (0.3, 0.4, -0.5), spring="z1")
    found = load_matrix(at_design(corner))[:, :3].T * 10.0
    assert_allclose(found, STRUT_TENSIONS, rtol=0, atol=1e-12)  # exact: rounding only
    pushed_from_below = links_corner(struts(above=-1.0), (0.3, 0.4, -0.5), spring="z1")
    assert far_apart(load_matrix(at_design(pushed_from_below))[:, :3].T * 10.0, found)
    load_elsewhere = links_corner(struts(), (0.3, 0.4, 0.5), spring="z1")
    assert far_apart(load_matrix(at_design(load_elsewhere))[:, :3].T * 10.0, found)


def legs_of_a_cube(stretch: float = 1.0) -> dict[str, tuple]:
    """The six edges of a cube that touch neither end of one of its diagonals."""
    corners = [np.array(c, dtype=float) for c in product((0.0, 1.0), repeat=3)]
    low = [c for c in corners if c.sum() == 1.0]
    high = [c for c in corners if c.sum() == 2.0]
    edges = [(b, a) for b in high for a in low if np.abs(b - a).sum() == 1.0]
    squeeze = np.array([1.0, 1.0, stretch])
    return {
        f"leg {i}": (tuple((b * squeeze).tolist()), tuple((a * squeeze).tolist()))
        for i, (b, a) in enumerate(edges)
    }


def sum_of_leg_squares(corner: Corner) -> Floats:
    mechanism = mechanism_of(lone(corner))
    at = pose(mechanism, 0.0)
    force = rows_of(mechanism, at).gradient[:, :3]
    return force.T @ force


@pytest.mark.source("D6: cubic six-leg arrangement")
def test_cubic_legs_are_equally_stiff_in_all_directions(
    links_corner: Builder, far_apart: Differ
) -> None:
    corner = links_corner(legs_of_a_cube(), (1.0, 1.0, 1.0))
    assert_allclose(
        sum_of_leg_squares(corner), 2 * np.eye(3), rtol=0, atol=1e-14
    )  # exact: rounding
    lines = legs_of_a_cube()
    lines["leg 0"] = (lines["leg 0"][0], (0.5, 0.5, 0.0))  # one leg off its edge
    skewed = links_corner(lines, (1.0, 1.0, 1.0))
    assert far_apart(sum_of_leg_squares(skewed), 2 * np.eye(3))


# N per 1000 N at the contact; members in the order UF, UB, LF, LB, tie, strut.
PATCH_LOADS = np.array(
    [
        [1159.0886, -1625.5666, -2411.7637, 2273.5680, 318.8942, -392.3826],
        [-1186.7436, -37.9790, 1539.8293, 1289.3229, 171.4607, -724.0281],
        [-401.6155, 4.8823, 1512.5826, 243.3315, 52.8376, -1879.9169],
    ]
)
CENTRE_LOADS = np.array([-663.9920, 414.7564, -1049.1100, 172.5550, 1056.5512, 126.1730])
COMBINED = np.array([3692.4016, -2304.8837, -2186.8031, 515.7091, 175.3095, -5936.1574])
DIGITS = 1e-3  # N, the numbers were computed three ways and rounded to 1e-4 N


def patch_loads(corner: Corner) -> Floats:
    """Members' loads per newton at the contact, whole moment on the upright, (6, 6)."""
    at = at_design(corner)
    return member_matrix(at) @ road_columns(at, hub_passes_spin=True)


@pytest.mark.source("D7a: double wishbone as six two-force members")
def test_published_wishbone_loads(hmmwv: Corner) -> None:
    loads = patch_loads(hmmwv)
    assert_allclose(1000 * loads[:, :3].T, PATCH_LOADS, rtol=0, atol=DIGITS)
    assert_allclose(loads[:, :3] @ [1500, -3000, 4000], COMBINED, rtol=0, atol=DIGITS)
    assert_allclose(1000 * member_matrix(at_design(hmmwv))[:, 0], CENTRE_LOADS, rtol=0, atol=DIGITS)
    assert np.linalg.cond(loads[:, :3]) == pytest.approx(3.369815, rel=1e-6)  # seven digits


@pytest.mark.source("D7a: twins of the double wishbone")
@pytest.mark.parametrize(
    ("member", "end", "point"),
    [
        ("tie", 1, (-0.250, -0.448, 0.054)),  # the other side's rack end
        ("LB", 1, (-0.223, 0.307, 0.100)),  # height of one pivot wrong by 100 mm
        ("UF", 1, (-0.048, 0.446, 0.0245)),  # a decimal slipped
        ("strut", 0, (-0.053, 0.716, 0.215)),  # strut on the upper ball joint
    ],
)
def test_spoiled_wishbone_misses_the_numbers(
    hmmwv_spoiled: Builder, far_apart: Differ, member: str, end: int, point: tuple
) -> None:
    loads = patch_loads(hmmwv_spoiled(member, end, point))
    assert far_apart(1000 * loads[:, :3].T, PATCH_LOADS)


# N per 1000 N at the contact: UF, UB, tie, force on the upright at the lower ball, spring.
ARM_LOADS = np.array(
    [
        [1159.0886, -1625.5666, 318.8942, -2048.0767, 255.2886, -281.8395, -462.2783],
        [-1186.7436, -37.9790, 171.4607, 29.2389, -2042.0147, 97.7449, -853.0003],
        [-401.6155, 4.8823, 52.8376, 20.7699, -344.5039, -964.9334, -2214.7892],
    ]
)


def spring_on_arm(corner: Corner, end: tuple = (0.097, 0.543, -0.047)) -> Corner:
    """The published layout: lower arm a body on its axis, ball joint, spring on the arm."""
    links = {s.name: s for s in corner.supports}
    ball = links["LF"].outer.point
    pivot = Support(
        "arm pivot",
        "pivot",
        Attachment("arm", links["LF"].inner.point, 0.0),
        Attachment("chassis", links["LF"].inner.point, 0.0),
        links["LB"].inner.point,
    )
    joint = Support("ball", "ball", Attachment("upright", ball, 0), Attachment("arm", ball, 0))
    top = Attachment("chassis", (0.104, 0.510, 0.197), 0.0)
    spring = Support("spring", "spring", Attachment("arm", end, 0.0), top)
    supports = (links["UF"], links["UB"], links["tie"], joint, pivot, spring)
    return replace(corner, bodies=("upright", "arm"), supports=supports)


def arm_loads(corner: Corner) -> Floats:
    at = at_design(corner)
    loads = 1000 * load_matrix(at) @ road_columns(at, hub_passes_spin=True)[:, :3]
    owner = at.mechanism.owner
    return loads[owner != at.mechanism.supports.index("arm pivot")].T


@pytest.mark.source("D7b: spring on the lower arm")
def test_published_layout_with_the_spring_on_the_arm(hmmwv: Corner, far_apart: Differ) -> None:
    assert_allclose(arm_loads(spring_on_arm(hmmwv)), ARM_LOADS, rtol=0, atol=DIGITS)
    elsewhere = spring_on_arm(hmmwv, end=(0.097, 0.643, -0.047))
    assert far_apart(arm_loads(elsewhere), ARM_LOADS)


@pytest.mark.source("D7a: the right-hand corner mirrors it")
def test_right_hand_corner_mirrors_the_published_loads(
    links_corner: Builder, hmmwv: Corner, far_apart: Differ
) -> None:
    flip = np.array([1.0, -1.0, 1.0])
    lines = {
        s.name: (tuple(flip * s.outer.point), tuple(flip * s.inner.point)) for s in hmmwv.supports
    }
    right = links_corner(
        lines, tuple(flip * hmmwv.wheel.centre), name="FR", radius=hmmwv.wheel.loaded_radius
    )
    loads = 1000 * patch_loads(right)[:, :3].T
    assert_allclose(loads, PATCH_LOADS * flip[:, None], rtol=0, atol=DIGITS)
    assert far_apart(loads, PATCH_LOADS)  # taking the corner for the other one is seen


def recovered(corner: Corner, tensions: Floats, moments: float) -> Floats:
    """Wrench that `estimator` finds from six tensions, each known to 10 N.

    `moments` [N m] is the prior of the three moments: tiny means that only forces are unknown,
    huge that all six are.  Forces have no prior worth the name.
    """
    u = np.array([1e9, 1e9, 1e9, moments, moments, moments])
    loads = loads_of(at_design(corner), np.eye(6), ("locked",))
    found = estimator(np.eye(6), loads, (100.0 * np.eye(6), u))
    return found.W @ tensions


def drive_tensions(corner: Corner, force: float) -> Floats:
    """Tensions under a forward force whose torque comes through a half-shaft."""
    at = at_design(corner)
    return member_matrix(at) @ road_columns(at, hub_passes_spin=False)[:, 0] * force


@pytest.mark.source("D8: drive force is not brake force")
def test_drive_force_read_as_brake_force_comes_back_wrong(hmmwv: Corner) -> None:
    tensions = drive_tensions(hmmwv, 1000.0)
    wrong = recovered(hmmwv, tensions, moments=1e-6)
    assert_allclose(wrong[:3], [73.43, 197.95, -353.93], rtol=0, atol=0.005)  # rounded to 0.01 N
    residual = tensions - patch_loads(hmmwv)[:, :3] @ wrong[:3]
    assert np.linalg.norm(residual) == pytest.approx(1528.10, abs=0.005)  # rounded to 0.01 N
    whole = recovered(hmmwv, tensions, moments=1e9)
    # Priors of 1e9 beside gauges of 10 N: the rest is rounding of the inverse.
    assert_allclose(whole, [1000, 0, 0, 0, 467.0, 0], rtol=0, atol=1e-3)


@pytest.mark.source("D8: twin, an outboard brake")
def test_brake_force_comes_back_whole(hmmwv: Corner, far_apart: Differ) -> None:
    tensions = patch_loads(hmmwv)[:, 0] * 1000.0
    right = recovered(hmmwv, tensions, moments=1e-6)
    assert_allclose(right[:3], [1000, 0, 0], rtol=0, atol=1e-3)  # rounding of the inverse
    assert far_apart(right[:3], [73.43, 197.95, -353.93])
