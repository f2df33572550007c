"""Cars and corners that several tests share; each says whether it is published or invented."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import ArrayLike
from threadpoolctl import threadpool_limits

from recon.base.quantities import CORNERS
from recon.car.vehicle import Attachment, Brake, Corner, Support, Vec, Vehicle, Wheel
from recon.records.vehicles import read_vehicle

Lines = dict[str, tuple[Vec, Vec]]
VEHICLES = Path(__file__).parents[1] / "vehicles"


def pytest_configure() -> None:
    """Workers that run side by side share the cores among themselves, not each with all threads."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        threadpool_limits(1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Longest tests first, by the seconds that their marks state, so that no core waits at the end.

    The order of all others stays: tests of one module share what they made.
    """
    items.sort(key=_seconds, reverse=True)


def _seconds(item: pytest.Item) -> float:
    mark = item.get_closest_marker("slow")
    return float(mark.args[0]) if mark else 0.0


@pytest.fixture(scope="session")
def club_racer() -> Vehicle:
    """Invented car: push rods and rockers in front, coil-overs at the rear."""
    return read_vehicle(VEHICLES / "club_racer.toml")


@pytest.fixture(scope="session")
def case_car() -> Vehicle:
    """Invented car: push rods and rockers all round."""
    return read_vehicle(VEHICLES / "case_car.toml")


def keeping(car: Vehicle, corner: str, members: Collection[str]) -> Vehicle:
    """The car with that corner alone, gauges only on `members`."""
    one = car.corners[corner]
    kept = tuple(g for g in one.gauges if g.on in members)
    return replace(car, corners={corner: replace(one, gauges=kept)})


@pytest.fixture(scope="session")
def five_gauges(club_racer: Vehicle) -> Vehicle:
    """Front left corner alone, its push rod without a gauge."""
    bare = {"push_rod"}
    return keeping(club_racer, "FL", {g.on for g in club_racer.corners["FL"].gauges} - bare)


@pytest.fixture(scope="session")
def one_gauge(case_car: Vehicle) -> Vehicle:
    """Rear right corner alone with a single gauge."""
    return keeping(case_car, "RR", {"push_rod"})


@pytest.fixture(scope="session")
def bare_corner(club_racer: Vehicle) -> Vehicle:
    """Front left corner alone, nothing bonded yet."""
    return keeping(club_racer, "FL", ())


@pytest.fixture(params=[(c, n) for c in ("club_racer", "case_car") for n in CORNERS], ids="-".join)
def any_corner(request: pytest.FixtureRequest) -> tuple[Vehicle, Corner]:
    """Every corner of both cars in turn."""
    car = request.getfixturevalue(request.param[0])
    return car, car.corners[request.param[1]]


@pytest.fixture(scope="session")
def links_corner() -> Callable[..., Corner]:
    """Builder of a corner of one body on six two-force members, see `_links_corner`."""
    return _links_corner


def _links_corner(
    lines: Lines, centre: Vec, *, name: str = "FL", radius: float = 0.3, spring: str = ""
) -> Corner:
    """One body on two-force members `lines` (outer end, inner end); `spring` or the last is free.

    Only the freedom of length of one member tells a spring from a link, so which one it is
    changes no load at design height.
    """
    spring = spring or list(lines)[-1]
    supports = tuple(
        Support(
            n,
            "spring" if n == spring else "link",
            Attachment("upright", outer, 0.002),
            Attachment("chassis", inner, 0.002),
        )
        for n, (outer, inner) in lines.items()
    )
    return Corner(
        name=name,
        bodies=("upright",),
        supports=supports,
        gauges=(),
        wheel=Wheel("upright", centre, 0.002, radius, 0.002, 0.0, 0.0, 1.0, 0.1),
        brake=Brake("outboard", 1.2e-4, 2e-5),
        driven=True,
        unsprung_mass=30.0,
        u_unsprung_mass=0.5,
        travel_range=(-0.06, 0.06),
        droop_travel=-0.05,
        u_droop_travel=0.002,
    )


# Published points (x forward, y left, z up, m), see D7a in sources.toml.  Simplified there: the
# strut runs from the lower ball joint to the spring's point on the chassis.
HMMWV: Lines = {
    "UF": ((-0.053, 0.716, 0.215), (-0.048, 0.446, 0.245)),
    "UB": ((-0.053, 0.716, 0.215), (-0.268, 0.478, 0.196)),
    "LF": ((-0.036, 0.787, -0.118), (0.223, 0.307, 0.000)),
    "LB": ((-0.036, 0.787, -0.118), (-0.223, 0.307, 0.000)),
    "tie": ((-0.176, 0.821, -0.016), (-0.250, 0.448, 0.054)),
    "strut": ((-0.036, 0.787, -0.118), (0.104, 0.510, 0.197)),
}
HMMWV_CENTRE: Vec = (-0.040, 0.910, -0.026)
HMMWV_RADIUS = 0.467  # m, puts the contact at z = -0.493 m


@pytest.fixture(scope="session")
def hmmwv() -> Corner:
    """Front left corner of the published double wishbone as six two-force members."""
    return _links_corner(HMMWV, HMMWV_CENTRE, radius=HMMWV_RADIUS)


@pytest.fixture(scope="session")
def hmmwv_spoiled() -> Callable[..., Corner]:
    """The same corner with one end of one member put elsewhere: (member, end, point) -> Corner."""

    def spoil(member: str, end: int, point: Vec) -> Corner:
        line = list(HMMWV[member])
        line[end] = point
        return _links_corner(
            HMMWV | {member: (line[0], line[1])}, HMMWV_CENTRE, radius=HMMWV_RADIUS
        )

    return spoil


@pytest.fixture(scope="session")
def far_apart() -> Callable[..., bool]:
    """Whether two answers differ by more than `share` of the largest expected number."""

    def differ(found: ArrayLike, expected: ArrayLike, share: float = 0.01) -> bool:
        found, expected = np.asarray(found), np.asarray(expected)
        return bool(np.max(np.abs(found - expected)) > share * np.max(np.abs(expected)))

    return differ
