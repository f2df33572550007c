"""Cycles of a load by the standard's example, columns by handbooks' examples, tubes of the file."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from math import pi, sqrt

import numpy as np
import pytest

from recon.base.errors import VehicleError
from recon.car.bridges import Tube
from recon.evaluation.links.rainflow import cycle_ranges
from recon.evaluation.links.strength import column_stress, radius_of_gyration, strength_of
from recon.records.vehicles import read_vehicle
from tests.days import VEHICLES


def counted(load: list[float] | np.ndarray) -> dict[float, float]:
    """Cycles by range."""
    out: Counter[float] = Counter()
    for size, count in zip(*cycle_ranges(np.asarray(load, dtype=float)), strict=True):
        out[round(float(size), 9)] += float(count)
    return dict(sorted(out.items()))


def three_points(load: list[float]) -> dict[float, float]:
    """Rainflow count point after point by the rule of three points, as the standard words it."""
    points: list[float] = []
    out: Counter[float] = Counter()
    turns = [x for i, x in enumerate(load) if i == 0 or x != load[i - 1]]
    turns = [
        x
        for i, x in enumerate(turns)
        if i in (0, len(turns) - 1) or (x - turns[i - 1]) * (turns[i + 1] - x) < 0
    ]
    for x in turns:
        points.append(x)
        while len(points) >= 3:
            last, before = abs(points[-1] - points[-2]), abs(points[-2] - points[-3])
            if last < before:
                break
            if len(points) == 3:  # the range has the starting point: half a cycle
                out[round(before, 9)] += 0.5
                points.pop(0)
            else:
                out[round(before, 9)] += 1.0
                del points[-3:-1]
    for a, b in pairwise(points):
        out[round(abs(b - a), 9)] += 0.5
    return dict(sorted(out.items()))


@pytest.mark.source("E1049: rainflow count of the example")
def test_cycles_are_those_of_the_standard_example() -> None:
    example = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
    expected = {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}
    assert counted(example) == expected
    # Twin: the ranges one after another, each a half cycle, are another count.
    simple = Counter(float(r) for r in np.abs(np.diff(example)))
    assert {k: v / 2 for k, v in sorted(simple.items())} != expected


def test_whole_arrays_count_as_point_after_point() -> None:
    rng = np.random.default_rng(4)
    for trial in range(300):
        n = int(rng.integers(1, 60))
        load = rng.integers(-4, 5, n).astype(float) if trial % 2 else rng.normal(size=n)
        assert counted(load) == three_points(load.tolist()), load.tolist()


def test_gaps_and_constant_loads_make_no_cycles() -> None:
    assert counted([0, 3, np.nan, 3, 0, 3]) == counted([0, 3, 0, 3])
    assert counted([2.0, 2.0, 2.0]) == {}
    assert counted([]) == {}
    assert counted([np.nan]) == {}


@pytest.mark.source("SHIGLEY: Euler column, example of a round bar")
def test_a_slender_column_buckles_by_euler() -> None:
    """A round bar of 1.5 m that buckles at 88 kN has a diameter of 37.5 mm."""
    diameter, modulus, strength = 0.03748, 207e9, 500e6
    stress, law = column_stress(1.5 / (diameter / 4), modulus, strength)
    assert law == "Euler"
    assert stress * pi / 4 * diameter**2 == pytest.approx(88e3, rel=1e-3)  # printed digits
    # The two laws part at a slenderness of 90.4 in this steel.
    assert column_stress(90.3, modulus, strength)[1] == "Johnson"
    assert column_stress(90.5, modulus, strength)[1] == "Euler"
    # Twin: fixed ends, half the length, would carry four times as much.
    assert column_stress(0.75 / (diameter / 4), modulus, strength)[0] > 2 * stress


@pytest.mark.source("MOTT: Johnson column, example of a flat bar")
def test_a_short_column_buckles_by_johnson() -> None:
    """A bar of 80 x 30 mm, 304 mm of effective length, 290 MPa: 665 kN."""
    stress, law = column_stress(0.304 / (0.030 / sqrt(12)), 207e9, 290e6)
    assert law == "Johnson"
    assert stress * 0.080 * 0.030 == pytest.approx(665e3, rel=2e-3)  # printed digits
    euler = pi**2 * 207e9 / (0.304 / (0.030 / sqrt(12))) ** 2  # twin
    assert euler > 5 * stress


def test_both_laws_touch_at_half_the_yield_strength() -> None:
    touching = sqrt(2 * pi**2 * 205e9 / 460e6)
    below, above = (column_stress(touching * (1 + s), 205e9, 460e6)[0] for s in (-1e-6, 1e-6))
    assert below == pytest.approx(230e6, rel=1e-5)
    assert above == pytest.approx(230e6, rel=1e-5)


def tube(outside: float, wall: float, u: float = 0.0) -> Tube:
    return Tube(outside, u, wall, u, 205e9, 0.0, 0.29, 0.0)


def test_a_tube_of_common_size() -> None:
    """15.9 x 0.9 x 450 mm, 460 MPa: yields at 19.5 kN, buckles at 11.6 kN, 12.0 kN by Euler."""
    found = strength_of(tube(0.0159, 0.0009), 0.450, 460e6)
    assert found.yields == pytest.approx(19.5e3, rel=0.005)
    assert found.buckles == pytest.approx(11.6e3, rel=0.01)
    assert found.column == "Johnson"
    inertia = pi / 64 * (0.0159**4 - 0.0141**4)
    assert pi**2 * 205e9 * inertia / 0.450**2 == pytest.approx(12.0e3, rel=0.005)
    assert radius_of_gyration(tube(0.02, 0.01)) == pytest.approx(0.005)  # a solid rod, d / 4


def test_sizes_of_the_tube_bring_their_uncertainty() -> None:
    """Against draws of the sizes."""
    rng = np.random.default_rng(2)
    drawn = [
        strength_of(tube(0.0159 + a, 0.0009 + b), 0.450, 460e6)
        for a, b in rng.normal(0, 2e-5, (4000, 2))
    ]
    found = strength_of(tube(0.0159, 0.0009, 2e-5), 0.450, 460e6)
    # The spread of 4000 draws is good to 1.1 %; slopes are first order.
    assert found.u_yields == pytest.approx(np.std([d.yields for d in drawn]), rel=0.04)
    assert found.u_buckles == pytest.approx(np.std([d.buckles for d in drawn]), rel=0.04)


def described(tmp_path, after: str, lines: str):
    """The club racer with more lines after a line of its first corner."""
    text = (VEHICLES / "club_racer.toml").read_text(encoding="utf-8")
    path = tmp_path / "car.toml"
    path.write_text(text.replace(after, f"{after}\n{lines}", 1), encoding="utf-8")
    return path


def test_tube_and_strength_of_a_link_are_read(tmp_path) -> None:
    lines = "tube_outside_diameter_mm = 16\ntube_wall_mm = 1.5\nyield_strength_MPa = 420"
    car = read_vehicle(described(tmp_path, 'name = "tie_rod"', lines))
    for name in ("FL", "FR"):  # the right side mirrors it
        rod = next(s for s in car.corners[name].supports if s.name == "tie_rod")
        assert rod.tube is not None
        assert rod.tube.outside_diameter == pytest.approx(0.016)
        assert rod.tube.wall == pytest.approx(0.0015)
        assert rod.yield_strength == pytest.approx(420e6)
    assert any("u_tube_wall_mm of tie_rod" in str(a) for a in car.assumed)


@pytest.mark.parametrize(
    ("after", "lines", "found"),
    [
        ('name = "tie_rod"', "tube_wall_mm = 1.5", r"tube_outside_diameter_mm: found no such key"),
        (
            'name = "tie_rod"',
            "tube_outside_diameter_mm = 16\ntube_wall_mm = 9",
            r"tube_wall_mm: found 9 mm in a tube of 16 mm",
        ),
        (
            'name = "spring"',
            "yield_strength_MPa = 420",
            r"yield_strength_MPa: found one on a spring; need tube and strength on links only",
        ),
        (
            'name = "tie_rod"',
            "yield_strength_MPa = 420e6",
            r"yield_strength_MPa: found 4\.2e\+08 MPa; need 0 or a size from",
        ),
    ],
)
def test_impossible_tubes_of_links_are_refused(
    after: str, lines: str, found: str, tmp_path
) -> None:
    with pytest.raises(VehicleError, match=rf"line \d+.*{found}"):
        read_vehicle(described(tmp_path, after, lines))
