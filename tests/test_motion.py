"""Motion of a corner: closed gaps, wished travel, symmetry, steer and its inverse, refusals."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from recon.base.errors import DataError, VehicleError
from recon.car.linkage import lone
from recon.car.vehicle import Attachment, Corner, Support, Vehicle
from recon.mechanics import motion
from recon.mechanics.assembly import assembly_of
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.closure import rotation_matrix
from recon.mechanics.motion import Pose, pose, posed, rack_of_steer
from recon.mechanics.rows import rows_of
from recon.mechanics.structure import Mechanism
from recon.records.vehicles import read_vehicle
from tests.shipped_mechanisms import VEHICLES

Floats = NDArray[np.float64]
FLIP = np.array([1.0, -1.0, 1.0])
CLOSED = 1e-11  # m; gaps are closed to 1e-12 m, sums of a few of them follow


def poses_of(car: Vehicle, corner: Corner, n: int = 60) -> tuple[Floats, Floats, Pose]:
    rng = np.random.default_rng(30)
    travel = rng.uniform(*corner.travel_range, n)
    rack = rng.uniform(*car.steering.rack_range, n) if corner.steered else np.zeros(n)
    return travel, rack, pose(mechanism_of(lone(corner)), travel[:, None], rack)


def moved(at: Pose, point: tuple, body: int = 0) -> Floats:
    """Places of a design point of a body, (pose, xyz)."""
    reference = at.mechanism.reference
    return at.rotation[:, body] @ (np.array(point) - reference) + reference + at.shift[:, body]


def test_links_keep_their_length_and_the_wheel_rises_by_the_travel(
    any_corner: tuple[Vehicle, Corner],
) -> None:
    """Lengths are measured here from the bodies' motion, not taken from the package's gaps."""
    car, corner = any_corner
    travel, rack, at = poses_of(car, corner)
    assert_allclose(at.wheels[0].hub[:, 2] - corner.wheel.centre[2], travel, rtol=0, atol=CLOSED)
    assert_allclose(at.wheels[0].hub, moved(at, corner.wheel.centre), rtol=0, atol=CLOSED)
    for s in corner.supports:
        if s.kind != "link":
            continue
        shift = np.outer(rack if s.inner.rack else 0 * rack, [0.0, 1.0, 0.0])
        on_body = s.inner.on in corner.bodies
        body = corner.bodies.index(s.inner.on) if on_body else 0
        inner = moved(at, s.inner.point, body) if on_body else np.array(s.inner.point) + shift
        length = np.linalg.norm(moved(at, s.outer.point) - inner, axis=1)
        design = np.linalg.norm(np.subtract(s.outer.point, s.inner.point))
        assert_allclose(length, design, rtol=0, atol=CLOSED)


def test_gaps_are_closed_and_bodies_stay_rigid(any_corner: tuple[Vehicle, Corner]) -> None:
    _, _, at = poses_of(*any_corner)
    rows = rows_of(at.mechanism, at)
    assert_allclose(rows.gap[:, ~rows.free], 0.0, rtol=0, atol=CLOSED)
    turned = at.rotation @ np.swapaxes(at.rotation, -1, -2)
    # Products of some ten rotation matrices, rounding of each.
    assert_allclose(turned, np.broadcast_to(np.eye(3), turned.shape), rtol=0, atol=1e-13)


def test_contact_is_the_lowest_point_of_the_wheel(any_corner: tuple[Vehicle, Corner]) -> None:
    _, _, at = poses_of(*any_corner)
    arm = at.wheels[0].contact - at.wheels[0].hub
    radius = at.mechanism.wheels[0].radius
    assert_allclose(np.linalg.norm(arm, axis=1), radius, rtol=1e-13)  # rounding
    assert_allclose(np.sum(arm * at.wheels[0].spin, axis=1), 0.0, rtol=0, atol=1e-15)  # rounding
    # A circle across the spin axis has no lower point: its depth is the cosine of the tilt.
    assert_allclose(-arm[:, 2], radius * np.cos(at.wheels[0].inclination), rtol=1e-13)  # rounding


def test_design_height_is_where_nothing_has_moved(any_corner: tuple[Vehicle, Corner]) -> None:
    _, corner = any_corner
    at = pose(mechanism_of(lone(corner)), 0.0)
    assert_allclose(at.wheels[0].hub, corner.wheel.centre, rtol=0, atol=CLOSED)
    assert_allclose(at.rotation, np.broadcast_to(np.eye(3), at.rotation.shape), rtol=0, atol=CLOSED)
    (wheel,) = at.wheels
    sign = -1.0 if corner.left else 1.0
    assert_allclose(wheel.heading, sign * corner.wheel.toe_in, rtol=0, atol=1e-12)  # rounding
    assert_allclose(wheel.inclination, sign * corner.wheel.camber, rtol=0, atol=1e-12)  # rounding


def mirrored(corner: Corner) -> Corner:
    """The corner of the other side: every y changes its sign."""

    def flip(a: Attachment) -> Attachment:
        return replace(a, point=tuple((FLIP * a.point).tolist()))

    def other(s: Support) -> Support:
        axis = tuple((FLIP * s.axis_point).tolist())
        return replace(s, outer=flip(s.outer), inner=flip(s.inner), axis_point=axis)

    name = corner.name[0] + ("R" if corner.left else "L")
    centre = tuple((FLIP * corner.wheel.centre).tolist())
    return replace(
        corner,
        name=name,
        supports=tuple(other(s) for s in corner.supports),
        wheel=replace(corner.wheel, centre=centre),
    )


def test_the_other_side_is_the_mirror_image(any_corner: tuple[Vehicle, Corner]) -> None:
    car, corner = any_corner
    travel, rack, here = poses_of(car, corner)
    there = pose(mechanism_of(lone(mirrored(corner))), travel[:, None], -rack)
    (own,), (other,) = here.wheels, there.wheels
    assert_allclose(other.hub, own.hub * FLIP, rtol=0, atol=CLOSED)
    assert_allclose(other.contact, own.contact * FLIP, rtol=0, atol=CLOSED)
    assert_allclose(other.heading, -own.heading, rtol=0, atol=1e-10)  # rad; 1e-11 m on 0.1 m
    assert_allclose(other.inclination, -own.inclination, rtol=0, atol=1e-10)  # rad, the same
    if corner.steered:  # the rack goes the other way as well
        wrong = pose(mechanism_of(lone(mirrored(corner))), travel[:, None], rack)
        assert np.max(np.abs(wrong.wheels[0].heading + here.wheels[0].heading)) > 0.01  # rad


def turned(mechanism: Mechanism, turn: Floats) -> Mechanism:
    """The mechanism with the whole car turned by `turn`."""
    wheels = tuple(replace(w, centre=turn @ w.centre, spin=turn @ w.spin) for w in mechanism.wheels)
    points = mechanism.points @ turn.T
    return replace(mechanism, points=points, wheels=wheels, reference=turn @ mechanism.reference)


def test_turning_the_car_turns_the_answer(any_corner: tuple[Vehicle, Corner]) -> None:
    _, corner = any_corner
    mechanism = mechanism_of(lone(corner))
    turn = Rotation.from_euler("z", 0.7).as_matrix()
    travel = np.linspace(*corner.travel_range, 9)[:, None]
    here, there = pose(mechanism, travel), pose(turned(mechanism, turn), travel)
    (own,), (other,) = here.wheels, there.wheels
    assert_allclose(other.hub, own.hub @ turn.T, rtol=0, atol=CLOSED)
    assert_allclose(other.contact, own.contact @ turn.T, rtol=0, atol=CLOSED)
    assert_allclose(other.heading, own.heading + 0.7, rtol=0, atol=1e-10)  # rad; 1e-11 m on 0.1 m
    assert_allclose(other.inclination, own.inclination, rtol=0, atol=1e-10)  # rad, the same


def test_a_batch_is_its_poses_one_by_one(club_racer: Vehicle) -> None:
    corner = club_racer.corners["FL"]
    travel, rack = np.array([[-0.04, 0.0], [0.02, 0.05]]), np.array([0.01, -0.02])
    batch = pose(mechanism_of(lone(corner)), travel[..., None], rack)
    assert batch.wheels[0].hub.shape == (2, 2, 3)
    for i, j in np.ndindex(2, 2):
        alone = pose(mechanism_of(lone(corner)), travel[i, j], rack[j])
        assert_allclose(batch.wheels[0].contact[i, j], alone.wheels[0].contact, rtol=0, atol=CLOSED)


def test_points_given_beside_the_mechanism_count(club_racer: Vehicle) -> None:
    corner = club_racer.corners["RL"]
    mechanism = mechanism_of(lone(corner))
    ahead = np.array([0.1, 0.0, 0.0])
    points, centres = mechanism.points + ahead, mechanism.centres + ahead
    here, there = pose(mechanism, 0.03), pose(mechanism, 0.03, points=points, centres=centres)
    assert_allclose(there.wheels[0].contact, here.wheels[0].contact + ahead, rtol=0, atol=CLOSED)


def test_poses_are_kept_unless_they_are_many(
    club_racer: Vehicle, monkeypatch: pytest.MonkeyPatch
) -> None:
    """For the same mechanism and the same numbers alone."""
    mechanism, travel = assembly_of(club_racer, "FL").mechanism, np.linspace(-0.01, 0.02, 4)
    kept = pose(mechanism, travel[:, None], 0.01)
    assert pose(mechanism, travel[:, None].copy(), 0.01) is kept
    assert assembly_of(club_racer, "FL").mechanism is mechanism
    other = replace(club_racer, u_mass=club_racer.u_mass + 1.0)
    assert hash(other) == hash(club_racer)
    assert assembly_of(other, "FL").mechanism is not mechanism
    assert pose(mechanism, travel[:, None], 0.02) is not kept
    assert pose(mechanism, travel[:, None], 0.01, points=mechanism.points + 0.1) is not kept
    monkeypatch.setattr(motion, "MANY", 3)
    many = pose(mechanism, travel[:, None], 0.01)
    assert many is not kept
    assert_allclose(many.hubs, kept.hubs, rtol=0, atol=0)


def test_rotation_matrix_is_that_of_scipy() -> None:
    vectors = np.random.default_rng(5).standard_normal((50, 3)) * 2.0
    vectors[0] = 0.0
    expected = Rotation.from_rotvec(vectors).as_matrix()
    assert_allclose(rotation_matrix(vectors), expected, rtol=0, atol=1e-14)  # rounding


@pytest.mark.parametrize("name", ["club_racer", "case_car"])
def test_rack_of_steer_inverts_the_mean_heading(request: pytest.FixtureRequest, name: str) -> None:
    car: Vehicle = request.getfixturevalue(name)
    steer = np.linspace(-0.15, 0.15, 13)
    rack = rack_of_steer(car, steer)
    mean = np.zeros_like(steer)
    for corner in (car.corners["FL"], car.corners["FR"]):
        mechanism = mechanism_of(lone(corner))
        heading = pose(mechanism, 0.0, rack).wheels[0].heading
        mean += 0.5 * (heading - pose(mechanism, 0.0).wheels[0].heading)
    # Interpolated among 81 rack positions: a thousandth of the steer channel's 1e-3 rad.
    assert_allclose(mean, steer, rtol=0, atol=1e-6)
    assert np.all(np.diff(rack) * np.sign(rack[-1] - rack[0]) > 0)


def test_steer_beyond_the_rack_gives_a_shift_beyond_its_range(club_racer: Vehicle) -> None:
    """So that it can be flagged; it goes on along the last slope, and nothing jumps there."""
    low, high = club_racer.steering.rack_range
    fine = rack_of_steer(club_racer, np.linspace(-1.2, 1.2, 2001))
    assert fine.min() < low - 0.01
    assert fine.max() > high + 0.01
    step = np.abs(np.diff(fine))
    assert np.max(step) < 1.5 * np.median(step)  # the rack's ratio varies by some ten percent


def test_car_that_does_not_steer_has_no_rack_shift(club_racer: Vehicle) -> None:
    rear = {n: c for n, c in club_racer.corners.items() if n.startswith("R")}
    assert np.all(rack_of_steer(replace(club_racer, corners=rear), [0.1, -0.1]) == 0.0)
    fixed = replace(club_racer, steering=replace(club_racer.steering, rack_range=(0.0, 0.0)))
    assert np.all(rack_of_steer(fixed, [0.1, -0.1]) == 0.0)


def test_travel_that_the_links_do_not_reach_is_named(hmmwv: Corner) -> None:
    with pytest.raises(VehicleError, match=r"corner FL: .* travel 750\.0 mm with the rack at 0\.0"):
        pose(mechanism_of(lone(hmmwv)), np.array([[0.0], [0.75]]))


@pytest.mark.parametrize("travel", [-0.0712, np.array([[0.0], [-0.0712], [0.01]])])
def test_travel_beyond_the_stated_range_is_named(
    club_racer: Vehicle, travel: float | Floats
) -> None:
    with pytest.raises(DataError, match=r"corner RR: travel -71\.2 mm; need .* -60 to 60 mm"):
        posed(assembly_of(club_racer, "RR"), travel)


def test_a_member_that_cannot_move_with_the_wheel_is_named(
    links_corner: Callable[..., Corner],
) -> None:
    """A link straight up from the wheel centre holds the wheel at its height."""
    lines = {
        "up": ((0.0, 0.7, 0.3), (0.0, 0.7, 0.6)),
        "a": ((0.0, 0.6, 0.5), (0.1, 0.3, 0.5)),
        "b": ((0.0, 0.6, 0.5), (-0.1, 0.3, 0.5)),
        "c": ((0.0, 0.6, 0.2), (0.1, 0.3, 0.2)),
        "d": ((0.1, 0.6, 0.2), (0.1, 0.3, 0.25)),
        "spring": ((0.0, 0.6, 0.3), (0.0, 0.3, 0.5)),
    }
    with pytest.raises(VehicleError, match=r"corner FL: up keep the wheel from rising"):
        pose(mechanism_of(lone(links_corner(lines, (0.0, 0.7, 0.3)))), 0.03)


def test_a_tie_rod_that_the_axle_describes_steers_both_wheels(tmp_path: Path) -> None:
    """The shipped car with its tie rods written in the axle's table: the same mechanism."""
    text = (VEHICLES / "anti_roll_bar.toml").read_text(encoding="utf-8")
    rod = re.search(r'\[\[corner\.FL\.support\]\]\nname = "tie_rod"\n(?:.+\n)+\n', text)
    assert rod is not None
    text = text.replace(rod[0], "")
    text = re.sub(r'\[\[corner\.F[LR]\.gauge\]\]\nname = "F[LR]_tie_rod"\n(?:.+\n)+\n', "", text)
    for side, sign in (("L", ""), ("R", "-")):
        moved = rod[0].replace("corner.FL", "axle.front").replace("tie_rod", f"tie_rod_{side}")
        moved = moved.replace('"upright"', f'"F{side}.upright"')
        moved = re.sub(r"(point_mm = \[\d+, )", rf"\g<1>{sign}", moved)
        text += "\n" + moved
    path = tmp_path / "axle_steers.toml"
    path.write_text(text, encoding="utf-8")
    car, same = read_vehicle(path), read_vehicle(VEHICLES / "anti_roll_bar.toml")
    steered = {name: corner.steered for name, corner in car.corners.items()}
    assert steered == {"FL": True, "FR": True, "RL": False, "RR": False}
    steer = np.radians([-10.0, 3.0, 12.0])
    np.testing.assert_allclose(rack_of_steer(car, steer), rack_of_steer(same, steer), atol=1e-9)
    assert np.all(np.abs(rack_of_steer(car, steer)) > 1e-3)
    path.write_text(text.replace("rack_mm = [-40, 40]\n", ""), encoding="utf-8")
    with pytest.raises(VehicleError, match="no rack_mm, though points of FL, FR have moves_with"):
        read_vehicle(path)
