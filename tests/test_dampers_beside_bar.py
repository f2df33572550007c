"""Dampers of a tied axle: what springs and bars hold of their force, and how wide that makes it."""

import numpy as np
import pytest

import recon
from recon.base.quantities import STANDARD_GRAVITY
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import damper_loads
from recon.planning.unknowns import reference_of
from recon.reconstruction.inputs.damper_force import BODY_BAND, DAMPING, usual_damper_force
from tests.days import VEHICLES

STEP = 1e-4  # m


@pytest.fixture(scope="module")
def tied():
    """The car whose front wheels a bar on drop links ties."""
    return recon.read_vehicle(VEHICLES / "anti_roll_bar.toml")


ON_UPRIGHT = ("upper_front", "upper_rear", "lower_front", "lower_rear", "tie_rod", "coil_over")


def _named(assembly, loads):
    return dict(zip(assembly.mechanism.member_names, loads[:, 0], strict=True))


def test_force_of_a_damper_leaves_the_upright_in_equilibrium(tied):
    assembly = assembly_of(tied, "front")
    loads = damper_loads(pose(assembly.mechanism, 0.0))
    assert loads.shape == (len(assembly.members), 2)
    own = _named(assembly, loads)
    ends = {s.name: (s.outer, s.inner) for s in assembly.supports}
    wrench = np.zeros(6)
    for name in (*(f"FL.{n}" for n in ON_UPRIGHT), "drop_link_left"):
        outer, inner = (np.asarray(end.point) for end in ends[name])
        force = own[name] * (inner - outer) / np.linalg.norm(inner - outer)
        wrench += np.concatenate([force, np.cross(outer, force)])
    assert wrench == pytest.approx(np.zeros(6), abs=1e-6)


def test_bar_and_springs_share_the_damper_by_their_rates_in_roll(tied):
    assembly = assembly_of(tied, "front")
    mechanism = assembly.mechanism
    moved = STEP * np.array([[1.0, -1.0], [-1.0, 1.0]])
    names = list(mechanism.row_names)
    gap = pose(mechanism, moved).balance.rows.gap
    spring, twist = (
        abs(np.subtract(*gap[:, names.index(name)])) / (2 * STEP)
        for name in ("FL.coil_over", "bar_twist")
    )
    by_spring = 45e3 * spring**2  # N/m of each wheel, by the rates of the vehicle file
    by_bar = 22 * 180 / np.pi * twist**2 / 2
    # Up and down together the bar holds nothing; half of the damper acts against it in roll.
    held = 0.5 * by_bar / (by_spring + by_bar) / spring
    own = _named(assembly, damper_loads(pose(mechanism, 0.0)))
    assert abs(own["FL.coil_over"]) == pytest.approx(held, rel=1e-3)
    assert own["FR.coil_over"] == pytest.approx(-own["FL.coil_over"], rel=1e-6)


def test_a_corner_alone_carries_its_damper_in_the_spring():
    car = recon.read_vehicle(VEHICLES / "club_racer.toml")
    assembly = assembly_of(car, "FL")
    assert damper_loads(pose(assembly.mechanism, 0.0)).shape == (len(assembly.members), 0)


def _log(speed, rate=100.0, frequency=1.0):
    """Both front wheels in a sine of travel with this largest speed [m/s]."""
    from recon.base.late import xr

    t = np.arange(2000) / rate
    travel = speed / (2 * np.pi * frequency) * np.sin(2 * np.pi * frequency * t)
    out = xr.Dataset(
        {"travel": (("elapsed_time", "corner"), np.column_stack([travel, -travel]))},
        coords={"elapsed_time": t, "corner": ["FL", "FR"]},
    )
    return out.assign_attrs(rate=rate)


def test_usual_force_follows_the_speed_of_the_wheels(tied):
    assembly = assembly_of(tied, "front")
    carried = max(reference_of(tied, c).vertical for c in assembly.corners) / STANDARD_GRAVITY
    for speed in (0.05, 0.2):
        # 95 % of a sine stay below its size times sin(95 % of a quarter turn).
        expected = DAMPING * carried * speed * np.sin(0.95 * np.pi / 2) / 1.96
        assert usual_damper_force(_log(speed), tied, assembly) == pytest.approx(expected, rel=0.02)
    shaken = usual_damper_force(_log(0.2, frequency=3 * BODY_BAND), tied, assembly)
    assert shaken < 0.2 * usual_damper_force(_log(0.2), tied, assembly)
    club = recon.read_vehicle(VEHICLES / "club_racer.toml")
    assert usual_damper_force(_log(0.2), club, assembly_of(club, "FL")) == 0.0
