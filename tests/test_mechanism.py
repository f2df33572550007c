"""Rows of supports: gradients of the gaps they close, and supports that must hold exactly once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from recon.base.errors import VehicleError
from recon.car.linkage import lone
from recon.car.vehicle import Corner, Support, Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.build_mechanism import mechanism_of, spin_axis
from recon.mechanics.motion import pose
from recon.mechanics.rows import rows_of
from recon.mechanics.structure import Mechanism, State, cross
from tests.shipped_mechanisms import shipped

Floats = NDArray[np.float64]


def gaps_after(mechanism: Mechanism, state: State, twist: Floats) -> Floats:
    """Gaps of all rows after a small motion of the bodies, rotation vectors by scipy."""
    parts = twist.reshape(-1, 6)
    turn = Rotation.from_rotvec(parts[:, 3:]).as_matrix()
    moved = np.einsum("bij,bj->bi", turn, state.shift) + parts[:, :3]
    there = replace(state, rotation=turn @ state.rotation, shift=moved)
    return rows_of(mechanism, there).gap


def test_vector_products_are_those_of_numpy() -> None:
    rng = np.random.default_rng(1)
    first, second = rng.normal(size=(4, 5, 2, 3)), rng.normal(size=(4, 5, 1, 3))
    assert np.array_equal(cross(first, second), np.cross(first, second))
    assert not np.allclose(cross(first, second), np.cross(second, first))  # twin


def test_rows_are_the_gradients_of_their_gaps(any_corner: tuple[Vehicle, Corner]) -> None:
    """Central differences over 1e-4 m or rad, away from design, one motion at a time."""
    car, corner = any_corner
    mechanism = mechanism_of(lone(corner))
    rack = np.float64(0.5 * car.steering.rack_range[1])
    at = pose(mechanism, 0.02, rack)
    rows = rows_of(mechanism, at)
    step = 1e-4
    for k in range(rows.gradient.shape[1]):
        twist = np.zeros(rows.gradient.shape[1])
        twist[k] = step
        there, back = gaps_after(mechanism, at, twist), gaps_after(mechanism, at, -twist)
        # Differences of third order: step^2 over lengths of 0.05 m squared, 4e-6.
        assert_allclose((there - back) / (2 * step), rows.gradient[:, k], rtol=0, atol=1e-5)


def test_rows_count_five_for_a_pivot_and_one_for_each_member(club_racer: Vehicle) -> None:
    mechanism = mechanism_of(lone(club_racer.corners["FL"]))
    at = pose(mechanism, 0.0)
    rows = rows_of(mechanism, at)
    pivot = mechanism.kinds.index("pivot")
    counts = np.bincount(rows.support)
    assert counts[pivot] == 5
    assert np.all(np.delete(counts, pivot) == 1)
    assert np.flatnonzero(rows.free).tolist() == [
        int(np.flatnonzero(rows.support == mechanism.kinds.index("spring"))[0])
    ]
    assert_allclose(rows.gap, 0.0, rtol=0, atol=1e-12)  # design height is closed: rounding


def test_members_are_the_two_force_members_on_the_upright(club_racer: Vehicle) -> None:
    def names(corner: str) -> list[str]:
        return list(mechanism_of(lone(club_racer.corners[corner])).member_names)

    front = ["upper_front", "upper_rear", "lower_front", "lower_rear", "tie_rod", "push_rod"]
    rear = ["upper_fore", "upper_aft", "lower_fore", "lower_aft", "toe_link", "coil_over"]
    assert names("FL") == front  # the spring sits on the rocker
    assert names("RL") == rear  # the coil-over sits on the upright


def test_members_do_not_depend_on_how_many_links_are_gauged(club_racer: Vehicle) -> None:
    corner = club_racer.corners["FL"]
    all_six = mechanism_of(lone(corner)).member_names
    for n in range(6):
        assert mechanism_of(lone(replace(corner, gauges=corner.gauges[:n]))).member_names == all_six


def test_a_gauge_behind_the_rocker_takes_the_rods_place(club_racer: Vehicle) -> None:
    corner = club_racer.corners["FL"]
    spring = replace(corner.gauges[-1], on="spring")
    names = mechanism_of(lone(replace(corner, gauges=(*corner.gauges[:-1], spring)))).member_names
    assert set(names) == {"upper_front", "upper_rear", "lower_front", "lower_rear", "tie_rod",
                          "spring"}  # fmt: skip
    both = mechanism_of(lone(replace(corner, gauges=(*corner.gauges, spring)))).member_names
    assert {"spring", "push_rod"} < set(both)  # it repeats the push rod's, and is a gauge's own


def test_every_gauged_load_is_a_member_and_corners_come_before_a_bar() -> None:
    names = assembly_of(shipped("anti_roll_bar"), "FR").mechanism.member_names
    assert len(names) == 14
    assert all(name.startswith(("FL.", "FR.")) for name in names[:12])
    assert set(names[12:]) == {"drop_link_left", "drop_link_right"}


def test_spin_axes_of_both_sides_are_mirror_images() -> None:
    left, right = spin_axis(True, 0.01, -0.02), spin_axis(False, 0.01, -0.02)
    # The axis points left on both sides, so its mirror image is turned round as well.
    assert_allclose(right, left * [-1, 1, -1], rtol=0, atol=1e-15)  # rounding
    assert np.linalg.norm(left) == pytest.approx(1.0, rel=1e-14)  # rounding


def without(corner: Corner, name: str) -> Corner:
    return replace(corner, supports=tuple(s for s in corner.supports if s.name != name))


def as_link(support: Support) -> Support:
    return replace(support, kind="link")


def test_missing_support_names_corner_and_counts(club_racer: Vehicle) -> None:
    corner = club_racer.corners["RR"]
    with pytest.raises(
        VehicleError, match=r"corner RR, body 'upright': the upright can still turn about"
    ):
        mechanism_of(lone(without(corner, "toe_link")))


def test_corner_without_a_spring_is_refused(club_racer: Vehicle) -> None:
    corner = club_racer.corners["FL"]
    rigid = replace(
        corner, supports=tuple(as_link(s) if s.kind == "spring" else s for s in corner.supports)
    )
    with pytest.raises(VehicleError, match=r"corner FL: .*push_rod.* keep the wheel from rising"):
        mechanism_of(lone(rigid))
