"""A solid axle with its differential in it: drive torque, propeller shaft, and its own mass."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataError, DataWarning, PriorWarning, VehicleError, VehicleWarning
from recon.base.threads import one_thread
from recon.calibration.calibrate import calibrate
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.mechanics.assembly import assembly_of
from recon.mechanics.live_axle import SPREAD, ahead, hub_columns
from recon.mechanics.motion import Pose, pose
from recon.mechanics.statics import inside_matrix, member_matrix
from recon.reconstruction.estimator.linear_estimator import loads_of
from recon.records.vehicles import read_vehicle
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from tests.days import solved, unwarned
from tests.shipped_mechanisms import VEHICLES, shipped
from tests.slalom_course import slalom_states
from tests.suspension_days import described

RATIO, MASS = 4.1, 70.0
DRIVE = 2500.0  # N of each tyre
COLUMNS = np.eye(12)  # moments of the tyres that follow no force


def live(file: str, ratio: float = RATIO, mass: float = 0.0) -> Vehicle:
    car = shipped(file)
    corners = {
        n: replace(c, final_drive=ratio, axle_mass=mass / 2) if n.startswith("R") else c
        for n, c in car.corners.items()
    }
    rear = replace(car.axles["rear"], final_drive=ratio, mass=mass)
    return replace(car, corners=corners, axles=car.axles | {"rear": rear})


def posed(car: Vehicle) -> Pose:
    return pose(assembly_of(car, "rear").mechanism, np.array([0.02, -0.03]))


def moment_of_supports(at: Pose, loads: np.ndarray) -> np.ndarray:
    """Moment (3,) about the middle of the axle by loads (member,) along links and springs."""
    mechanism, total = at.mechanism, np.zeros(3)
    middle = at.hubs.mean(axis=-2)
    for row, load in zip(mechanism.members, loads, strict=True):
        if row >= len(mechanism.owner):  # a section
            continue
        outer, inner = mechanism.points[mechanism.owner[row], :2]
        body = mechanism.outer_body[mechanism.owner[row]]
        place = at.rotation[body] @ (outer - mechanism.reference)
        place = place + mechanism.reference + at.shift[body]
        total += np.cross(place - middle, (inner - place) / np.linalg.norm(inner - place)) * load
    return total


def test_the_axle_holds_the_torque_that_drives_it_and_that_of_the_shaft() -> None:
    at = posed(live("solid_axle"))
    driving, braked = (
        loads_of(at, COLUMNS, (mode, mode)).per_unknown[:, 4] for mode in ("rolling", "braked")
    )
    spin = at.wheels[0].spin
    assert_allclose(moment_of_supports(at, braked), -spin, atol=1e-9)
    # T about the axis to the left holds a tyre that drives back: it is negative then, and the
    # shaft of an engine that turns clockwise, seen from the front, presses the left side down.
    assert_allclose(moment_of_supports(at, driving), -spin - ahead(spin) / RATIO, atol=1e-9)
    chassis = loads_of(posed(shipped("solid_axle")), COLUMNS, ("rolling", "rolling"))
    assert_allclose(chassis.per_unknown[:, 4], braked, atol=1e-12)


def test_tubes_pass_the_torque_of_a_brake_and_not_that_of_the_drive() -> None:
    car = live("solid_axle_tubes")
    at, names = posed(car), assembly_of(car, "rear").members
    twist = names.index("beam:RL_tube_torsion")
    of = {m: loads_of(at, COLUMNS, (m, m)).per_unknown[twist, 4] for m in ("rolling", "braked")}
    assert_allclose(of["braked"], 1.0, atol=1e-3)
    assert_allclose(of["rolling"], 0.0, atol=1e-12)


def test_mass_in_the_axle_does_not_bend_its_tubes_and_hardly_resists_its_roll() -> None:
    car = live("solid_axle_tubes", mass=MASS)
    assembly, at = assembly_of(car, "rear"), posed(car)
    members, inside = member_matrix(at), inside_matrix(at)
    share = 0.5 * MASS / car.corners["RL"].unsprung_mass
    found = hub_columns(assembly.mechanism, members, inside)
    plain = members.reshape(len(members), 2, 6)[..., :3].reshape(len(members), 6)
    near = assembly.members.index("beam:RL_tube_upright_near")
    assert_allclose(found[near, 2], (1 - share) * plain[near, 2], rtol=1e-9)
    links = [k for k, m in enumerate(assembly.members) if ":" not in m]
    both, apart = (found[links, 2] + sign * found[links, 5] for sign in (1, -1))
    whole, against = (plain[links, 2] + sign * plain[links, 5] for sign in (1, -1))
    assert_allclose(both, whole, atol=1e-12)  # both wheels rise alike
    assert_allclose(apart, (1 - share + share * SPREAD) * against, atol=1e-12)


def driven(car: Vehicle, told: Vehicle, pressure: str) -> tuple[xr.Dataset, np.ndarray, np.ndarray]:
    """Forces of an axle that drives up to the first cone; mean error of Fx and Fz, over u."""
    rng = np.random.default_rng(41)
    drawn = draw_car(car, rng, corners=("RL",))
    states = slalom_states(drawn, rng, rate=200.0)
    at = [states.corners.index(name) for name in ("RL", "RR")]
    force, some = states.force.copy(), slice(40, 190)
    force[some, at[0], 0] += DRIVE
    force[some, at[1], 0] += DRIVE
    states = replace(states, force=force)
    assert np.all(states.brake_torque[some][:, at] == 0)
    alone = described(drawn, "rear")
    corners = {n: replace(c, **{k: getattr(told.corners[n], k) for k in ("final_drive",)})
               for n, c in alone.corners.items()}  # fmt: skip
    alone = replace(alone, corners=corners)
    with unwarned(), one_thread():
        warnings.filterwarnings("ignore", category=DataWarning)
        warnings.filterwarnings("ignore", category=PriorWarning)
        calibration = calibrate(virtual_pulls(drawn, None, rng), alone)
        log, tares, truth = virtual_drive(drawn, states, rng)
        if pressure == "none":
            log = log.drop_vars("brake_pressure")
        forces = solved(condition(log, alone, tares), calibration, alone)
    true = low_pass(
        truth["tyre_force_intermediate"].sel(corner=["RL", "RR"]).to_numpy().reshape(-1, 6),
        forces.attrs["bandwidth_Hz"],
        forces.attrs["rate_Hz"],
    )
    found, u = (
        forces[name].to_numpy().reshape(true.shape)[80:160][:, [0, 2, 3, 5]]
        for name in ("tyre_force_intermediate", "u_tyre_force_intermediate")
    )
    error = found - true[80:160][:, [0, 2, 3, 5]]
    return forces, error.mean(axis=0), (error / u).mean(axis=0)


@pytest.mark.slow(8)
def test_forces_of_a_live_axle_that_drives_lie_in_their_intervals() -> None:
    car = live("solid_axle")
    _, error, z = driven(car, car, "logged")
    assert np.all(np.abs(z) < 2.5), (error, z)
    _, wrong, z_wrong = driven(car, shipped("solid_axle"), "logged")  # half-shafts, as was taken
    assert np.max(np.abs(wrong)) > 3 * np.max(np.abs(error))
    assert np.max(np.abs(z_wrong)) > 5


@pytest.mark.slow(8)
def test_without_brake_pressure_the_interval_holds_the_shaft() -> None:
    car = live("solid_axle")
    forces, error, z = driven(car, car, "none")
    assert np.all(np.abs(z) < 2.5), (error, z)
    assert "rear propeller shaft" in forces["cause_name"].to_numpy()


def stated(tmp_path: Path, keys: str, change: tuple[str, str] = ("", "")) -> Path:
    text = (VEHICLES / "solid_axle.toml").read_text(encoding="utf-8")
    path = tmp_path / "car.toml"
    text = text.replace("final_drive_ratio = 0\n", keys).replace(*change)
    path.write_text(text, encoding="utf-8")
    return path


def test_keys_of_a_live_axle_reach_its_wheels(tmp_path: Path) -> None:
    path = stated(tmp_path, "final_drive_ratio = 3.9\nmass_kg = 64\n")
    with warnings.catch_warnings():
        warnings.simplefilter("error", VehicleWarning)
        car = read_vehicle(path)
    assert [(c.final_drive, c.axle_mass) for c in car.corners.values()] == [
        (0.0, 0.0), (0.0, 0.0), (3.9, 32.0), (3.9, 32.0),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("", "final_drive_ratio is not stated; RL and RR are taken to be driven by half-shafts"),
        ("final_drive_ratio = 0.25\nmass_kg = 60\n", "final_drive_ratio = 0.25, usually 2 to 7"),
        ("final_drive_ratio = 4\n", "mass_kg of this live axle is not stated"),
    ],
)
def test_what_is_unusual_or_missing_is_noted(tmp_path: Path, keys: str, words: str) -> None:
    with pytest.warns(VehicleWarning, match=words):
        read_vehicle(stated(tmp_path, keys))


@pytest.mark.parametrize(
    ("keys", "change", "words"),
    [
        ("final_drive_ratio = 4.1\n", ("driven = true", "driven = false"), r"ratio = 4\.1, but no"),
        (
            "final_drive_ratio = 0\nmass_kg = 150\n",
            ("", ""),
            "mass_kg = 150, but unsprung_mass_kg of RL and RR is 124 in",
        ),
    ],
)
def test_contradictions_are_refused(
    tmp_path: Path, keys: str, change: tuple[str, str], words: str
) -> None:
    with pytest.raises(VehicleError, match=words):
        read_vehicle(stated(tmp_path, keys, change))


def test_a_wheel_held_by_its_half_shaft_is_refused() -> None:
    drawn = draw_car(live("solid_axle"), 5, corners=("RL",))
    with unwarned():
        pulls = virtual_pulls(drawn, None, np.random.default_rng(5))
    assert "half-shaft" not in pulls.wheel_held_by
    held = replace(pulls, wheel_held_by=np.full(len(pulls.wheel_held_by), "half-shaft"))
    with pytest.raises(DataError, match=r"final_drive_ratio = 4\.1"):
        calibrate(held, live("solid_axle"))
